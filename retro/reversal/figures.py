"""Which notes of a target are figures: graces, glissandi and fast runs.

Graces are those that the composer wrote small; where the file does not say, they are known by being
too short to be rhythm and leading into a note that is not. A run is known by going one way, step by
step, faster than notes are told apart. Figures of the sound stay figures when time is turned round:
graces become after-notes, an upward run goes down.

The limits are common practice, from memory, where nothing else is said.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from retro.model.figures import Figure, FigureKind
from retro.model.instruments import Family, Instrument, Player
from retro.model.phrase import Note, Part, Phrase
from retro.model.time import TempoMap

MAX_GRACE_S = 0.085
"""A 32nd at 88 quarters a minute."""

MAX_GRACE_BEATS = Fraction(1, 8)
MAX_GRACES = 4
MIN_MAIN = 2.0
"""A main note lasts so many of its graces' longest."""

TOUCH_S = 0.03
"""Notes that overlap, or begin together, by no more follow each other (JOIN_S of the grid)."""

MIN_RUN = 6
MAX_RUN_STEP_S = 0.11
"""Fewest notes of a run, and its slowest: nine a second."""

MAX_RUN_SEMITONES = 4
"""Widest step: two strings of a harp are up to four semitones apart (C flat to D sharp)."""

MAX_UNEVEN = 2.5
"""How many times as long as the one before it a step of a run may be (our own choice)."""

SWEPT = ("piano", "celesta", "organ", "xylophone", "marimba", "vibraphone", "glockenspiel",
         "crotales")  # fmt: skip
"""Instruments with two rows of keys or bars, over either of which a hand or a stick sweeps."""

WHITE, BLACK = (0, 2, 4, 5, 7, 9, 11), (1, 3, 6, 8, 10)
LETTERS = WHITE
"""Pitch classes of the keys of either row, and of a harp's strings at natural."""

RUNNING = (Family.WOODWIND, Family.PERCUSSION, Family.PLUCKED, Family.KEYBOARD, Family.STRINGS)


@dataclass(frozen=True, slots=True)
class _Timed:
    """A note with its place in the part and its seconds."""

    index: int
    note: Note
    on_s: float
    off_s: float

    @property
    def pitch(self) -> int:
        return self.note.pitch


def find_figures(
    target: Phrase, players: Sequence[Player], *, grid_beats: Fraction
) -> tuple[Figure, ...]:
    """Return the figures of a target phrase, by part; no note is in two of them.

    What the finest written unit, `grid_beats`, can write is rhythm, and no grace.
    """
    found: list[Figure] = []
    first = 0
    for part, player in zip(target.parts, players, strict=True):
        notes = _timed(part, first, target.tempo)
        runs = list(_runs(notes, player))
        taken = {index for run in runs for index in run.notes}
        said = list(_said_graces([each for each in notes if each.index not in taken]))
        taken |= {index for graces in said for index in graces.notes}
        found += runs + said
        found += _graces([each for each in notes if each.index not in taken], grid_beats)
        first += len(part.notes)
    return tuple(found)


def _timed(part: Part, first: int, tempo: TempoMap) -> list[_Timed]:
    timed = [
        _Timed(
            first + i,
            note,
            float(tempo.seconds_at(note.on_beats)),
            float(tempo.seconds_at(note.off_beats)),
        )
        for i, note in enumerate(part.notes)
    ]
    return sorted(timed, key=lambda each: (each.on_s, each.pitch))


def _said_graces(notes: Sequence[_Timed]) -> Iterator[Figure]:
    """Return every group of single small notes that leads straight into a note."""
    begin = Counter(each.note.on_beats for each in notes if each.note.is_grace)
    groups: dict[Fraction, list[_Timed]] = {}
    for each in notes:
        note = each.note
        if note.is_grace and begin[note.on_beats] == 1 and not note.cut_before:
            groups[note.off_beats] = [*groups.pop(note.on_beats, []), each]
    for end, group in groups.items():
        place = next((k for k, each in enumerate(notes) if each.note.on_beats == end), None)
        if place is not None and not notes[place].note.is_grace:
            yield Figure(
                kind=FigureKind.GRACES,
                notes=tuple(grace.index for grace in reversed(group)),
                main=_nearest_head(notes[place:], group[-1]).index,
            )


