"""The fonts of the printed pages, and what to do with letters that they do not have.

Words are set in Libertinus Serif, which the page setter carries (Latin, Greek, Cyrillic, Hebrew,
and through its other fonts Arabic, Armenian, Georgian and Devanagari). Note signs inside words come
from `tempo_marks`. Letters beyond these are looked for among the machine's own fonts, and where
those have none either they are written in plain Latin letters, so that no box is ever printed.
"""

from base64 import b64encode
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import typst
from anyascii import anyascii

TEXT_FAMILY = "Libertinus Serif"
TEMPO_MARKS_FAMILY = "Retro Tempo Marks"
JOINERS = "\u200c\u200d"
"""Unseen characters that say whether letters join (Persian, Devanagari)."""

TEMPO_MARKS_DIR = Path(__file__).parent / "tempo_marks"


@cache
def fonts(*, system: bool = False) -> typst.Fonts:
    """Load the fonts once: the carried ones, and with `system` the machine's own too."""
    return typst.Fonts(
        include_system_fonts=system,
        include_embedded_fonts=True,
        font_paths=[TEMPO_MARKS_DIR],
    )


def tempo_marks_css() -> str:
    """Return the style rule that carries the note signs into a page for the screen."""
    font = b64encode((TEMPO_MARKS_DIR / "tempo-marks.otf").read_bytes()).decode()
    return (
        f'@font-face{{font-family:"{TEMPO_MARKS_FAMILY}";'
        f'src:url("data:font/otf;base64,{font}") format("opentype")}}'
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Lettering:
    """Which letters of one job can be printed, and how.

    The `romanised` letters, which no font has, are written in plain Latin letters; `system` says
    whether the machine's own fonts are needed.
    """

    system: bool = False
    romanised: frozenset[str] = frozenset()

    @classmethod
    def of(cls, *texts: str) -> "Lettering":
        """Find out for all the texts of a job together."""
        wanted = {letter for text in texts for letter in one_line(text) if letter > "\x7f"}
        if not wanted or _covered(frozenset(wanted), system=False):
            return cls()
        missing = {c for c in wanted if not _covered(frozenset(c), system=False)}
        nowhere = {c for c in missing if not _covered(frozenset(c), system=True)}
        return cls(system=nowhere != missing, romanised=frozenset(nowhere))

    def print(self, text: str) -> str:
        """Return the text as it can be printed: one line, each word in letters that fonts have."""
        words = one_line(text).split()
        return " ".join(w if self.romanised.isdisjoint(w) else anyascii(w) for w in words)


def one_line(text: str) -> str:
    """Return a text without control characters: line ends and tabs become spaces."""
    spaced = "".join(" " if c.isspace() else c for c in text)
    return " ".join("".join(c for c in spaced if c.isprintable() or c in JOINERS).split())


@cache
def _covered(letters: frozenset[str], *, system: bool) -> bool:
    """Whether fonts have all these letters; PDF/A-2u forbids letters without a shape."""
    text = "".join(f"\\u{{{ord(c):x}}}" for c in sorted(letters))
    source = f'#set page(width: auto, height: auto)\n#set text(font: "{TEXT_FAMILY}")\n#"{text}"'
    compiler = typst.Compiler(font_paths=fonts(system=system))
    try:
        compiler.compile(source.encode(), format="pdf", pdf_standards="a-2u", timestamp=0)
    except typst.TypstError:
        return False
    return True
