"""No more of a file is read than its kind can hold: endless and sparse files are refused."""

from pathlib import Path

import pytest

from retro.errors import LimitError, SettingsError
from retro.read.plan_file import read_plan
from retro.read.settings import read_settings
from retro.read.target import read_song

ENDLESS = Path("/dev/zero")
needs_endless = pytest.mark.skipif(not ENDLESS.exists(), reason="needs /dev/zero")


@needs_endless
@pytest.mark.parametrize(
    ("read", "refusal"),
    [(read_song, LimitError), (read_plan, LimitError), (read_settings, SettingsError)],
)
def test_an_endless_file_is_refused(read, refusal):
    with pytest.raises(refusal, match="more than"):
        read(ENDLESS)


def test_a_sparse_settings_file_of_20_gb_is_refused(tmp_path):
    path = tmp_path / "settings.toml"
    with path.open("wb") as file:
        file.truncate(20 * 10**9)
    with pytest.raises(SettingsError, match="more than 1000000 bytes"):
        read_settings(path)
