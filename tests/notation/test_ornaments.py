"""Tremolo and trills: seen where sure, else every note is written out."""

import random
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from retro.model.performance import Performance
from retro.model.phrase import Key, Note
from retro.model.settings import Settings
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.musicxml.document import insert_musicxml
from retro.notation.lines import write_parts
from retro.notation.score import Articulation, Mark, Spelled, WrittenPart
from retro.notation.shared import shared_staves
from retro.notation.spelling import step_above
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import PLAIN, chords_of, midi, played_by
from tests.notation.written import HEADING

F = Fraction

BOTH = (PLAIN, Settings())
SIGNS = (Articulation.TREMOLO, Articulation.TRILL)


def again(
    step: object, count: int, *pitches: int, at: object = 0, velocity: int = 80
) -> list[Note]:
    """Return notes of one length that go through some pitches again and again."""
    pitches = pitches or (67,)
    step, at = F(step), F(at)
    return [
        make_note(at + k * step, at + (k + 1) * step, pitches[k % len(pitches)], velocity)
        for k in range(count)
    ]


def performance_of(
    *lines: list[Note], id_: str = "violins", bpm: int = 120, settings: Settings = PLAIN, **more
) -> Performance:
    parts = [make_part(*line) for line in lines]
    phrase = make_phrase(*parts, us_per_quarter=60_000_000 // bpm, **more)
    return played_by(phrase, *[id_] * len(lines), settings=settings)


def stand(notes: list[Note], **more) -> WrittenPart:
    (part,) = write_parts(performance_of(notes, **more))
    return part


def signs(part: WrittenPart) -> list[Mark]:
    marks = [mark for stave in part.staves for voice in stave.voices for mark in voice.marks]
    return [mark for mark in marks if mark.kind in SIGNS]


def spans(part: WrittenPart) -> list[tuple[F, F]]:
    return [(chord.on_beats, chord.off_beats) for chord in chords_of(part)]


def document(performance: Performance) -> etree._Element:
    insert = insert_musicxml(
        write_parts(performance),
        heading=HEADING,
        insert=performance.insert,
        settings=performance.settings,
    )
    return etree.fromstring(insert.parts[0])


@pytest.mark.parametrize(
    ("step", "bpm", "strokes", "text"),
    [
        ("1/4", 96, 2, ""),
        ("1/8", 120, 3, ""),
        ("1/8", 60, 3, "measured"),
    ],
)
@pytest.mark.parametrize("id_", ["violins", "timpani", "cellos"])
def test_even_strokes_in_whole_beats_are_a_measured_tremolo(
    step: str, bpm: int, strokes: int, text: str, id_: str
) -> None:
    notes = again(step, int(4 / F(step)), 48, at=2)
    part = stand(notes, bpm=bpm, id_=id_)
    assert spans(part) == [(2, 6)]
    (sign,) = signs(part)
    assert (sign.kind, sign.strokes, sign.text) == (Articulation.TREMOLO, strokes, text)


def test_one_stroke_holds_every_note_and_the_first_of_them_names_the_head() -> None:
    performance = performance_of(again("1/4", 16, 62, 62))
    (chord,) = chords_of(write_parts(performance)[0])
    assert sorted(chord.all_notes) == list(range(16))
    first = performance.notes[chord.notes[0]]
    assert first.written_on_beats == min(note.written_on_beats for note in performance.notes)


def test_every_tied_head_has_the_strokes_that_its_flags_leave() -> None:
    root = document(performance_of(again("1/4", 18, at=1)))
    tied = root.xpath("//note[tie]")
    assert [(head.get("id"), head.getparent().get("number")) for head in tied] == [
        ("n15", "A1"),
        ("n15-2", "A2"),
    ]
    assert [head.findtext("notations/ornaments/tremolo") for head in tied] == ["2", "2"]


def test_a_head_with_a_flag_has_a_stroke_less() -> None:
    root = document(performance_of(again("1/7", 42, 55, at="1/2"), id_="timpani"))
    strokes = {
        head.findtext("type"): head.findtext("notations/ornaments/tremolo")
        for head in root.xpath("//note[pitch]")
    }
    assert strokes == {"eighth": "2", "half": "3", "quarter": "3"}


def test_in_six_eight_a_dotted_quarter_is_a_beat() -> None:
    part = stand(again("1/4", 12), bpm=96, meter=Meter.plain(6, 8), bars=1)
    assert spans(part) == [(0, 3)]
    (sign,) = signs(part)
    assert sign.strokes == 2


def test_beats_are_filled_and_what_is_left_is_written_out() -> None:
    part = stand(again("1/4", 14, at="1/2"))
    assert spans(part) == [(4, 7), (7, F(29, 4)), (F(29, 4), F(15, 2))]


def test_a_chord_trembles_as_a_note_does_but_not_on_keys() -> None:
    chords = again("1/4", 8, 60) + again("1/4", 8, 67)
    (chord,) = chords_of(stand(chords))
    assert (chord.pitches, len(chord.all_notes)) == ((60, 67), 16)
    assert signs(stand(chords, id_="piano")) == []
    assert len(signs(stand(again("1/4", 8, 72), id_="piano"))) == 1


@pytest.mark.parametrize(("id_", "word"), [("timpani", "roll"), ("violins", "trem.")])
def test_strokes_too_fast_to_count_are_unmeasured(id_: str, word: str) -> None:
    part = stand(again("1/7", 42, 55, at=1), id_=id_)
    assert spans(part) == [(1, 7)]
    (sign,) = signs(part)
    assert (sign.strokes, sign.text) == (3, word)


def test_a_word_is_said_once() -> None:
    rolls = again("1/7", 14, 55) + again("1/7", 14, 57, at=2) + again("1/7", 14, 55, at=4)
    assert [mark.text for mark in signs(stand(rolls, id_="timpani"))] == ["roll", "", ""]


@pytest.mark.parametrize("id_", ["flute", "trumpet-in-c", "piano", "harp", "choir"])
def test_three_strokes_are_for_bows_and_sticks_only(id_: str) -> None:
    assert signs(stand(again("1/7", 28, 72), id_=id_)) == []
    assert signs(stand(again("1/8", 32, 72), id_=id_)) == []


@pytest.mark.parametrize(
    ("id_", "count"), [("flute", 1), ("horn-in-f", 1), ("harp", 0), ("choir", 0)]
)
def test_repeated_16ths_are_abbreviated_for_who_reads_that(id_: str, count: int) -> None:
    assert len(signs(stand(again("1/4", 16, 65), id_=id_))) == count


def uneven(step: F, count: int, stray: float, *pitches: int) -> list[Note]:
    chance = random.Random(5)
    notes = []
    for note in again(step, count, *pitches, at=2):
        moved = step * F(chance.uniform(-stray, stray)).limit_denominator(480)
        notes.append(
            replace(note, on_beats=note.on_beats + moved, off_beats=note.off_beats + moved)
        )
    return notes


NOT_SURE = {
    "three notes": again("1/4", 3),
    "eighths at a moderate tempo": again("1/2", 8),
    "less than a beat": again("1/8", 7),
    "played unevenly": uneven(F(1, 4), 16, 0.3),
    "accents": [
        replace(n, velocity=110 if k % 4 == 0 else 70) for k, n in enumerate(again("1/4", 16))
    ],
    "loud and soft in turn": [
        replace(n, velocity=70 + 30 * (k % 2)) for k, n in enumerate(again("1/4", 16))
    ],
    "detached": [replace(n, off_beats=n.on_beats + F(1, 10)) for n in again("1/4", 16)],
    "fast off the grid, but to be counted": again("1/5", 20),
    "thirds to and fro": again("1/4", 16, 64, 67),
    "fast thirds to and fro": again("1/8", 32, 64, 67),
    "a slow step to and fro": again("1/4", 16, 64, 65),
    "a step to and fro, unevenly": uneven(F(1, 8), 33, 0.4, 64, 65),
    "too few notes to and fro": again("1/8", 4, 64, 65),
    "a scale": again("1/8", 8, 60, 62, 64, 65, 67, 69, 71, 72),
    "three notes in turn": again("1/8", 24, 64, 65, 67),
    "a trill that ends on its upper note": again("1/8", 32, 65, 64),
}


@pytest.mark.parametrize("what", NOT_SURE)
def test_what_is_not_sure_is_written_out(what: str) -> None:
    part = stand(NOT_SURE[what])
    assert signs(part) == []
    assert not any(chord.more for chord in chords_of(part))


def test_an_accent_ends_a_tremolo_and_stands_on_its_note() -> None:
    notes = again("1/4", 16)
    notes[8] = replace(notes[8], velocity=115)
    part = stand(notes)
    marks = [(m.at_beats, m.kind) for m in part.staves[0].voices[0].marks]
    assert (F(23, 4), Articulation.ACCENT) in marks
    assert [span for span in spans(part) if span[1] - span[0] >= 1] == [(4, 5), (6, 8)]


def test_a_crescendo_is_one_tremolo_over_a_hairpin() -> None:
    notes = [replace(n, velocity=110 - 4 * k) for k, n in enumerate(again("1/4", 16))]
    part = stand(notes)
    assert spans(part) == [(4, 8)]
    (pin,) = part.hairpins
    assert pin.crescendo
    assert (pin.start_beats, pin.end_beats) == (4, F(31, 4))


def test_a_step_of_the_dynamics_cuts_a_tremolo() -> None:
    notes = [replace(n, velocity=50 if k < 8 else 100) for k, n in enumerate(again("1/4", 16))]
    part = stand(notes)
    assert spans(part) == [(4, 6), (6, 8)]
    assert [(level.at_beats, level.text) for level in part.levels] == [(4, "f"), (6, "p")]


@pytest.mark.parametrize(("step", "bpm"), [("1/8", 120), ("1/7", 100), ("1/9", 80), ("1/13", 60)])
@pytest.mark.parametrize(
    ("lower", "upper", "name"),
    [(64, 65, Spelled("F", 0, 4)), (67, 69, Spelled("A", 0, 4)), (67, 68, Spelled("A", -1, 4))],
)
def test_a_fast_step_to_and_fro_is_a_trill_on_the_lower_note(
    step: str, bpm: int, lower: int, upper: int, name: Spelled
) -> None:
    count = int(4 / F(step))
    part = stand(again(step, count, lower, upper, at=2), id_="flute", bpm=bpm)
    (chord,) = chords_of(part)
    (sign,) = signs(part)
    assert ((chord.on_beats, chord.off_beats), chord.pitches) == ((2, 6), (lower,))
    assert len(chord.all_notes) == count
    assert (sign.kind, sign.upper) == (Articulation.TRILL, name)
    # The insert begins with the target's last note.
    assert sign.text == ("" if count % 2 else "from above")


@pytest.mark.parametrize(("bpm", "is_trill"), [(66, True), (64, False)])
def test_a_trill_of_8_8_notes_a_second_is_judged_as_one_of_9(bpm: int, is_trill: bool) -> None:
    part = stand(again("1/8", 16, 64, 65, at=2), id_="flute", bpm=bpm)
    assert bool(signs(part)) is is_trill


def test_of_two_like_figures_one_is_not_written_out_for_being_a_little_slower() -> None:
    fast, slow = again("1/8", 16, 64, 65, at=4), again("1/7", 14, 67, 69, at=1)
    assert not signs(stand(slow, id_="flute", bpm=70))  # 8.2 a second alone
    assert len(signs(stand([*slow, *fast], id_="flute", bpm=70))) == 2  # beside 9.3


def trill_signs(key: Key, trill: list[Note], *others: Note) -> list[str | None]:
    """Return the accidental over each trill of a flute in a key."""
    performance = performance_of([*trill, *others], id_="flute")
    length = performance.insert.length_beats
    keys = Steps(length, (F(0),), (key,))
    phrase = replace(performance.target, keys=keys)
    root = document(played_by(phrase, "flute"))
    return [mark.findtext("../accidental-mark") for mark in root.iter("trill-mark")]


@pytest.mark.parametrize(
    ("key", "lower", "upper", "sign"),
    [
        (0, 64, 65, None),
        (0, 67, 68, "flat"),
        (-3, 67, 68, None),
        (-3, 67, 69, "natural"),
        (0, 64, 66, "sharp"),
    ],
)
def test_the_upper_note_has_an_accidental_where_the_key_has_it_otherwise(
    key: int, lower: int, upper: int, sign: str | None
) -> None:
    assert trill_signs(Key(key), again("1/8", 24, lower, upper, at=1)) == [sign]


def test_the_upper_note_has_an_accidental_where_the_bar_had_it_otherwise() -> None:
    trill = again("1/8", 16, 64, 65, at=1)  # in the insert from beat 2 of the second bar
    assert trill_signs(Key(0), trill, make_note(3, "7/2", 66)) == ["natural"]
    assert trill_signs(Key(0), trill, make_note(4, 5, 66)) == [None]


def test_a_trill_over_a_bar_line_is_tied_under_a_wavy_line() -> None:
    root = document(performance_of(again("1/8", 32, 72, 74, at=2), id_="flute"))
    heads = root.xpath("//note[pitch]")
    assert [head.getparent().get("number") for head in heads] == ["A1", "A2"]
    found = [head.xpath(".//ornaments/*") for head in heads]
    shown = [[(sign.tag, sign.get("type")) for sign in each] for each in found]
    assert shown == [
        [("trill-mark", None), ("wavy-line", "start")],
        [("wavy-line", "stop")],
    ]


def test_a_turn_after_a_trill_is_written_out_beside_it() -> None:
    trill = [*again("1/8", 16, 72, 74), *again("1/8", 2, 71, 72, at=2), make_note("9/4", 4, 74)]
    part = stand(trill, id_="flute")
    assert spans(part) == [
        (4, F(23, 4)), (F(23, 4), F(47, 8)), (F(47, 8), 6), (6, 8),
    ]  # fmt: skip
    assert [sign.at_beats for sign in signs(part)] == [6]


def test_a_tremolo_is_released_like_a_long_note_and_not_slurred_or_dotted() -> None:
    notes = [*again("1/4", 8, at=2), make_note(4, 6, 69)]
    part = stand(notes)
    voice = part.staves[0].voices[0]
    assert voice.lines == ()
    assert [mark.kind for mark in voice.marks] == [Articulation.TREMOLO]
    assert "off 3" in [words.text for words in part.directions]


def test_two_players_who_tremble_alike_share_a_stem_and_who_trill_do_not_share_a_stave() -> None:
    def two(upper: list[Note], lower: list[Note]) -> tuple[WrittenPart, ...]:
        performance = performance_of(upper, lower, id_="flute")
        players = tuple(
            replace(player, name=f"Flute {k}") for k, player in enumerate(performance.players, 1)
        )
        performance = replace(performance, players=players)
        return shared_staves(write_parts(performance), performance.insert.bars)

    (shared,) = two(again("1/4", 16, 76), again("1/4", 16, 72))
    (chord,) = chords_of(shared)
    assert (chord.pitches, len(chord.all_notes)) == ((72, 76), 32)
    held = [make_note(0, 2, 72), make_note(2, 4, 72)]
    (shared,) = two([*again("1/4", 8, 76), make_note(2, 4, 76)], held)
    assert len(shared.staves[0].voices) == 2
    assert len(two(again("1/8", 32, 76, 77), again("1/8", 32, 72, 74))) == 2


def test_the_note_above_has_the_next_letter() -> None:
    for letter in "CDEFGAB":
        for alter in (-1, 0, 1):
            lower = Spelled(letter, alter, 4)
            for semitones in (1, 2):
                upper = step_above(lower, semitones)
                if upper is not None:
                    assert midi(upper) - midi(lower) == semitones
                    assert "CDEFGABC"["CDEFGAB".index(letter) + 1] == upper.step
    assert step_above(Spelled("B", 1, 4), 2) is None


def test_what_two_signs_could_stand_for_is_under_the_first() -> None:
    # A trill so fast, by an uneven hand, that each of its notes alone would be a tremolo.
    hand = (0, 2, 0, -1, 0, 1, -1, 1, -2, -2, 2)
    notes = []
    for k, stray in enumerate(hand):
        on = F(k, 12) + F(stray, 240)
        notes.append(make_note(on, on + F(17, 192), 60 + 2 * (k % 2)))
    (chord,) = chords_of(stand(notes, bpm=150, bars=4))
    assert len(chord.all_notes) == len(hand)


RINGING_ON = {
    "timpani": [
        ("9957/1232", "160621/19712", 63), ("5017/616", "10111/1232", 63),
        ("10111/1232", "2547/308", 63), ("2547/308", "10265/1232", 63),
        ("10265/1232", "165549/19712", 63), ("5171/616", "10419/1232", 63),
        ("769/100", "6677/800", 68),
    ],
    "piano": [
        ("99/26", "1511/390", 60), ("1511/390", "1537/390", 62), ("1537/390", "12517/3120", 60),
        ("521/130", "4233/1040", 62), ("1589/390", "4311/1040", 60), ("323/78", "547/130", 62),
        ("1667/390", "13531/3120", 62), ("212/63", "2155/504", 58),
    ],
}  # fmt: skip
"""A roll at 100 and a trill at 75, a stroke of which is written to ring on with another tone
(found by a random search, and made smaller)."""


def test_a_stroke_that_rings_on_is_under_no_sign() -> None:
    notes = [make_note(*note) for note in RINGING_ON["piano"]]
    performance = performance_of(notes, id_="piano", bpm=75, bars=4, settings=Settings())
    chords = [s for part in write_parts(performance) for s in chords_of(part)]
    assert not any(chord.more for chord in chords)
    assert sum(len(chord.notes) for chord in chords) == len(notes)


def test_strokes_on_one_drum_ring_to_the_next_at_most_and_roll_beside_another_drum() -> None:
    notes = [make_note(*note) for note in RINGING_ON["timpani"]]
    performance = performance_of(notes, id_="timpani", bpm=100, bars=4, settings=PLAIN)
    chords = [s for part in write_parts(performance) for s in chords_of(part)]
    rolled, alone = sorted(chords, key=lambda chord: -len(chord.all_notes))
    assert (rolled.pitches, len(rolled.all_notes)) == ((63,), len(notes) - 1)
    assert (alone.pitches, len(alone.all_notes)) == ((68,), 1)


@pytest.mark.parametrize("count", [2, 4, 16])
def test_fast_eighths_are_written_out(count: int) -> None:
    assert signs(stand(again("1/2", count), bpm=170)) == []


def test_the_trill_of_a_lower_voice_stands_below() -> None:
    lines = again("1/8", 32, 76, 77) + again("1/8", 24, 64, 65, at=1)
    root = document(performance_of(lines))
    sides = {
        head.getparent().getparent().getparent().findtext("voice"): head.get("placement")
        for head in root.iter("trill-mark")
    }
    assert sides == {"1": "above", "2": "below"}


def test_a_short_first_bar_has_its_own_meter_and_one_tremolo_fills_it() -> None:
    notes = again("1/4", 6, at=4)
    phrase = make_phrase(make_part(*notes), bars=1)
    four = Meter.plain(4, 4)
    length = F(11, 2)
    phrase = replace(
        phrase,
        tempo=TempoMap(Steps(length, (F(0),), (500_000,))),
        keys=Steps(length, (F(0),), (Key(0),)),
        bars=(*phrase.bars, Bar(F(4), F(3, 2), four)),
    )
    (part,) = write_parts(played_by(phrase, "violins"))
    assert spans(part) == [(0, F(3, 2))]


@st.composite
def restless(draw) -> Performance:
    """Draw lines that repeat notes or go to and fro, more or less evenly."""
    notes: list[Note] = []
    steps = st.sampled_from([F(1, 4), F(1, 7), F(1, 8), F(1, 10), F(1, 13), F(1, 16)])
    for _ in range(draw(st.integers(1, 2))):
        at = F(draw(st.integers(0, 4)), 4)
        for _ in range(draw(st.integers(1, 5))):
            step, pitch = draw(steps), draw(st.integers(58, 64))
            stray = draw(st.sampled_from([0, 0, 1, 2]))
            chance = random.Random(draw(st.integers(0, 99)))
            for note in again(
                step, draw(st.integers(1, 24)), pitch, pitch + draw(st.integers(0, 2))
            ):
                on = max(at + note.on_beats + step * F(chance.randint(-stray, stray), 20), F(0))
                off = min(on + step * F(chance.randint(15, 17), 16), F(16))
                if on < off:
                    notes.append(replace(note, on_beats=on, off_beats=off))
            at = max(note.off_beats for note in notes) + F(draw(st.integers(0, 2)), 2)
    id_ = draw(st.sampled_from(["violins", "flute", "timpani", "piano"]))
    bpm = draw(st.sampled_from([60, 80, 100, 150]))
    return performance_of(notes, id_=id_, bars=4, bpm=bpm, settings=draw(st.sampled_from(BOTH)))


@given(performance=restless())
def test_every_note_stands_in_one_stroke_that_lies_where_its_notes_lie(
    performance: Performance,
) -> None:
    chords = [chord for part in write_parts(performance) for chord in chords_of(part)]
    everything = list(range(len(performance.notes)))
    small = [grace.note for chord in chords for grace in chord.graces]
    assert sorted([*(i for s in chords for i in s.all_notes), *small]) == everything
    for chord in chords:
        inside = [performance.notes[i] for i in chord.all_notes]
        assert chord.on_beats == min(note.written_on_beats for note in inside)
        assert chord.off_beats == max(note.written_off_beats for note in inside)
        heads = [performance.notes[i].target.pitch for i in chord.notes]
        assert heads == list(chord.pitches)
