"""A measurement as plain data: for JSON, and as rows of a table."""

from collections.abc import Iterator, Sequence

from retro.measuring.decay import BandDecay
from retro.measuring.measure import Measurement
from retro.model.encoding import plain

Row = tuple[str, str, str]
"""What, value, unit."""


def measurement_document(one: Measurement) -> dict[str, object]:
    """Return a measurement as JSON has it; keys as the fields of `Measurement`."""
    same = (
        *("name", "rate", "late_ms", "sure_ms", "spread_ms", "drift_ms", "lands_late_ms"),
        *("predicted_ms", "shift_samples", "clip_lands_ms", "attacks", "heard", "agreement"),
    )
    decay = one.decay
    return {key: getattr(one, key) for key in same} | {
        "decay": None
        if decay is None
        else {
            "release_s": decay.release_s,
            "direct_to_reverberant_db": decay.direct_to_reverberant_db,
            "noise_dbfs": decay.noise_dbfs,
            "bands": [_band_document(band) for band in decay.bands],
        },
        "findings": plain(one.findings),
    }


def _band_document(band: BandDecay) -> dict[str, object]:
    keys = ("band_hz", "edt_s", "t20_s", "t30_s", "range_db", "nonlinearity_permille")
    return {key: getattr(band, key) for key in keys}


def measurement_rows(one: Measurement) -> list[Row]:
    """Return a measurement as rows."""
    return [*_lateness_rows(one), *_room_rows(one)]


def _lateness_rows(one: Measurement) -> Iterator[Row]:
    yield "late", f"{one.late_ms:+.1f}", f"ms against the paper, sure to {one.sure_ms:.0f} ms"
    yield "spread", _known(one.spread_ms, ".1f"), "ms from player to player"
    yield "drift", _known(one.drift_ms, "+.1f"), "ms from the phrase's start to its end"
    yield "lands late", f"{one.lands_late_ms:+.1f}", f"ms; the plan foresaw {one.predicted_ms:+.1f}"
    yield "shift", f"{one.shift_samples}", f"samples at {one.rate} Hz, later is positive"
    if one.clip_lands_ms is not None:
        yield "clip lands", f"{one.clip_lands_ms:+.1f}", "ms late if laid at the stated place"
    yield "attacks heard", f"{one.heard}", f"of {one.attacks}"
    yield "agreement", f"{one.agreement:.0%}", "of the plan's attacks are there together"


def _room_rows(one: Measurement) -> Iterator[Row]:
    if one.decay is None:
        return
    for band in one.decay.bands:
        name = "all" if band.band_hz is None else f"{band.band_hz} Hz"
        times = ", ".join(
            f"{label} {_known(value, '.2f')}"
            for label, value in (("EDT", band.edt_s), ("T20", band.t20_s), ("T30", band.t30_s))
        )
        yield f"decay {name}", _known(band.reverberation_s, ".2f"), f"s ({times})"
    ratio = one.decay.direct_to_reverberant_db
    yield "direct to reverberant", _known(ratio, "+.1f"), "dB, estimated"
    yield "noise floor", f"{one.decay.noise_dbfs:.1f}", "dBFS"


def ranking_rows(ranked: Sequence[Measurement]) -> list[tuple[str, ...]]:
    """Return several takes as a table with its heading, the tightest first."""
    heading = ("take", "late ms", "spread ms", "drift ms", "shift samples", "heard", "room s")
    rows: list[tuple[str, ...]] = [heading]
    for one in ranked:
        room_s = one.decay.bands[0].reverberation_s if one.decay else None
        rows.append(
            (
                one.name,
                f"{one.late_ms:+.1f}",
                _known(one.spread_ms, ".1f"),
                _known(one.drift_ms, "+.1f"),
                f"{one.shift_samples}",
                f"{one.heard}/{one.attacks}",
                _known(room_s, ".2f"),
            )
        )
    return rows


def _known(value: float | None, form: str) -> str:
    return "unknown" if value is None else format(value, form)
