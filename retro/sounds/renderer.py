"""The preview of a performance: played by a bank where the settings name one, else of sines.

A bank plays the parts dry, a few at a time. They are added up, and the room is laid on the sum:
noise that decays as the settings say, from their seed. Parts that sound as before are not played
again.

Conventions
-----------
As in `retro.render.preview`: sound that leaves this module is (frames, 2), float32, on the grid of
24-bit samples; `target` is dry.
"""

import itertools
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import soxr

from retro.model.performance import Performance, PlayedNote
from retro.model.phrase import Phrase
from retro.model.sound import Room
from retro.render.loudness import Loudness, measure
from retro.render.preview import (
    MIN_PRE_ROLL_S,
    Levelled,
    Preview,
    Stem,
    render_preview,
    render_stems,
)
from retro.render.wav import Sound32, to_grid
from retro.sounds.bank import (
    BANK_RATE,
    BLOCK_FRAMES,
    DRUM_BANK,
    FULL_SCALE_16,
    Bank,
    Sound16,
    as_sound,
)
from retro.sounds.convolution import convolved
from retro.sounds.kept import Kept
from retro.sounds.line import Line, Stroke, lines_midi
from retro.sounds.players import PLAYERS
from retro.sounds.presets import Preset, bank_of
from retro.units import db_to_amplitude, seconds_to_samples

RELEASES_S = (2.5, 15.0)
"""How long a bank is heard after the last note-off, and where that does not do; nothing that a
bank holds is known to ring on for longer."""

STILL_S = 0.1
"""A sound that has ended by so much before the end of what was played has ended."""

LEAD_S = 0.02
"""How long before its first note a part is played from, for its controllers to be set."""

PARTS_TOGETHER = 8
"""Most parts that are played at once."""

MAX_STRETCH_S = 15.0
"""Of a longer phrase stretches are played apart, each with the notes that begin in it: then all
processors have something to play, and a moved note has its own stretch alone played again."""

MAX_AT_ONCE = 24
"""Notes that sound together and are played at once: the player has 64 voices, and a note
of a stereo bank takes two of them."""

RINGING_S = 1.0
"""How long after its end a note still takes a voice."""

FULL = FULL_SCALE_16 - 1
"""From here on a sample has hit the end of 16 bits."""

MAX_KEPT_BYTES = 300_000_000
"""Sound of parts that is kept to be used again."""

_Group = tuple[int, ...]
"""Parts, by their index."""

_PartStroke = tuple[Stroke, int]
"""A stroke, and the part that plays it."""

Still = Callable[[], bool]
"""Says whether a preview is still wanted."""

FADE_S = 0.05
"""Over this the target's last tones fade, where they ring beyond the take."""


class GivenUpError(Exception):
    """A preview was not wanted any more before it was made."""


def always() -> bool:
    """Say that a preview is wanted."""
    return True


class _Lot(NamedTuple):
    """Strokes of a phrase that are played at once."""

    phrase: Phrase
    strokes: Sequence[_PartStroke]


