"""Draw the font of tempo marks anew: ``python -m tests.engraving.make_tempo_marks``.

The engraver sets note signs inside words ("quarter = 66") as text in its own music font, which it
carries only as compressed web font. Unpacking that takes a third of a second in every run, so the
few signs that can stand in words are drawn once, from the outlines that the engraver carries, and
kept beside the code with their licence (SIL Open Font License 1.1; the reserved name is not used).
"""

import io
import re
from pathlib import Path

import verovio
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from fontTools.svgLib.path import parse_path

from retro.engraving.fonts import TEMPO_MARKS_DIR, TEMPO_MARKS_FAMILY

DATA_DIR = Path(verovio.__file__).parent / "data"
SIGNS = ("E26[0-4]", "E5[2]?", "ECA?", "ECB?")
"""SMuFL ranges: accidentals, dynamics, metronome marks."""
COPYRIGHT = (
    "Copyright (c) 2014, Etienne Darbellay, Jean-Francois Marti and Laurent Pugin "
    '(info@rism.digital), with Reserved Font Name "Leipzig". A few of its signs, redrawn.'
)


def outlines() -> dict[int, tuple[int, str]]:
    """Advance and SVG path of every sign by code point, as the engraver carries them."""
    index = (DATA_DIR / "Leipzig.xml").read_text(encoding="utf-8")
    advances = dict(re.findall(r'<g c="([0-9A-F]{4})"[^>]*h-a-x="([0-9]+)', index))
    found = {}
    for pattern in SIGNS:
        for file in sorted((DATA_DIR / "Leipzig").glob(f"{pattern}.xml")):
            path = re.search(r' d="([^"]*)"', file.read_text(encoding="utf-8"))
            found[int(file.stem, 16)] = (int(advances[file.stem]), path[1] if path else "")
    return found


def draw() -> bytes:
    """OpenType font of the signs; the same bytes for the same outlines."""
    builder = FontBuilder(1000, isTTF=False)
    strings = {".notdef": T2CharStringPen(500, None).getCharString()}
    metrics, codes = {".notdef": (500, 0)}, {}
    for code, (advance, path) in outlines().items():
        pen = T2CharStringPen(advance, None)
        parse_path(path, pen)
        name = f"u{code:04X}"
        strings[name], metrics[name], codes[code] = pen.getCharString(), (advance, 0), name
    builder.setupGlyphOrder(list(strings))
    builder.setupCharacterMap(codes)
    builder.setupCFF("RetroTempoMarks", {"Notice": COPYRIGHT}, strings, {})
    builder.setupHorizontalMetrics(metrics)
    builder.setupHorizontalHeader(ascent=1000, descent=-1000)
    names = {"familyName": TEMPO_MARKS_FAMILY, "styleName": "Regular", "copyright": COPYRIGHT}
    licence = {"licenseDescription": "SIL Open Font License 1.1", "version": "Version 1.0"}
    builder.setupNameTable({**names, **licence, "psName": "RetroTempoMarks"})
    builder.setupOS2()
    builder.setupPost()
    builder.updateHead(created=0, modified=0)
    builder.font.recalcTimestamp = False
    buffer = io.BytesIO()
    builder.save(buffer)
    return buffer.getvalue()


if __name__ == "__main__":
    (TEMPO_MARKS_DIR / "tempo-marks.otf").write_bytes(draw())
