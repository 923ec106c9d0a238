"""Where the elements of a score stand in its bytes, so that a few can be changed and none else.

Conventions
-----------
Places count bytes from the start of the file; spans are half open.
"""

import re
from dataclasses import dataclass, field
from xml.parsers import expat

from retro.errors import ScoreError

WIDE = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
"""Codes of two bytes a letter, by the mark at the start of the file."""

START_TAG = re.compile(rb"<[^\s/>]+(?:\s+[^\s=]+\s*=\s*(?:\"[^\"]*\"|'[^']*'))*\s*(/?)>")
DECLARED = re.compile(rb"""<\?xml[^>]*?encoding\s*=\s*["']([A-Za-z0-9._-]+)["']""")


@dataclass(slots=True)
class ElementSpan:
    """One element: its span, and the span between its tags."""

    tag: str
    start: int
    inner_start: int
    inner_end: int = 0
    end: int = 0
    children: list["ElementSpan"] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreSource:
    """The bytes of a part-wise score with the places of its parts and measures.

    Parameters
    ----------
    data
        In a code of one byte a letter or in UTF-8.
    encoding
        Of `data`.
    wide
        Code of the file where it has two bytes a letter, else empty; `data` is then recoded.
    part_list, parts
        Their children are entries, and measures with their own children.
    """

    data: bytes
    encoding: str
    wide: str
    part_list: ElementSpan
    parts: tuple[ElementSpan, ...]

    def text(self, place: ElementSpan) -> bytes:
        """Return the bytes of an element."""
        return self.data[place.start : place.end]

    def encoded(self, text: str) -> bytes:
        """Return new text in the code of the data."""
        return text.encode(self.encoding, "xmlcharrefreplace")

    def edited(self, edits: list[tuple[int, int, bytes]]) -> bytes:
        """Return the whole file with (start, end, new bytes) put in; edits do not overlap."""
        pieces, at = [], 0
        for start, end, new in sorted(edits, key=lambda edit: edit[:2]):
            pieces += [self.data[at:start], new]
            at = end
        whole = b"".join([*pieces, self.data[at:]])
        if not self.wide:
            return whole
        mark = next(mark for mark, code in WIDE.items() if code == self.wide)
        return mark + whole.decode("utf-8").encode(self.wide)


def score_source(xml: bytes, name: str) -> ScoreSource:
    """Find the places of a score that has been read already.

    Raises
    ------
    ScoreError
        Where the code of the file is not known.
    """
    wide = WIDE.get(xml[:2], "")
    data = xml[2:].decode(wide).encode("utf-8") if wide else xml
    declared = DECLARED.match(data.removeprefix(b"\xef\xbb\xbf"))
    encoding = "utf-8" if wide or declared is None else declared[1].decode("ascii")
    finder = _Finder(data)
    try:
        "".encode(encoding)
        finder.find("utf-8" if wide else None)
    except (LookupError, expat.ExpatError, ValueError) as fault:
        raise ScoreError(
            f"cannot be edited in its code: {fault}", where=name, advice="save it as UTF-8"
        ) from None
    return ScoreSource(
        data=data,
        encoding=encoding,
        wide=wide,
        part_list=finder.part_list,
        parts=tuple(finder.parts),
    )


class _Finder:
    """Notes where elements begin and end, down to the children of measures."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.part_list = ElementSpan("part-list", 0, 0)
        self.parts: list[ElementSpan] = []
        self._stack: list[ElementSpan | None] = []

    def find(self, encoding: str | None) -> None:
        parser = expat.ParserCreate(encoding)
        parser.StartElementHandler = lambda tag, _: self._start(tag, parser.CurrentByteIndex)
        parser.EndElementHandler = lambda _: self._end(parser.CurrentByteIndex)
        parser.Parse(self.data, True)

    def _start(self, tag: str, at: int) -> None:
        depth = len(self._stack)
        wanted = (
            tag in ("part", "part-list")
            if depth == 1
            else 1 < depth < 4 and self._stack[1] is not None
        )
        if not wanted:
            self._stack.append(None)
            return
        found = START_TAG.match(self.data, at)
        if found is None:
            raise ValueError(f"no tag at byte {at}")
        place = ElementSpan(tag, at, found.end())
        if found[1]:
            place.inner_end = place.end = found.end()
        self._stack.append(place)
        if depth == 1 and tag == "part":
            self.parts.append(place)
        elif depth == 1:
            self.part_list = place
        else:
            parent = self._stack[-2]
            if parent is not None:
                parent.children.append(place)

    def _end(self, at: int) -> None:
        place = self._stack.pop()
        if place is not None and not place.end:
            place.inner_end = at
            place.end = self.data.index(b">", at) + 1
