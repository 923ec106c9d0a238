"""Landings and onsets in banks of samples that no figure was taken from, note by note.

Three cells of the tables in docs/evidence.md, which `tests.evidence.sampled_landings` makes whole.
Nothing is tuned to either bank.
"""

import shutil
from pathlib import Path

import pytest

from tests.evidence.sampled_landings import cells, onsets_of
from tests.evidence.sampled_notes import FLUID_R3, TIM_GM, Sampler, mean_ms

MAX_LANDING_MS = 30.0
MAX_STRUCK_MS = 8.0
MAX_NUDGED_LOSS_MS = 5.0
HALF, LESS = 0.5, 1.0
"""Largest onset error as a share of the plain mirror's."""


@pytest.mark.parametrize(
    ("bank", "piece", "room", "share"),
    [
        (FLUID_R3, "example", "1.4 s", HALF),
        (FLUID_R3, "horn chorale", "0.5 s", HALF),
        (TIM_GM, "horn chorale", "0.5 s", LESS),
    ],
)
def test_sampled_notes_land_and_begin_nearer_than_the_plain_mirror_s(
    bank: Path, piece, room, share, tmp_path, record_evidence
):
    if shutil.which("fluidsynth") is None or not bank.is_file():
        pytest.skip(f"needs fluidsynth and the soundfont {bank.name}")
    (cell,) = cells(piece, Sampler(tmp_path, bank), [room])
    played, mirror = cell.played, cell.mirror
    landing_ms, mirror_ms = mean_ms(played.sustained_ms), mean_ms(mirror.sustained_ms)
    onset_ms, mirror_onset_ms = (mean_ms(errors) for errors in onsets_of(cell))
    assert landing_ms <= MAX_LANDING_MS
    assert landing_ms < mirror_ms
    nudged_ms = mean_ms(played.sustained_ms, nudged=True)
    assert nudged_ms <= mean_ms(mirror.sustained_ms, nudged=True) + MAX_NUDGED_LOSS_MS
    assert not played.struck_ms or mean_ms(played.struck_ms) <= MAX_STRUCK_MS
    assert len(onsets_of(cell)[0]) >= 0.75 * len(played.onset_ms)
    assert onset_ms <= share * mirror_onset_ms
    record_evidence(
        what=f"{piece}, every note alone in a room of {room}: mean landing and onset errors",
        source=f"fluidsynth with {bank.stem}",
        expected="landings within 30 ms and below the plain mirror's, onsets "
        f"at most {share:g} of its",
        found=f"{landing_ms:.0f} ms against {mirror_ms:.0f}, "
        f"{onset_ms:.0f} ms against {mirror_onset_ms:.0f}",
    )
