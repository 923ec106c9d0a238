"""What an instrument is to retro: range, transposition, clefs, attack, decay, breath.

The table of the known instruments is `retro.model.orchestra`.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from retro.model.learned import LearnedFigures
from retro.units import pitch_to_hz

SOFT_VELOCITY = 40
LOUD_VELOCITY = 100
"""Velocities at and beyond which the soft and the loud attack figures hold (common practice)."""

MIDDLE_VELOCITY = (SOFT_VELOCITY + LOUD_VELOCITY) // 2
"""Between them: the one loudness that is taken for the recordings of a sampler."""

AIR_COLUMN_Q = 50.0
"""Quality factor of a blown air column, about (from memory): 0.25 s at 440 Hz (derived)."""


class Family(StrEnum):
    """Families in score order."""

    WOODWIND = "woodwind"
    BRASS = "brass"
    PERCUSSION = "percussion"
    PLUCKED = "plucked"
    KEYBOARD = "keyboard"
    VOICE = "voice"
    STRINGS = "strings"
    NEUTRAL = "neutral"


class Clef(StrEnum):
    """Clefs that parts are written in."""

    TREBLE = "treble"
    BASS = "bass"
    ALTO = "alto"
    TENOR = "tenor"
    PERCUSSION = "percussion"


class Sound(StrEnum):
    """Whether a tone is sustained by the player, or struck (or plucked) and left to decay."""

    SUSTAINED = "sustained"
    STRUCK = "struck"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attack:
    """Time from the start of a tone to 3 dB below full, in seconds, by loudness and register."""

    loud_high_s: float
    loud_low_s: float
    soft_high_s: float
    soft_low_s: float

    @classmethod
    def always(cls, seconds: float) -> "Attack":
        """Return an attack that is the same for every pitch and velocity."""
        return cls(loud_high_s=seconds, loud_low_s=seconds, soft_high_s=seconds, soft_low_s=seconds)

    def at(self, velocity: int, height: float) -> float:
        """Attack in seconds at a velocity and a height in the range (0 lowest, 1 highest)."""
        loudness = (velocity - SOFT_VELOCITY) / (LOUD_VELOCITY - SOFT_VELOCITY)
        loudness = min(max(loudness, 0.0), 1.0)
        height = min(max(height, 0.0), 1.0)
        low_s = self.soft_low_s + loudness * (self.loud_low_s - self.soft_low_s)
        high_s = self.soft_high_s + loudness * (self.loud_high_s - self.soft_high_s)
        return low_s + height * (high_s - low_s)


@dataclass(frozen=True, slots=True)
class Decay:
    """The instrument's own 60 dB decay time by pitch.

    `points` are (MIDI pitch, seconds), pitches rising; between them the logarithm of the time is
    interpolated, beyond them the end value holds.
    """

    points: tuple[tuple[int, float], ...]

    @classmethod
    def always(cls, seconds: float) -> "Decay":
        """Return a decay that is the same for every pitch."""
        return cls(((60, seconds),))

    @classmethod
    def air_column(cls, low: int, high: int) -> "Decay":
        """Return the decay of a blown air column, ``T60 = 2.2 Q / f``, between two pitches."""
        points = ((pitch, 2.2 * AIR_COLUMN_Q / pitch_to_hz(pitch)) for pitch in (low, high))
        return cls(tuple(points))

    def at(self, pitch: int) -> float:
        """Decay time in seconds at a sounding MIDI pitch."""
        first, last = self.points[0], self.points[-1]
        if pitch <= first[0]:
            return first[1]
        for (low, low_s), (high, high_s) in pairwise(self.points):
            if pitch <= high:
                share = (pitch - low) / (high - low)
                return math.exp(math.log(low_s) * (1.0 - share) + math.log(high_s) * share)
        return last[1]


@dataclass(frozen=True, slots=True)
class Transposition:
    """What is added to a written pitch to get the sounding one.

    Steps and semitones below an octave, as MusicXML's ``transpose`` has them, and whole octaves
    apart.
    """

    diatonic: int = 0
    chromatic: int = 0
    octaves: int = 0

    @property
    def semitones(self) -> int:
        """Semitones from written to sounding."""
        return self.chromatic + 12 * self.octaves

    @property
    def fifths(self) -> int:
        """How far it moves names along the line of fifths (`retro.model.spelling`)."""
        return 7 * self.chromatic - 12 * self.diatonic


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a figure comes from, and how far the truth may lie from it (`range`).

    `mark` is the kind of source: published, measured, derived, from memory, own estimate.
    """

    mark: str
    source: str
    range: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """One kind of instrument and its figures; every figure is an editable default.

    Parameters
    ----------
    id
        Key in settings files, in lower case with hyphens: ``horn-in-f``.
    name, abbreviation
        As printed on a part and before the later systems of a score.
    family, score_order
        Place in the score, small numbers first.
    programs
        General MIDI programs (0 to 127) that mean this instrument; first come first.
    low, high
        Sounding range as MIDI pitches, both playable.
    transposition
        From written to sounding.
    clefs
        The usual one first.
    staves
        2 for harp and keyboards.
    sound
        Sustained or struck.
    attack, decay
        How a tone begins, and how it dies away after the player stops (struck: after the stroke).
    damper_s
        60 dB decay once a struck tone is stopped, or None where nothing stops it.
    sampler_attack, sampler_decay
        The figures of a sampler that plays `played.mid`, or None where people's serve: its attack
        is that of people, then, at the middle of loud and soft: most banks hold one loudness.
    program_decay
        The decay of a sampler that is asked for one of `programs`, where that differs: General MIDI
        has single strings there, and sections in programs of their own.
    breath_s
        Longest tone in one breath at a middle dynamic, or None where no breath is needed.
    section
        Whether many players share a part (string sections): chords become divisi.
    sources
        Pairs of a figure and where it comes from, for every figure that the instrument has.
    """

    id: str
    name: str
    abbreviation: str
    family: Family
    score_order: int
    programs: tuple[int, ...]
    low: int
    high: int
    transposition: Transposition = Transposition()
    clefs: tuple[Clef, ...] = (Clef.TREBLE,)
    staves: int = 1
    sound: Sound = Sound.SUSTAINED
    attack: Attack
    decay: Decay
    damper_s: float | None = None
    sampler_attack: Attack | None = None
    sampler_decay: Decay | None = None
    program_decay: Decay | None = None
    breath_s: float | None = None
    section: bool = False
    sources: tuple[tuple[str, Source], ...] = ()

    @property
    def is_unpitched(self) -> bool:
        """Whether it has no pitch, and so neither clef nor key."""
        return self.clefs == (Clef.PERCUSSION,)

    def attack_s(self, pitch: int, velocity: int) -> float:
        """Return the seconds from the start of a tone to 3 dB below full, as people play it."""
        return self.attack.at(velocity, self._height(pitch))

    def decay_s(self, pitch: int) -> float:
        """Return the seconds that the instrument's own sound takes to fall by 60 dB."""
        return self.decay.at(pitch)

    def sampler_attack_s(self, pitch: int) -> float:
        """Return the attack of a sampler's tone, whatever its loudness."""
        attack = self.sampler_attack or self.attack
        return attack.at(MIDDLE_VELOCITY, self._height(pitch))

    def sampler_decay_s(self, pitch: int, program: int | None) -> float:
        """Return the 60 dB decay of a sampler's tone that plays a General MIDI program, if any."""
        stated = self.program_decay if program in self.programs else None
        return (stated or self.sampler_decay or self.decay).at(pitch)

    def _height(self, pitch: int) -> float:
        return (pitch - self.low) / max(self.high - self.low, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Player:
    """Who plays a part of the phrase.

    Parameters
    ----------
    name
        As printed on the part and in the score: "Horn in F 1", "Violin I".
    instrument
        The kind of instrument.
    lands_at_start
        Whether its landings fall on the starts of the target's notes (the peak on the beat) and
        not on their ends (the swell fills the note).
    attack_override_s, decay_override_s
        Seconds that replace the instrument's figures for every note, or None.
    sampler_attack_override_s, sampler_decay_override_s
        The same for the sampler alone, before those.
    bank, program, key
        What a bank of sounds plays for the player where the settings say so, counted from 0; drum
        kits stand in bank 128. `key` is struck for every note. None leaves what the file says.
    learned, learned_people
        Figures that were learned of the sampler's sounds, and of the people in a take, or None.
    guessed_from
        What the guess rests on: "track name", "program", "settings" or "nothing".
    numbers
        Who of the instrument shares the part, as the track names them: ``(1, 2)`` for "Horns 1.2";
        empty where it names nobody.
    """

    name: str
    instrument: Instrument
    lands_at_start: bool = False
    attack_override_s: float | None = None
    decay_override_s: float | None = None
    sampler_attack_override_s: float | None = None
    sampler_decay_override_s: float | None = None
    bank: int | None = None
    program: int | None = None
    key: int | None = None
    learned: LearnedFigures | None = None
    learned_people: LearnedFigures | None = None
    guessed_from: str = "settings"
    numbers: tuple[int, ...] = ()

    def attack_s(self, pitch: int, velocity: int) -> float:
        """Return the seconds from the start of a tone to 3 dB below full.

        What the settings say goes first, then what was learned of people.
        """
        if self.attack_override_s is not None:
            return self.attack_override_s
        heard_s = self.learned_people.at(pitch, velocity)[0] if self.learned_people else None
        return self.instrument.attack_s(pitch, velocity) if heard_s is None else heard_s

    def decay_s(self, pitch: int) -> float:
        """Return the seconds that the player's own sound takes to fall by 60 dB; as `attack_s`."""
        if self.decay_override_s is not None:
            return self.decay_override_s
        people = self.learned_people
        heard_s = people.at(pitch, MIDDLE_VELOCITY)[1] if people is not None else None
        return self.instrument.decay_s(pitch) if heard_s is None else heard_s

    def sampler_figures_s(
        self, pitch: int, velocity: int, held_s: float, program: int | None
    ) -> tuple[float, float]:
        """Return attack and decay of a sampler's tone that is held for so long.

        What the settings say of the sampler goes first, then what was learned, then all else.
        """
        attack_s, decay_s = self.sampler_attack_s(pitch), self.sampler_decay_s(pitch, program)
        if self.learned is None:
            return attack_s, decay_s
        learned_s = self.learned.at(pitch, velocity, held_s)
        stated = self.sampler_attack_override_s, self.sampler_decay_override_s
        return (
            learned_s[0] if stated[0] is None and learned_s[0] is not None else attack_s,
            learned_s[1] if stated[1] is None and learned_s[1] is not None else decay_s,
        )

    def sampler_attack_s(self, pitch: int) -> float:
        """Return the attack of a sampler that plays for the player."""
        for stated in (self.sampler_attack_override_s, self.attack_override_s):
            if stated is not None:
                return stated
        return self.instrument.sampler_attack_s(pitch)

    def sampler_decay_s(self, pitch: int, program: int | None) -> float:
        """Return the decay of a sampler that plays a program, if any, for the player."""
        for stated in (self.sampler_decay_override_s, self.decay_override_s):
            if stated is not None:
                return stated
        return self.instrument.sampler_decay_s(pitch, program)
