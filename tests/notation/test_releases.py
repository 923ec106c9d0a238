from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.phrase import Note
from retro.model.settings import Compensate, Settings
from retro.model.time import Bar, Meter, Place, locate
from retro.notation.lines import write_parts
from retro.notation.score import Articulation, WrittenPart
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import played_by

KEEPING = Settings(compensate=Compensate.NONE, keep_gaps=True)


def insert_note(on: object, off: object, pitch: int = 60, *, length: int = 8) -> Note:
    """Return the target note whose mirror is ``[on, off)``."""
    return make_note(length - Fraction(off), length - Fraction(on), pitch)


def written(*notes: Note, id_: str = "flute", meter: Meter | None = None) -> WrittenPart:
    phrase = make_phrase(make_part(*notes), meter=meter and meter.mirrored())
    (stand,) = write_parts(played_by(phrase, id_))
    return stand


def releases(stand: WrittenPart) -> list[tuple[Fraction, str]]:
    return [
        (words.at_beats, words.text)
        for words in stand.directions
        if words.text.startswith(("off", "damp"))
    ]


@pytest.mark.parametrize(
    ("off", "text"),
    [
        ("2", "off 3"),
        ("3.5", "off 4&"),
        ("2.25", "off after 3"),
        ("2.75", "off before 4"),
        ("3.75", "off before 1"),
        ("4", "off 1"),
        ("13/3", "off after 1"),
    ],
)
def test_a_long_note_before_a_rest_says_on_which_count_to_let_go(off: str, text: str) -> None:
    assert releases(written(insert_note(0, off))) == [(Fraction(off), text)]


def test_counts_are_units_of_the_meter() -> None:
    meter = Meter(7, 8, (3, 2, 2))
    note = insert_note(0, "2.5", length=7)
    assert releases(written(note, meter=meter)) == [(Fraction(5, 2), "off 6")]


def test_counts_of_a_short_first_bar_end_with_its_bar_line() -> None:
    # A pick-up of one quarter is the fourth count of its bar.
    four = Meter.plain(4, 4)
    phrase = make_phrase(make_part(make_note("5.5", 8)))
    bars = (Bar(Fraction(0), Fraction(4), four), Bar(Fraction(4), Fraction(3), four),
            Bar(Fraction(7), Fraction(1), four))  # fmt: skip
    (stand,) = write_parts(played_by(replace(phrase, bars=bars), "flute"))
    assert releases(stand) == [(Fraction(5, 2), "off 2&")]


def test_page_and_findings_count_a_short_first_bar_alike() -> None:
    """The window ends after two beats of 4/4: its mirror begins with a bar of 2/4."""
    phrase = make_phrase(make_part(make_note(4, 5))).cut(Fraction(0), Fraction(6))
    performance = played_by(phrase, "flute")
    (stand,) = write_parts(performance)
    ((at, text),) = releases(stand)
    assert (at, text) == (2, "off 1")
    (note,) = performance.notes
    assert locate(performance.insert.bars, note.written_on_beats) == Place(1, Fraction(2))


def test_joined_and_short_notes_have_no_release_mark_but_the_last() -> None:
    joined = [insert_note(i, i + 1, 60 + i) for i in range(7)]
    assert [at for at, _ in releases(written(*joined))] == [7]
    short = [insert_note(i, i + Fraction(1, 2), 60 + i) for i in range(7)]
    assert releases(written(*short)) == [(Fraction(13, 2), "off 3&")]


def test_the_last_note_lets_go_at_the_end() -> None:
    ((at, text),) = releases(written(insert_note(4, 8)))
    assert text == "off at the end"
    assert 4 <= at < 8


def test_a_chord_lets_go_once_and_only_when_nothing_goes_on() -> None:
    chord = [insert_note(0, 2, pitch) for pitch in (60, 64, 67)]
    assert releases(written(*chord, id_="violins")) == [(2, "off 3")]
    over = [*chord, insert_note(0, 4, 48)]
    assert releases(written(*over, id_="organ")) == [(4, "off 1")]


def test_struck_tones_are_damped_or_ring() -> None:
    assert releases(written(insert_note(0, 2), id_="harp")) == [(2, "damp 3")]
    ringing = written(insert_note(0, 2), id_="glockenspiel")
    assert releases(ringing) == []
    marks = [mark for voice in ringing.staves[0].voices for mark in voice.marks]
    assert [(mark.at_beats, mark.kind) for mark in marks] == [(0, Articulation.LET_RING)]


def test_every_part_opens_with_playing_advice() -> None:
    stand = written(insert_note(0, 2))
    assert stand.directions[0].at_beats == 0
    assert "hold full value" in stand.directions[0].text


def test_singers_read_what_to_sing_and_players_do_not() -> None:
    def words(id_: str) -> list[str]:
        return [said.text for said in written(insert_note(0, 2), id_=id_).directions]

    assert 'sing on "ah", no consonants' in words("alto")
    assert 'sing on "ah", no consonants' in words("choir")
    assert not any("sing" in text for text in words("flute"))


def test_a_note_in_a_triplet_is_let_go_on_a_third_of_its_beat() -> None:
    third = Fraction(1, 3)
    phrase = make_phrase(make_part(*(make_note(k * third, (k + 1) * third) for k in range(3))))
    performance = played_by(phrase, "flute", settings=Settings())
    assert min(note.target_on_s for note in performance.notes) == 0.0
    for note in performance.notes:
        assert (note.written_off_beats * 3).denominator == 1


@pytest.mark.parametrize(
    ("id_", "on", "off", "says"),
    [
        ("flute", 0, 2, "release together on the click"),
        ("flute", 0, Fraction(7, 4), "cut exactly where written"),
        ("piano", 0, 2, "strike together on the click"),
        ("piano", Fraction(1, 4), 2, "strike exactly where written"),
    ],
)
def test_the_advice_says_what_the_part_does(id_: str, on: object, off: object, says: str) -> None:
    # The part's own marks are the other side: "off before 3" is not "on the click".
    assert says in written(insert_note(on, off), id_=id_).directions[0].text


@pytest.mark.parametrize(
    ("offs", "said"),
    [
        (("3.75", "7.75", "11.75", "15.75"), [("3.75", "always off a 16th before the bar line")]),
        ((4, 8, 12, 16), [("4", "always off on the bar line")]),
        (("2", "6", "10", "14"), [("2", "always off 3")]),
        (("2", "6"), [("2", "off 3"), ("6", "off 3")]),
        (("2", "6", "11"), [("2", "off 3"), ("6", "off 3"), ("11", "off 4")]),
    ],
)
def test_what_all_releases_of_a_part_say_is_said_once(offs, said) -> None:
    notes = [insert_note(4 * k + (k > 0), off, 60 + k, length=16) for k, off in enumerate(offs)]
    (stand,) = write_parts(
        played_by(make_phrase(make_part(*notes), bars=4), "flute", settings=KEEPING)
    )
    assert releases_of(stand) == [(Fraction(at), text) for at, text in said]


def releases_of(stand: WrittenPart) -> list[tuple[Fraction, str]]:
    return [(words.at_beats, words.text) for words in stand.directions if words.is_release]
