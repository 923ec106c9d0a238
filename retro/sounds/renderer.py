"""The preview of a performance: played by a bank where the settings name one, else of sines.

A bank plays every part alone and dry. The parts are added up, and the room is laid on the sum:
noise that decays as the settings say, from their seed. A part that sounds as before is not played
again.

Conventions
-----------
As in `retro.render.preview`: sound that leaves this module is (frames, 2), float32, on the grid of
24-bit samples; `target` is dry.
"""

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import soxr

from retro.model.performance import Performance
from retro.model.phrase import Phrase
from retro.model.sound import Room
from retro.render.loudness import Loudness, measure
from retro.render.preview import MIN_PRE_ROLL_S, Preview, Stem, render_preview, render_stems
from retro.render.wav import Sound32, to_grid
from retro.sounds.bank import BANK_RATE, BLOCK_FRAMES, FULL_SCALE_16, Bank, Sound16, as_sound
from retro.sounds.kept import Kept
from retro.sounds.line import Stroke, line_midi
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

MAX_AT_ONCE = 24
"""Notes of a part that sound together and are played at once: the player has 64 voices, and a note
of a stereo bank takes two of them."""

RINGING_S = 1.0
"""How long after its end a note still takes a voice."""

FULL = FULL_SCALE_16 - 1
"""From here on a sample has hit the end of 16 bits."""

MAX_KEPT_BYTES = 300_000_000
"""Sound of parts that is kept to be used again."""

FADE_S = 0.05
"""Over this the target's last tones fade, where they ring beyond the take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Levelled:
    sound: Sound32
    gain: float
    loudness: Loudness


class _Placed(NamedTuple):
    """A line, and the frame at which it starts."""

    start: int
    sound: Sound16

    @property
    def end(self) -> int:
        return max(self.start + len(self.sound), 0)


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

    def preview(self, performance: Performance) -> Preview:
        """Return the preview of a performance, in the sounds that its settings name.

        Raises
        ------
        BankError
            If the bank cannot be read or played.
        SettingsError
            If a part asks for what the bank does not hold.
        """
        if performance.settings.soundfont is None:
            return render_preview(performance)
        return _BankPreview(performance, bank_of(performance), self).preview()

    def stems(self, performance: Performance, preview: Preview) -> Iterator[Stem]:
        """Yield every part's share of the flipped sound of a preview that was rendered here."""
        if performance.settings.soundfont is None:
            yield from render_stems(performance, preview)
        else:
            bank = bank_of(performance)
            yield from _BankPreview(performance, bank, self).stems(preview)

    def line(self, bank: Bank, midi: bytes, preset: Preset) -> _Line:
        """Return what a bank plays for one part, as it is kept where it has played it."""
        asked = (preset.bank, preset.program)
        return self._kept.get((bank.sha256, midi), lambda: _Line.of(bank.play(midi, [asked])))


