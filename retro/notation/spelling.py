"""Enharmonic spelling: one for the whole ensemble, carried to each player's transposition.

Conventions
-----------
A spelling is a place on the line of fifths: F -1, C 0, G 1 ... B 5, F sharp 6, B flat -2. Places
that are 12 apart sound the same. A key of `s` sharps has the places ``s - 1`` to ``s + 5``.
Sources: the line of fifths as a model of spelling is Temperley, *The Cognition of Basic Musical
Structures*, ch. 5 (from memory); that a note of the signature is spelled as in it, that a chromatic
one is spelled towards where it goes, and that no part has more than six accidentals in its
signature, is common practice. The weights are ours.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import pairwise

from retro.model.instruments import Instrument
from retro.model.performance import Performance
from retro.model.phrase import Key
from retro.model.spelling import LETTERS, STEPS, place_of
from retro.model.time import Steps
from retro.notation.score import Spelled
from retro.notation.unpitched import stroke_of

MAX_ACCIDENTALS = 6
"""Accidentals in a signature beyond which a part is respelled (common practice)."""

MIN_FIFTHS, MAX_FIFTHS = -8, 12
"""F flat and B sharp: the ends of the line without double accidentals."""

MIN_GIVEN_FIFTHS, MAX_GIVEN_FIFTHS = -15, 19
"""F double flat and B double sharp."""

CONTEXT_BEATS = Fraction(4)
"""How far around a note its company counts, within its key."""

_KEY_WEIGHT = 6.0
_SEVENTH_BONUS = 4.0
_DIRECTION_BONUS = 3.0
_RARE_COST = 1.5
_RARE = frozenset((-8, -7, 11, 12))

_Places = dict[tuple[Fraction, int], int]


def spell_all(performance: Performance) -> tuple[Spelled, ...]:
    """Return the written pitch of every note."""
    spelled = []
    for note, place in zip(performance.notes, places(performance), strict=True):
        instrument = performance.players[note.part].instrument
        if instrument.is_unpitched:
            spelled.append(stroke_of(instrument, note.target.pitch).place)
            continue
        sounding = performance.insert.keys.at(note.written_on_beats)
        written = written_key(sounding, instrument)
        spelled.append(
            spell(
                note.target.pitch,
                place,
                sounding=sounding,
                written=written,
                instrument=instrument,
                is_given=bool(note.target.spelling),
            )
        )
    return tuple(spelled)


def written_key(key: Key, instrument: Instrument) -> Key:
    """Return the key in which a player's notes are spelled, six accidentals at most.

    Who has no pitch reads no key.

    Examples
    --------
    F sharp major (six sharps) would be eight sharps for a clarinet in B flat; it becomes A flat.
    """
    if instrument.is_unpitched:
        return Key(0)
    sharps = key.sharps - instrument.transposition.fifths
    while sharps > MAX_ACCIDENTALS:
        sharps -= 12
    while sharps < -MAX_ACCIDENTALS:
        sharps += 12
    return Key(sharps, key.minor)


def printed_key(key: Key, instrument: Instrument) -> Key:
    """Return the key signature that a player reads for a sounding one."""
    return key if key.is_open else written_key(key, instrument)


def written_keys(keys: Steps[Key], instrument: Instrument) -> tuple[tuple[Fraction, Key], ...]:
    """Return (position, written key) over a phrase, the first at 0."""
    changes: list[tuple[Fraction, Key]] = []
    for start, _, key in keys.spans():
        written = printed_key(key, instrument)
        if not changes or changes[-1][1] != written:
            changes.append((start, written))
    return tuple(changes)


def to_spelled(pitch: int, place: int) -> Spelled:
    """Return the name of a written MIDI pitch at a place on the line of fifths."""
    alter, letter = divmod(place + 1, 7)
    return Spelled(LETTERS[letter], alter, (pitch - alter) // 12 - 1)


def step_above(name: Spelled, semitones: int) -> Spelled | None:
    """Return the next letter's note some semitones above, None where it has a double accidental.

    >>> step_above(Spelled("B", -1, 4), 2), step_above(Spelled("B", 0, 4), 1)
    (Spelled(step='C', alter=0, octave=5), Spelled(step='C', alter=0, octave=5))
    """
    step = STEPS[(STEPS.index(name.step) + 1) % len(STEPS)]
    natural = 1 if name.step in "EB" else 2
    alter = name.alter + semitones - natural
    return Spelled(step, alter, name.octave + (step == "C")) if abs(alter) < 2 else None


def spell(
    pitch: int,
    place: int,
    *,
    sounding: Key,
    written: Key,
    instrument: Instrument,
    is_given: bool = False,
) -> Spelled:
    """Return the written pitch of a sounding one, given its place on the line of fifths.

    The key is given as it sounds and as the player reads it. Where the composer spelled the pitch
    so (`is_given`), double accidentals stay.
    """
    moved = place + written.sharps - sounding.sharps
    lowest, highest = MIN_FIFTHS, max(MAX_FIFTHS, _raised_seventh(written))
    if is_given:
        lowest, highest = MIN_GIVEN_FIFTHS, MAX_GIVEN_FIFTHS
    while moved > highest:
        moved -= 12
    while moved < lowest:
        moved += 12
    return to_spelled(pitch - instrument.transposition.semitones, moved)


def places(performance: Performance) -> tuple[int, ...]:
    """Return each note's place on the line of fifths, as it sounds.

    Notes of one pitch class that begin together are spelled alike in every part; what the composer
    spelled stays so.
    """
    onsets: dict[Fraction, set[int]] = defaultdict(set)
    for note in performance.notes:
        onsets[note.written_on_beats].add(note.target.pitch % 12)
    keys = performance.insert.keys
    goals = _goals(performance)
    chosen: _Places = {}
    for _ in range(2):
        chosen = _pass(onsets, keys, goals, chosen)
    return tuple(
        place_of(note.target.spelling)
        if note.target.spelling
        else chosen[note.written_on_beats, note.target.pitch % 12]
        for note in performance.notes
    )


def _raised_seventh(key: Key) -> int:
    return key.sharps + 8 if key.minor else MAX_FIFTHS


def _goals(performance: Performance) -> Mapping[tuple[Fraction, int], list[int]]:
    """Where notes go by a semitone in their own part: +1, -1, per onset and pitch class."""
    by_part: dict[int, dict[Fraction, list[int]]] = defaultdict(lambda: defaultdict(list))
    for note in performance.notes:
        by_part[note.part][note.written_on_beats].append(note.target.pitch)
    goals: dict[tuple[Fraction, int], list[int]] = defaultdict(list)
    for groups in by_part.values():
        times = sorted(groups)
        for here, there in pairwise(times):
            following = set(groups[there])
            for pitch in groups[here]:
                if pitch in following:
                    continue
                goals[here, pitch % 12] += [way for way in (1, -1) if pitch + way in following]
    return goals


def _pass(
    onsets: Mapping[Fraction, set[int]],
    keys: Steps[Key],
    goals: Mapping[tuple[Fraction, int], list[int]],
    before: _Places,
) -> _Places:
    """Choose every spelling once, in time; `before` is what the last pass chose."""
    times = sorted(onsets)
    company = [[before[t, each] for each in onsets[t] if (t, each) in before] for t in times]
    totals, counts = [sum(places) for places in company], [len(places) for places in company]
    chosen: _Places = {}
    spans = [keys.index_at(time) for time in times]
    for index, (time, span) in enumerate(zip(times, spans, strict=True)):
        key = keys.values[span]
        first = max(bisect_left(times, time - CONTEXT_BEATS), bisect_left(spans, span))
        last = min(bisect_right(times, time + CONTEXT_BEATS), bisect_right(spans, span))
        total = _KEY_WEIGHT * (key.sharps + 2) + sum(totals[first:last])
        centre = total / (_KEY_WEIGHT + sum(counts[first:last]))
        here = {
            each: _choose(each, key, centre, goals.get((time, each), ()))
            for each in sorted(onsets[time])
        }
        totals[index], counts[index] = sum(here.values()), len(here)
        chosen.update(((time, each), place) for each, place in here.items())
    return chosen


def _choose(pitch_class: int, key: Key, centre: float, ways: Sequence[int]) -> int:
    highest = max(MAX_FIFTHS, _raised_seventh(key))
    candidates = [
        place for place in range(MIN_FIFTHS, highest + 1) if (7 * place - pitch_class) % 12 == 0
    ]
    in_key = [place for place in candidates if _is_in(key, place)]
    return min(
        in_key or candidates, key=lambda place: (_cost(place, key, centre, ways), abs(place))
    )


def _is_in(key: Key, place: int) -> bool:
    return key.sharps - 1 <= place <= key.sharps + 5


def _cost(place: int, key: Key, centre: float, ways: Sequence[int]) -> float:
    cost = abs(place - centre)
    if place == _raised_seventh(key):
        return cost - _SEVENTH_BONUS
    if place in _RARE:
        cost += _RARE_COST
    if ways:
        # A sharp leads up to a note of the key, a flat down: the semitone is then five fifths off.
        towards = sum(_is_in(key, place - 5 * way) for way in ways)
        cost -= _DIRECTION_BONUS * towards / len(ways)
    return cost
