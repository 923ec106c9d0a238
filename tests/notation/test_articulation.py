from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.phrase import Note, Part
from retro.model.settings import Settings
from retro.model.time import Steps
from retro.notation.lines import write_parts
from retro.notation.score import Articulation, Line, Mark, WrittenPart
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import PLAIN, chords_of, played_by


def written(*notes: Note, id_: str = "violins", settings: Settings = PLAIN) -> WrittenPart:
    (stand,) = write_parts(played_by(make_phrase(make_part(*notes)), id_, settings=settings))
    return stand


def lines(stand: WrittenPart) -> list[Line]:
    return [ln for stave in stand.staves for voice in stave.voices for ln in voice.lines]


def marks(stand: WrittenPart) -> list[Mark]:
    return [mark for stave in stand.staves for voice in stave.voices for mark in voice.marks]


def detached(length: Fraction) -> list[Note]:
    return [make_note(i, i + length, 60 + i) for i in range(8)]


def test_joined_notes_are_slurred_and_a_slur_is_no_longer_than_a_bow() -> None:
    stand = written(*detached(Fraction(1)))
    assert [(ln.start_beats, ln.end_beats) for ln in lines(stand)] == [(0, 7)]
    slow = make_phrase(make_part(*detached(Fraction(1))), us_per_quarter=1_000_000)
    (stand,) = write_parts(played_by(slow, "violins"))
    assert [(ln.start_beats, ln.end_beats) for ln in lines(stand)] == [(0, 3), (4, 7)]


def test_detached_notes_and_repeated_notes_are_not_slurred() -> None:
    assert lines(written(*detached(Fraction(3, 4)))) == []
    assert lines(written(*(make_note(i, i + 1, 60) for i in range(8)))) == []


def test_a_chance_joint_in_a_detached_line_is_no_slur() -> None:
    notes = [make_note(i, i + (1 if i == 3 else Fraction(17, 18)), 60 + i) for i in range(8)]
    assert lines(written(*notes)) == []


def test_pairs_of_joined_notes_are_slurred_two_by_two() -> None:
    notes = [make_note(i, i + (Fraction(17, 18) if i % 2 else 1), 60 + i) for i in range(8)]
    found = [(ln.start_beats, ln.end_beats) for ln in lines(written(*notes))]
    assert found == [(0, 1), (2, 3), (4, 5), (6, 7)]


@pytest.mark.parametrize("id_", ["piano", "harp", "timpani", "violins-pizzicato"])
def test_struck_and_plucked_notes_are_not_slurred(id_: str) -> None:
    assert lines(written(*detached(Fraction(1)), id_=id_)) == []


def test_notes_played_short_but_written_long_are_dotted_and_others_not() -> None:
    short = [make_note(Fraction(i, 2), Fraction(i, 2) + Fraction(1, 9), 60 + i) for i in range(15)]
    dotted = [m.at_beats for m in marks(written(*short)) if m.kind is Articulation.STACCATO]
    assert len(dotted) >= 14
    assert marks(written(*detached(Fraction(1)))) == []


def test_a_loud_note_between_soft_ones_is_accented() -> None:
    notes = [make_note(i, i + 1, 60 + i, 110 if i == 3 else 70) for i in range(8)]
    accents = [m.at_beats for m in marks(written(*notes)) if m.kind is Articulation.ACCENT]
    assert accents == [4]


def test_a_crescendo_has_no_accents() -> None:
    notes = [make_note(i, i + 1, 60 + i, 20 + 14 * i) for i in range(8)]
    assert not [m for m in marks(written(*notes)) if m.kind is Articulation.ACCENT]


@pytest.mark.parametrize("slope", [1, -1])
def test_tones_that_stop_one_after_the_other_are_rolled_in_the_insert(slope: int) -> None:
    # Through both hands: the tone that stops last is the first to be struck.
    pitches = [48, 55, 60, 64, 67]
    notes = [make_note(0, 4 + slope * Fraction(i, 16), pitch) for i, pitch in enumerate(pitches)]
    stand = written(*notes, id_="harp", settings=Settings())
    kind = Articulation.ARPEGGIO_DOWN if slope > 0 else Articulation.ARPEGGIO_UP
    assert [mark.kind for mark in marks(stand)] == [kind, kind]


def test_a_roll_of_the_target_rolls_the_other_way_where_it_lands_on_its_start() -> None:
    notes = [make_note(1 + Fraction(i, 16), 4, pitch) for i, pitch in enumerate((60, 64, 67, 72))]
    phrase = make_phrase(make_part(*notes))
    performance = played_by(phrase, "harp", settings=Settings(), lands_at_start=True)
    kinds = [mark.kind for mark in marks(write_parts(performance)[0])]
    assert Articulation.ARPEGGIO_DOWN in kinds
    assert Articulation.ARPEGGIO_UP not in kinds


def test_a_roll_is_written_where_that_of_its_ends_is_that_is_nearer_to_a_beat() -> None:
    # The hand's rolls last a 32nd and more: their middles lie nearer to the next 16th.
    late = [make_note(0, 4 + Fraction(i, 16), 60 + 4 * i) for i in range(5)]
    early = [make_note(0, 4 - Fraction(i, 16), 60 + 4 * i) for i in range(5)]
    for notes, words in ((late, []), (early, ["roll from the click"])):
        stand = written(*notes, id_="harp", settings=Settings())
        on = {chord.on_beats for chord in chords_of(stand)}
        assert on == {Fraction(4)}
        said = [words.text for words in stand.directions]
        assert said[0].startswith("strike on the click, rolls with their last tone")
        assert [text for text in said if text.startswith("roll")] == words


def test_a_chord_struck_at_once_is_not_rolled() -> None:
    notes = [make_note(0, 4, pitch) for pitch in (60, 64, 67, 72)]
    kinds = {m.kind for m in marks(written(*notes, id_="harp"))}
    assert not kinds & {Articulation.ARPEGGIO_UP, Articulation.ARPEGGIO_DOWN}


def bent(part: Part, *changes: tuple[Fraction, int]) -> Part:
    return replace(part, bend=Steps.from_changes(changes, length=Fraction(8), before=0))


def slide(semitones: Fraction) -> Part:
    """Return two notes a tone apart; the first bends up to the second before it ends."""
    part = make_part(make_note(0, 4, 60), make_note(4, 8, 62))
    top = semitones * 8192 / part.bend_range_semitones
    ramp = [(3 + Fraction(i, 10), int(top * i / 10)) for i in range(1, 10)]
    return bent(part, *ramp, (Fraction(4), 0))


def test_a_slide_up_is_a_glissando_down_the_other_way_round() -> None:
    (stand,) = write_parts(played_by(make_phrase(slide(Fraction(2))), "violins"))
    glissandi = [ln for ln in lines(stand) if ln.kind == "glissando"]
    assert glissandi == [Line(kind="glissando", start_beats=Fraction(0), end_beats=Fraction(4))]


def test_a_little_bend_is_vibrato_and_no_glissando() -> None:
    (stand,) = write_parts(played_by(make_phrase(slide(Fraction(1, 2))), "violins"))
    assert not [ln for ln in lines(stand) if ln.kind == "glissando"]