class _BankPreview:
    """One performance, played by one bank."""

    def __init__(self, performance: Performance, bank: Bank, renderer: Renderer) -> None:
        self._performance, self._bank, self._renderer = performance, bank, renderer
        self._rate = performance.settings.rate
        first_s = min((note.played_on_s for note in performance.notes), default=0.0)
        self._before = seconds_to_samples(max(-first_s, MIN_PRE_ROLL_S), self._rate)
        self._before_s = self._before / self._rate

    def preview(self) -> Preview:
        """Return the three sounds."""
        performance, rate = self._performance, self._rate
        length = seconds_to_samples(performance.target.length_s, rate)
        parts = range(len(performance.players))
        asked = [(share, part) for share in (self._played, self._wanted) for part in parts]
        lines = PLAYERS.at_once(lambda each: each[0](each[1]), asked)
        dry, wanted = (
            self._at_rate(_sum(some)) for some in (lines[: len(parts)], lines[len(parts) :])
        )
        tail = max(self._with_room_frames(dry) - self._before - length, 0)
        frames = self._before + length + tail
        sound = self._in_room(dry, frames)
        played = _levelled(sound, measure(sound.T[:, ::-1], rate))
        placed = _faded(_placed(wanted, tail, frames), rate)
        target = _levelled(placed, measure(placed.T, rate))
        return Preview(
            rate=rate,
            target=target.sound,
            played=played.sound,
            pre_roll_samples=self._before,
            length_samples=length,
            tail_samples=tail,
            gain=played.gain,
            target_gain=target.gain,
            loudness=played.loudness,
            target_loudness=target.loudness,
        )

    def stems(self, preview: Preview) -> Iterator[Stem]:
        """Yield the parts of the flipped sound."""
        frames = preview.played.shape[0]
        for index, player in enumerate(self._performance.players):
            dry = self._at_rate(_sum([self._played(index)]))
            sound = self._in_room(dry, frames) * np.float32(preview.gain)
            yield Stem(part=index, name=player.name, flipped=to_grid(sound)[::-1])

    def _played(self, index: int) -> list[_Placed]:
        performance = self._performance
        strokes = [
            (note.played_on_s, note.played_off_s, note.target.pitch, note.target.velocity)
            for note in performance.notes
            if note.part == index
        ]
        return self._lines(performance.insert, index, strokes, self._before_s)

    def _wanted(self, index: int) -> list[_Placed]:
        performance = self._performance
        strokes = [
            (note.target_on_s, note.target_off_s, note.target.pitch, note.target.velocity)
            for note in performance.notes
            if note.part == index
        ]
        return self._lines(performance.target, index, strokes, 0.0)

    def _lines(
        self,
        phrase: Phrase,
        index: int,
        spans: Sequence[tuple[float, float, int, int]],
        before_s: float,
    ) -> list[_Placed]:
        player = self._performance.players[index]
        strokes = [
            Stroke(
                on_s=max(on_s, -before_s),
                off_s=off_s,
                pitch=pitch if player.key is None else player.key,
                velocity=velocity,
            )
            for on_s, off_s, pitch, velocity in spans
        ]
        lots = (self._played_at_once(phrase, index, some, before_s) for some in _at_once(strokes))
        return [line for lot in lots for line in lot]

    def _played_at_once(
        self, phrase: Phrase, index: int, strokes: Sequence[Stroke], before_s: float
    ) -> list[_Placed]:
        """Return the sound of some strokes, from `before_s` before the phrase's start."""
        part, player = phrase.parts[index], self._performance.players[index]
        first_s = min(stroke.on_s for stroke in strokes) + before_s - LEAD_S
        blocks = max(seconds_to_samples(first_s, BANK_RATE), 0) // BLOCK_FRAMES
        lead = blocks * BLOCK_FRAMES
        for release_s in RELEASES_S:
            midi = line_midi(
                part,
                player,
                strokes,
                phrase.tempo,
                before_s=before_s - lead / BANK_RATE,
                end_s=max(stroke.off_s for stroke in strokes) + release_s,
            )
            line = self._renderer.line(self._bank, midi, Preset.of(player, part))
            if line.has_ended:
                break
        if line.is_full and len(strokes) > 1:
            halves = (strokes[::2], strokes[1::2])
            played = (self._played_at_once(phrase, index, half, before_s) for half in halves)
            return [line for half in played for line in half]
        # The player takes note of events at the start of a block: half of one late on average.
        return [_Placed(lead - BLOCK_FRAMES // 2, line.sound)]

    def _at_rate(self, sound: Sound32) -> Sound32:
        if self._rate == BANK_RATE or not sound.size:
            return sound
        return np.asarray(soxr.resample(sound, BANK_RATE, self._rate), dtype=np.float32)

    def _with_room_frames(self, dry: Sound32) -> int:
        room = self._performance.settings.room
        return int(dry.shape[0] + seconds_to_samples(room.reverberation_s, self._rate))

    def _in_room(self, dry: Sound32, frames: int) -> Sound32:
        settings = self._performance.settings
        if not dry.size:
            return np.zeros((frames, 2), dtype=np.float32)
        tail = room_tail(settings.room, self._rate, settings.seed)
        from scipy.signal import oaconvolve  # noqa: PLC0415 (slow to import)

        return _placed(np.asarray(oaconvolve(dry, tail, axes=0), dtype=np.float32), 0, frames)


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


def _at_once(strokes: Sequence[Stroke]) -> list[list[Stroke]]:
    """Deal strokes out so that the player has voices enough for each lot."""
    edges = sorted(
        edge for each in strokes for edge in ((each.on_s, 1), (each.off_s + RINGING_S, -1))
    )
    most = max(itertools.accumulate((step for _, step in edges), initial=0))
    lots = max(-(-most // MAX_AT_ONCE), 1)
    return [lot for lot in (sorted(strokes)[first::lots] for first in range(lots)) if lot]


def _sum(parts: Iterable[Sequence[_Placed]]) -> Sound32:
    """Return the sum of lines, exact whatever their order: 16 bits of few enough lines."""
    lines = [line for part in parts for line in part]
    total = np.zeros((max((line.end for line in lines), default=0), 2), dtype=np.int32)
    for line in lines:
        skipped = max(-line.start, 0)
        total[line.start + skipped : line.end] += line.sound[skipped:]
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


def _levelled(sound: Sound32, measured: Loudness) -> _Levelled:
    """Bring a sound to its loudness and onto the grid of 24 bits."""
    gain_db = measured.gain_db()
    gain = db_to_amplitude(gain_db)
    return _Levelled(
        sound=to_grid(sound * np.float32(gain)), gain=gain, loudness=measured.raised(gain_db)
    )
