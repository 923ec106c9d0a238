from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.orchestra import INSTRUMENTS, by_id
from retro.model.phrase import Key, Phrase
from retro.model.time import Steps
from retro.notation.accidentals import key_alter, key_at
from retro.notation.lines import write_parts
from retro.notation.spelling import spell, written_key
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import midi, names, played_by


def in_key(phrase: Phrase, sharps: int, *, minor: bool = False) -> Phrase:
    return replace(phrase, keys=Steps(phrase.length_beats, (Fraction(0),), (Key(sharps, minor),)))


def line(*pitches: int) -> Phrase:
    """Return quarter notes in the target's order; the insert has them in reverse."""
    return make_phrase(make_part(*(make_note(i, i + 1, p) for i, p in enumerate(pitches))))


def spelled(phrase: Phrase, id_: str = "violins") -> list[str]:
    """Written names in the target's order."""
    (part,) = write_parts(played_by(phrase, id_))
    return names(part)[::-1]


@pytest.mark.parametrize(
    ("id_", "sharps", "written"),
    [
        ("clarinet-in-b-flat", 0, 2), ("clarinet-in-a", 0, -3), ("horn-in-f", 0, 1),
        ("english-horn", -1, 0), ("alto-saxophone", 0, 3), ("flute", 4, 4),
        # Eight sharps become four flats, seven become five flats.
        ("clarinet-in-b-flat", 6, -4), ("flute", 7, -5), ("clarinet-in-a", -6, 3),
        ("horn-in-f", 6, -5), ("violins", 6, 6), ("violins", -6, -6),
    ],
)  # fmt: skip
def test_keys_are_written_for_the_player(id_: str, sharps: int, written: int) -> None:
    # Common practice.
    assert written_key(Key(sharps), by_id(id_)) == Key(written)


@given(
    st.sampled_from([i for i in INSTRUMENTS if not i.is_unpitched]), st.integers(-7, 7),
    st.booleans(), st.integers(30, 90), st.integers(-8, 12),
)  # fmt: skip
def test_a_written_pitch_sounds_as_it_should(
    instrument: object, sharps: int, minor: bool, pitch: int, place: int
) -> None:
    sounding = Key(sharps, minor)
    written = written_key(sounding, instrument)
    assert abs(written.sharps) <= 6
    pitch += (7 * place - pitch) % 12
    name = spell(pitch, place, sounding=sounding, written=written, instrument=instrument)
    assert midi(name) + instrument.transposition.semitones == pitch


def test_scales_are_spelled_in_their_keys() -> None:
    scale = (62, 64, 66, 67, 69, 71, 73, 74)
    assert spelled(in_key(line(*scale), 2)) == ["D4", "E4", "F#4", "G4", "A4", "B4", "C#5", "D5"]
    flat = tuple(pitch - 1 for pitch in scale)
    assert spelled(in_key(line(*flat), -5)) == [
        "Db4",
        "Eb4",
        "F4",
        "Gb4",
        "Ab4",
        "Bb4",
        "C5",
        "Db5",
    ]


def test_a_transposing_player_reads_no_eight_sharps() -> None:
    f_sharp_major = (66, 68, 70, 71, 73, 75, 77, 78)
    assert spelled(in_key(line(*f_sharp_major), 6), "clarinet-in-b-flat") == (
        ["Ab4", "Bb4", "C5", "Db5", "Eb5", "F5", "G5", "Ab5"]
    )


def test_a_minor_key_has_its_raised_seventh() -> None:
    assert spelled(in_key(line(69, 68, 69, 71), 0, minor=True)) == ["A4", "G#4", "A4", "B4"]
    assert spelled(in_key(line(68, 67, 68, 70), 5, minor=True)) == ["G#4", "F##4", "G#4", "A#4"]


def test_chromatic_notes_lean_where_the_player_goes() -> None:
    # The player reads the line from its end: C B flat A A flat G falls, so it has flats.
    assert spelled(line(67, 68, 69, 70, 71, 72))[1] == "Ab4"
    # The other way round it rises, and has sharps.
    assert spelled(line(72, 70, 69, 68, 67, 66))[3] == "G#4"


def test_parts_agree_on_a_chord() -> None:
    chord = make_phrase(
        make_part(make_note(0, 4, 63)),
        make_part(make_note(0, 4, 68)),
        make_part(make_note(0, 4, 72)),
    )
    written = write_parts(played_by(chord, "flute", "oboe", "violins"))
    assert [names(part)[0] for part in written] == ["Eb4", "Ab4", "C5"]


def test_a_change_of_key_changes_the_written_key() -> None:
    phrase = line(60, 62, 64, 65, 67, 69, 71, 72)
    keys = Steps(phrase.length_beats, (Fraction(0), Fraction(4)), (Key(0), Key(-3)))
    performance = played_by(replace(phrase, keys=keys), "clarinet-in-b-flat")
    assert write_parts(performance)[0].keys == ((0, Key(-1)), (4, Key(2)))


@pytest.mark.parametrize(
    ("before", "after"), [(5, -4), (5, -2), (-4, 5), (7, -5), (-3, 4), (7, -1), (-7, -3)]
)
def test_notes_of_the_signature_are_spelled_in_it_up_to_its_change(before: int, after: int) -> None:
    # B major to A flat major: heard from a chorale of eight lines, whose company pulls hard.
    ids = ["violins", "violas", "harp", "piano", "flute", "oboe", "horn-in-f", "clarinet-in-b-flat"]
    scale = [
        [(7 * place) % 12 for place in range(key.sharps - 1, key.sharps + 6)]
        for key in (Key(before), Key(after))
    ]
    lines = [
        [make_note(Fraction(i, 2), Fraction(i + 1, 2), 60 + scale[i // 8][(3 * i + k) % 7])
         for i in range(16)]
        for k in range(len(ids))
    ]  # fmt: skip
    phrase = make_phrase(*(make_part(*notes) for notes in lines))
    keys = Steps(phrase.length_beats, (Fraction(0), Fraction(4)), (Key(before), Key(after)))
    for part in write_parts(played_by(replace(phrase, keys=keys), *ids)):
        for chord in (c for s in part.staves for v in s.voices for c in v.chords):
            key = key_at(part.keys, chord.on_beats)
            assert all(name.alter == key_alter(key, name.step) for name in chord.spelled)
