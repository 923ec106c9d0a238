"""A short run of the fuzzer for every kind of file; the long run is by hand (docs/evidence.md)."""

import random

import pytest

from tests.fuzz.kinds import kinds
from tests.fuzz.mutate import DAMAGES, damaged
from tests.fuzz.run import run

KINDS = {kind.name: kind for kind in kinds()}
FILES = 60
MAX_S = 10.0


@pytest.mark.parametrize("name", KINDS)
def test_damaged_files_are_used_or_refused_in_one_line(name):
    tally = run(KINDS[name], range(FILES), MAX_S)
    assert tally.faults == []
    assert tally.counts.total() > 0
    assert tally.counts["refused"] > 0


@pytest.mark.parametrize("name", [name for name in KINDS if name != "WAV, measured"])
def test_undamaged_files_are_used(name, tmp_path):
    # A tone of a tenth of a second is no take of the plan, and `measure` says so.
    for index, seed in enumerate(KINDS[name].seeds):
        home = tmp_path / str(index)
        home.mkdir()
        KINDS[name].use(seed, home)


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.__name__)
def test_every_damage_can_change_a_file(damage):
    good = bytes(range(200))
    changed = []
    for seed in range(20):
        data = bytearray(good)
        damage(data, random.Random(seed))
        changed.append(bytes(data) != good)
    assert any(changed)


def test_the_same_seed_gives_the_same_damage():
    assert damaged(b"x" * 999, random.Random(7)) == damaged(b"x" * 999, random.Random(7))
