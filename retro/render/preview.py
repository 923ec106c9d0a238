"""The preview: the target, what the microphones get, and what is heard after the flip.

Every note is one tone (`retro.render.tone`) with the envelope that the law of
`retro.model.tones` predicts. A room as convolved noise would make a tone's tail fluctuate by
several decibels, so that no prediction could be read from it. Here the diffuse part wanders in
phase alone: slowly, from a fixed seed, differently for every note, and the more the room has taken
over. The two channels of a tone differ by a constant phase, which makes it wide without changing
its envelope in the left, the right or their sum.

Conventions
-----------
Sound that leaves this module is (frames, 2), float32, on the grid of 24-bit samples, so that
writing it and turning it round commute to the bit.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

import numpy as np

from retro.model.levels import Clock, Levels
from retro.model.performance import Performance
from retro.model.phrase import Phrase
from retro.model.sound import Room
from retro.model.tones import Tones
from retro.render.envelope import Envelopes
from retro.render.loudness import Loudness, measure
from retro.render.mix import WANDER_NODES, PartSound, SoundingNotes, Timeline, mix
from retro.render.spectrum import Complex64, Single
from retro.render.wav import BLOCK, Sound32, to_grid
from retro.units import db_to_amplitude, seconds_to_samples

DRY = Room(reverberation_s=1.0, direct_to_reverberant_db=200.0)
"""No room at all: how the target is heard."""

SHORT_RELEASE_S = 0.1
"""60 dB decay of the target's tones once they end."""

MIN_PRE_ROLL_S = 0.15
"""Pre-roll where no start needs more: the target's last tones end in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Levelled:
    """A finished sound, (frames, 2), the gain it got and what was measured."""

    sound: Sound32
    gain: float
    loudness: Loudness


@dataclass(frozen=True, kw_only=True, eq=False)
class Preview:
    """The three sounds of an insert, on one rate. The target is made once it is asked for.

    Parameters
    ----------
    rate
        Frames a second.
    played
        What the microphones get; its frame `pre_roll_samples` is the insert's bar 1 beat 1.
    pre_roll_samples
        Frames before the insert's bar 1 beat 1, for starts that lie before it.
    length_samples
        The window.
    tail_samples
        Frames after the insert's end, until the last tone is 60 dB down.
    gain
        Amplitude that `played` got; stems take it, too.
    loudness
        What was measured of `played`, after the gain.
    make_target
        Makes the target, as long as `played`.
    """

    rate: int
    played: Sound32 = field(repr=False)
    pre_roll_samples: int
    length_samples: int
    tail_samples: int
    gain: float
    loudness: Loudness
    make_target: Callable[[], Levelled] = field(repr=False)

    @classmethod
    def of(
        cls,
        *,
        rate: int,
        before: int,
        length: int,
        played: Levelled,
        make_target: Callable[[], Levelled],
    ) -> "Preview":
        """Return the preview of a finished sound; `before` and `length` in frames."""
        return cls(
            rate=rate,
            played=played.sound,
            pre_roll_samples=before,
            length_samples=length,
            tail_samples=played.sound.shape[0] - before - length,
            gain=played.gain,
            loudness=played.loudness,
            make_target=make_target,
        )

    @cached_property
    def levelled_target(self) -> Levelled:
        """The target with its gain, and what was measured of it."""
        return self.make_target()

    @property
    def target(self) -> Sound32:
        """The target forwards and dry, aligned frame by frame with `flipped`; (frames, 2)."""
        return self.levelled_target.sound

    @property
    def target_gain(self) -> float:
        """Amplitude that `target` got."""
        return self.levelled_target.gain

    @property
    def target_loudness(self) -> Loudness:
        """What was measured of `target`, after its gain."""
        return self.levelled_target.loudness

    @property
    def flipped(self) -> Sound32:
        """What the listener hears: `played`, its frames in reverse; a view."""
        return self.played[::-1]

    @property
    def window_start_sample(self) -> int:
        """Frame at which the window starts in `flipped` and in `target`."""
        return self.tail_samples

    def song_start_samples(self, window_start_s: Fraction | float) -> int:
        """Return where `flipped` and `target` begin, in frames from the song's first frame.

        No shift is in it: the preview plays what was computed, and not what is written.
        """
        return seconds_to_samples(window_start_s, self.rate) - self.tail_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Stem:
    """One part of the flipped sound; the stems add up to the whole within the grid."""

    part: int
    name: str
    flipped: Sound32 = field(repr=False)


def render_preview(performance: Performance) -> Preview:
    """Return the target, the played and the flipped sound of a performance.

    They are at about -23 LUFS with a true peak below -1 dBTP (EBU R 128).
    """
    rate = performance.settings.rate
    tones = played_tones(performance)
    length = seconds_to_samples(performance.target.length_s, rate)
    place = _place(tones, length, rate)
    sound = mix(tones, place, performance.settings.seed)
    played = _levelled(sound, measure(_channels(sound)[:, ::-1], rate))

    def target() -> Levelled:
        tail = place.frames - place.before - length
        dry = Timeline(rate=rate, before=tail, frames=place.frames)
        wanted = mix(target_tones(performance), dry, performance.settings.seed)
        return _levelled(wanted, measure(_channels(wanted), rate))

    return Preview.of(
        rate=rate, before=place.before, length=length, played=played, make_target=target
    )


def render_stems(performance: Performance, preview: Preview) -> Iterator[Stem]:
    """Yield every part's share of the flipped sound of a performance's preview, one at a time."""
    place = Timeline(
        rate=preview.rate, before=preview.pre_roll_samples, frames=preview.played.shape[0]
    )
    for index, player in enumerate(performance.players):
        own = played_tones(performance, part=index)
        sound = _on_grid(mix(own, place, performance.settings.seed), preview.gain)
        yield Stem(part=index, name=player.name, flipped=sound[::-1])


def played_tones(performance: Performance, part: int | None = None) -> list[SoundingNotes]:
    """Return the tones that the microphones get, on insert time; of one part, or of all."""
    return _sounding(performance, performance.insert, Tones.of(performance), part)


def target_tones(performance: Performance) -> list[SoundingNotes]:
    """Return the target's tones, on window time: dry, ending soon after their span."""
    notes = performance.notes
    played = Tones.of(performance)
    tones = replace(
        played,
        start_s=np.array([note.target_on_s for note in notes]),
        stop_s=np.array([note.target_off_s for note in notes]),
        attack_s=np.zeros(len(notes)),
        decay_s=np.where(played.is_struck, played.decay_s, SHORT_RELEASE_S),
        damper_s=np.full(len(notes), SHORT_RELEASE_S),
        levels=Levels.of(performance.target),
        room=DRY,
    )
    return _sounding(performance, performance.target, tones, None)


