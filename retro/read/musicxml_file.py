"""MusicXML files become trees of elements: bare or compressed, 3.0 to 4.0, part-wise.

Nothing outside the file is read, no entity is expanded, and what is unpacked has a limit.
"""

import io
import zipfile
import zlib

from lxml import etree

from retro.errors import LimitError, ScoreError
from retro.read.song import MAX_XML_BYTES, ZIP_START

MAX_MEMBERS = 2000
"""Most files in a compressed score."""

MAX_CONTAINER_BYTES = 1_000_000

MAX_ELEMENTS = 8_000_000
"""Most elements of a document, so that little text cannot take much memory."""

CONTAINER = "META-INF/container.xml"
SCORE_TYPES = ("", "application/vnd.recordare.musicxml+xml", "text/xml", "application/xml")


def score_bytes(data: bytes, name: str) -> bytes:
    """Return the bytes of the score's XML, unpacked where the file is compressed.

    Raises
    ------
    ScoreError
        Where the archive is damaged, or holds no score.
    LimitError
        Where it unpacks to more than `MAX_XML_BYTES`.
    """
    if not data.startswith(ZIP_START):
        if len(data) > MAX_XML_BYTES:
            raise LimitError(f"holds more than {MAX_XML_BYTES} bytes", where=name)
        return data
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if len(archive.infolist()) > MAX_MEMBERS:
                raise LimitError(f"packs more than {MAX_MEMBERS} files", where=name)
            return _member(archive, _root_file(archive, name), MAX_XML_BYTES, name)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as fault:
        raise ScoreError(f"is a damaged archive: {fault}", where=name) from None


def score_tree(xml: bytes, name: str) -> etree._Element:
    """Return the root of a part-wise score.

    Raises
    ------
    ScoreError
        Where the bytes are no well-formed XML, define entities, or are no part-wise score.
    """
    root = parsed(xml, name)
    if root.tag == "score-timewise":
        raise ScoreError(
            "is a time-wise score", where=name, advice="export it part-wise, as most programs do"
        )
    if root.tag != "score-partwise":
        raise ScoreError(f"is XML, but no score: its root is <{str(root.tag)[:40]}>", where=name)
    return root


def parsed(xml: bytes, name: str) -> etree._Element:
    """Return the root element; entities and whatever is outside the document are refused."""
    if xml.count(b"<") > 2 * MAX_ELEMENTS:
        raise LimitError(f"holds more than {MAX_ELEMENTS} elements", where=name)
    parser = etree.XMLParser(
        resolve_entities=False,
        load_dtd=False,
        no_network=True,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(xml, parser)
    except (etree.XMLSyntaxError, ValueError, LookupError) as fault:
        raise ScoreError(f"is no well-formed XML: {fault}", where=name) from None
    declared = root.getroottree().docinfo.internalDTD
    own = declared is not None and any(declared.iterentities())  # type: ignore[union-attr]
    if own or any(True for _ in root.iter(etree.Entity)):
        raise ScoreError("defines or uses entities of its own", where=name, advice="export it anew")
    return root


def _root_file(archive: zipfile.ZipFile, name: str) -> str:
    """Return the path of the score in the archive, as its container says."""
    names = archive.namelist()
    if CONTAINER not in names:
        raise ScoreError("is an archive, but no compressed MusicXML", where=name)
    container = parsed(_member(archive, CONTAINER, MAX_CONTAINER_BYTES, name), name)
    for root_file in container.iter("{*}rootfile"):
        path = root_file.get("full-path", "")
        if path in names and root_file.get("media-type", "") in SCORE_TYPES:
            return path
    raise ScoreError("is a compressed score without a score in it", where=name)


def _member(archive: zipfile.ZipFile, path: str, most: int, name: str) -> bytes:
    with archive.open(path) as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise LimitError(f"unpacks to more than {most} bytes", where=name)
    return data
