from pathlib import Path

import pytest

from retro.day.compose import Day, compose_day
from retro.model.settings import Section, Settings
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from tests.day.made_day import write_packs

EXAMPLE = Path(__file__).parents[2] / "examples" / "harbour_pageant.mid"


@pytest.fixture(scope="session")
def day_toml(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the day.toml of the made day, beside its packs."""
    return write_packs(tmp_path_factory.mktemp("made-day"))


@pytest.fixture(scope="session")
def day(day_toml: Path) -> Day:
    """Return the made day."""
    return compose_day(day_toml)


@pytest.fixture(scope="session")
def alike(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two packs, A and B, of the same bars."""
    folder = tmp_path_factory.mktemp("alike")
    sections = (Section.COPYIST, Section.ENGINEER)
    for letter in "AB":
        settings = Settings(only=sections, bars="29-36", letter=letter)
        write_pack(plan_file(EXAMPLE, settings), folder / letter)
    return folder