class _Placed(NamedTuple):
    """A line, and the frame of its phrase at which it starts."""

    start: int
    sound: Sound16


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """What a bank has played, up to where it is silent.

    `has_ended` says whether it was silent before the player stopped, `is_full` whether it has hit
    the end of its 16 bits.
    """

    sound: Sound16
    has_ended: bool
    is_full: bool

    @classmethod
    def of(cls, sound: Sound16) -> "_Line":
        sounds = (sound != 0).ravel()
        end = -(-(sound.size - int(sounds[::-1].argmax())) // 2) if sounds.any() else 0
        return cls(
            sound=sound[:end].copy(),
            has_ended=sound.shape[0] - end > seconds_to_samples(STILL_S, BANK_RATE),
            is_full=bool(max(int(sound.max(initial=0)), -int(sound.min(initial=0))) >= FULL),
        )


class Renderer:
    """Renders previews; keeps what a bank has played, to play only what has changed.

    One renderer is used by one thread at a time.
    """

    def __init__(self) -> None:
        self._kept: Kept[tuple[str, bytes], _Line] = Kept(
            lambda line: line.sound.nbytes, MAX_KEPT_BYTES
        )

    def preview(self, performance: Performance, still: Still = always) -> Preview:
        """Return the preview of a performance, in the sounds that its settings name.

        A bank plays no more of it once `still` says that it is not wanted any more.

        Raises
        ------
        BankError
            If the bank cannot be read or played.
        SettingsError
            If a part asks for what the bank does not hold.
        GivenUpError
            If it was not wanted any more.
        """
        if performance.settings.soundfont is None:
            return render_preview(performance)
        return _BankPreview(performance, self).preview(still)

    def stems(self, performance: Performance, preview: Preview) -> Iterator[Stem]:
        """Yield every part's share of the flipped sound of a preview that was rendered here.

        A bank gives them in an order of its own.
        """
        if performance.settings.soundfont is None:
            yield from render_stems(performance, preview)
        else:
            yield from _BankPreview(performance, self).stems(preview)

    def line(self, bank: Bank, midi: bytes, presets: Iterable[Preset]) -> _Line:
        """Return what a bank plays for some parts, as it is kept where it has played it."""
        asked = {(preset.bank, preset.program) for preset in presets}
        return self._kept.get((bank.sha256, midi), lambda: _Line.of(bank.play(midi, asked)))


class _BankPreview:
    """One performance, played by the bank of its settings."""

    def __init__(self, performance: Performance, renderer: Renderer) -> None:
        self._performance, self._renderer = performance, renderer
        self._bank = bank_of(performance.insert, performance.players, performance.settings)
        self._rate = performance.settings.rate
        first_s = min((note.played_on_s for note in performance.notes), default=0.0)
        self._before = seconds_to_samples(max(-first_s, MIN_PRE_ROLL_S), self._rate)
        self._before_played = seconds_to_samples(self._before / self._rate, BANK_RATE)

    def preview(self, still: Still) -> Preview:
        """Return the three sounds."""
        performance, rate = self._performance, self._rate

        def lines(lot: _Lot) -> list[_Placed]:
            if not still():
                raise GivenUpError
            return self._lines(lot)

        played = PLAYERS.at_once(lines, self._played(self._groups()))
        length = seconds_to_samples(performance.target.length_s, rate)
        dry = self._at_rate(_sum(played, self._before_played))
        tail = max(self._with_room_frames(dry) - self._before - length, 0)
        frames = self._before + length + tail

        def target() -> Levelled:
            lines = PLAYERS.at_once(self._lines, self._wanted(self._groups()))
            wanted = self._at_rate(_sum(lines, 0))
            sound = _faded(_placed(wanted, tail, frames), rate)
            return _levelled(sound, measure(sound.T, rate))

        sound = self._in_room(dry, frames)
        return Preview.of(
            rate=rate,
            before=self._before,
            length=length,
            played=_levelled(sound, measure(sound.T[:, ::-1], rate)),
            make_target=target,
        )

    def stems(self, preview: Preview) -> Iterator[Stem]:
        """Yield the parts of the flipped sound; they add up to the whole.

        Parts are played together, so each but the last of a group is played again, alone; the
        last is what the others leave: it and some steps of 16 bits.
        """
        for group in self._groups():
            rest = self._dry([group])
            for index in group:
                own = rest if index == group[-1] else self._dry([(index,)])
                rest = _less(rest, own)
                dry = self._at_rate(own)
                sound = self._in_room(dry, preview.played.shape[0]) * np.float32(preview.gain)
                name = self._performance.players[index].name
                yield Stem(part=index, name=name, flipped=to_grid(sound)[::-1])

    def _groups(self) -> list[_Group]:
        """Return parts that are played together; a drum kit is played alone.

        What a player spends on a second of sound is mostly for its effects, which are off: so
        several parts at once are cheaper than each alone. Neighbours, who often sound together, are
        dealt out to several groups, so that one takes as long as another.
        """
        pairs = zip(self._performance.players, self._performance.insert.parts, strict=True)
        are_kits = [Preset.of(player, part).bank == DRUM_BANK for player, part in pairs]
        others = [index for index, is_kit in enumerate(are_kits) if not is_kit]
        count = -(-len(others) // PARTS_TOGETHER)
        kits = [(index,) for index, is_kit in enumerate(are_kits) if is_kit]
        return [*(tuple(others[first::count]) for first in range(count)), *kits]

    def _dry(self, groups: Sequence[_Group]) -> Sound32:
        """Return the sound of some parts as played, without a room."""
        return _sum(PLAYERS.at_once(self._lines, self._played(groups)), self._before_played)

    def _played(self, groups: Sequence[_Group]) -> list[_Lot]:
        performance = self._performance
        spans = [(note, note.played_on_s, note.played_off_s) for note in performance.notes]
        return self._lots(performance.insert, groups, spans)

    def _wanted(self, groups: Sequence[_Group]) -> list[_Lot]:
        performance = self._performance
        spans = [(note, note.target_on_s, note.target_off_s) for note in performance.notes]
        return self._lots(performance.target, groups, spans)

    def _lots(
        self,
        phrase: Phrase,
        groups: Sequence[_Group],
        spans: Sequence[tuple[PlayedNote, float, float]],
    ) -> list[_Lot]:
        group_of = {part: index for index, group in enumerate(groups) for part in group}
        stretch_s = _stretch_s(phrase)
        dealt: dict[tuple[int, int], list[_PartStroke]] = defaultdict(list)
        for note, on_s, off_s in spans:
            if note.part in group_of:
                place = (max(int(on_s // stretch_s), 0), group_of[note.part])
                dealt[place].append((self._stroke(note, on_s, off_s), note.part))
        return [_Lot(phrase, some) for _, own in sorted(dealt.items()) for some in _at_once(own)]

    def _stroke(self, note: PlayedNote, on_s: float, off_s: float) -> Stroke:
        key = self._performance.players[note.part].key
        pitch = note.target.pitch if key is None else key
        return Stroke(on_s=on_s, off_s=off_s, pitch=pitch, velocity=note.target.velocity)

    def _lines(self, lot: _Lot) -> list[_Placed]:
        """Return the sound of a lot: one line, or several where it is too loud for one."""
        phrase, strokes = lot
        parts = sorted({part for _, part in strokes})
        lines = [
            Line(
                part=phrase.parts[index],
                player=self._performance.players[index],
                strokes=[stroke for stroke, part in strokes if part == index],
            )
            for index in parts
        ]
        first_s = min(stroke.on_s for stroke, _ in strokes) - LEAD_S
        last_s = max(stroke.off_s for stroke, _ in strokes)
        first_block = seconds_to_samples(first_s, BANK_RATE) // BLOCK_FRAMES
        for release_s in RELEASES_S:
            midi = lines_midi(
                lines, phrase.tempo, first_block=first_block, end_s=last_s + release_s
            )
            line = self._renderer.line(self._bank, midi, [each.preset for each in lines])
            if line.has_ended:
                break
        if line.is_full and len(strokes) > 1:
            halves = (self._lines(_Lot(phrase, half)) for half in _halves(strokes))
            return [line for half in halves for line in half]
        # The player takes note of events at the start of a block: half of one late on average.
        return [_Placed(first_block * BLOCK_FRAMES - BLOCK_FRAMES // 2, line.sound)]

    def _at_rate(self, sound: Sound32) -> Sound32:
        if self._rate == BANK_RATE or not sound.size:
            return sound
        return np.asarray(soxr.resample(sound, BANK_RATE, self._rate), dtype=np.float32)

    def _with_room_frames(self, dry: Sound32) -> int:
        room = self._performance.settings.room
        return int(dry.shape[0] + seconds_to_samples(room.reverberation_s, self._rate))

    def _in_room(self, dry: Sound32, frames: int) -> Sound32:
        settings = self._performance.settings
        tail = room_tail(settings.room, self._rate, settings.seed)
        return convolved(dry, tail, frames)


def room_tail(room: Room, rate: int, seed: int) -> Sound32:
    """Return what a click becomes in a room, shape (frames, 2): itself, and noise that decays.

    Each channel has the room's share of energy in noise of its own, down to 60 dB.
    """
    t_s = np.arange(max(seconds_to_samples(room.reverberation_s, rate), 1)) / rate
    noise = np.random.default_rng(seed).standard_normal((t_s.size, 2))
    noise *= 10.0 ** (-3.0 * t_s / room.reverberation_s)[:, np.newaxis]
    noise *= np.sqrt(room.share / np.sum(noise * noise, axis=0))
    noise[0] += 1.0
    return noise.astype(np.float32)


def _stretch_s(phrase: Phrase) -> float:
    """Return how long the stretches are that a phrase is played in."""
    length_s = float(phrase.length_s)
    return length_s / max(math.ceil(length_s / MAX_STRETCH_S), 1)


def _at_once(strokes: Sequence[_PartStroke]) -> list[list[_PartStroke]]:
    """Deal strokes out so that the player has voices enough for each lot."""
    edges = sorted(
        edge for each, _ in strokes for edge in ((each.on_s, 1), (each.off_s + RINGING_S, -1))
    )
    most = max(itertools.accumulate((step for _, step in edges), initial=0))
    lots = max(-(-most // MAX_AT_ONCE), 1)
    return [lot for lot in (sorted(strokes)[first::lots] for first in range(lots)) if lot]


def _halves(strokes: Sequence[_PartStroke]) -> tuple[Sequence[_PartStroke], Sequence[_PartStroke]]:
    """Return two halves of some strokes: of their parts, where there are several."""
    parts = sorted({part for _, part in strokes})
    if len(parts) == 1:
        return strokes[::2], strokes[1::2]
    first = set(parts[: len(parts) // 2])
    return [each for each in strokes if each[1] in first], [
        each for each in strokes if each[1] not in first
    ]


def _less(whole: Sound32, share: Sound32) -> Sound32:
    """Return a sum of lines without some of them, exactly."""
    rest = np.zeros((max(whole.shape[0], share.shape[0]), 2), dtype=np.float32)
    rest[: whole.shape[0]] = whole
    rest[: share.shape[0]] -= share
    return rest


def _sum(parts: Iterable[Sequence[_Placed]], before: int) -> Sound32:
    """Return the sum of lines from some frames before their zero; it is exact."""
    lines = [(line.start + before, line.sound) for part in parts for line in part]
    ends = (start + sound.shape[0] for start, sound in lines)
    total = np.zeros((max(ends, default=0), 2), dtype=np.int32)
    for start, sound in lines:
        skipped = max(-start, 0)
        total[start + skipped : start + sound.shape[0]] += sound[skipped:]
    return as_sound(total)


def _placed(sound: Sound32, before: int, frames: int) -> Sound32:
    """Return a sound moved by some frames, cut or filled up to a number of them."""
    placed = np.zeros((frames, 2), dtype=np.float32)
    first, last = max(before, 0), min(before + sound.shape[0], frames)
    if first < last:
        placed[first:last] = sound[first - before : last - before]
    return placed


def _faded(sound: Sound32, rate: int) -> Sound32:
    fade = min(seconds_to_samples(FADE_S, rate), sound.shape[0])
    if fade:
        sound[-fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)[:, np.newaxis]
    return sound


def _levelled(sound: Sound32, measured: Loudness) -> Levelled:
    """Bring a sound to its loudness and onto the grid of 24 bits."""
    gain_db = measured.gain_db()
    gain = db_to_amplitude(gain_db)
    return Levelled(
        sound=to_grid(sound * np.float32(gain)), gain=gain, loudness=measured.raised(gain_db)
    )
