"""The time picture: target, what is played and what is heard after the flip, on one time axis.

Window time runs from left to right with the song's bars above. What is played is drawn turned
round, under what it becomes, so that the insert's bars run from right to left below. A swell is
drawn as high as its level in decibels, from just audible to that of the loudest tone; a landing is
a mark.
"""

import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from retro.model.performance import Performance, PlayedNote
from retro.model.sound import FloatArray
from retro.model.time import Bar, beat_words, printed_place, pulses
from retro.model.tones import Look, Tones
from retro.units import db_to_energy, velocity_to_db

LABELS_PX = 150.0
PLOT_PX = 1010.0
MARGIN_PX = 20.0
HEAD_PX = 56.0
FOOT_PX = 58.0
STRIP_PX = 20.0
GAP_PX = 10.0
NOTE_PX = 5.0
FLANK_POINTS = 14
"""Points of the swell, of what is held, and of the landing."""

RISES = 3.0
"""Attacks that the drawn landing takes."""

MAX_LEAD_S = 8.0
"""Pre-swells that begin earlier than this before the window are cut off in the picture."""

STRIPS = ("target", "played", "heard")
FONT = "'Libertinus Serif', 'New Computer Modern', Georgia, serif"
STYLE = f"""
text {{ font: 11px {FONT}; fill: #111; }}
text.head {{ font-size: 16px; }}
text.small {{ font-size: 9px; fill: #444; }}
.bar {{ stroke: #777; stroke-width: 1; }}
.beat {{ stroke: #ddd; stroke-width: 0.6; }}
.edge {{ stroke: #111; stroke-width: 1.6; }}
.target {{ fill: #fff; stroke: #111; stroke-width: 1; }}
.played {{ fill: #b5b5b5; stroke: #555; stroke-width: 0.6; }}
.heard {{ fill: #333; fill-opacity: 0.75; stroke: none; }}
.landing {{ fill: #111; stroke: #fff; stroke-width: 0.8; }}
.rule {{ stroke: #bbb; stroke-width: 0.6; }}
"""

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """Where seconds of window time lie in the picture."""

    start_s: float
    end_s: float

    def x(self, time_s: float) -> float:
        share = (min(max(time_s, self.start_s), self.end_s) - self.start_s) / (
            self.end_s - self.start_s
        )
        return MARGIN_PX + LABELS_PX + share * PLOT_PX


def picture_svg(performance: Performance) -> str:
    """Return the time picture of a performance as a self-contained SVG document.

    Every note is a group with the attribute ``data-note`` (its index in `Performance.notes`) and a
    title that states its values.
    """
    scale = _scale(performance)
    height = HEAD_PX + FOOT_PX + len(performance.players) * (3 * STRIP_PX + GAP_PX)
    width = 2 * MARGIN_PX + LABELS_PX + PLOT_PX
    root = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {_px(width)} {_px(height)}",
            "width": _px(width),
            "height": _px(height),
            "role": "img",
            "aria-label": "Target, played and heard on one time axis",
        },
    )
    ET.SubElement(root, "style").text = STYLE
    ET.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": "#fff"})
    _draw_head(root, performance)
    _draw_bars(root, performance, scale, height)
    envelopes = heard_envelopes(performance)
    for index in range(len(performance.players)):
        _draw_part(root, performance, index, scale, envelopes)
    _draw_foot(root, height)
    return ET.tostring(root, encoding="unicode")


def picture_span(performance: Performance) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the plot's span, in seconds of window time and in pixels of the picture."""
    scale = _scale(performance)
    return (scale.start_s, scale.end_s), (scale.x(scale.start_s), scale.x(scale.end_s))


def picture_png(svg: str, *, dots_per_inch: float = 144.0) -> bytes:
    """Turn the picture into a PNG."""
    import typst  # noqa: PLC0415 - heavy, and only needed for a PNG

    source = (
        "#set page(width: auto, height: auto, margin: 0pt)\n"
        '#image(bytes(sys.inputs.svg), format: "svg")\n'
    )
    png = typst.compile(
        source.encode(),
        format="png",
        ppi=dots_per_inch,
        sys_inputs={"svg": svg},
        ignore_system_fonts=True,
    )
    return bytes(png)


def _scale(performance: Performance) -> _Scale:
    length_s = float(performance.target.length_s)
    first_s = min(
        (n.audible_from_s for n in performance.notes if n.audible_from_s is not None), default=0.0
    )
    last_s = max((length_s - note.played_on_s for note in performance.notes), default=length_s)
    return _Scale(start_s=max(min(first_s, 0.0), -MAX_LEAD_S), end_s=max(last_s, length_s) + 0.05)


