"""A placement as plain data: as ``docs/plan.schema.json`` has it, and as rows of a table."""

import csv
import io
from collections.abc import Iterator

from retro.model.performance import Finding
from retro.placement.place import Placement, SongPlace
from retro.units import samples_to_seconds, seconds_to_ms

Row = tuple[str, str, str]
"""What, value, unit."""


def placement_document(placement: Placement) -> dict[str, object]:
    """Give a placement as JSON has it."""
    same = (
        *("rate", "length_samples", "roll_bars", "roll_samples", "tail_kept_samples"),
        *("window_start_samples", "shift_samples", "shift_ms", "shift_from", "spread_ms"),
        *("clip_start_samples", "clip_length_samples", "pre_roll_samples", "first_attack_s"),
        *("last_release_s", "silent_s", "audible_from_s", "attack_doubt_ms"),
        *("phrase_start_samples", "phrase_end_samples", "export_start_samples"),
        *("export_end_samples", "first_attack_samples", "last_release_samples"),
        *("session_start", "frame_rate", "time_reference_samples"),
    )
    return {key: getattr(placement, key) for key in same} | {
        "roll_s": float(placement.roll_s),
        "clip_start_ms": _clip_start_ms(placement),
        "clip_start": _song_place(placement.clip_start),
        "swell_audible_from": _song_place(placement.swell_audible_from),
        "timecodes": {
            at.name: {
                "timecode": at.timecode,
                "subframe_samples": (
                    None if at.subframe_samples is None else float(at.subframe_samples)
                ),
                "frame_samples": float(at.frame_samples),
                "time_reference_samples": at.time_reference_samples,
            }
            for at in placement.timecodes
        },
        "microphones": [
            {
                "distance_m": microphone.distance_m,
                "delay_ms": microphone.delay_ms,
                "delay_samples": microphone.delay_samples,
            }
            for microphone in placement.microphones
        ],
        "findings": [finding_document(finding) for finding in placement.findings],
    }


def finding_document(finding: Finding) -> dict[str, object]:
    """Give a finding as JSON has it."""
    return {
        "severity": finding.severity.value,
        "kind": finding.kind,
        "player": finding.player,
        "bar": finding.bar,
        "beat": finding.beat,
        "what": finding.what,
        "advice": finding.advice,
    }


def placement_rows(placement: Placement) -> list[Row]:
    """Give a placement as rows, what an engineer types in first."""
    return [*_where(placement), *_timecodes(placement), *_take(placement), *_sure(placement)]


def placement_csv(placement: Placement) -> str:
    """Give the rows as CSV, with a head; lines end as RFC 4180 has it."""
    text = io.StringIO(newline="")
    csv.writer(text).writerows([("what", "value", "unit"), *placement_rows(placement)])
    return text.getvalue()


def _where(placement: Placement) -> Iterator[Row]:
    yield "clip starts", f"{placement.clip_start_samples}", f"samples at {placement.rate} Hz"
    yield "clip starts", f"{_clip_start_ms(placement):.3f}", "ms from the song's first frame"
    yield "clip starts", *_bar_and_beat(placement.clip_start)
    reference = placement.time_reference_samples
    yield "BWF TimeReference", "none" if reference is None else f"{reference}", "samples"
    yield "swell is audible from", *_bar_and_beat(placement.swell_audible_from)


def _timecodes(placement: Placement) -> Iterator[Row]:
    for at in placement.timecodes:
        if at.timecode is None or at.subframe_samples is None:
            unit = f"{placement.session_start} is no label at this rate"
            yield f"timecode {at.name}", "none", unit
        else:
            unit = f"and {float(at.subframe_samples):.2f} samples"
            yield f"timecode {at.name}", at.timecode, unit


def _take(placement: Placement) -> Iterator[Row]:
    fall_s = placement.silent_s - placement.last_release_s
    yield "phrase starts", f"{placement.phrase_start_samples}", "frame of the take"
    yield "phrase ends", f"{placement.phrase_end_samples}", "frame of the take"
    yield "flip from", f"{placement.export_start_samples}", "frame of the take: the first attack"
    yield "flip to", f"{placement.export_end_samples}", "frame of the take"
    yield "tail kept", f"{placement.tail_kept_samples}", "samples after the phrase"
    yield "clip length", f"{placement.clip_length_samples}", "samples; short fade at its end"
    yield "keep rolling", f"{placement.roll_bars}", f"bars after the phrase ({_s(placement)} s)"
    yield "last release", f"{placement.last_release_s:.3f}", "s from bar 1; the click stops here"
    yield "fall by 60 dB", f"{fall_s:.2f}", "s after the last release"


def _sure(placement: Placement) -> Iterator[Row]:
    yield "shift", f"{placement.shift_samples}", f"samples, as {placement.shift_from}"
    yield "spread", f"{placement.spread_ms:.0f}", "ms either way: what the ear may still move"
    for microphone in placement.microphones:
        yield (
            f"microphone at {microphone.distance_m:g} m",
            f"{microphone.delay_ms:.2f}",
            "ms later in the take, earlier in the clip; leave it so",
        )


def _s(placement: Placement) -> str:
    return f"{float(placement.roll_s):.2f}"


def _clip_start_ms(placement: Placement) -> float:
    return seconds_to_ms(samples_to_seconds(placement.clip_start_samples, placement.rate))


def _bar_and_beat(place: SongPlace) -> tuple[str, str]:
    # A spreadsheet reads "-1/1.0000" as a formula; so a bar before the song is named.
    bar = f"bar {place.bar}" if place.bar < 0 else f"{place.bar}"
    return f"{bar}/{float(place.beat):.4f}", "bar/beat of the song"


def _song_place(place: SongPlace) -> dict[str, object]:
    return {
        "seconds": float(place.seconds),
        "samples": place.samples,
        "bar": place.bar,
        "beat": float(place.beat),
    }
