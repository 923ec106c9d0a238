"""What tests of sampled sounds need: the player, and a bank that Debian carries."""

import importlib.util
from pathlib import Path

import pytest

from retro.sounds.bank import Bank, open_bank

SMALL_BANK = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")


def has_player() -> bool:
    return importlib.util.find_spec("midirenderer") is not None


@pytest.fixture(scope="session")
def bank() -> Bank:
    if not has_player():
        pytest.skip("needs midirenderer, of the extra retro[sounds]")
    if not SMALL_BANK.is_file():
        pytest.skip("needs the soundfont TimGM6mb (Debian: timgm6mb-soundfont)")
    return open_bank(SMALL_BANK)
