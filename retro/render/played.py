"""`played.mid`: the exact performance for a mock-up, on one timeline with the click.

Conventions
-----------
The file begins with the count-in; the insert's bar 1 comes after it.
"""

from collections import defaultdict
from dataclasses import replace
from fractions import Fraction

from retro.model.performance import Performance, PlayedNote
from retro.model.phrase import SUSTAIN_PEDAL, Marker, Note, Part, Phrase
from retro.model.time import TempoMap, count_in_bars
from retro.render.midi_file import smf_files, ticks_for


def performance_midi(
    performance: Performance, *, source_ticks_per_quarter: int
) -> tuple[bytes, ...]:
    """Return `played.mid`: the count-in, then the exact performance on the insert's time.

    More sounds than one file has channels go to further files; their bounces add up.
    Notes last as long as they are played, a held pedal included; so the pedal itself is left out.
    Parts without notes are left out. A start before the count-in is moved to the file's start.
    """
    insert = performance.insert
    whole = with_count_in(insert, performance.settings.count_in_bars)
    lead = whole.length_beats - insert.length_beats
    by_part: dict[int, list[Note]] = defaultdict(list)
    for note in performance.notes:
        by_part[note.part].append(_played(note, insert.tempo, lead))
    letter = performance.settings.letter
    parts = tuple(
        replace(
            part,
            notes=tuple(by_part[index]),
            controllers=tuple(c for c in part.controllers if c[0] != SUSTAIN_PEDAL),
        )
        for index, part in enumerate(whole.parts)
        if by_part[index]
    )
    markers = (
        Marker(lead, f"Insert {letter}"),
        *whole.markers,
        Marker(whole.length_beats, f"Insert {letter} ends"),
    )
    return smf_files(
        replace(whole, parts=parts, markers=markers),
        ticks_per_quarter=ticks_for(source_ticks_per_quarter),
    )


def with_count_in(phrase: Phrase, count: int) -> Phrase:
    """Put full bars before a phrase, of its first meter, tempo and key."""
    counted = count_in_bars(phrase.bars[0], count)
    lead = sum((bar.length_beats for bar in counted), Fraction(0))
    return replace(
        phrase,
        tempo=TempoMap(phrase.tempo.us_per_quarter.after(lead)),
        bars=tuple(
            replace(bar, start_beats=bar.start_beats + lead) for bar in (*counted, *phrase.bars)
        ),
        keys=phrase.keys.after(lead),
        markers=tuple(Marker(marker.at_beats + lead, marker.text) for marker in phrase.markers),
        parts=tuple(_later_part(part, lead) for part in phrase.parts),
    )


def _later_part(part: Part, lead: Fraction) -> Part:
    return replace(
        part,
        notes=tuple(
            replace(note, on_beats=note.on_beats + lead, off_beats=note.off_beats + lead)
            for note in part.notes
        ),
        controllers=tuple((number, steps.after(lead)) for number, steps in part.controllers),
        bend=part.bend.after(lead) if part.bend else None,
    )


def _played(note: PlayedNote, tempo: TempoMap, lead: Fraction) -> Note:
    return Note(
        on_beats=max(tempo.beats_at(note.played_on_s) + lead, Fraction(0)),
        off_beats=max(tempo.beats_at(note.played_off_s) + lead, Fraction(0)),
        pitch=note.target.pitch,
        velocity=note.target.velocity,
    )
