"""The engraver's picture of a system, taken apart into shapes of ink.

Conventions
-----------
Places are in the picture's own units from the corner inside its blank edge, downwards; a staff
space is `SPACE` of them. A shape is what one glyph, line or word covers: closed outlines, and their
box (left, top, right, bottom).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.svgLib.path import parse_path
from lxml import etree

from tests.engraving.page_checker.letters import Run, learn, size

SPACE = 180.0
CURVE_STEPS = 6
XLINK = "{http://www.w3.org/1999/xlink}href"
NUMBER = re.compile(r"-?[0-9.]+(?:e-?[0-9]+)?")

KINDS = {
    "notehead": "head",
    "stem": "stem",
    "beam": "beam",
    "flag": "flag",
    "accid": "accidental",
    "rest": "rest",
    "mRest": "rest",
    "multiRest": "rest",
    "dots": "dot",
    "artic": "mark",
    "fermata": "mark",
    "breath": "mark",
    "caesura": "mark",
    "trill": "mark",
    "mordent": "mark",
    "turn": "mark",
    "bTrem": "tremolo",
    "fTrem": "tremolo",
    "stemMod": "tremolo",
    "arpeg": "arpeggio",
    "gliss": "glissando",
    "clef": "clef",
    "keySig": "key",
    "meterSig": "meter",
    "barLine": "bar line",
    "ledgerLines": "ledger line",
    "slur": "slur",
    "tie": "tie",
    "lv": "tie",
    "hairpin": "hairpin",
    "octave": "octave line",
    "pedal": "pedal",
    "tuplet": "tuplet",
    "tupletNum": "tuplet",
    "tupletBracket": "tuplet",
    "dynam": "dynamics",
    "dir": "words",
    "tempo": "words",
    "harm": "words",
    "fing": "words",
    "verse": "words",
    "reh": "rehearsal mark",
    "mNum": "bar number",
    "label": "name",
    "labelAbbr": "name",
    "grpSym": "bracket",
    "staff": "staff line",
    "system": "bar line",
}
"""What a shape is, by the nearest element around it that says so."""

OWNERS = {"note", "chord", "beam", "tuplet", "bTrem", "fTrem"}

BOLD = {"ending", "fing", "reh", "tempo"}
ITALIC = {"dir", "dynam", "mNum"}
"""Kinds of words that the picture's own style rule sets so."""


@dataclass(frozen=True, eq=False)
class Ink:
    """One shape.

    Parameters
    ----------
    piece
        Identity of the sign that it is part of.
    owners
        Identities of the notes, chords, beams and tuplets that it belongs to.
    bar, staff
        Which bar of the system, from 1, and which staff of it, from 1; 0 where it has none.
    """

    kind: str
    box: tuple[float, float, float, float]
    outlines: tuple[np.ndarray, ...]
    piece: str
    owners: frozenset[str]
    bar: int
    staff: int
    layer: str = ""
    words: str = ""

    @property
    def where(self) -> str:
        """Where it stands in its system."""
        return f"bar {self.bar} of its line" + (f", staff {self.staff}" if self.staff else "")


@dataclass
class _Context:
    kind: str = ""
    piece: str = ""
    owners: frozenset[str] = frozenset()
    bar: int = 0
    staff: int = 0
    layer: str = ""
    turned: np.ndarray = field(default_factory=lambda: np.eye(3))


@dataclass
class Picture:
    """The shapes of a system, and the size of its picture, blank edge included."""

    ink: list[Ink] = field(default_factory=list)
    width: float = 0.0
    height: float = 0.0
    edge: float = 0.0
    bars: int = 0
    pieces: int = 0


def read_picture(svg: str) -> Picture:
    """Take a picture apart."""
    root = etree.fromstring(svg.encode())
    learn(run for text in root.iter("{*}text") for run, _ in _runs(text))
    picture = Picture()
    inner = next(e for e in root.iter("{*}svg") if e is not root)
    picture.width, picture.height = map(float, inner.get("viewBox").split()[2:])
    glyphs = {g.get("id"): g for g in root.iter("{*}g") if _name(g.getparent()) == "defs"}
    margin = next(g for g in root.iter("{*}g") if "page-margin" in g.get("class", ""))
    picture.edge = _numbers(margin.get("transform"))[0]
    for element in margin:
        _walk(element, _Context(), picture, glyphs)
    return picture


def _name(element: etree._Element) -> str:
    return etree.QName(element).localname


def _numbers(text: str) -> list[float]:
    return [float(number) for number in NUMBER.findall(text)]