def _draw_head(root: ET.Element, performance: Performance) -> None:
    title = f"{performance.target.title}: insert {performance.settings.letter}, turned round"
    _text(root, (MARGIN_PX, 22), title, "head")


def _draw_bars(root: ET.Element, performance: Performance, scale: _Scale, height: float) -> None:
    seconds_at = performance.target.tempo.seconds_at
    top, bottom = HEAD_PX - 6, height - FOOT_PX + 4
    bars = performance.target.bars
    letter = performance.settings.letter
    beats: dict[int, list[Fraction]] = defaultdict(list)
    for at, place in pulses(bars):
        beats[place.bar - 1].append(at)
    for index, bar in enumerate(bars):
        for x in (scale.x(float(seconds_at(at))) for at in beats[index] if at != bar.start_beats):
            _line(root, (x, top), (x, bottom), "beat")
        x, end_x = (scale.x(float(seconds_at(at))) for at in (bar.start_beats, bar.end_beats))
        _line(root, (x, top), (x, bottom), "edge" if index == 0 else "bar")
        _text(root, (x + 3, HEAD_PX - 10), _bar_label(bars, index))
        number = f"{letter}{len(bars) - index}"
        _text(root, (end_x - 3, bottom + 12), number, anchor="end")
    x = scale.x(float(performance.target.length_s))
    _line(root, (x, top), (x, bottom), "edge")
    _text(root, (MARGIN_PX, HEAD_PX - 10), "song bar")
    _text(root, (MARGIN_PX, bottom + 12), "insert bar, right to left")


def _bar_label(bars: Sequence[Bar], index: int) -> str:
    """Return the number of a bar, with the beat where the window begins inside it."""
    place = printed_place(bars, bars[index].start_beats)
    return f"{place.bar}" if place.beat == 1 else f"{place.bar} beat {beat_words(place.beat)}"


def _draw_part(
    root: ET.Element,
    performance: Performance,
    index: int,
    scale: _Scale,
    envelopes: tuple[FloatArray, FloatArray],
) -> None:
    top = HEAD_PX + index * (3 * STRIP_PX + GAP_PX)
    bottom = top + 3 * STRIP_PX
    _text(root, (MARGIN_PX, top + 14), _shortened(performance.players[index].name))
    for strip, name in enumerate(STRIPS):
        label_x = MARGIN_PX + LABELS_PX - 4
        _text(root, (label_x, top + strip * STRIP_PX + 13), name, "small", anchor="end")
    _line(root, (MARGIN_PX, bottom + 4), (scale.x(scale.end_s), bottom + 4), "rule")
    notes = [(i, note) for i, note in enumerate(performance.notes) if note.part == index]
    pitches = [note.target.pitch for _, note in notes]
    low, span = min(pitches), max(max(pitches) - min(pitches), 1)
    for i, note in notes:
        group = ET.SubElement(root, "g", {"class": "note", "data-note": str(i)})
        ET.SubElement(group, "title").text = _values(note)
        lift = (note.target.pitch - low) / span * (STRIP_PX - 2 * NOTE_PX - 4)
        envelope = (envelopes[0][i], envelopes[1][i])
        base = top + STRIP_PX - lift
        _draw_note(group, performance, note, envelope=envelope, scale=scale, base=base)


def _draw_note(
    group: ET.Element,
    performance: Performance,
    note: PlayedNote,
    *,
    envelope: tuple[FloatArray, FloatArray],
    scale: _Scale,
    base: float,
) -> None:
    length_s = float(performance.target.length_s)
    _box(group, scale, (note.target_on_s, note.target_off_s), base, "target")
    _box(
        group,
        scale,
        (length_s - note.played_off_s, length_s - note.played_on_s),
        base + STRIP_PX,
        "played",
    )
    foot = base + 2 * STRIP_PX
    times_s, levels_db = envelope
    heights = np.clip(levels_db / performance.settings.audible_db, 0.0, 1.0)
    if note.audible_from_s is not None:
        points = [
            f"{_px(scale.x(float(t)))},{_px(foot - NOTE_PX * 2 * float(h))}"
            for t, h in zip(times_s, heights, strict=True)
        ]
        ET.SubElement(group, "polygon", {"class": "heard", "points": " ".join(points)})
    if note.lands_s is None:
        return
    land_x = scale.x(note.lands_s)
    top = _px(foot - 16)
    mark = f"{_px(land_x)},{_px(foot - 11)} {_px(land_x - 3)},{top} {_px(land_x + 3)},{top}"
    ET.SubElement(group, "polygon", {"class": "landing", "points": mark})


