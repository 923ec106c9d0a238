"""Drafts a target: a chord that swells into a beat, for some players, as a MIDI file.

Conventions
-----------
Positions are quarter notes from the song's start. The swell is ``[landing - length, landing)``.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

from retro.drafting.bars import MAJOR
from retro.errors import SettingsError, WindowError
from retro.model.instruments import Player, Sound
from retro.model.phrase import EXPRESSION, Key, Marker, Note, Part, Phrase
from retro.model.time import Steps
from retro.read.guess import guess_player
from retro.render.channels import PERCUSSION_CHANNEL
from retro.render.midi_file import (
    FINE_TICKS_PER_QUARTER,
    smf_bytes,
)
from retro.units import db_to_amplitude, nearest

CURVE_STEP_BEATS = Fraction(1, 8)
"""How often the curve is written."""

STEEPNESS = 3.0
"""Of the exponential curve: its level in dB gains ``exp(3)`` times as fast at the end."""

FAN_SHARE = Fraction(1, 2)
"""Share of the swell over which fanned entries come in."""

RUN_NOTES_PER_BEAT = 4


class Curve(StrEnum):
    """How the level rises to the landing.

    ``linear``: evenly in dB. ``exponential``: late and steep. ``s``: gently at both ends.
    """

    LINEAR = "linear"
    EXPONENTIAL = "exponential"
    S = "s"


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
    length_beats
        Of the swell.
    landing_beats
        Where it ends.
    curve, entry
        How the level rises, and who comes in when.
    range_db
        From the swell's beginning to its full level.
    velocity
        Of every note, 1 to 127.
    run_beats
        Length of the run, for `Entry.RUN`.
    """

    players: tuple[Player, ...]
    pitches: tuple[tuple[int, ...], ...]
    length_beats: Fraction
    landing_beats: Fraction
    curve: Curve = Curve.LINEAR
    entry: Entry = Entry.TOGETHER
    range_db: float = 36.0
    velocity: int = 100
    run_beats: Fraction = Fraction(1)

    @property
    def start_beats(self) -> Fraction:
        """Where the swell begins."""
        return self.landing_beats - self.length_beats


def read_players(names: str) -> tuple[Player, ...]:
    """Read players from names or ids, separated by commas: ``Violins I, horn-in-f, Harp``.

    Raises
    ------
    SettingsError
        If nobody is called so, or nobody is named.
    """
    wanted = [" ".join(name.split()) for name in names.split(",") if name.strip()]
    if not wanted:
        raise SettingsError("no players", where="players", advice="name them, with commas")
    players = []
    for name in wanted:
        player, doubt = guess_player(Part(name=name, channel=0, program=None, notes=()))
        if doubt is not None:
            raise SettingsError(
                f"nobody is called {name!r}",
                where="players",
                advice="`retro instruments` lists them; names in five languages are understood",
            )
        players.append(player)
    return _numbered(players)


def _numbered(players: Sequence[Player]) -> tuple[Player, ...]:
    names = [player.name for player in players]
    told = []
    for index, player in enumerate(players):
        number = names[: index + 1].count(player.name)
        name = f"{player.name} {number}" if names.count(player.name) > 1 else player.name
        told.append(replace(player, name=name))
    return tuple(told)


def draft_midi(draft: Draft, song: Phrase) -> bytes:
    """Return the MIDI file of a draft, on the time of a song.

    Raises
    ------
    WindowError
        If the swell would begin before the song.
    """
    if draft.start_beats < 0:
        raise WindowError(
            f"a swell of {float(draft.length_beats):g} beats would begin before the song",
            advice="let it land later, or make it shorter",
        )
    markers = (
        *song.markers,
        Marker(draft.start_beats, "Swell"),
        Marker(draft.landing_beats, "Landing"),
    )
    whole = replace(song, parts=tuple(_parts(draft, song)), markers=markers)
    return smf_bytes(whole, ticks_per_quarter=FINE_TICKS_PER_QUARTER)


def _parts(draft: Draft, song: Phrase) -> Iterator[Part]:
    channels = [channel for channel in range(16) if channel != PERCUSSION_CHANNEL]
    top = max(range(len(draft.players)), key=lambda i: draft.pitches[i][-1:])
    level = _expression(draft, song.length_beats)
    entries = _entries(draft)
    for index, player in enumerate(draft.players):
        instrument = player.instrument
        runs = draft.entry is Entry.RUN and index == top
        yield Part(
            name=player.name,
            channel=channels[index % len(channels)],
            program=instrument.programs[0] if instrument.programs else None,
            notes=tuple(_notes(draft, index, entries, song.keys, runs=runs)),
            controllers=() if instrument.sound is Sound.STRUCK else ((EXPRESSION, level),),
        )


def _notes(
    draft: Draft, index: int, entries: dict[int, Fraction], keys: Steps[Key], *, runs: bool
) -> Iterator[Note]:
    held_to = dict.fromkeys(draft.pitches[index], draft.landing_beats)
    if runs:
        top = draft.pitches[index][-1]
        begins = draft.landing_beats - min(draft.run_beats, draft.length_beats)
        held_to[top] = begins
        yield from _run(draft, top, begins, keys.at(draft.start_beats))
    for pitch, off in held_to.items():
        on = min(entries[pitch], off)
        if on < off:
            yield Note(on_beats=on, off_beats=off, pitch=pitch, velocity=draft.velocity)


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


def _run(draft: Draft, top: int, begins: Fraction, key: Key) -> Iterator[Note]:
    """Yield the scale of the key that rises to the top note and ends with the landing."""
    length = draft.landing_beats - begins
    count = max(nearest(length * RUN_NOTES_PER_BEAT), 1)
    tonic = 7 * key.sharps % 12
    scale = {(tonic + step) % 12 for step in MAJOR}
    below = [pitch for pitch in range(top - 1, -1, -1) if pitch % 12 in scale]
    for i, pitch in enumerate([*below[: count - 1][::-1], top]):
        on = begins + i * length / count
        yield Note(on_beats=on, off_beats=on + length / count, pitch=pitch, velocity=draft.velocity)


def _expression(draft: Draft, song_beats: Fraction) -> Steps[int]:
    """Write the curve as expression, which falls as the square: ``dB = 40 log10(v / 127)``.

    Source: General MIDI's recommendation for controllers 7 and 11 (from memory).
    """
    count = math.ceil(draft.length_beats / CURVE_STEP_BEATS)
    shape = _SHAPES[draft.curve]
    changes = [
        (
            draft.start_beats + i * CURVE_STEP_BEATS,
            max(_controller(draft.range_db * (shape((i + 0.5) / count) - 1.0)), 1),
        )
        for i in range(count)
    ]
    return Steps.from_changes(
        [*changes, (draft.landing_beats, 127)], length=song_beats, before=changes[0][1]
    )


def _controller(level_db: float) -> int:
    return nearest(127.0 * math.sqrt(db_to_amplitude(level_db)))


def _steep(x: float) -> float:
    return math.expm1(STEEPNESS * x) / math.expm1(STEEPNESS)


def _smooth(x: float) -> float:
    return x * x * (3.0 - 2.0 * x)


def _even(x: float) -> float:
    return x


_SHAPES: dict[Curve, Callable[[float], float]] = {
    Curve.LINEAR: _even,
    Curve.EXPONENTIAL: _steep,
    Curve.S: _smooth,
}
