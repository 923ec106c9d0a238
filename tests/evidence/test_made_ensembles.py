"""Takes by made ensembles: real samples, players who differ, rooms, noise and click bleed.

The whole, ten seeds of every spread and room, is made by hand:
``python -m tests.evidence.made_ensembles``.
"""

import shutil

import pytest
import soundfile

from retro.errors import TakeError
from retro.measuring.measure import measure_take
from tests.evidence.made_ensembles import (
    FLUID_R3,
    LEAD_S,
    MAX_WIDTH_MS,
    RATE,
    as_far_away,
    load,
    make,
)

pytestmark = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not FLUID_R3.is_file(),
    reason="needs fluidsynth and the FluidR3 GM soundfont (Debian: fluidsynth, fluid-soundfont-gm)",
)

START = round(LEAD_S * RATE)
NAMES = ("example", "horn chorale")


@pytest.fixture(scope="module")
def pieces(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notes")
    return {name: load(name, folder) for name in NAMES}


def save(made, folder):
    path = folder / "take.wav"
    soundfile.write(path, made.heard, RATE, subtype="PCM_24")
    return path


@pytest.mark.parametrize("name", NAMES)
def test_a_take_is_told_from_another_insert_in_a_wet_room(name, pieces, tmp_path):
    """The example is dense and doubled: no fixed share of attacks tells it."""
    made = make(pieces[name], room=as_far_away(1.4), seed=1, spread_ms=9.0)
    path = save(made, tmp_path)
    measure_take(path, pieces[name].plan, phrase_start_samples=START)
    (other,) = set(NAMES) - {name}
    with pytest.raises(TakeError, match="does not sound like the insert"):
        measure_take(path, pieces[other].plan, phrase_start_samples=START)
    with pytest.raises(TakeError, match="seems to begin about frame 9"):
        measure_take(path, pieces[name].plan, phrase_start_samples=START + 4 * RATE)


def test_lateness_lies_within_its_uncertainty(pieces, tmp_path):
    """Against the sum of every group rendered alone; one of six may lie outside its 95 %."""
    outside = 0
    for name in NAMES:
        for seed, (common_ms, spread_ms, room_s) in enumerate(
            ((-40.0, 0.0, 1.4), (20.0, 18.0, 0.5), (80.0, 9.0, 1.4))
        ):
            made = make(
                pieces[name],
                room=as_far_away(room_s),
                seed=seed,
                common_ms=common_ms,
                spread_ms=spread_ms,
            )
            path = save(made, tmp_path)
            found = measure_take(path, pieces[name].plan, phrase_start_samples=START)
            error_ms = abs(found.lateness_ms - made.lateness_ms)
            outside += error_ms > found.lateness_uncertainty_ms
            assert error_ms <= 25.0
            assert found.lateness_uncertainty_ms <= MAX_WIDTH_MS
    assert outside <= 1


def test_the_anchor_is_known_though_its_players_are_far_apart(pieces, tmp_path):
    """The first of them may be 90 ms ahead; where the sum only creeps up, the doubt says so."""
    piece = pieces["horn chorale"]
    for seed in range(4):
        made = make(piece, room=as_far_away(1.4), seed=seed, spread_ms=30.0)
        found = measure_take(save(made, tmp_path), piece.plan, phrase_start_samples=START)
        error_ms = abs(found.anchor_lateness_ms - made.anchor_ms)
        assert error_ms <= found.anchor_lateness_uncertainty_ms
        assert error_ms <= 5.0
