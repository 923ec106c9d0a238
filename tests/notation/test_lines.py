from collections import Counter
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.settings import Settings
from retro.notation.lines import write_parts
from retro.notation.score import WrittenPart
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import chords_of, midi, names, played_by

IDS = (
    "horn-in-f", "flute", "violins", "solo-cello", "harp", "piano", "timpani", "choir",
    "double-basses", "clarinet-in-b-flat",
)  # fmt: skip

RAW_NOTE = st.tuples(
    st.integers(0, 127), st.integers(1, 64), st.integers(36, 84), st.integers(1, 127)
)
RAW_PARTS = st.lists(
    st.tuples(st.sampled_from(IDS), st.lists(RAW_NOTE, max_size=12)), min_size=1, max_size=3
)


@given(RAW_PARTS)
def test_every_note_stands_in_exactly_one_stroke_as_the_performance_says(
    raw: list[tuple[str, list[tuple[int, int, int, int]]]],
) -> None:
    parts = [
        make_part(
            *(
                make_note(Fraction(on, 16), min(Fraction(on + length, 16), Fraction(8)), *rest)
                for on, length, *rest in notes
            )
        )
        for _, notes in raw
    ]
    performance = played_by(make_phrase(*parts), *(id_ for id_, _ in raw), settings=Settings())
    written = write_parts(performance)
    chords = [chord for part in written for chord in chords_of(part)]
    seen = Counter(i for chord in chords for i in chord.all_notes)
    seen.update(grace.note for chord in chords for grace in chord.graces)
    assert seen == Counter(range(len(performance.notes)))
    for part in written:
        for chord in chords_of(part):
            assert list(chord.pitches) == sorted(set(chord.pitches))
            for i, pitch, spelled in zip(chord.notes, chord.pitches, chord.spelled, strict=True):
                note = performance.notes[i]
                assert note.part == part.part
                assert pitch == note.target.pitch
                assert midi(spelled) + part.instrument.transposition.semitones == pitch
                assert note.written_on_beats == chord.on_beats
                # A head may stand for others too, and lasts as long as they all do.
                assert chord.more or note.written_off_beats == chord.off_beats
        assert_legible(part, performance.insert.length_beats)


def assert_legible(part: WrittenPart, length: Fraction) -> None:
    for stave in part.staves:
        assert stave.clefs[0][0] == 0
        for voice in stave.voices:
            assert all(a.off_beats <= b.on_beats for a, b in pairwise(voice.chords))
            begun = {chord.on_beats for chord in voice.chords}
            assert {mark.at_beats for mark in voice.marks} <= begun
            assert {at for ln in voice.lines for at in (ln.start_beats, ln.end_beats)} <= begun
    assert part.keys[0][0] == 0
    assert part.levels[0].at_beats == chords_of(part)[0].on_beats
    assert all(a.text != b.text for a, b in pairwise(part.levels))
    assert all(0 <= level.at_beats < length for level in part.levels)
    assert all(0 <= pin.start_beats < pin.end_beats <= length for pin in part.hairpins)
    assert all(a.end_beats <= b.start_beats for a, b in pairwise(part.hairpins))
    assert all(0 <= words.at_beats < length for words in part.directions)


def chorale(chords: list[tuple[int, ...]]) -> WrittenPart:
    return make_part(*(make_note(2 * i, 2 * i + 2, p) for i, c in enumerate(chords) for p in c))


def test_horns_are_interlocked_and_hold_their_lines() -> None:
    phrase = make_phrase(chorale([(53, 57, 60, 65), (52, 55, 60, 64), (50, 57, 62, 65)]))
    written = write_parts(played_by(phrase, "horn-in-f"))
    assert [part.name for part in written] == [f"Horn in F {n}" for n in (1, 2, 3, 4)]
    sounding = {part.name[-1]: [s.pitches[0] for s in chords_of(part)] for part in written}
    assert sounding == {
        "1": [65, 64, 65], "3": [62, 60, 60], "2": [57, 55, 57], "4": [50, 52, 53],
    }  # fmt: skip


@pytest.mark.parametrize("id_", ["flute", "trumpet-in-b-flat", "trombone"])
def test_other_winds_are_dealt_from_the_top_down(id_: str) -> None:
    written = write_parts(played_by(make_phrase(chorale([(60, 64, 67), (59, 62, 67)])), id_))
    assert [[s.pitches[0] for s in chords_of(part)] for part in written] == [
        [67, 67], [62, 64], [59, 60],
    ]  # fmt: skip


def test_a_player_goes_on_where_another_rests() -> None:
    # Target: the upper voice rests first; mirrored, the lower one goes on alone at the end.
    upper = [make_note(2, 4, 72), make_note(4, 6, 74)]
    lower = [make_note(0, 2, 64), make_note(2, 4, 65), make_note(4, 6, 64)]
    phrase = make_phrase(make_part(*upper, *lower))
    first, second = write_parts(played_by(phrase, "flute"))
    assert [s.pitches[0] for s in chords_of(first)] == [74, 72]
    assert [s.pitches[0] for s in chords_of(second)] == [64, 65, 64]


