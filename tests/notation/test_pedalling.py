"""What harpists and pianists read of their pedals."""

from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.phrase import SUSTAIN_PEDAL
from retro.model.settings import Settings
from retro.model.time import Steps
from retro.notation.lines import write_parts
from retro.notation.pedalling import HARP, pedals_of
from retro.notation.pedals import PEDALS
from retro.notation.words import SWUNG
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import chords_of, played_by


def part_of(*pitches, id_=HARP, pedal=None, settings=None):
    """Write half notes in the order of the insert, and say what words stand where."""
    count = len(pitches)
    notes = [make_note(2 * (count - k - 1), 2 * (count - k), p) for k, p in enumerate(pitches)]
    part = make_part(*notes)
    if pedal is not None:
        length = Fraction(2 * count)
        part = replace(
            part, controllers=((SUSTAIN_PEDAL, Steps(length, (Fraction(0),), (pedal,))),)
        )
    phrase = make_phrase(part, bars=count // 2)
    performance = played_by(phrase, id_, **({} if settings is None else {"settings": settings}))
    (stand,) = write_parts(performance)
    return performance, stand, {(words.at_beats, words.text) for words in stand.directions}


def test_a_harp_part_begins_with_its_setting_and_says_changes_before_they_are_needed() -> None:
    # C major with an F sharp in the second half: one pedal, a beat ahead.
    _, _, said = part_of(60, 64, 65, 67, 66, 67, 66, 72)
    assert (0, "D C B | E F G A") in said
    assert (7, "F♯") in said


@pytest.mark.parametrize("pitches", [(61, 66, 68, 70), (63, 66, 61, 70, 60, 65), (60, 61, 62, 63)])
def test_every_note_of_a_harp_is_named_as_the_pedals_are_set_at_its_stroke(pitches) -> None:
    performance, stand, _ = part_of(*pitches)
    pedalling = pedals_of(performance, 0)
    chords = {chord.on_beats: chord for chord in chords_of(stand)}
    assert set(chords) == set(pedalling.places)
    for at, setting in zip(pedalling.places, pedalling.settings(), strict=True):
        alters = dict(zip(PEDALS, setting, strict=True))
        assert all(alters[name.step] == name.alter for name in chords[at].spelled)


def test_the_pedals_follow_the_names_of_the_notes() -> None:
    # A flat and no G sharp: the flat's string is as near as the sharp's.
    performance, stand, _ = part_of(67, 68, 67, 68, 65, 68)
    names = {name for chord in chords_of(stand) for name in chord.spelled}
    alters = {letter: alter for setting in pedals_of(performance, 0).settings()
              for letter, alter in zip(PEDALS, setting, strict=True)}  # fmt: skip
    assert all(abs(name.alter) <= 1 for name in names)
    assert alters["A"] == -1 or alters["G"] == 1


@pytest.mark.parametrize(
    ("id_", "pedal", "is_said"),
    [("piano", None, True), ("piano", 0, True), ("piano", 127, False), ("celesta", None, False)],
)
def test_a_piano_whose_keys_are_damped_reads_no_pedal(id_, pedal, is_said) -> None:
    _, stand, said = part_of(60, 64, id_=id_, pedal=pedal)
    assert any(words.is_release for words in stand.directions)
    assert ((0, "no pedal") in said) is is_said


def test_swung_pairs_that_are_written_even_say_how_they_are_read() -> None:
    for straightened in (False, True):
        settings = Settings(straighten_swing=straightened)
        _, _, said = part_of(60, 64, id_="flute", settings=settings)
        assert ((0, SWUNG) in said) is straightened
