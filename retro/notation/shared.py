"""Two players on one stave of the score, where they move together (common practice).

Flutes 1 and 2, horns 1 and 2, horns 3 and 4: players of odd and next even number share a stave of
the score where they sound in the same bars, with the same dynamics and clefs, and most of their
notes begin and end together. Where all of them do, they share the stems too; else, and where they
meet on one pitch, the upper player's stems go up and the lower's down. Who trills has a stave
alone. Their parts stay their own. What a whole family has to be told of its releases stands once
above it.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import groupby

from retro.model.time import Bar
from retro.notation.score import Articulation, Chord, Direction, Mark, Stave, Voice, WrittenPart

NUMBERED = re.compile(r"(?P<name>.+) (?P<number>[0-9]+)")

MIN_TOGETHER = 0.5
"""Share of the notes that have to begin and end together (our own choice)."""

BEFORE_A_COMMA_BEATS = Fraction(1)
"""How far before a comma its player's number stands."""


def shared_staves(parts: Sequence[WrittenPart], bars: Sequence[Bar]) -> tuple[WrittenPart, ...]:
    """Return the staves of the score: the parts, those of two players joined who move together.

    `parts` are in score order, before and after; `bars` are those of the insert.
    """
    joined: list[WrittenPart] = []
    for part in parts:
        if joined and _are_desk_mates(joined[-1], part) and _move_together(joined[-1], part, bars):
            joined[-1] = _joined(joined[-1], part)
        else:
            joined.append(part)
    return tuple(joined)


def shared_releases(parts: Sequence[WrittenPart]) -> tuple[WrittenPart, ...]:
    """Return the staves of the score with each release that a family shares over the first only.

    A family shares a release where all of it that sounds just before lets go in the same words.
    `parts` are in score order, families together.
    """
    cleared: list[WrittenPart] = []
    for _, group in groupby(parts, key=lambda part: part.instrument.family):
        family = list(group)
        known = [{words for words in part.directions if words.is_release} for part in family]
        shared = {
            words
            for words in set().union(*known)
            if all(
                words in own or not _sounds_before(part, words.at_beats)
                for part, own in zip(family, known, strict=True)
            )
        }
        said: set[Direction] = set()
        for part in family:
            kept = tuple(words for words in part.directions if words not in said)
            said |= shared & set(kept)
            cleared.append(replace(part, directions=kept))
    return tuple(cleared)


def _sounds_before(part: WrittenPart, at: Fraction) -> bool:
    return any(chord.on_beats < at <= chord.off_beats for chord in part.chords)


def _are_desk_mates(first: WrittenPart, second: WrittenPart) -> bool:
    one, two = NUMBERED.fullmatch(first.name), NUMBERED.fullmatch(second.name)
    if one is None or two is None or one["name"] != two["name"]:
        return False
    number = int(one["number"])
    return number % 2 == 1 and int(two["number"]) == number + 1


def _move_together(first: WrittenPart, second: WrittenPart, bars: Sequence[Bar]) -> bool:
    alike = (
        first.instrument == second.instrument
        and len(first.staves) == len(second.staves) == 1
        and len(first.staves[0].voices) == len(second.staves[0].voices) == 1
        and first.staves[0].clefs == second.staves[0].clefs
        and first.keys == second.keys
        and (first.levels, first.hairpins) == (second.levels, second.hairpins)
    )
    trilling = _marked(first, Articulation.TRILL) | _marked(second, Articulation.TRILL)
    if trilling or not alike:
        return False
    one, two = _spans(first), _spans(second)
    together = len(one & two) >= MIN_TOGETHER * max(len(one), len(two))
    return together and _sounding(one, bars) == _sounding(two, bars)


def _marked(part: WrittenPart, kind: Articulation) -> set[Mark]:
    voices = (voice for stave in part.staves for voice in stave.voices)
    return {mark for voice in voices for mark in voice.marks if mark.kind is kind}


def _spans(part: WrittenPart) -> set[tuple[Fraction, Fraction]]:
    return {(chord.on_beats, chord.off_beats) for chord in part.chords}


def _sounding(spans: Iterable[tuple[Fraction, Fraction]], bars: Sequence[Bar]) -> set[int]:
    return {
        index
        for index, bar in enumerate(bars)
        for on, off in spans
        if on < bar.end_beats and off > bar.start_beats
    }


def _joined(first: WrittenPart, second: WrittenPart) -> WrittenPart:
    upper, lower = first.staves[0].voices[0], second.staves[0].voices[0]
    on_one_stem = (
        _spans(first) == _spans(second)
        and _marked(first, Articulation.TREMOLO) == _marked(second, Articulation.TREMOLO)
        and all(
            set(one.pitches).isdisjoint(two.pitches)
            for one, two in zip(upper.chords, lower.chords, strict=True)
        )
    )
    number = second.name.rpartition(" ")[2]
    owners = _owners(upper, lower, (first.name.rpartition(" ")[2], number))
    voices = (_chords(upper, lower),) if on_one_stem else (upper, lower)
    directions = dict.fromkeys((*first.directions, *second.directions, *owners))
    return replace(
        first,
        name=f"{first.name}.{number}",
        abbreviation=f"{first.abbreviation}.{number}",
        staves=(Stave(voices=voices, clefs=first.staves[0].clefs),),
        directions=tuple(sorted(directions, key=lambda direction: direction.at_beats)),
    )


def _owners(upper: Voice, lower: Voice, numbers: tuple[str, str]) -> Iterator[Direction]:
    """Yield the number of the player before each comma that not both have."""
    both = set(upper.marks) & set(lower.marks)
    for voice, number in zip((upper, lower), numbers, strict=True):
        ends = {chord.on_beats: chord.off_beats for chord in voice.chords}
        for mark in voice.marks:
            if mark.kind is Articulation.BREATH and mark not in both:
                # The comma stands at the end of its note.
                at = max(mark.at_beats, ends[mark.at_beats] - BEFORE_A_COMMA_BEATS)
                yield Direction(at_beats=at, text=f"{number}.")


def _chords(upper: Voice, lower: Voice) -> Voice:
    return Voice(
        chords=tuple(_chord(one, two) for one, two in zip(upper.chords, lower.chords, strict=True)),
        marks=tuple(dict.fromkeys((*upper.marks, *lower.marks))),
        lines=tuple(dict.fromkeys((*upper.lines, *lower.lines))),
    )


def _chord(one: Chord, two: Chord) -> Chord:
    heads = sorted(
        zip(
            (*one.pitches, *two.pitches),
            (*one.notes, *two.notes),
            (*one.spelled, *two.spelled),
            (*one.more, *two.more) or ((),) * (len(one.pitches) + len(two.pitches)),
            strict=True,
        )
    )
    pitches, notes, spelled, more = zip(*heads, strict=True)
    return replace(one, pitches=pitches, notes=notes, spelled=spelled, more=more)
