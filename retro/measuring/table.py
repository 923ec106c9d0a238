"""A measurement as plain data: for JSON, and as rows of a table."""

from collections.abc import Iterator, Sequence
from statistics import median

from retro.errors import TakeError
from retro.measuring.decay import BandDecay
from retro.measuring.measure import Measurement
from retro.model.encoding import plain

Row = tuple[str, str, str]
"""What, value, unit."""


def measurement_document(one: Measurement) -> dict[str, object]:
    """Return a measurement as JSON has it; keys as the fields of `Measurement`."""
    same = (
        *("name", "rate", "lateness_ms", "lateness_uncertainty_ms", "anchor_lateness_ms"),
        *("anchor_lateness_uncertainty_ms", "spread_ms", "drift_ms", "shift_ms", "shift_samples"),
        *("clip_lands_ms", "attacks", "heard", "agreement", "over_chance"),
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
        "microphones": plain(one.microphones),
        "findings": plain(one.findings),
    }


def _band_document(band: BandDecay) -> dict[str, object]:
    keys = ("band_hz", "edt_s", "t20_s", "t30_s", "range_db", "nonlinearity_permille")
    return {key: getattr(band, key) for key in keys}


def measurement_rows(one: Measurement) -> list[Row]:
    """Return a measurement as rows."""
    return [*_lateness_rows(one), *_room_rows(one)]


def _lateness_rows(one: Measurement) -> Iterator[Row]:
    doubt = one.lateness_uncertainty_ms
    yield "lateness", f"{one.lateness_ms:+.1f}", f"ms later than written, within {doubt:.0f} ms"
    if one.anchor_lateness_ms is not None:
        doubt = one.anchor_lateness_uncertainty_ms or 0.0
        yield "at the anchor", f"{one.anchor_lateness_ms:+.1f}", f"ms, within {doubt:.0f} ms"
    if len(one.microphones) > 1 or one.microphones[0].players:
        for each in one.microphones:
            whose = ", ".join(each.players) or "all players"
            said = f"ms ({whose}), within {each.lateness_uncertainty_ms:.0f} ms"
            yield f"in {each.name}", f"{each.lateness_ms:+.1f}", said
    yield "spread", _known(one.spread_ms, ".1f"), "ms from attack to attack"
    yield "drift", _known(one.drift_ms, "+.1f"), "ms from the phrase's start to its end"
    by = "the anchor's lateness" if one.is_by_anchor else "the lateness"
    yield "shift", f"{one.shift_ms:+.1f}", f"ms: what the paper needs, and {by}"
    yield "shift", f"{one.shift_samples}", f"samples at {one.rate} Hz, later is positive"
    if one.clip_lands_ms is not None:
        yield "clip lands", f"{one.clip_lands_ms:+.1f}", "ms late if laid at the stated place"
    yield "attacks heard", f"{one.heard}", f"of {one.attacks} groups"
    yield "agreement", f"{one.agreement:.0%}", "of the plan's attacks are there together"
    yield "over chance", f"{one.over_chance:.1f}", "deviations above shuffled pitches"


def _room_rows(one: Measurement) -> Iterator[Row]:
    if one.decay is None:
        return
    for band in one.decay.bands:
        name = "all" if band.band_hz is None else f"{band.band_hz} Hz"
        times = ", ".join(
            f"{label} {_known(value, '.2f')}"
            for label, value in (("EDT", band.edt_s), ("T20", band.t20_s), ("T30", band.t30_s))
        )
        line = "" if band.is_straight else "; no straight line"
        yield f"decay {name}", _known(band.reverberation_s, ".2f"), f"s ({times}{line})"
    ratio = one.decay.direct_to_reverberant_db
    yield "direct to reverberant", _known(ratio, "+.1f"), "dB, estimated"
    yield "noise floor", f"{one.decay.noise_dbfs:.1f}", "dBFS"


def room_settings(measured: Sequence[Measurement]) -> str:
    """Return the room as settings in TOML: medians over the takes that know it.

    Raises
    ------
    TakeError
        If none of them knows how long the room rings.
    """
    decays = [one.decay for one in measured if one.decay is not None]
    times_s = [s for decay in decays if (s := decay.bands[0].reverberation_s) is not None]
    ratios_db = [db for decay in decays if (db := decay.direct_to_reverberant_db) is not None]
    if not times_s:
        raise TakeError(
            "no take tells how long the room rings, so there is nothing to write",
            advice="export more of the tail, from a quieter microphone",
        )
    lines = ["[room]", f"reverberation_s = {median(times_s):.2f}"]
    if ratios_db:
        lines.append(f"direct_to_reverberant_db = {median(ratios_db):.1f}")
    return "\n".join([*lines, ""])


def ranking_rows(ranked: Sequence[Measurement]) -> list[tuple[str, ...]]:
    """Return several takes as a table with its heading, the tightest first."""
    heading = ("take", "lateness ms", "spread ms", "drift ms", "shift samples", "heard", "room s")
    rows: list[tuple[str, ...]] = [heading]
    for one in ranked:
        room_s = one.decay.bands[0].reverberation_s if one.decay else None
        rows.append(
            (
                one.name,
                f"{one.lateness_ms:+.1f}",
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