def test_numbered_players_keep_their_numbers() -> None:
    phrase = make_phrase(chorale([(53, 60)]))
    performance = played_by(phrase, "horn-in-f", name="Horn in F 3.4", numbers=(3, 4))
    assert [part.name for part in write_parts(performance)] == ["Horn in F 3", "Horn in F 4"]


def test_two_numbered_players_on_one_line_read_it_together() -> None:
    phrase = make_phrase(chorale([(60,)]))
    performance = played_by(phrase, "horn-in-f", name="Horn in F 1.2", numbers=(1, 2))
    (part,) = write_parts(performance)
    assert part.name == "Horn in F 1.2"
    assert "a 2" in [words.text for words in part.directions]


def test_strings_divide_and_meet_again() -> None:
    phrase = make_phrase(chorale([(67,), (67, 71), (69,), (69, 72)]))
    (part,) = write_parts(played_by(phrase, "violins"))
    words = [(w.at_beats, w.text) for w in part.directions if w.text in ("div.", "unis.")]
    assert words == [(0, "div."), (2, "unis."), (4, "div."), (6, "unis.")]
    assert [s.pitches for s in chords_of(part)] == [(69, 72), (69,), (67, 71), (67,)]


def test_a_soloist_plays_double_stops_without_words() -> None:
    (part,) = write_parts(played_by(make_phrase(chorale([(67, 71)])), "solo-violin"))
    assert not [w for w in part.directions if w.text.startswith(("div", "unis"))]


def test_lines_that_move_apart_get_a_voice_each() -> None:
    part = make_part(make_note(0, 8, 55), *(make_note(i, i + 1, 67 + i) for i in range(8)))
    (written,) = write_parts(played_by(make_phrase(part), "violins"))
    upper, lower = written.staves[0].voices
    assert [s.pitches[0] for s in upper.chords] == list(range(74, 66, -1))
    assert [s.pitches[0] for s in lower.chords] == [55]


def test_a_unison_of_two_players_is_two_strokes() -> None:
    part = make_part(make_note(0, 2, 60), make_note(0, 2, 60))
    written = write_parts(played_by(make_phrase(part), "flute"))
    assert [names(p) for p in written] == [["C4"], ["C4"]]


def test_a_piano_phrase_is_split_by_hands() -> None:
    left = [make_note(2 * i, 2 * i + 2, p) for i in range(4) for p in (48, 55)]
    right = [make_note(i, i + 1, 64 + i) for i in range(8)]
    (part,) = write_parts(played_by(make_phrase(make_part(*left, *right)), "piano"))
    upper, lower = part.staves
    assert [s.pitches for v in upper.voices for s in v.chords] == [(71 - i,) for i in range(8)]
    assert [s.pitches for v in lower.voices for s in v.chords] == [(48, 55)] * 4


def test_a_hand_crosses_middle_c_with_its_line() -> None:
    run = [make_note(Fraction(i, 2), Fraction(i + 1, 2), 52 + i) for i in range(16)]
    low = [make_note(0, 8, 36)]
    (part,) = write_parts(played_by(make_phrase(make_part(*low, *run)), "piano"))
    upper = [p for v in part.staves[0].voices for s in v.chords for p in s.pitches]
    assert set(range(60, 68)) <= set(upper)
    for stave in part.staves:
        for voice in stave.voices:
            assert all(s.pitches[-1] - s.pitches[0] <= 16 for s in voice.chords)


def test_parts_come_in_score_order_and_silent_players_stay_away() -> None:
    parts = [make_part(make_note(0, 4)), make_part(), make_part(make_note(0, 4))]
    written = write_parts(played_by(make_phrase(*parts), "violins", "oboe", "flute"))
    assert [part.name for part in written] == ["Flute", "Violin"]


def test_the_same_performance_gives_the_same_parts() -> None:
    phrase = make_phrase(chorale([(53, 57, 60, 65), (52, 55, 60, 64)]))
    assert write_parts(played_by(phrase, "horn-in-f")) == write_parts(
        played_by(phrase, "horn-in-f")
    )


@pytest.mark.parametrize(
    ("id_", "pitches", "staves"),
    [("choir", (64, 67, 72), 1), ("strings", (64, 67, 72), 1), ("choir", (48, 67, 72), 2),
     ("piano", (64, 67, 72), 2)],
)  # fmt: skip
def test_a_choir_that_sings_high_has_no_empty_stave_below(id_: str, pitches, staves: int) -> None:
    # Common practice: one line of singers has one stave; who plays with two hands keeps both.
    part = make_part(*(make_note(2 * k, 2 * k + 2, pitch) for k, pitch in enumerate(pitches)))
    (stand,) = write_parts(played_by(make_phrase(part), id_))
    assert len(stand.staves) == staves
