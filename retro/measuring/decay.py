"""The room's decay out of a take: reverberation time, direct-to-reverberant ratio, noise floor.

Method. From the last stroke on the energy of the take, broadband and by octave, is integrated
backwards (Schroeder 1965) after the mean noise energy has been taken away and up to the time at
which the decay meets the noise, found by iteration (after Lundeby et al. 1995, from memory); what
lies beyond is added as an exponential. The ranges are those of ISO 3382-1: EDT 0 to -10 dB, T20
-5 to -25 dB, T30 -5 to -35 dB, each as the time for 60 dB. A range is only given where the noise
lies at least 10 dB below its lower end.

That holds for a struck tone, which excites the room once. A tone that is held until its release
excites it steadily, and the energy after it already is the integral of the room's impulse response
(ISO 3382-1, interrupted noise; integrating twice read 13 % long in a simulated hall), so there the
level itself is taken.

Conventions
-----------
Energies are mean squares in blocks of `BLOCK_S`; times are insert time in seconds.
"""

from dataclasses import dataclass

import numpy as np

from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.units import energy_to_db, seconds_to_samples

BLOCK_S = 0.005
OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000)
STRAIGHT_PERMILLE = 10.0
"""Beyond it a decay is no straight line (ISO 3382-2, from memory)."""

MAX_TAIL_S = 20.0
MIN_TAIL_S = 0.2

RELEASE_SEARCH_S = (0.4, 0.6)
"""How far before and after its planned time the last release is looked for."""

LEAD_S = 0.3
"""How long before that the held tone is heard."""

FALL_SEEN_DB = 3.0
"""How far the tone falls while its release is looked for; further down the decay is no one line."""

LATE_DB = (12.0, 25.0)
"""The part of a decay that is the room's alone when it is carried back to the release."""

MIN_RATIO_DB = -10.0
"""Below this the direct sound cannot be told from the room."""

MAX_RANGE_DB = 120.0

HEADROOM_DB = 10.0
"""How far the noise has to lie below a range's lower end (ISO 3382-1, from memory)."""

RANGES_DB = {"edt": (0.0, 10.0), "t20": (5.0, 25.0), "t30": (5.0, 35.0)}

MIN_FALL_DB = 1.0
"""A line that falls by less before the noise is no decay that goes on under it: behind a decay that
is cut off into digital silence it is level, but for rounding."""

RETURN_DB = 10.0
"""A rise over what was reached that means a new sound: somebody speaks, or moves a chair."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandDecay:
    """Decay in one band; a time is None where the noise does not let it be known.

    Parameters
    ----------
    band_hz
        Centre of the octave, or None for broadband.
    edt_s, t20_s, t30_s
        Seconds for 60 dB by the ranges of ISO 3382-1.
    range_db
        From the level at the release down to the noise.
    nonlinearity_permille
        ``1000 (1 - r^2)`` of the best range's fit; see `STRAIGHT_PERMILLE`.
    """

    band_hz: int | None
    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    range_db: float
    nonlinearity_permille: float | None

    @property
    def reverberation_s(self) -> float | None:
        """The widest range that is known: T30, else T20."""
        return self.t30_s if self.t30_s is not None else self.t20_s

    @property
    def is_straight(self) -> bool:
        """Whether no fit says that one time cannot tell this decay."""
        return (self.nonlinearity_permille or 0.0) <= STRAIGHT_PERMILLE


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomDecay:
    """What the take says about the room.

    Parameters
    ----------
    release_s
        Where the last release was found, insert time.
    bands
        Broadband first, then the octaves.
    direct_to_reverberant_db
        From the level before the release against the late decay carried back to it: within 1.5 dB
        from -3 to 6 dB on made decays, rougher below. None after a struck tone, where
        something rings on over the room, and where the late decay is not known.
    noise_dbfs
        Noise floor, broadband, in decibels of full scale (mean square 1 is 0).
    """

    release_s: float
    bands: tuple[BandDecay, ...]
    direct_to_reverberant_db: float | None
    noise_dbfs: float


def measure_decay(sounding: Sounding, release_s: float) -> RoomDecay | None:
    """Measure the decay after the last release; None where the take has no tail.

    Parameters
    ----------
    release_s
        Where the last release is expected.
    """
    start_s = release_s - RELEASE_SEARCH_S[0] - LEAD_S
    length_s = min(sounding.end_s, release_s + MAX_TAIL_S) - start_s
    if sounding.end_s < release_s + MIN_TAIL_S:
        return None
    rate = sounding.rate
    heard = sounding.span(start_s, seconds_to_samples(length_s, rate))
    heard = heard - heard.mean()
    whole = _blocks(heard, rate)
    if whole.max() <= 0.0:
        return None
    release, held = _release_block(whole)
    end = _end_block(whole, release)
    bands = [_band(whole[:end], release, None, held=held)]
    for hz in OCTAVES_HZ:
        if 1.5 * hz < rate / 2:
            bands.append(
                _band(_blocks(_octave(heard, hz, rate), rate)[:end], release, hz, held=held)
            )
    return RoomDecay(
        release_s=start_s + release * BLOCK_S,
        bands=tuple(bands),
        direct_to_reverberant_db=(
            _direct_to_reverberant_db(whole[:end], release) if held else None
        ),
        noise_dbfs=energy_to_db(_noise_and_knee(whole[release:end])[0]),
    )


def _blocks(heard: FloatArray, rate: int) -> FloatArray:
    size = seconds_to_samples(BLOCK_S, rate)
    count = len(heard) // size
    return np.asarray(np.mean(heard[: count * size].reshape(count, size) ** 2, axis=1))


def _octave(heard: FloatArray, hz: int, rate: int) -> FloatArray:
    """Octave band, filtered backwards so that the filter's ringing precedes the decay."""
    from scipy.signal import butter, sosfilt  # noqa: PLC0415 (slow to import)

    root = np.sqrt(2.0)
    sos = butter(3, (hz / root, hz * root), btype="band", fs=rate, output="sos")
    return np.asarray(sosfilt(sos, heard[::-1])[::-1])


