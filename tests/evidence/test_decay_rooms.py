"""The room's decay against made decays and against rooms of a reference library."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.signal import fftconvolve

from retro.measuring.decay import measure_decay
from retro.units import seconds_to_samples

RATE = 16_000
RELEASE_S = 3.0


@dataclass(frozen=True)
class Heard:
    """Samples whose frame 0 lies `RELEASE_S` before the release."""

    samples: np.ndarray
    rate: int = RATE

    @property
    def end_s(self):
        return len(self.samples) / self.rate - RELEASE_S

    def span(self, start_s, length_samples):
        first = seconds_to_samples(start_s + RELEASE_S, self.rate)
        heard = np.zeros(length_samples)
        low, high = max(first, 0), min(first + length_samples, len(self.samples))
        heard[low - first : high - first] = self.samples[low:high]
        return heard


def made_decay(reverberation_s, *, noise_db, share=1.0, ringing_s=None, seed=1):
    """Steady noise that stops at 0 and falls exponentially, the direct part at once or ringing."""
    chance = np.random.default_rng(seed)
    count = int((RELEASE_S + 3 * reverberation_s) * RATE)
    t = np.maximum(np.arange(count) / RATE - RELEASE_S, 0.0)
    room = share * 10 ** (-6 * t / reverberation_s)
    direct = (1 - share) * (10 ** (-6 * t / ringing_s) if ringing_s else 0.0)
    floor = chance.standard_normal(count) * 10 ** (noise_db / 20)
    return Heard(0.1 * (chance.standard_normal(count) * np.sqrt(room + direct) + floor))


@pytest.mark.parametrize("noise_db", [-90.0, -50.0])
@pytest.mark.parametrize("reverberation_s", [0.4, 0.8, 1.6, 2.4, 4.0])
def test_a_made_decay_is_measured_within_5_percent(reverberation_s, noise_db):
    decay = measure_decay(made_decay(reverberation_s, noise_db=noise_db), 0.02)
    whole = decay.bands[0]
    assert whole.t20_s == pytest.approx(reverberation_s, rel=0.05)
    assert whole.reverberation_s == pytest.approx(reverberation_s, rel=0.05)
    assert decay.release_s == pytest.approx(0.0, abs=0.03)


def test_octaves_are_measured_as_far_as_one_decay_lets_them():
    # One decay of narrow noise scatters by some 10 % at 250 Hz (ISO 3382-2, from memory).
    found = [measure_decay(made_decay(1.6, noise_db=-90, seed=s), 0.0).bands for s in range(6)]
    for band in range(1, len(found[0])):
        median_s = np.median([bands[band].reverberation_s for bands in found])
        assert median_s == pytest.approx(1.6, rel=0.08)


@pytest.mark.parametrize("noise_db", [-30.0, -20.0])
def test_a_decay_that_drowns_in_noise_is_not_known(noise_db):
    whole = measure_decay(made_decay(1.6, noise_db=noise_db), 0.0).bands[0]
    assert whole.t30_s is None
    assert (whole.t20_s is None) == (noise_db == -20.0) or whole.range_db < 36


@pytest.mark.parametrize(
    ("noise_db", "known"),
    [(-28.0, ["edt"]), (-40.0, ["edt", "t20"]), (-50.0, ["edt", "t20", "t30"])],
)
def test_a_range_is_read_where_the_noise_lies_10_db_below_its_end(noise_db, known):
    # EDT ends at -10, T20 at -25, T30 at -35 dB (ISO 3382-1; the 10 dB from memory).
    whole = measure_decay(made_decay(1.6, noise_db=noise_db), 0.0).bands[0]
    read = {"edt": whole.edt_s, "t20": whole.t20_s, "t30": whole.t30_s}
    assert [name for name, seconds in read.items() if seconds is not None] == known


def test_the_noise_floor_is_known():
    decay = measure_decay(made_decay(1.0, noise_db=-40.0), 0.0)
    assert decay.noise_dbfs == pytest.approx(-60.0, abs=0.5)


@pytest.mark.parametrize("ratio_db", [-3.0, 0.0, 6.0])
def test_the_direct_to_reverberant_ratio_is_estimated(ratio_db):
    share = 1 / (1 + 10 ** (ratio_db / 10))
    found = [
        measure_decay(
            made_decay(1.6, noise_db=-80, share=share, ringing_s=0.1, seed=seed), 0.0
        ).direct_to_reverberant_db
        for seed in range(4)
    ]
    assert np.median(found) == pytest.approx(ratio_db, abs=1.5)


def test_somebody_who_speaks_in_the_tail_does_not_lengthen_the_room():
    quiet = made_decay(1.2, noise_db=-70)
    chance = np.random.default_rng(9)
    spoken = quiet.samples.copy()
    start = int((RELEASE_S + 1.3) * RATE)
    spoken[start : start + RATE] += 0.05 * chance.standard_normal(RATE)
    found = measure_decay(Heard(spoken), 0.0).bands[0]
    assert found.t20_s == pytest.approx(1.2, rel=0.06)


def test_without_a_tail_there_is_no_decay():
    heard = made_decay(1.0, noise_db=-60)
    assert measure_decay(Heard(heard.samples[: int((RELEASE_S + 0.1) * RATE)]), 0.0) is None
    assert measure_decay(Heard(np.zeros(5 * RATE)), 0.0) is None


@pytest.fixture(scope="module", params=[((20, 15, 8), 1.6), ((30, 20, 12), 2.2)])
def hall(request):
    """Return the impulse response of a simulated hall and its decay by the library's own measure.

    Its own value is what counts; it is not the wanted one (Sabine holds but roughly).
    """
    reason = "needs pyroomacoustics, the reference for simulated rooms"
    rooms = pytest.importorskip("pyroomacoustics", reason=reason)
    size, wanted_s = request.param
    absorption, order = rooms.inverse_sabine(wanted_s, size)
    rooms.constants.set("num_threads", 1)
    room = rooms.ShoeBox(
        size, fs=RATE, materials=rooms.Material(absorption), max_order=min(order, 30)
    )
    room.add_source([0.3 * size[0], 0.4 * size[1], 1.5])
    room.add_microphone([0.6 * size[0], 0.55 * size[1], 3.0])
    room.compute_rir()
    answer = room.rir[0][0]
    return answer, rooms.experimental.measure_rt60(answer, fs=RATE, decay_db=20)


def test_a_simulated_hall_is_measured_within_5_percent_from_a_held_sound(hall):
    answer, theirs_s = hall
    steady = 0.1 * np.random.default_rng(2).standard_normal(int(RELEASE_S * RATE))
    heard = fftconvolve(np.concatenate([steady, np.zeros(5 * RATE)]), answer)
    found = measure_decay(Heard(heard[: int((RELEASE_S + 5) * RATE)]), 0.03)
    assert found.bands[0].t20_s == pytest.approx(theirs_s, rel=0.05)


def test_a_simulated_hall_is_measured_within_5_percent_from_a_stroke(hall):
    answer, theirs_s = hall
    heard = np.zeros(int((RELEASE_S + 5) * RATE))
    start = int(RELEASE_S * RATE)
    heard[start : start + len(answer)] = answer[: len(heard) - start]
    found = measure_decay(Heard(heard), 0.03)
    assert found.bands[0].t20_s == pytest.approx(theirs_s, rel=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_a_stroke_that_is_cut_off_into_digital_silence_keeps_its_decay(seed):
    """An exponential of 1.6 s by its making, cut off 60 dB down, as a simulated hall ends."""
    count = int(1.6 * RATE)
    answer = np.random.default_rng(seed).standard_normal(count) * 10 ** (
        -3 * np.arange(count) / count
    )
    heard = np.zeros(int((RELEASE_S + 5) * RATE))
    start = int(RELEASE_S * RATE)
    heard[start : start + count] = 0.1 * answer
    found = measure_decay(Heard(heard), 0.03)
    assert found.bands[0].t20_s == pytest.approx(1.6, rel=0.05)
