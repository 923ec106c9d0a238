"""What is learned of a take by sampled instruments is what each of their notes is like alone.

Source of the sounds: FluidR3 GM and TimGM6mb (Debian `fluid-soundfont-gm`, `timgm6mb-soundfont`),
played by fluidsynth; nothing of them is used to learn.
"""

import shutil

import pytest

from tests.evidence.learned_takes import BANKS, learnt


@pytest.mark.parametrize("bank", BANKS)
def test_what_is_stated_of_a_bank_s_players_is_what_their_notes_are_like_alone(bank, tmp_path):
    if shutil.which("fluidsynth") is None or not BANKS[bank].is_file():
        pytest.skip(f"needs fluidsynth and {BANKS[bank].name}")
    stated = list(learnt(BANKS[bank], 1, tmp_path))
    decays = [one for one in stated if one.what == "decay"]
    assert len(stated) >= 2  # of seeds 1 to 6 two to five are stated
    assert sum(not one.is_covered for one in stated) <= 1
    assert len(decays) >= 1
    for one in decays:
        assert one.figure_s == pytest.approx(one.truth_s, rel=0.25), one