def _smooth(energy: FloatArray, blocks: int) -> FloatArray:
    kernel = np.ones(blocks) / blocks
    edge = np.pad(energy, (blocks // 2, blocks - 1 - blocks // 2), mode="edge")
    return np.convolve(edge, kernel, mode="valid")


def _release_block(energy: FloatArray) -> tuple[int, bool]:
    """Find the last release: its block, and whether a tone was held until it.

    After a held tone it is where a steady level best gives way to a falling line; after a stroke
    it is the peak.
    """
    reach = min(int((sum(RELEASE_SEARCH_S) + LEAD_S) / BLOCK_S), len(energy))
    level = _level_db(energy, float(energy.max()) * 1e-12)
    peak = int(np.argmax(energy[:reach]))
    before = float(np.mean(energy[max(peak - 20, 0) : max(peak - 4, 1)]))
    if before < 0.1 * energy[peak]:
        return peak, False
    top = float(np.median(level[: int(LEAD_S / BLOCK_S)]))
    fallen = np.flatnonzero(_smooth(level, 6)[:reach] < top - FALL_SEEN_DB)
    end = max(int(fallen[0]) if len(fallen) else reach, 8)
    return min(range(4, end - 3), key=lambda block: _knee_misfit(level[:end], block)), True


def _knee_misfit(level: FloatArray, block: int) -> float:
    """Squared misfit of a level that is steady before a block and falls on a line after it."""
    before, after = level[:block], level[block:]
    t = np.arange(1, len(after) + 1)
    top = float(before.mean())
    slope = min(float(t @ (after - top)) / float(t @ t), 0.0)
    return float(np.sum((before - top) ** 2) + np.sum((after - top - slope * t) ** 2))


def _level_db(energy: FloatArray, least: float) -> FloatArray:
    return np.asarray(10.0 * np.log10(np.maximum(energy, max(least, 1e-30))))


def _end_block(energy: FloatArray, release: int) -> int:
    """Where a new sound ends the tail, or the end."""
    smooth = _smooth(energy, 20)[release:]
    lowest = np.minimum.accumulate(smooth)
    returns = smooth > lowest * 10 ** (RETURN_DB / 10)
    held = np.convolve(returns, np.ones(20))[19:] >= 20
    again = np.flatnonzero(held)
    return release + int(again[0]) if len(again) else len(energy)


def _noise_and_knee(decay: FloatArray) -> tuple[float, int]:
    """Mean noise energy, and the block at which the decay meets it."""
    count = len(decay)
    noise = float(np.mean(decay[-max(count // 10, 4) :]))
    smooth = _smooth(decay, 10)
    knee = count
    for _ in range(6):
        top_db, low_db = energy_to_db(float(smooth[0])), energy_to_db(noise) + 8.0
        if noise <= 0.0 or top_db - low_db < 6.0:
            break
        level = 10.0 * np.log10(np.maximum(smooth, noise * 1e-9))
        below = np.flatnonzero(level < low_db)
        last = int(below[0]) if len(below) else count
        first = int(np.argmax(level < top_db - 3.0))
        if last - first < 6:
            break
        slope, at_zero = np.polyfit(np.arange(first, last), level[first:last], 1)
        if slope >= 0.0:
            break
        knee = int(min(max((energy_to_db(noise) - at_zero) / slope, last), count))
        beyond = int(min(knee + 5.0 / -slope, 0.95 * count))
        noise = float(np.mean(decay[beyond:])) if beyond < count - 3 else noise
    return noise, knee


def stroke_curve_db(decay: FloatArray) -> FloatArray:
    """Level of the backward integral of a decay, by blocks from the stroke: 0 dB at the start."""
    noise, knee = _noise_and_knee(decay)
    integral = np.cumsum((decay[:knee] - noise)[::-1])[::-1] + _beyond(decay, noise, knee)
    return _level_db(integral / integral[0], 0.0)


def release_curve_db(decay: FloatArray, full: float) -> FloatArray:
    """Level of a decay, by blocks from the release of a held tone on: 0 dB at its `full` energy."""
    noise, knee = _noise_and_knee(decay)
    clean = np.maximum(_smooth(decay, 6)[:knee] - noise, 0.0)
    return _level_db(clean / max(full - noise, 1e-30), 0.0)


def _beyond(decay: FloatArray, noise: float, knee: int) -> float:
    """Energy of the decay that lies under the noise, as an exponential."""
    back = max(knee - 40, knee // 2)
    if noise <= 0.0 or knee - back < 4:
        return 0.0
    level = _level_db(_smooth(decay, 10)[back:knee] - noise, noise * 1e-3)
    slope = float(np.polyfit(np.arange(len(level)), level, 1)[0])
    if slope * len(level) > -MIN_FALL_DB:
        return 0.0
    step = 10 ** (slope / 10.0)
    return noise * step / (1.0 - step)


def _band(energy: FloatArray, release: int, band_hz: int | None, *, held: bool) -> BandDecay:
    decay = energy[release:]
    full = _full(energy, release) if held else float(decay[:2].mean())
    curve = release_curve_db(decay, full) if held else stroke_curve_db(decay)
    noise, _ = _noise_and_knee(decay)
    range_db = min(energy_to_db(full) - energy_to_db(noise), MAX_RANGE_DB)
    fits = {
        name: _fit(curve, high_db, low_db) if range_db >= low_db + HEADROOM_DB else None
        for name, (high_db, low_db) in RANGES_DB.items()
    }
    best = fits["t30"] or fits["t20"] or fits["edt"]
    return BandDecay(
        band_hz=band_hz,
        edt_s=_seconds(fits["edt"]),
        t20_s=_seconds(fits["t20"]),
        t30_s=_seconds(fits["t30"]),
        range_db=range_db,
        nonlinearity_permille=best[1] if best else None,
    )


def _full(energy: FloatArray, release: int) -> float:
    """Mean energy of the held tone before its release."""
    return float(np.mean(energy[max(release - int(LEAD_S / BLOCK_S), 0) : max(release - 1, 1)]))


def _seconds(fit: tuple[float, float] | None) -> float | None:
    return fit[0] if fit else None


def _fit(curve: FloatArray, high_db: float, low_db: float) -> tuple[float, float] | None:
    """Seconds for 60 dB between two levels of the curve, and how far it is from a line."""
    below = np.flatnonzero(curve < -low_db)
    if len(below) == 0:
        return None
    above = np.flatnonzero(curve[: below[0]] >= -high_db)
    inside = np.arange(int(above[-1]) if len(above) else 0, int(below[0]))
    if len(inside) < 4:
        return None
    slope, at_zero = np.polyfit(inside, curve[inside], 1)
    if slope >= 0.0:
        return None
    rest = curve[inside] - (slope * inside + at_zero)
    r_squared = 1.0 - float(np.mean(rest**2) / np.var(curve[inside]))
    return float(-60.0 / slope * BLOCK_S), 1000.0 * (1.0 - r_squared)


def _direct_to_reverberant_db(energy: FloatArray, release: int) -> float | None:
    """Ratio from the held level and the late decay carried back to the release."""
    full = _full(energy, release)
    curve = release_curve_db(energy[release:], full)
    late = np.flatnonzero(curve < -LATE_DB[0])
    end = np.flatnonzero(curve < -LATE_DB[1])
    if len(late) == 0 or len(end) == 0 or end[0] - late[0] < 8:
        return None
    t = np.arange(late[0], end[0])
    slope, at_zero = np.polyfit(t, curve[t], 1)
    if slope >= 0.0:
        return None
    share = 10 ** (float(at_zero) / 10.0)
    if share >= 1.0:
        # Something rings beyond the room (a harp, a piano): no ratio can be read from this.
        return None
    return max(-10.0 * float(np.log10(share / (1.0 - share))), MIN_RATIO_DB)