def _walk(element: etree._Element, context: _Context, picture: Picture, glyphs: dict) -> None:
    """Go down the picture, keeping in mind what is round each shape."""
    if not isinstance(element.tag, str):
        return
    if _name(element) != "g":
        picture.ink.extend(_shapes(element, context, glyphs))
        return
    classes = set(element.get("class", "").split())
    if "placeholder" in classes or element.get("visibility") == "hidden":
        return
    inner = _inside(element, classes, context, picture)
    for child in element:
        _walk(child, inner, picture, glyphs)


def _inside(
    element: etree._Element, classes: set[str], context: _Context, picture: Picture
) -> _Context:
    """What is known of the shapes inside an element."""
    name = element.get("id", "")
    inner = _Context(**vars(context))
    kind = next((KINDS[c] for c in element.get("class", "").split() if c in KINDS), None)
    if kind:
        picture.pieces += 1
        inner.kind, inner.piece = kind, name or f"piece {picture.pieces}"
    if classes & OWNERS:
        inner.owners = context.owners | {name}
    if "measure" in classes:
        picture.bars += 1
        inner.bar, inner.kind = picture.bars, ""
    if "staff" in classes:
        before = element.itersiblings("{*}g", preceding=True)
        inner.staff = 1 + sum("staff" in other.get("class", "").split() for other in before)
    if "layer" in classes:
        inner.layer, inner.kind = name, ""
    if element.get("transform"):
        inner.turned = context.turned @ _matrix(element.get("transform"))
    return inner


def _matrix(transform: str) -> np.ndarray:
    """What a move, or a turn about a point, does to places."""
    name, numbers = transform.split("(", maxsplit=1)[0].strip(), _numbers(transform)
    if name == "translate":
        return np.array([[1, 0, numbers[0]], [0, 1, [*numbers, 0.0][1]], [0, 0, 1]])
    if name != "rotate":
        raise ValueError(f"a picture with an unknown transform: {transform}")
    angle, x, y = np.radians(numbers[0]), *numbers[1:]
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array(
        [[cos, -sin, x - cos * x + sin * y], [sin, cos, y - sin * x - cos * y], [0, 0, 1]]
    )


def _shapes(element: etree._Element, context: _Context, glyphs: dict) -> Iterator[Ink]:
    name = _name(element)
    if name == "text":
        yield from _words(element, context)
        return
    outlines = [
        outline @ context.turned[:2, :2].T + context.turned[:2, 2]
        for outline in _outlines(element, name, glyphs)
        if len(outline)
    ]
    # Lines of a bracket or a hairpin are shapes of their own; so are the holes of a glyph not.
    if name in ("use", "path") and outlines:
        yield _ink(context, outlines)
    else:
        for outline in outlines:
            yield _ink(context, [outline])


def _ink(context: _Context, outlines: list[np.ndarray], words: str = "") -> Ink:
    points = np.concatenate(outlines)
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return Ink(
        kind=context.kind or "other",
        box=(left, top, right, bottom),
        outlines=tuple(outlines),
        piece=context.piece,
        owners=context.owners,
        bar=context.bar,
        staff=context.staff,
        layer=context.layer,
        words=words,
    )


def _outlines(element: etree._Element, name: str, glyphs: dict) -> Iterator[np.ndarray]:
    """Yield the closed outlines of a glyph or a drawn line."""
    width = float(element.get("stroke-width") or 0.0)
    if name == "use":
        x, y, sx, sy = [*_numbers(element.get("transform")), 1.0, 1.0][:4]
        for path in glyphs[element.get(XLINK)[1:]].iter("{*}path"):
            for outline in _flat(path.get("d")):
                yield outline * (sx, -sy) + (x, y)
    elif name == "path":
        for line in _flat(element.get("d")):
            yield from [_thick(line, width)] if len(line) == 2 else [line]
    elif name == "polyline":
        yield from _strokes(np.array(_numbers(element.get("points"))).reshape(-1, 2), width)
    elif name == "polygon":
        yield np.array(_numbers(element.get("points"))).reshape(-1, 2)
    elif name == "rect":
        yield from _rectangle(element, width)
    elif name in ("ellipse", "circle"):
        yield _ellipse(element)


def _rectangle(element: etree._Element, width: float) -> Iterator[np.ndarray]:
    x, y, w, h = (float(element.get(key) or 0) for key in ("x", "y", "width", "height"))
    corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y)])
    yield from _strokes(corners, width) if element.get("fill-opacity") == "0" else [corners]


def _ellipse(element: etree._Element) -> np.ndarray:
    cx, cy = float(element.get("cx")), float(element.get("cy"))
    rx, ry = (float(element.get(radius) or element.get("r")) for radius in ("rx", "ry"))
    turn = np.linspace(0, 2 * np.pi, 4 * CURVE_STEPS)
    return np.stack([cx + rx * np.cos(turn), cy + ry * np.sin(turn)], axis=1)


