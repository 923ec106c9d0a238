"""PDFs of the day: one a person in day order, and one a song with its notices.

The pages of the packs are set into new documents as they are, vectors and fonts included. Added are
a first page that says what comes when, and a line at the foot of every page.
"""

import json
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import typst

from retro.engraving.fonts import TEXT_FAMILY, Lettering, fonts
from retro.engraving.layout import PAPERS
from retro.errors import ReadError
from retro.model.settings import PaperSize

TEMPLATE = Path(__file__).with_name("folder.typ")
MAX_PAGES = 200
NO_PAGE = "does not exist"


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """A document whose pages go into a folder.

    Parameters
    ----------
    pdf
        The document.
    foot
        What stands at the foot of its pages.
    last_foot
        What is added on its last page.
    below
        A document whose first page fills the lower half with its upper half; both are short.
    """

    pdf: Path
    foot: str
    last_foot: str = ""
    below: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """The first page of a folder: `title` large, `under` below it, a table, then lines."""

    title: str
    under: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...] = ()

    def texts(self) -> Iterator[str]:
        """Yield all texts."""
        yield from (self.title, self.under, *self.heads, *self.lines)
        for row in self.rows:
            yield from row


@dataclass(frozen=True, slots=True)
class PrintLine:
    """One line of the print list."""

    file: str
    for_whom: str
    parts: str
    pages: int
    copies: int


class PageCounts:
    """Counts the pages of documents, each once."""

    def __init__(self) -> None:
        self._known: dict[Path, int] = {}

    def of(self, pdf: Path) -> int:
        """Return the number of pages.

        Raises
        ------
        ReadError
            If it is no PDF.
        """
        if pdf not in self._known:
            self._known[pdf] = _count(pdf)
        return self._known[pdf]


def folder_pdf(
    cover: Cover, leaves: Sequence[Leaf], counts: PageCounts, *, paper: PaperSize
) -> bytes:
    """Return a folder, its first page and what follows, as one PDF.

    The same pages give the same bytes. The `paper` is that of the first page; all others keep their
    own.

    Raises
    ------
    ReadError
        If a leaf is no PDF.
    """
    feet = [text for leaf in leaves for text in (leaf.foot, leaf.last_foot)]
    lettering = Lettering.of(*cover.texts(), *feet)
    show = lettering.print
    pages = [
        {
            "file": f"leaf-{index}.pdf",
            "page": page,
            "foot": show(leaf.foot),
            "below": f"below-{index}.pdf" if leaf.below else None,
            "last": show(leaf.last_foot) if page == counts.of(leaf.pdf) else "",
        }
        for index, leaf in enumerate(leaves)
        for page in range(1, counts.of(leaf.pdf) + 1)
    ]
    job = {
        "family": TEXT_FAMILY,
        "width_mm": PAPERS[paper].width_mm,
        "height_mm": PAPERS[paper].height_mm,
        "title": show(cover.title),
        "under": show(cover.under),
        "heads": [show(text) for text in cover.heads],
        "rows": [[show(text) for text in row] for row in cover.rows],
        "lines": [show(text) for text in cover.lines],
        "pages": pages,
    }
    with tempfile.TemporaryDirectory(prefix="retro-") as scratch:
        room = Path(scratch)
        (room / "job.json").write_text(json.dumps(job), encoding="utf-8")
        (room / "main.typ").write_bytes(TEMPLATE.read_bytes())
        for index, leaf in enumerate(leaves):
            shutil.copyfile(leaf.pdf, room / f"leaf-{index}.pdf")
            if leaf.below is not None:
                shutil.copyfile(leaf.below, room / f"below-{index}.pdf")
        return _compiled(room, system_fonts=lettering.system)


def _count(pdf: Path) -> int:
    with tempfile.TemporaryDirectory(prefix="retro-") as scratch:
        room = Path(scratch)
        shutil.copyfile(pdf, room / "leaf.pdf")
        for page in range(1, MAX_PAGES + 2):
            setting = "#set page(width: auto, height: auto, margin: 0pt)"
            (room / "main.typ").write_text(f'{setting}\n#image("leaf.pdf", page: {page})')
            try:
                _compiled(room, system_fonts=False)
            except typst.TypstError as fault:
                if NO_PAGE not in str(fault) or page == 1:
                    raise ReadError("is no PDF that can be read", where=pdf) from None
                return page - 1
    raise ReadError(f"has more than {MAX_PAGES} pages", where=pdf)


def _compiled(room: Path, *, system_fonts: bool) -> bytes:
    compiler = typst.Compiler(
        str(room / "main.typ"), root=str(room), font_paths=fonts(system=system_fonts)
    )
    pdf = compiler.compile(format="pdf", timestamp=0, pdf_tags=False)
    if not isinstance(pdf, bytes):
        raise TypeError(f"the page setter gave {type(pdf).__name__}, not one file")
    return pdf
