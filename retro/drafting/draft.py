"""Drafts a target: a chord that swells into a beat, for some players, as a MIDI file.

Conventions
-----------
Positions are quarter notes from the song's start. The swell is ``[landing - length, landing)``.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

from retro.drafting.bars import MAJOR
from retro.drafting.swell import natural_swell_s
from retro.drafting.voicing import nearest_octave
from retro.errors import SettingsError, WindowError
from retro.model.instruments import Family, Instrument, Player, Sound
from retro.model.phrase import EXPRESSION, MELODIC_CHANNELS, Key, Marker, Note, Part, Phrase
from retro.model.settings import ORCHESTRAL_STUDIO
from retro.model.time import Steps, printed_place
from retro.render.midi_file import FINE_TICKS_PER_QUARTER, smf_bytes
from retro.units import db_to_amplitude, nearest, pitch_name

CURVE_STEP_BEATS = Fraction(1, 8)
"""How often the curve is written."""

STEEPNESS = 3.0
"""Of the exponential curve: its level in dB gains ``exp(3)`` times as fast at the end."""

FAN_SHARE = Fraction(1, 2)
"""Share of the swell over which fanned entries come in."""

RUN_NOTES_PER_BEAT = 4

MAX_STROKE_S = 0.125
"""Longest time from stroke to stroke of a roll: 8 a second, and less than 16 (common practice)."""

ROLL_DROP_DB, MIN_RUNG = 36.0, 0.5
"""A stroke that falls so far within less than this share of the swell must be rolled (our own
choice)."""

SWELL_MARKER, LANDING_MARKER = "Swell", "Landing"
"""Where a draft begins and lands."""


class Curve(StrEnum):
    """How the level rises to the landing.

    ``linear``: evenly in dB. ``exponential``: late and steep. ``s``: gently at both ends.
    """

    LINEAR = "linear"
    EXPONENTIAL = "exponential"
    S = "s"

    def risen(self, x: float) -> float:
        """Return the share of its range in dB that it has risen after a share `x` of the swell."""
        if self is Curve.EXPONENTIAL:
            return math.expm1(STEEPNESS * x) / math.expm1(STEEPNESS)
        return x * x * (3.0 - 2.0 * x) if self is Curve.S else x


class Entry(StrEnum):
    """Who comes in when; ``run`` is together, with a scale in the top line into the landing."""

    TOGETHER = "together"
    LOW_TO_HIGH = "low-to-high"
    HIGH_TO_LOW = "high-to-low"
    RUN = "run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """What is wanted.

    Parameters
    ----------
    players
        Their names are the tracks' names.
    pitches
        What each player holds, ascending.
    velocities
        Of each player's notes, 1 to 127; of a roll, at the landing.
    length_beats
        Of the swell.
    landing_beats
        Where it ends.
    curve, entry
        How the level rises, and who comes in when.
    range_db
        From the swell's beginning to its full level.
    run_beats
        Length of the run, for `Entry.RUN`.
    """

    players: tuple[Player, ...]
    pitches: tuple[tuple[int, ...], ...]
    velocities: tuple[int, ...]
    length_beats: Fraction
    landing_beats: Fraction
    curve: Curve = Curve.LINEAR
    entry: Entry = Entry.TOGETHER
    range_db: float = 36.0
    run_beats: Fraction = Fraction(1)

    @property
    def start_beats(self) -> Fraction:
        """Where the swell begins."""
        return self.landing_beats - self.length_beats


def refuse_out_of_range(players: Sequence[Player], pitches: Sequence[Sequence[int]]) -> None:
    """Refuse pitches that their players have not got.

    Raises
    ------
    SettingsError
        For all of them at once, with the octave that each player has.
    """
    said = [
        f"{player.name} has no {pitch_name(pitch)}, {_has(player.instrument, pitch)}"
        for player, hand in zip(players, pitches, strict=True)
        for pitch in hand
        if not player.instrument.low <= pitch <= player.instrument.high
    ]
    if said:
        raise SettingsError(
            "; ".join(said),
            where="pitches",
            advice="change these, or let other players have them: the lowest pitch goes to the "
            "lowest player",
        )


def _has(instrument: Instrument, pitch: int) -> str:
    """Say which octave of a pitch an instrument has, or what it has at all."""
    there = nearest_octave(pitch, instrument)
    if instrument.low <= there <= instrument.high:
        return f"the nearest octave is {pitch_name(there)}"
    return f"it has {pitch_name(instrument.low)} to {pitch_name(instrument.high)}"


def draft_midi(draft: Draft, song: Phrase) -> bytes:
    """Return the MIDI file of a draft, on the time of a song.

    Raises
    ------
    WindowError
        If the swell would begin before the song.
    SettingsError
        If a player has not got a pitch.
    """
    if draft.start_beats < 0:
        soonest = printed_place(song.bars, draft.length_beats)
        raise WindowError(
            f"a swell of {float(draft.length_beats):g} beats would begin before the song",
            advice=f"the soonest that it can land is {soonest}; or make it shorter",
        )
    refuse_out_of_range(draft.players, draft.pitches)
    markers = (
        *song.markers,
        Marker(draft.start_beats, SWELL_MARKER),
        Marker(draft.landing_beats, LANDING_MARKER),
    )
    whole = replace(song, parts=tuple(_parts(draft, song)), markers=markers)
    return smf_bytes(whole, ticks_per_quarter=FINE_TICKS_PER_QUARTER)


def _parts(draft: Draft, song: Phrase) -> Iterator[Part]:
    top = max(range(len(draft.players)), key=lambda i: draft.pitches[i][-1:])
    level = _expression(draft, song.length_beats)
    entries = _entries(draft)
    for index, player in enumerate(draft.players):
        instrument = player.instrument
        runs = draft.entry is Entry.RUN and index == top
        yield Part(
            name=player.name,
            channel=MELODIC_CHANNELS[index % len(MELODIC_CHANNELS)],
            program=instrument.programs[0] if instrument.programs else None,
            notes=tuple(_notes(draft, index, entries, song, runs=runs)),
            controllers=() if instrument.sound is Sound.STRUCK else ((EXPRESSION, level),),
        )


def _notes(
    draft: Draft, index: int, entries: dict[int, Fraction], song: Phrase, *, runs: bool
) -> Iterator[Note]:
    velocity = draft.velocities[index]
    held_to = dict.fromkeys(draft.pitches[index], draft.landing_beats)
    if runs:
        top = draft.pitches[index][-1]
        begins = draft.landing_beats - min(draft.run_beats, draft.length_beats)
        held_to[top] = begins
        key = song.keys.at(draft.start_beats)
        yield from _run(draft, top, begins, key, velocity)
    for pitch, off in held_to.items():
        on = min(entries[pitch], off)
        if on >= off:
            continue
        note = Note(on_beats=on, off_beats=off, pitch=pitch, velocity=velocity)
        length_s = song.tempo.span_s(on, off)
        rolls = _must_roll(draft.players[index], pitch, length_s)
        yield from _roll(draft, note, length_s) if rolls else (note,)


def _must_roll(player: Player, pitch: int, length_s: float) -> bool:
    """Whether one stroke dies away too soon to swell for so long, and two sticks can go on."""
    instrument = player.instrument
    if instrument.sound is not Sound.STRUCK or instrument.family is not Family.PERCUSSION:
        return False
    return natural_swell_s(player, pitch, ORCHESTRAL_STUDIO, ROLL_DROP_DB) < MIN_RUNG * length_s


def _roll(draft: Draft, whole: Note, length_s: float) -> Iterator[Note]:
    """Yield the strokes of a roll in place of a note, each as loud as the curve is at its end."""
    length = whole.off_beats - whole.on_beats
    step = Fraction(1)
    while float(step / length) * length_s > MAX_STROKE_S:
        step /= 2
    count = math.ceil(length / step)
    for i in range(count):
        off = whole.off_beats - (count - 1 - i) * step
        x = float((off - draft.start_beats) / draft.length_beats)
        level_db = draft.range_db * (draft.curve.risen(x) - 1.0)
        yield replace(
            whole,
            on_beats=max(off - step, whole.on_beats),
            off_beats=off,
            velocity=max(nearest(whole.velocity * _controller(level_db) / 127), 1),
        )


def _entries(draft: Draft) -> dict[int, Fraction]:
    """When each pitch comes in."""
    every = sorted({pitch for hand in draft.pitches for pitch in hand})
    if draft.entry is Entry.HIGH_TO_LOW:
        every.reverse()
    if draft.entry in (Entry.TOGETHER, Entry.RUN):
        return dict.fromkeys(every, draft.start_beats)
    step = draft.length_beats * FAN_SHARE / max(len(every) - 1, 1)
    sixteenth = Fraction(1, 4)
    return {
        pitch: draft.start_beats + nearest(i * step / sixteenth) * sixteenth
        for i, pitch in enumerate(every)
    }


def _run(draft: Draft, top: int, begins: Fraction, key: Key, velocity: int) -> Iterator[Note]:
    """Yield the scale of the key that rises to the top note and ends with the landing."""
    length = draft.landing_beats - begins
    count = max(nearest(length * RUN_NOTES_PER_BEAT), 1)
    tonic = 7 * key.sharps % 12
    scale = {(tonic + step) % 12 for step in MAJOR}
    below = [pitch for pitch in range(top - 1, -1, -1) if pitch % 12 in scale]
    for i, pitch in enumerate([*below[: count - 1][::-1], top]):
        on = begins + i * length / count
        yield Note(on_beats=on, off_beats=on + length / count, pitch=pitch, velocity=velocity)


def _expression(draft: Draft, song_beats: Fraction) -> Steps[int]:
    """Write the curve as expression, which falls as the square: ``dB = 40 log10(v / 127)``.

    Source: General MIDI's recommendation for controllers 7 and 11 (from memory).
    """
    count = math.ceil(draft.length_beats / CURVE_STEP_BEATS)
    changes = [
        (
            draft.start_beats + i * CURVE_STEP_BEATS,
            max(_controller(draft.range_db * (draft.curve.risen((i + 0.5) / count) - 1.0)), 1),
        )
        for i in range(count)
    ]
    return Steps.from_changes(
        [*changes, (draft.landing_beats, 127)], length=song_beats, before=changes[0][1]
    )


def _controller(level_db: float) -> int:
    return nearest(127.0 * math.sqrt(db_to_amplitude(level_db)))
