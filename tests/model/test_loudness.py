"""The page and the findings reckon with one loudness."""

from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.loudness import PartLoudness
from retro.model.phrase import EXPRESSION, MODULATION, VOLUME, Part
from retro.model.time import Steps
from retro.notation.lines import write_parts
from retro.playability.desk import desks
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import played_by

LENGTH = Fraction(16)

LEVEL_OF = {16: "ppp", 32: "pp", 48: "p", 64: "mp", 80: "mf", 96: "f", 112: "ff"}
"""Common practice: the levels 16 velocities apart, mf at 80."""


def part_with(velocity: int, **controllers: list[int]) -> Part:
    """Return a held line under controllers whose values are spread evenly over it."""
    part = make_part(*(make_note(4 * i, 4 * i + 4, 72 + i, velocity) for i in range(4)))
    numbers = {"wheel": MODULATION, "volume": VOLUME, "expression": EXPRESSION}
    steps = []
    for name, values in controllers.items():
        changes = [(i * LENGTH / len(values), value) for i, value in enumerate(values)]
        before = values[0]
        steps.append((numbers[name], Steps.from_changes(changes, length=LENGTH, before=before)))
    return replace(part, controllers=tuple(steps))


@pytest.mark.parametrize(
    ("velocity", "controllers", "loudness"),
    [
        (80, {}, 80),
        (127, {"expression": [64]}, 64),
        (96, {"volume": [40]}, 96),  # a volume that stands still is the mix
        (127, {"volume": [127, 16, 16, 16], "expression": [127]}, 16),
        (127, {"volume": [100, 50], "expression": [127, 127, 64, 64]}, 32),
        (100, {"wheel": [20, 112]}, 112),
        (100, {"wheel": [20, 112], "expression": [81]}, 64),
        (80, {"wheel": [40]}, 80),  # a wheel that never moves says nothing
    ],
)
def test_the_page_and_the_findings_reckon_with_one_loudness(
    velocity: int, controllers: dict[str, list[int]], loudness: int
) -> None:
    performance = played_by(make_phrase(part_with(velocity, **controllers), bars=4), "flute")
    first = performance.insert.parts[0]
    assert PartLoudness.of(first).loudness_at(velocity, Fraction(0)) == pytest.approx(
        loudness, abs=1
    )
    (desk,) = desks(performance)
    assert desk.written_notes[0].loudness == pytest.approx(loudness, abs=1)
    (stand,) = write_parts(performance)
    assert stand.levels[0].at_beats == 0
    assert stand.levels[0].text == LEVEL_OF[loudness]
