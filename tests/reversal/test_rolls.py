from fractions import Fraction
from itertools import pairwise

import pytest
from lxml import etree

from retro.model.orchestra import by_id
from retro.model.settings import Settings
from retro.reversal.rolls import ROLL_S, find_rolls
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import played_by
from tests.notation.written import written


def in_seconds(at: Fraction) -> Fraction:
    return at / 2


def test_a_person_takes_as_long_for_a_roll_of_many_tones_as_for_one_of_three() -> None:
    for count in (3, 8):
        pitches = range(80, 80 - count, -1)
        starts = [1.0 - 0.02 * (count - 1 - place) for place in range(count)]
        (roll,) = find_rolls([Fraction(2)] * count, pitches, starts, in_seconds)
        offsets = dict(roll.offsets_s())
        assert offsets[0] == pytest.approx(-ROLL_S)
        assert offsets[count - 1] == pytest.approx(0.0)
        assert not roll.is_upward
        assert not roll.begins_on_beat


def test_a_roll_that_begins_on_the_beat_goes_on_from_there() -> None:
    (roll,) = find_rolls([Fraction(2)] * 3, (60, 64, 67), (1.0, 1.1, 1.2), in_seconds)
    assert roll.begins_on_beat
    assert dict(roll.offsets_s()) == pytest.approx({0: 0.0, 1: ROLL_S / 2, 2: ROLL_S})


@pytest.mark.parametrize(
    ("pitches", "starts"),
    [
        ((60, 64), (1.0, 1.1)),
        ((60, 64, 67), (1.0, 1.01, 1.02)),
        ((60, 67, 64), (1.0, 1.1, 1.2)),
        ((60, 64, 67), (1.0, 1.1, 1.1)),
    ],
    ids=["two tones", "loose", "out of order", "two at once"],
)
def test_what_no_hand_rolls_is_no_roll(pitches, starts) -> None:
    assert not list(find_rolls([Fraction(2)] * len(pitches), pitches, starts, in_seconds))


@pytest.mark.parametrize(
    ("before", "count"), [(Fraction(3, 2), 0), (Fraction(1), 1)], ids=["0.25 s", "0.5 s"]
)
def test_a_roll_has_room_before_it(before, count) -> None:
    found = find_rolls(
        [before, *[Fraction(2)] * 3],
        (67, 60, 64, 67),
        (float(before) / 2, 0.9, 0.95, 1.0),
        in_seconds,
    )
    assert len(list(found)) == count


@pytest.mark.parametrize("id_", ["harp", "piano", "vibraphone"])
def test_the_errors_of_what_is_written_are_those_of_a_roll(id_) -> None:
    # The target rolls upwards in 0.24 s from the beat on; the insert downwards into the beat.
    pitches = (48, 55, 60, 64, 67)
    notes = [make_note(2 + Fraction(3 * i, 25), 4, pitch) for i, pitch in enumerate(pitches)]
    phrase = make_phrase(make_part(*notes))
    played = played_by(phrase, id_, settings=Settings(), lands_at_start=True).notes
    errors = [note.written_landing_error_ms for note in played]
    if id_ == "vibraphone":  # two sticks or four, at once: the chord's first tone is on the beat
        assert errors[-1] == pytest.approx(-240, abs=1)
        return
    assert by_id(id_).staves == 2
    assert errors[0] == pytest.approx(0.0, abs=1)
    assert errors[-1] == pytest.approx(1000 * ROLL_S - 240, abs=1)
    steps = [b - a for a, b in pairwise(errors)]
    assert steps == pytest.approx([errors[-1] / 4] * 4, abs=1)


@pytest.mark.parametrize("slope", [1, -1])
def test_the_sign_of_a_roll_goes_as_the_notes_under_it_are_struck(slope) -> None:
    pitches = (48, 55, 60, 64, 67)
    at = [2 + Fraction(slope * i, 14) for i in range(5)]
    notes = [make_note(on, 4, pitch) for on, pitch in zip(at, pitches, strict=True)]
    performance = played_by(
        make_phrase(make_part(*notes)), "harp", settings=Settings(), lands_at_start=True
    )
    root = etree.fromstring(written(performance).parts[0])
    signed = [note for note in root.iter("note") if note.find(".//arpeggiate") is not None]
    struck = [performance.notes[int(note.get("id")[1:])] for note in signed]
    assert sorted(note.target.pitch for note in struck) == list(pitches)
    in_order = [note.target.pitch for note in sorted(struck, key=lambda note: note.played_on_s)]
    directions = {note.find(".//arpeggiate").get("direction") for note in signed}
    assert directions == {"down" if in_order == list(pitches)[::-1] else "up"}
    assert in_order in (list(pitches), list(pitches)[::-1])
    assert (in_order == list(pitches)) is (slope < 0)