def _strokes(points: np.ndarray, width: float) -> Iterator[np.ndarray]:
    """Yield each straight piece of a drawn line."""
    for start in range(len(points) - 1):
        yield _thick(points[start : start + 2], width)


def _thick(line: np.ndarray, width: float) -> np.ndarray:
    """A straight line as the outline of its stroke."""
    (x0, y0), (x1, y1) = line
    length = max(float(np.hypot(x1 - x0, y1 - y0)), 1e-9)
    aside = np.array([-(y1 - y0), x1 - x0]) / length * width / 2
    return np.array([line[0] + aside, line[1] + aside, line[1] - aside, line[0] - aside])


_flattened: dict[str, list[np.ndarray]] = {}


def _flat(d: str) -> list[np.ndarray]:
    """Outlines of a path, curves cut into straight pieces."""
    if d in _flattened:
        return _flattened[d]
    pen = DecomposingRecordingPen({})
    parse_path(d, pen)
    outlines: list[list[tuple[float, float]]] = []
    for what, points in pen.value:
        if what == "moveTo":
            outlines.append([points[0]])
        elif what == "lineTo":
            outlines[-1].append(points[0])
        elif what in ("curveTo", "qCurveTo"):
            outlines[-1].extend(_curve(outlines[-1][-1], points))
    flat = [np.array(outline, dtype=float) for outline in outlines if len(outline) > 1]
    if len(d) > 60:
        _flattened[d] = flat
    return flat


def _curve(start: tuple[float, float], points: tuple) -> list[tuple[float, float]]:
    control = np.array([start, *points], dtype=float)
    along = []
    for t in np.linspace(0, 1, CURVE_STEPS + 1)[1:]:
        level = control
        while len(level) > 1:
            level = level[:-1] * (1 - t) + level[1:] * t
        along.append((float(level[0][0]), float(level[0][1])))
    return along


def _runs(text: etree._Element) -> Iterator[tuple[Run, dict]]:
    """Yield the words of a text in their styles, each with where it stands."""
    above = {c for g in text.iterancestors("{*}g") for c in g.get("class", "").split()}
    base = {
        "weight": "bold" if above & BOLD else "regular",
        "style": "italic" if above & ITALIC else "normal",
        "family": "Libertinus Serif",
        "anchor": "start",
    }
    yield from _down(text, base)


def _down(element: etree._Element, look: dict) -> Iterator[tuple[Run, dict]]:
    look = dict(look)
    for key, name in (("x", "x"), ("y", "y"), ("text-anchor", "anchor"), ("font-weight", "weight"),
                      ("font-style", "style"), ("font-family", "family")):  # fmt: skip
        if element.get(key):
            look[name] = element.get(key)
    if "normal" in look["weight"]:
        look["weight"] = "regular"
    look["family"] = look["family"].split(",")[0].strip('"')
    if element.get("font-size", "0px") != "0px":
        look["size"] = float(element.get("font-size").removesuffix("px"))
    if element.text and element.text.strip("\n\t") and "size" in look:
        yield (
            Run(element.text, family=look["family"], weight=look["weight"], style=look["style"]),
            look,
        )
    for child in element:
        yield from _down(child, look)


def _words(text: etree._Element, context: _Context) -> Iterator[Ink]:
    """Yield each word of a text as a box."""
    lines: dict[tuple[str, str], list[tuple[Run, dict]]] = {}
    for run, look in _runs(text):
        lines.setdefault((look.get("x", "0"), look.get("y", "0")), []).append((run, look))
    for (x, y), runs in lines.items():
        whole = sum(size(_trimmed(run))[0] * look["size"] for run, look in runs)
        anchor = runs[0][1]["anchor"]
        at = float(x) - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * whole
        for run, look in runs:
            yield from _each_word(run, look["size"], (at, float(y)), context)
            at += size(run)[0] * look["size"]


def _trimmed(run: Run) -> Run:
    return Run(run.text.rstrip(" \u00a0"), run.family, run.weight, run.style)


def _each_word(run: Run, em: float, at: tuple[float, float], context: _Context) -> Iterator[Ink]:
    for match in re.finditer(r"[^\s\u00a0]+", run.text):
        before = Run(run.text[: match.start()], run.family, run.weight, run.style)
        word = Run(match[0], run.family, run.weight, run.style)
        x = at[0] + (size(before)[0] if before.text else 0.0) * em + context.turned[0, 2]
        y = at[1] + context.turned[1, 2]
        width, above, below = size(word)
        left, top, right, bottom = x, y - above * em, x + width * em, y + below * em
        corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
        yield _ink(context, [corners], words=match[0])
