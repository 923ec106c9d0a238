"""The time picture: target, what is played and what is heard after the flip, on one time axis.

Window time runs from left to right with the song's bars above. What is played is drawn turned
round, under what it becomes, so that the insert's bars run from right to left below. A swell is
drawn as high as its level in decibels, from just audible to full; a landing is a mark.
"""

import xml.etree.ElementTree as ET
from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from retro.model.instruments import Sound
from retro.model.performance import Performance, PlayedNote
from retro.model.sound import energy_after_release, energy_after_stroke
from retro.model.time import pulses

LABELS_PX = 150.0
PLOT_PX = 1010.0
MARGIN_PX = 20.0
HEAD_PX = 56.0
FOOT_PX = 58.0
STRIP_PX = 20.0
GAP_PX = 10.0
NOTE_PX = 5.0
SWELL_POINTS = 14
LONGEST_LEAD_S = 8.0
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


def picture_svg(performance: Performance, *, first_bar: int = 1) -> str:
    """Draw the time picture.

    Parameters
    ----------
    performance
        What to draw.
    first_bar
        Number of the window's first bar in the song.

    Returns
    -------
    str
        A self-contained SVG document; every note is a group with the attribute ``data-note`` (its
        index in `Performance.notes`) and a title that states its values.
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
    _draw_bars(root, performance, scale, height, first_bar)
    for index in range(len(performance.players)):
        _draw_part(root, performance, index, scale)
    _draw_foot(root, height)
    return ET.tostring(root, encoding="unicode")


def picture_span(performance: Performance) -> tuple[tuple[float, float], tuple[float, float]]:
    """Give the plot's span, in seconds of window time and in pixels of the picture."""
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
    first_s = min((note.audible_from_s for note in performance.notes), default=0.0)
    last_s = max((length_s - note.played_on_s for note in performance.notes), default=length_s)
    return _Scale(
        start_s=max(min(first_s, 0.0), -LONGEST_LEAD_S), end_s=max(last_s, length_s) + 0.05
    )


def _draw_head(root: ET.Element, performance: Performance) -> None:
    title = f"{performance.target.title}: insert {performance.settings.letter}, turned round"
    _text(root, (MARGIN_PX, 22), title, "head")


def _draw_bars(
    root: ET.Element, performance: Performance, scale: _Scale, height: float, first_bar: int
) -> None:
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
        _text(root, (x + 3, HEAD_PX - 10), str(first_bar + index))
        number = f"{letter}{len(bars) - index}"
        _text(root, (end_x - 3, bottom + 12), number, anchor="end")
    x = scale.x(float(performance.target.length_s))
    _line(root, (x, top), (x, bottom), "edge")
    _text(root, (MARGIN_PX, HEAD_PX - 10), "song bar")
    _text(root, (MARGIN_PX, bottom + 12), "insert bar, right to left")


def _draw_part(root: ET.Element, performance: Performance, index: int, scale: _Scale) -> None:
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
        _draw_note(group, performance, note, scale, top + STRIP_PX - lift)


def _draw_note(
    group: ET.Element, performance: Performance, note: PlayedNote, scale: _Scale, base: float
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
    times_s, heights = _swell(performance, note)
    points = [
        f"{_px(scale.x(t))},{_px(foot - NOTE_PX * 2 * h)}"
        for t, h in zip(times_s, heights, strict=True)
    ]
    land_x = scale.x(note.lands_s)
    points += [f"{_px(land_x)},{_px(foot - NOTE_PX * 2)}", f"{_px(land_x)},{_px(foot)}"]
    ET.SubElement(group, "polygon", {"class": "heard", "points": " ".join(points)})
    top = _px(foot - 16)
    mark = f"{_px(land_x)},{_px(foot - 11)} {_px(land_x - 3)},{top} {_px(land_x + 3)},{top}"
    ET.SubElement(group, "polygon", {"class": "landing", "points": mark})


def _swell(performance: Performance, note: PlayedNote) -> tuple[list[float], list[float]]:
    """Give times and heights (0 just audible, 1 full) of the rising flank."""
    settings = performance.settings
    instrument = performance.players[note.part].instrument
    after_s = np.linspace(0.0, note.full_s - note.audible_from_s, SWELL_POINTS)
    if instrument.sound is Sound.STRUCK:
        damped_at_s = (
            np.inf
            if instrument.damper_s is None
            else note.played_off_s - note.played_on_s - note.attack_s
        )
        energy = energy_after_stroke(
            after_s, note.decay_s, damped_at_s, instrument.damper_s or 1.0, settings.room
        )
    else:
        energy = energy_after_release(after_s, note.decay_s, settings.room)
    heights = np.clip(1.0 + 10.0 * np.log10(energy) / settings.audible_db, 0.0, 1.0)
    return [note.full_s - float(t) for t in after_s[::-1]], [float(h) for h in heights[::-1]]


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
        f"heard from {note.audible_from_s:.3f} s, begins {note.onset_s:.3f} s",
        f"full {note.full_s:.3f} s, lands {note.lands_s:.3f} s",
    ]
    return "\n".join(lines)


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
