"""Two tracks of one player: the staves that programs export, and the hands that people name."""

from fractions import Fraction

import pytest

from retro.model.phrase import EXPRESSION, SUSTAIN_PEDAL, Part
from retro.model.time import Steps
from retro.read.hand_tracks import joined_hands, without_hand
from tests.conftest import make_note, make_part


def hands(*names: str, channels: tuple[int, int] = (0, 0), program: int | None = 0) -> list[Part]:
    """Return two parts of one note each."""
    return [
        make_part(make_note(i, i + 1, 40 + 20 * i), name=name, program=program, channel=channel)
        for i, (name, channel) in enumerate(zip(names, channels, strict=True))
    ]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("Harpe (main droite)", ("Harpe", "right")),
        ("Klavier links", ("Klavier", "left")),
        ("Piano RH", ("Piano", "right")),
        ("Arpa - mano sinistra", ("Arpa", "left")),
        ("Pianoforte m.s.", ("Pianoforte", "left")),
        ("Piano, mano derecha", ("Piano", "right")),
        ("Piano L.H.", ("Piano", "left")),
        ("Bright", ("Bright", "")),
        ("links", ("links", "")),
    ],
)
def test_hands_are_named_in_five_languages(name: str, said: tuple[str, str]) -> None:
    assert without_hand(name) == said


@pytest.mark.parametrize(
    ("names", "channels", "name"),
    [
        (("Piano", "Piano"), (0, 0), "Piano"),
        (("Klavier rechts", "Klavier links"), (0, 1), "Klavier"),
        (("Celesta LH", "Celesta RH"), (3, 3), "Celesta"),
    ],
)
def test_the_two_tracks_of_one_player_become_one_part(names, channels, name) -> None:
    parts, joined = joined_hands(hands(*names, channels=channels), [None, None])
    assert joined == (name,)
    assert [(part.name, [note.pitch for note in part.notes]) for part in parts] == [
        (name, [40, 60])
    ]


@pytest.mark.parametrize(
    ("names", "channels", "ports"),
    [
        (("Piano", "Piano"), (0, 1), (None, None)),
        (("Piano", "Piano"), (0, 0), (0, 1)),
        (("Piano RH", "Piano RH"), (0, 0), (None, None)),
        (("Piano RH", "Harp LH"), (0, 0), (None, None)),
        (("Horn", "Horn"), (0, 0), (None, None)),
        (("", ""), (0, 0), (None, None)),
    ],
    ids=["two channels", "two ports", "one hand", "two players", "one staff each", "no names"],
)
def test_what_is_not_two_hands_of_one_player_stays_apart(names, channels, ports) -> None:
    parts, joined = joined_hands(hands(*names, channels=channels), ports)
    assert len(parts) == 2
    assert joined == ()


def test_hands_of_different_loudness_stay_apart_and_a_pedal_holds_for_both() -> None:
    curve = Steps.from_changes([(Fraction(1), 90)], length=Fraction(4), before=0)
    right, left = hands("Piano", "Piano")

    def with_curve(part: Part, number: int, steps: Steps[int]) -> Part:
        return Part(
            name=part.name,
            channel=part.channel,
            program=part.program,
            notes=part.notes,
            controllers=((number, steps),),
        )

    other = Steps.from_changes([(Fraction(2), 60)], length=Fraction(4), before=0)
    pedal = [with_curve(right, SUSTAIN_PEDAL, curve), left]
    (both,), _ = joined_hands(pedal, [None, None])
    assert both.controller(SUSTAIN_PEDAL) == curve
    louder = [with_curve(right, EXPRESSION, curve), with_curve(left, EXPRESSION, other)]
    assert len(joined_hands(louder, [None, None])[0]) == 2
