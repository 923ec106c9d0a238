from pathlib import Path

import pytest

from retro.day.compose import Day, compose_day
from tests.day.made_day import write_packs


@pytest.fixture(scope="session")
def day_toml(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the day.toml of the made day, beside its packs."""
    return write_packs(tmp_path_factory.mktemp("made-day"))


@pytest.fixture(scope="session")
def day(day_toml: Path) -> Day:
    """Return the made day."""
    return compose_day(day_toml)
