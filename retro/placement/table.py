"""A placement as rows of a table."""

import csv
import io
from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple

from retro.model.placement import Placement, SongPlace
from retro.units import nearest

HEADS = ("what", "value", "unit", "sub-frame, samples", "TimeReference")
OWN_RATE = "the session's own rate"


class Row(NamedTuple):
    """One row of the table; command, CSV, session sheet and its calculator all print these.

    Parameters
    ----------
    key
        Name of the row for programs.
    what, value, unit
        What is read.
    subframe, time_reference
        Of a timecode: samples past the frame, and the BWF TimeReference of a session that counts
        so.
    is_calculated
        Whether the row depends on the take or the session, so that the sheet calculates it anew.
    is_own
        Whether it is the timecode at the session's own rate.
    """

    key: str
    what: str
    value: str
    unit: str
    subframe: str = ""
    time_reference: str = ""
    is_calculated: bool = True
    is_own: bool = False

    @property
    def cells(self) -> tuple[str, ...]:
        """What stands under `HEADS`."""
        return self[1:6]


def placement_rows(placement: Placement) -> list[Row]:
    """Return a placement as rows, what an engineer types in first."""
    return [*_where(placement), *_timecodes(placement), *_take(placement), *_sure(placement)]


def placement_csv(placement: Placement) -> str:
    """Return the rows as CSV, with a head; lines end as RFC 4180 has it."""
    text = io.StringIO(newline="")
    rows = (row.cells for row in placement_rows(placement))
    csv.writer(text).writerows([HEADS, *rows])
    return text.getvalue()


def _where(placement: Placement) -> Iterator[Row]:
    rate = placement.rate
    start_ms = f"{nearest(Fraction(placement.clip_start_samples * 10**6, rate)) / 1000:.3f}"
    start, swell = placement.clip_start, placement.swell_audible_from
    yield Row(
        "clip_start", "clip starts", f"{placement.clip_start_samples}", f"samples at {rate} Hz"
    )
    yield Row("clip_start_ms", "clip starts", start_ms, "ms from the song's first frame")
    yield Row("clip_start_bar", "clip starts", _bar_and_beat(start), "bar/beat of the song")
    reference = _or_none(placement.time_reference_samples)
    yield Row("time_reference", "BWF TimeReference", reference, "samples")
    yield Row("swell", "swell is audible from", _bar_and_beat(swell), "bar/beat of the song")


def _timecodes(placement: Placement) -> Iterator[Row]:
    for name, at in placement.timecodes.items():
        is_own = name == placement.frame_rate
        if at.timecode is None or at.subframe_samples is None:
            label, subframe = "none", ""
            unit = f"{placement.session_start} is no label at this rate"
        else:
            label, subframe = at.timecode, f"{nearest(at.subframe_samples * 100) / 100:.2f}"
            unit = OWN_RATE if is_own else ""
        yield Row(
            f"timecode {name}",
            f"timecode {name}",
            label,
            unit,
            subframe,
            _or_none(at.time_reference_samples),
            is_own=is_own,
        )


def _take(placement: Placement) -> Iterator[Row]:
    frame = "frame of the take"
    roll = f"bars after the phrase ({float(placement.roll_s):.2f} s)"
    release = f"{placement.last_release_s:.3f}"
    fall = f"{placement.silent_s - placement.last_release_s:.2f}"
    yield Row("phrase_start", "phrase starts", f"{placement.phrase_start_samples}", frame)
    yield Row("phrase_end", "phrase ends", f"{placement.phrase_end_samples}", frame)
    yield Row(
        "export_start", "flip from", f"{placement.export_start_samples}", f"{frame}: first attack"
    )
    yield Row("export_end", "flip to", f"{placement.export_end_samples}", frame)
    yield Row("tail", "tail kept", f"{placement.tail_kept_samples}", "samples after the phrase")
    yield Row(
        "length",
        "clip length",
        f"{placement.clip_length_samples}",
        "samples; short fade at its end",
    )
    yield Row("roll", "keep rolling", f"{placement.roll_bars}", roll, is_calculated=False)
    yield Row(
        "release",
        "last release",
        release,
        "s from bar 1; the click stops here",
        is_calculated=False,
    )
    yield Row("fall", "fall by 60 dB", fall, "s after the last release", is_calculated=False)


def anchored(placement: Placement) -> str:
    """Return who lands on the anchor, and who lands beside it."""
    anchor = placement.anchor
    if anchor is None:
        return ""
    said = [f"({', '.join(anchor.players)}): 0 ms"] if anchor.players else []
    said += [
        f"{name} lands {abs(ms):.0f} ms {'late' if ms > 0 else 'early'} there"
        for name, ms in anchor.apart_ms.items()
    ]
    return "; ".join(said)


def _sure(placement: Placement) -> Iterator[Row]:
    unit = f"samples, as {placement.shift_from}"
    yield Row("shift", "shift", f"{placement.shift_samples}", unit)
    if placement.anchor is not None:
        yield Row(
            "anchor",
            "anchored on the landing",
            f"bar {placement.anchor.bar} beat {float(placement.anchor.beat):.4g}",
            anchored(placement),
            is_calculated=False,
        )
    spread = f"{placement.spread_ms:.0f}"
    yield Row("spread", "spread", spread, "ms either way: what the ear may still move")
    for at in placement.microphones:
        yield Row(
            f"microphone {at.distance_m:g}",
            f"microphone at {at.distance_m:g} m",
            f"{at.delay_ms:.2f}",
            "ms later in the take, earlier in the clip; leave it so",
            is_calculated=False,
        )


def _or_none(samples: int | None) -> str:
    return "none" if samples is None else f"{samples}"


def _bar_and_beat(place: SongPlace) -> str:
    # A spreadsheet reads "-1/1.0000" as a formula; so a bar before the song is named.
    bar = f"bar {place.bar}" if place.bar < 0 else f"{place.bar}"
    return f"{bar}/{float(place.beat):.4f}"