def _graces(notes: Sequence[_Timed], grid_beats: Fraction) -> Iterator[Figure]:
    """Return every group of short notes that leads into a longer one, alone."""
    longest_beats = min(MAX_GRACE_BEATS, grid_beats / 2)
    ons_s = [each.on_s for each in notes]
    chain: list[_Timed] = []
    for place, each in enumerate(notes):
        following = notes[place + 1] if place + 1 < len(notes) else None
        if following is not None and _leads(each, following, longest_beats):
            chain.append(each)
            continue
        if chain and len(chain) <= MAX_GRACES and _is_alone(chain[0], ons_s):
            longest_s = max(b.on_s - a.on_s for a, b in pairwise([*chain, each]))
            if each.off_s - each.on_s >= MIN_MAIN * longest_s:
                main = _nearest_head(notes[place:], chain[-1])
                yield Figure(
                    kind=FigureKind.GRACES,
                    notes=tuple(grace.index for grace in reversed(chain)),
                    main=main.index,
                )
        chain = []


def _leads(each: _Timed, following: _Timed, longest_beats: Fraction) -> bool:
    """Whether a note is short and goes straight on to the next one, which is another pitch."""
    step_beats = following.note.on_beats - each.note.on_beats
    step_s = following.on_s - each.on_s
    return (
        0 < step_beats <= longest_beats
        and step_s <= MAX_GRACE_S
        and abs(following.on_s - each.off_s) <= TOUCH_S
        and following.pitch != each.pitch
        and not each.note.cut_before
    )


def _is_alone(first: _Timed, ons_s: Sequence[float]) -> bool:
    """Whether nothing begins together with the first of a group or as shortly before: a roll."""
    place = bisect_right(ons_s, first.on_s + 1e-9)
    return place < 2 or ons_s[place - 2] < first.on_s - MAX_GRACE_S


def _nearest_head(notes: Sequence[_Timed], grace: _Timed) -> _Timed:
    """Return the note of the main chord that lies nearest to its last grace."""
    chord = [each for each in notes[: 2 * len(LETTERS)] if each.on_s - notes[0].on_s <= TOUCH_S]
    return min(chord, key=lambda each: abs(each.pitch - grace.pitch))


def _runs(notes: Sequence[_Timed], player: Player) -> Iterator[Figure]:
    instrument = player.instrument
    if instrument.family not in RUNNING or instrument.is_unpitched:
        return
    taken: set[int] = set()
    for place, each in enumerate(notes):
        for direction in (1, -1):
            if each.index in taken:
                continue
            run = _run_from(notes, place, direction)
            if (
                len(run) >= MIN_RUN
                and _stays(run, player)
                and taken.isdisjoint(n.index for n in run)
            ):
                taken.update(n.index for n in run)
                swept = is_swept(instrument, [n.pitch for n in run])
                yield Figure(
                    kind=FigureKind.GLISSANDO if swept else FigureKind.RUN,
                    notes=tuple(n.index for n in reversed(run)),
                )


def _run_from(notes: Sequence[_Timed], place: int, direction: int) -> list[_Timed]:
    """Return the notes that go on one way from a place, step by step and evenly."""
    run = [notes[place]]
    step_s = MAX_RUN_STEP_S
    for each in notes[place + 1 :]:
        ahead_s = each.on_s - run[-1].on_s
        if ahead_s > min(MAX_RUN_STEP_S, MAX_UNEVEN * step_s):
            break
        if ahead_s > 0.0 and 1 <= direction * (each.pitch - run[-1].pitch) <= MAX_RUN_SEMITONES:
            run.append(each)
            step_s = ahead_s
    return run


def _stays(run: Sequence[_Timed], player: Player) -> bool:
    """Return whether a run is one when it lands: tones that all ring to one end land together."""
    return player.lands_at_start or all(a.off_s < b.off_s for a, b in pairwise(run))


def is_swept(instrument: Instrument, pitches: Sequence[int]) -> bool:
    """Return whether one sweep plays a run: strings of a harp in one setting, keys of one row."""
    if instrument.id == "harp":
        return any(_is_one_setting(pitches, letter) for letter in range(len(LETTERS)))
    return instrument.id in SWEPT and any(_is_one_row(pitches, row) for row in (WHITE, BLACK))


def _is_one_setting(pitches: Sequence[int], letter: int) -> bool:
    """Whether strings that follow each other from a letter on have the pitches, pedals still."""
    direction = 1 if pitches[-1] > pitches[0] else -1
    setting: dict[int, int] = {}
    for step, pitch in enumerate(pitches):
        string = (letter + direction * step) % len(LETTERS)
        alter = (pitch - LETTERS[string] + 6) % 12 - 6
        if abs(alter) > 1 or setting.setdefault(string, alter) != alter:
            return False
    return True


def _is_one_row(pitches: Sequence[int], row: Sequence[int]) -> bool:
    keys = [_key(pitch, row) for pitch in pitches if pitch % 12 in row]
    return len(keys) == len(pitches) and all(abs(b - a) == 1 for a, b in pairwise(keys))


def _key(pitch: int, row: Sequence[int]) -> int:
    return pitch // 12 * len(row) + row.index(pitch % 12)