def _sounding(
    performance: Performance, phrase: Phrase, tones: Tones, part: int | None
) -> list[SoundingNotes]:
    """Return the held and the struck notes, with voices and velocities."""
    notes, players = performance.notes, performance.players
    chance = np.random.default_rng(performance.settings.seed)
    turns = chance.random((len(players), 2))
    wander = chance.integers(WANDER_NODES, size=len(notes))
    clock = Clock.of(phrase.tempo)
    voices = tuple(
        PartSound.of(player, own, clock, turn)
        for player, own, turn in zip(players, phrase.parts, turns, strict=True)
    )
    pitch = np.array([note.target.pitch for note in notes], dtype=np.int64)
    velocity = np.array([note.target.velocity for note in notes], dtype=np.int64)
    made = []
    for are_struck in (False, True):
        is_wanted = tones.is_struck == are_struck
        chosen = np.flatnonzero(is_wanted if part is None else is_wanted & (tones.part == part))
        if chosen.size:
            made.append(
                SoundingNotes(
                    voices=voices,
                    pitch=pitch[chosen],
                    velocity=velocity[chosen],
                    wander=wander[chosen],
                    envelopes=Envelopes.of(tones.only(chosen), are_struck=are_struck),
                )
            )
    return made


def _place(tones: Sequence[SoundingNotes], length: int, rate: int) -> Timeline:
    """Return room for the earliest start and the last tone's fall."""
    begin_s = min((float(kind.envelopes.begin_s.min()) for kind in tones), default=0.0)
    end_s = max((float(kind.envelopes.end_s.max()) for kind in tones), default=0.0)
    before = seconds_to_samples(max(-begin_s, MIN_PRE_ROLL_S), rate)
    tail = max(seconds_to_samples(end_s, rate) - length, 0)
    return Timeline(rate=rate, before=before, frames=before + length + tail)


def _channels(sound: Complex64) -> Single:
    """Return left and right as a view, shape (2, frames)."""
    return sound.view(np.float32).reshape(-1, 2).T


def _levelled(sound: Complex64, measured: Loudness) -> Levelled:
    """Bring a sound to its loudness, in place, and onto the grid of 24 bits."""
    gain_db = measured.gain_db()
    gain = db_to_amplitude(gain_db)
    return Levelled(sound=_on_grid(sound, gain), gain=gain, loudness=measured.raised(gain_db))


def _on_grid(sound: Complex64, gain: float) -> Sound32:
    """Raise a sound, in place, and bring it onto the grid of 24 bits; shape (frames, 2)."""
    frames = _channels(sound).T
    for start in range(0, frames.shape[0], BLOCK):
        block = frames[start : start + BLOCK]
        block[:] = to_grid(block * np.float32(gain))
    return frames