def heard_envelopes(performance: Performance) -> tuple[FloatArray, FloatArray]:
    """Return what is heard of every note after the flip, in arrays of shape (notes, instants).

    These are instants on window time, rising, and the levels there in decibels above the threshold
    of audibility.
    """
    tones = Tones.of(performance)
    velocities = [note.target.velocity for note in performance.notes]
    struck = np.array([db_to_energy(velocity_to_db(velocity)) for velocity in velocities])
    look = Look.at(tones)
    loudest = float(np.max(look.greatest * struck, initial=0.0))
    heard_from = db_to_energy(-performance.settings.audible_db) * loudest / struck
    end_s = look.crossings(heard_from).last_s
    end_s = np.where(np.isnan(end_s), tones.start_s, end_s)
    stop_s = np.minimum(np.where(tones.is_struck, tones.start_s, tones.stop_s), end_s)
    rise_s = np.minimum(RISES * tones.attack_s, end_s - tones.start_s)
    risen_s = np.minimum(tones.start_s + rise_s, np.maximum(stop_s, tones.start_s))
    risen_s = np.where(tones.is_struck, tones.start_s + rise_s, risen_s)
    marks_s = np.stack([tones.start_s, risen_s, np.maximum(stop_s, risen_s), end_s], axis=1)
    shares = np.linspace(0.0, 1.0, FLANK_POINTS)
    flanks = [marks_s[:, [k]] + (marks_s[:, [k + 1]] - marks_s[:, [k]]) * shares for k in range(3)]
    t_s = np.concatenate(flanks, axis=1)
    energy = tones.energy(t_s) / heard_from[:, np.newaxis]
    level_db = 10.0 * np.log10(np.maximum(energy, 1e-30))
    return float(performance.target.length_s) - t_s[:, ::-1], level_db[:, ::-1]


def _draw_foot(root: ET.Element, height: float) -> None:
    y = height - 14
    x = MARGIN_PX
    for name, words in (
        ("target", "target: what the listener shall hear"),
        ("played", "played, turned round: reads from right to left"),
        ("heard", "heard after the flip: rises as its level in dB, lands at the mark"),
    ):
        box = {"x": _px(x), "y": _px(y - 8), "width": "18", "height": "8", "class": name}
        ET.SubElement(root, "rect", box)
        _text(root, (x + 24, y), words)
        x += 330


def _values(note: PlayedNote) -> str:
    lines = [
        f"pitch {note.target.pitch}, wanted {note.target_on_s:.3f} to {note.target_off_s:.3f} s",
        f"played {note.played_on_s:.3f} to {note.played_off_s:.3f} s of the insert",
        f"heard from {_moment(note.audible_from_s)}, begins {_moment(note.onset_s)}",
        f"full {note.full_s:.3f} s, lands {_moment(note.lands_s)}",
    ]
    return "\n".join(lines)


def _moment(at_s: float | None) -> str:
    return "at no moment" if at_s is None else f"{at_s:.3f} s"


def _shortened(name: str, longest: int = 20) -> str:
    return name if len(name) <= longest else f"{name[: longest - 1]}…"


def _box(
    group: ET.Element, scale: _Scale, span_s: tuple[float, float], base: float, kind: str
) -> None:
    left, right = scale.x(span_s[0]), scale.x(span_s[1])
    ET.SubElement(
        group,
        "rect",
        {
            "class": kind,
            "x": _px(left),
            "y": _px(base - NOTE_PX),
            "width": _px(max(right - left, 0.8)),
            "height": _px(NOTE_PX),
        },
    )


def _line(root: ET.Element, start: Point, end: Point, kind: str) -> None:
    (x1, y1), (x2, y2) = start, end
    ET.SubElement(
        root,
        "line",
        {"class": kind, "x1": _px(x1), "y1": _px(y1), "x2": _px(x2), "y2": _px(y2)},
    )


def _text(
    root: ET.Element, at: Point, words: str, kind: str = "", *, anchor: str = "start"
) -> None:
    attributes = {"x": _px(at[0]), "y": _px(at[1]), "text-anchor": anchor}
    if kind:
        attributes["class"] = kind
    ET.SubElement(root, "text", attributes).text = words


def _px(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
