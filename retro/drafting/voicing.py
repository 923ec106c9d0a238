"""Chords for players: what a chord name means, how it is spaced, and who takes which note.

Conventions
-----------
Pitches are sounding MIDI numbers, ascending; the lowest note goes to the lowest player.
"""

import re
from collections.abc import Iterable, Sequence
from enum import StrEnum

import numpy as np

from retro.errors import SettingsError
from retro.model.instruments import Family, Instrument
from retro.units import named_pitch, nearest

COMFORT = 0.15
"""Share of a range at either end that a voicing stays out of where it can (our own choice)."""

_BESIDE, _STRETCHED, _BEYOND = 1.0, 30.0, 1000.0


class Voicing(StrEnum):
    """How a chord is spaced."""

    CLOSE = "close"
    OPEN = "open"
    DROP_2 = "drop-2"
    SPREAD = "spread"


def read_pitches(text: str) -> tuple[int, ...]:
    """Read pitches such as ``C4 E4 G4``.

    Raises
    ------
    SettingsError
        If one of them is no pitch, or none is given, or one is beyond MIDI.
    """
    try:
        pitches = tuple(sorted({named_pitch(word) for word in re.split(r"[\s,]+", text.strip())}))
    except ValueError as wanted:
        raise SettingsError(str(wanted), where="pitches") from None
    if not all(0 <= pitch <= 127 for pitch in pitches):
        raise SettingsError("a pitch lies outside C-1 to G9", where="pitches")
    return pitches


def read_chord(name: str) -> tuple[int, ...]:
    """Return the tones of a chord such as ``Dm7``, ``Bbmaj7``, ``F#m7b5`` or ``Gm/Bb``.

    They ascend in close position, the bass note lowest.

    Raises
    ------
    SettingsError
        If the library that knows chord names does not know this one.
    """
    from music21 import harmony  # noqa: PLC0415 - it takes a second to import

    wanted = SettingsError(
        f"{name!r} is no chord that we know",
        where="chord",
        advice="write Dm7, Bbmaj7, C7sus4 or Gm/Bb; or give --pitches",
    )
    figure = re.sub(r"(^|/)([A-G])b", r"\1\2-", name.strip())
    figure = re.sub(r"maj(?=7|9|11|13)", "M", figure) if "maj" in figure else figure
    if not re.match(r"[A-G]", figure):
        raise wanted
    try:
        tones = [pitch.midi for pitch in harmony.ChordSymbol(figure).pitches]
    except Exception:
        raise wanted from None
    bass = tones[0]
    return tuple(sorted({bass, *(_above(tone, bass) for tone in tones[1:])}))


def _above(tone: int, bass: int) -> int:
    """Keep ninths and more above the octave, and everything above the bass."""
    while tone < bass:
        tone += 12
    return tone


def voiced(
    tones: Sequence[int], voicing: Voicing, players: Sequence[Instrument]
) -> tuple[tuple[int, ...], ...]:
    """Return what each player gets of a chord, given in close position, ascending.

    Nobody is without a note, and every tone of the chord is there.
    """
    if voicing is Voicing.SPREAD:
        return _spread(tones, players)
    spaced = _repeated(_spaced(tones, voicing), max(len(players), len(tones)))
    best = min(range(-60, 61, 12), key=lambda up: (_discomfort(spaced, up, players), abs(up)))
    return _into_range(dealt([tone + best for tone in spaced], players), players)


def dealt(pitches: Sequence[int], players: Sequence[Instrument]) -> tuple[tuple[int, ...], ...]:
    """Deal pitches out, the lowest to the lowest player; several to one where they are few.

    Those who can take several (hands, sections) get them before those who have one note at a time;
    where there are fewer pitches than players, players double one another.
    """
    order = sorted(range(len(players)), key=lambda i: (_middle(players[i]), -i))
    sizes = _sizes(len(pitches), [players[i] for i in order])
    hands: list[tuple[int, ...]] = [()] * len(players)
    first = 0
    for rank, (index, size) in enumerate(zip(order, sizes, strict=True)):
        if len(pitches) < len(players):
            first = rank * len(pitches) // len(players)
        hands[index] = tuple(pitches[first : first + size])
        first += size
    return tuple(hands)


