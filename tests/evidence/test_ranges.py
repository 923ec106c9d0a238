"""Transpositions and lowest notes against music21's instrument table (read in the library)."""

import pytest
from music21 import instrument as m21

from retro.model.orchestra import by_id

PAIRS = [
    ("piccolo", m21.Piccolo),
    ("flute", m21.Flute),
    ("oboe", m21.Oboe),
    ("english-horn", m21.EnglishHorn),
    ("clarinet-in-b-flat", m21.Clarinet),
    ("bass-clarinet", m21.BassClarinet),
    ("bassoon", m21.Bassoon),
    ("soprano-saxophone", m21.SopranoSaxophone),
    ("alto-saxophone", m21.AltoSaxophone),
    ("tenor-saxophone", m21.TenorSaxophone),
    ("trumpet-in-b-flat", m21.Trumpet),
    ("trombone", m21.Trombone),
    ("bass-trombone", m21.BassTrombone),
    ("tuba", m21.Tuba),
    ("harp", m21.Harp),
    ("piano", m21.Piano),
    ("harpsichord", m21.Harpsichord),
    ("mandolin", m21.Mandolin),
    ("violins", m21.Violin),
    ("violas", m21.Viola),
    ("cellos", m21.Violoncello),
    ("double-basses", m21.Contrabass),
]


@pytest.mark.parametrize(("id_", "other"), PAIRS, ids=[id_ for id_, _ in PAIRS])
def test_the_lowest_written_note_and_the_transposition_are_those_of_music21(
    id_: str, other: type[m21.Instrument], record_evidence
) -> None:
    ours, theirs = by_id(id_), other()
    semitones = theirs.transposition.semitones if theirs.transposition else 0
    assert ours.transposition.semitones == semitones
    assert ours.low - ours.transposition.semitones == theirs.lowestNote.midi
    record_evidence(
        what=f"{ours.name}: lowest written note, semitones to sounding",
        source="music21's instrument table",
        expected=f"{theirs.lowestNote.nameWithOctave}, {semitones:+d}",
        found=f"MIDI {ours.low - ours.transposition.semitones}, {ours.transposition.semitones:+d}",
    )


@pytest.mark.parametrize(
    ("id_", "diatonic", "chromatic", "octaves"),
    [
        # MusicXML 4.0, element transpose: what is added to written to get sounding.
        ("clarinet-in-b-flat", -1, -2, 0),
        ("clarinet-in-a", -2, -3, 0),
        ("clarinet-in-e-flat", 2, 3, 0),
        ("bass-clarinet", -1, -2, -1),
        ("alto-flute", -3, -5, 0),
        ("english-horn", -4, -7, 0),
        ("horn-in-f", -4, -7, 0),
        ("alto-saxophone", -5, -9, 0),
        ("double-basses", 0, 0, -1),
        ("piccolo", 0, 0, 1),
        ("contrabassoon", 0, 0, -1),
    ],
)
def test_a_transposition_is_stated_in_steps_semitones_and_octaves(
    id_: str, diatonic: int, chromatic: int, octaves: int
) -> None:
    found = by_id(id_).transposition
    assert (found.diatonic, found.chromatic, found.octaves) == (diatonic, chromatic, octaves)


def test_horn_transposes_as_music21_has_it_and_reaches_the_pedal_of_its_f_side() -> None:
    # music21 puts the horn's lowest written note at C2, in old bass-clef notation; ours is the
    # F sharp 2 as players' handbooks have it (from memory), which sounds B1.
    horn = by_id("horn-in-f")
    assert horn.transposition.semitones == m21.Horn().transposition.semitones == -7
    assert horn.low == 35
