"""What a harpist reads of the pedals: the setting at the beginning, changes before they are needed.

Notes are named as the pedals have them: where a string's letter is set otherwise than a chromatic
note is spelled, the note has the name of the string that sounds it (common practice).
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby, pairwise

from retro.model.figures import FigureKind, off_the_grid
from retro.model.performance import Performance
from retro.model.spelling import NATURALS, SIGNS
from retro.notation.accidentals import key_alter
from retro.notation.pedals import PEDALS, PedalPlan, Pluck, Setting, plan_pedals
from retro.notation.score import Direction, Spelled
from retro.notation.spelling import spell_all, written_key

HARP = "harp"
AHEAD_BEATS = Fraction(1)
"""How long before it is needed a change is printed, where the stroke before lies as far back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pedalling:
    """The pedals of one part: the plan, and where each of its plucks is written, with its notes."""

    plan: PedalPlan
    places: tuple[Fraction, ...]
    notes: tuple[tuple[int, ...], ...]

    def settings(self) -> Iterator[Setting]:
        """Yield the setting at each pluck."""
        setting = list(self.plan.first)
        changes = {k: list(group) for k, group in groupby(self.plan.changes, lambda c: c.pluck)}
        for pluck in range(len(self.places)):
            for change in changes.get(pluck, ()):
                setting[PEDALS.index(change.letter)] = change.after
            yield tuple(setting)


def pedals_of(
    performance: Performance, part: int, names: Sequence[Spelled] | None = None
) -> Pedalling:
    """Return the pedals of a harp part in the order in which it is played.

    `names` has the written pitch of every note of the performance, if it is known.
    """
    names = spell_all(performance) if names is None else names
    seconds_at = performance.insert.tempo.seconds_at
    swept = {
        figure.notes[0]: figure.notes
        for figure in performance.figures
        if figure.kind is FigureKind.GLISSANDO
    }
    off = off_the_grid(performance.figures)
    chords: dict[Fraction, list[int]] = defaultdict(list)
    for index, note in enumerate(performance.notes):
        if note.part == part and index not in off:
            chords[note.written_on_beats].append(index)
    places = tuple(sorted(chords))
    notes = tuple(
        tuple(i for head in chords[at] for i in swept.get(head, (head,))) for at in places
    )
    plucks = [
        Pluck(
            at_s=float(seconds_at(at)),
            until_s=max(float(seconds_at(performance.notes[i].written_off_beats)) for i in struck),
            pitches=tuple(performance.notes[i].target.pitch for i in struck),
            strings=tuple((names[i].step, names[i].alter) for i in struck),
            scale=tuple(
                (names[i].step, names[i].alter)
                for i in struck
                if _is_in_scale(performance, i, names[i])
            ),
        )
        for at, struck in zip(places, notes, strict=True)
    ]
    key = written_key(performance.insert.keys.values[0], performance.players[part].instrument)
    plan = plan_pedals(plucks, sharps=key.sharps)
    return Pedalling(plan=plan, places=places, notes=notes)


def pedal_words(performance: Performance, part: int) -> tuple[Direction, ...]:
    """Return what a harpist reads of the pedals; nothing for others."""
    if performance.players[part].instrument.id != HARP:
        return ()
    pedalling = pedals_of(performance, part)
    words = [Direction(at_beats=Fraction(0), text=pedalling.plan.diagram(SIGNS))]
    before = dict(pairwise(pedalling.places))
    earlier = {later: place for place, later in before.items()}
    for pluck, changes in groupby(pedalling.plan.changes, lambda change: change.pluck):
        at = pedalling.places[pluck]
        text = " ".join(f"{change.letter}{SIGNS[change.after] or '♮'}" for change in changes)
        place = max(earlier.get(at, Fraction(0)), at - AHEAD_BEATS)
        words.append(Direction(at_beats=place, text=text, above=False))
    return tuple(words)


def pedalled(performance: Performance, names: Sequence[Spelled]) -> tuple[Spelled, ...]:
    """Return the written pitches with those of harps named as their pedals are set."""
    named = list(names)
    for part, player in enumerate(performance.players):
        if player.instrument.id != HARP:
            continue
        pedalling = pedals_of(performance, part, names)
        for setting, notes in zip(pedalling.settings(), pedalling.notes, strict=True):
            alters = dict(zip(PEDALS, setting, strict=True))
            for note in notes:
                is_free = not _is_in_scale(performance, note, named[note])
                if is_free and alters[named[note].step] != named[note].alter:
                    named[note] = _string(performance.notes[note].target.pitch, alters, named[note])
    return tuple(named)


def _is_in_scale(performance: Performance, note: int, name: Spelled) -> bool:
    played = performance.notes[note]
    sounding = performance.insert.keys.at(played.written_on_beats)
    # Seven sharps are read as five flats; the names are those that are read.
    key = written_key(sounding, performance.players[played.part].instrument)
    return key_alter(key, name.step) == name.alter


def _string(pitch: int, alters: dict[str, int], else_: Spelled) -> Spelled:
    """Return the name of the string that sounds a pitch; what it was where none does."""
    for letter, alter in alters.items():
        octave, over = divmod(pitch - alter - NATURALS[letter], 12)
        if over == 0:
            return Spelled(letter, alter, octave - 1)
    return else_
