"""The page setter (typst): puts pictures and running texts on pages, and makes the PDF."""

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import typst

from retro.engraving.fonts import TEXT_FAMILY, fonts, one_line
from retro.engraving.layout import Paper, TextLine

PAGE_TEMPLATE = Path(__file__).with_name("page.typ")


def set_pages(
    texts: Sequence[Sequence[TextLine]],
    corners: Sequence[Sequence[tuple[float, float]]],
    pictures: Sequence[str],
    *,
    title: str,
    paper: Paper,
    picture_mm: float,
    system_fonts: bool,
) -> bytes:
    """Set pictures and running texts on pages, as a PDF file.

    Parameters
    ----------
    texts, corners
        The running texts of each page, and where the corners of its pictures lie, in mm.
    pictures
        All of them in order, as SVG, each `picture_mm` wide.
    title
        The file's own.
    paper, system_fonts
        See `retro.engraving.engrave.LaidOut`.
    """
    names = iter([f"system-{number}" for number in range(len(pictures))])
    # As inputs, and not as files: the setter would read each file as if it were a text of its own.
    inputs = {f"system-{number}": picture for number, picture in enumerate(pictures)}
    pages = [
        {
            "texts": [asdict(line) for line in lines],
            "systems": [
                {"picture": next(names), "x_mm": x_mm, "y_mm": y_mm, "width_mm": picture_mm}
                for x_mm, y_mm in places
            ],
        }
        for lines, places in zip(texts, corners, strict=True)
    ]
    job = {
        "title": one_line(title),
        "family": TEXT_FAMILY,
        "width_mm": paper.width_mm,
        "height_mm": paper.height_mm,
        "pages": pages,
    }
    compiler = typst.Compiler(
        PAGE_TEMPLATE.read_bytes(),
        font_paths=fonts(system=system_fonts),
        sys_inputs={"job": json.dumps(job), **inputs},
    )
    pdf = compiler.compile(format="pdf", timestamp=0, pdf_tags=False)
    if not isinstance(pdf, bytes):
        raise TypeError(f"the page setter gave {type(pdf).__name__}, not one file")
    return pdf
