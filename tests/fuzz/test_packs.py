"""A short run of whole packs of every kind; the long run is by hand (docs/evidence.md)."""

import re
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest

from retro.read.target import read_song
from tests.fuzz.packs import KINDS
from tests.fuzz.targets import midi_target, xml_target

ROOT = Path(__file__).parents[2]
COUNT = 5


def test_packs_of_every_kind_are_built_or_refused_in_one_line() -> None:
    command = [sys.executable, "-m", "tests.fuzz.packs", "1200", "0", str(COUNT)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    lines = re.findall(r"(.+): (\d+) built, (\d+) refused, 0 broke;", done.stdout)
    assert [line[0] for line in lines] == list(KINDS)
    assert all(int(built) + int(refused) == COUNT for _, built, refused in lines)
    assert sum(int(built) for _, built, _ in lines) > COUNT


@pytest.mark.parametrize(("make", "name"), [(midi_target, "a.mid"), (xml_target, "a.musicxml")])
def test_targets_are_read_and_differ(make, name, tmp_path) -> None:
    made = {make(Random(seed)) for seed in range(20)}
    assert len(made) == 20
    assert make(Random(3)) == make(Random(3))
    for data in made:
        (tmp_path / name).write_bytes(data)
        assert read_song(tmp_path / name).phrase.parts