def _sizes(count: int, players: Sequence[Instrument]) -> list[int]:
    """How many notes each player takes, from the lowest player up."""
    sizes = [1] * len(players)
    many = [i for i, player in enumerate(players) if _takes_chords(player)]
    for turn in range(count - len(players)):
        turns = many or range(len(players))
        sizes[turns[-1 - turn % len(turns)]] += 1
    return sizes


def _takes_chords(instrument: Instrument) -> bool:
    return (
        instrument.section
        or instrument.staves == 2
        or instrument.family in (Family.PLUCKED, Family.KEYBOARD, Family.NEUTRAL)
    )


def _middle(instrument: Instrument) -> float:
    return 0.5 * (instrument.low + instrument.high)


def _spaced(tones: Sequence[int], voicing: Voicing) -> list[int]:
    if voicing is Voicing.OPEN:
        return sorted(tone + 12 * (i % 2) for i, tone in enumerate(tones))
    if voicing is Voicing.DROP_2 and len(tones) > 2:
        return sorted([*tones[:-2], tones[-2] - 12, tones[-1]])
    return list(tones)


def _repeated(tones: Sequence[int], count: int) -> list[int]:
    """Go on above in octaves until there are enough notes."""
    step = 12 * (1 + (max(tones) - min(tones)) // 12)
    whole = [tone + step * i for i in range(1 + count // len(tones)) for tone in tones]
    return sorted(whole)[:count]


def _discomfort(spaced: Sequence[int], up: int, players: Sequence[Instrument]) -> float:
    hands = dealt([tone + up for tone in spaced], players)
    return sum(_cost(p, player) for hand, player in zip(hands, players, strict=True) for p in hand)


def _cost(pitch: int, instrument: Instrument) -> float:
    """Distance from the middle of the range; far more beyond its comfort, and beyond it."""
    margin = COMFORT * (instrument.high - instrument.low)
    if not instrument.low <= pitch <= instrument.high:
        return _BEYOND + abs(pitch - _middle(instrument))
    is_easy = instrument.low + margin <= pitch <= instrument.high - margin
    return (0.0 if is_easy else _STRETCHED) + _BESIDE * abs(pitch - _middle(instrument))


def _into_range(
    hands: Iterable[tuple[int, ...]], players: Sequence[Instrument]
) -> tuple[tuple[int, ...], ...]:
    """Move single notes by octaves where their player has not got them."""
    return tuple(
        tuple(sorted({nearest_octave(p, player) for p in hand}))
        for hand, player in zip(hands, players, strict=True)
    )


def nearest_octave(pitch: int, instrument: Instrument) -> int:
    """Return the nearest octave of a pitch that an instrument has, else the pitch itself."""
    octaves = [pitch + 12 * k for k in sorted(range(-9, 10), key=abs)]
    return next((p for p in octaves if instrument.low <= p <= instrument.high), pitch)


def _spread(tones: Sequence[int], players: Sequence[Instrument]) -> tuple[tuple[int, ...], ...]:
    """Return for each player the tone that lies best: the lowest has the bass, hands all tones."""
    columns = [tone for _ in range(-(-len(players) // len(tones))) for tone in tones]
    placed = [[_best_octave(tone, player) for tone in columns] for player in players]
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415 (slow to import)

    costs = np.array(
        [[_cost(p, player) for p in row] for row, player in zip(placed, players, strict=True)]
    )
    lowest = min(range(len(players)), key=lambda i: (_middle(players[i]), -i))
    costs[lowest, columns.index(tones[0])] -= _BEYOND
    hands: list[set[int]] = [set() for _ in players]
    for row, column in zip(*linear_sum_assignment(costs), strict=True):
        hands[row].add(placed[row][column])
    for hand, player in zip(hands, players, strict=True):
        if player.staves == 2 and player.family in (Family.PLUCKED, Family.KEYBOARD):
            hand |= {_best_octave(tone, player) for tone in tones}
    missing = [tone for tone in tones if not any((tone - p) % 12 == 0 for h in hands for p in h)]
    able = [i for i, player in enumerate(players) if _takes_chords(player)]
    for turn, tone in enumerate(missing):
        index = (able or list(range(len(players))))[turn % len(able or players)]
        hands[index].add(_best_octave(tone, players[index]))
    return tuple(tuple(sorted(hand)) for hand in hands)


def _best_octave(tone: int, instrument: Instrument) -> int:
    middle = _middle(instrument)
    return nearest_octave(tone + 12 * nearest((middle - tone) / 12), instrument)
