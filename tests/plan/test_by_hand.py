"""What hands played is planned as it was meant: own bars, own beats, own landing."""

import random
from fractions import Fraction

import pytest

from retro.plan.compose import plan_song
from retro.read.settings import load_settings
from retro.read.song import Song
from tests.conftest import make_note, make_part, make_phrase

LINE = [Fraction(each) for each in ("1/2", "1/2", "1", "1/2", "1/2", "1", "3/2", "1/2", "2")]
"""Two bars of 4/4."""


def played(rng: random.Random, lengths: list[Fraction], pitch: int, start: int = 0):
    """Yield notes as hands play them: 15 ms off the beat, let go a little early or late."""
    at = Fraction(start)
    for count, length in enumerate(lengths):
        on = at + Fraction(round(rng.gauss(0, 0.02) * 960), 960)
        gap = Fraction(round(rng.uniform(-0.04, 0.1) * 960), 960)
        yield make_note(max(on, Fraction(0)), at + length - min(gap, length / 8), pitch + count % 3)
        at += length


@pytest.mark.parametrize("seed", range(8))
def test_what_hands_play_is_written_on_the_beats_that_they_meant(seed: int) -> None:
    rng = random.Random(seed)
    line = make_part(*played(rng, LINE * 3, 72), name="Clarinet")
    held = make_part(*played(rng, [Fraction(4)] * 6, 55), name="Viola")
    song = Song(
        name="by hand",
        sha256="",
        ticks_per_quarter=960,
        phrase=make_phrase(line, held, bars=7, us_per_quarter=750_000),
        notices=(),
    )
    plan = plan_song(song, load_settings(None, {"bars": "3-4"}))
    written = {
        part: sorted(n.written_on_beats for n in plan.performance.notes if n.part == part)
        for part in (0, 1)
    }
    ends = [sum(LINE[: count + 1]) for count in range(len(LINE))]
    assert written[0] == sorted(8 - end for end in ends)
    assert written[1] == [0, 4]
    assert (plan.placement.anchor.bar, round(plan.placement.anchor.beat, 1)) == (5, 1)
    assert abs(plan.placement.shift_ms) < 30.0
