"""Landings in sampled sounds with figures that were learned of them."""

import json
import shutil

import pytest

from retro.sounds import cache
from tests.evidence.learned_landings import FILE, piece_names, row_of
from tests.evidence.sampled_notes import TIM_GM, Sampler

MAX_SUSTAINED_MS, MAX_STRUCK_MS = 10.0, 4.0


def test_learned_figures_land_within_their_limits_in_every_row_of_the_page():
    rows = json.loads(FILE.read_text(encoding="utf-8"))
    assert {row["piece"] for row in rows} == set(piece_names())
    for row in rows:
        for kind, most_ms in (("sustained", MAX_SUSTAINED_MS), ("struck", MAX_STRUCK_MS)):
            learned_ms, mirror_ms = row[f"learned {kind}"], row[f"mirror {kind}"]
            if learned_ms is None:
                continue
            assert learned_ms <= min(most_ms, mirror_ms), (row["piece"], row["room"], row["bank"])


def test_a_phrase_lands_with_figures_learned_of_a_bank_that_nothing_was_tuned_to(
    tmp_path, monkeypatch, record_evidence
):
    pytest.importorskip("midirenderer", reason="needs the extra retro[sounds]")
    if shutil.which("fluidsynth") is None or not TIM_GM.is_file():
        pytest.skip(f"needs fluidsynth and the soundfont {TIM_GM.name}")
    monkeypatch.setattr(cache, "cache_path", lambda sha256: tmp_path / f"{sha256}.tones")
    row = row_of("violin run", TIM_GM, Sampler(tmp_path, TIM_GM), "dry")
    assert float(row["learned sustained"]) <= MAX_SUSTAINED_MS
    assert float(row["learned sustained"]) < float(row["defaults sustained"])
    record_evidence(
        what="violin run, learned figures, every note alone and dry: mean landing error",
        source=f"fluidsynth with {TIM_GM.stem}",
        expected=f"within {MAX_SUSTAINED_MS:.0f} ms and below that of the defaults",
        found=f"{row['learned sustained']} ms against {row['defaults sustained']}",
    )
