"""A song as it was read, whatever kind of file it came from."""

from dataclasses import dataclass

from retro.model.performance import Finding
from retro.model.phrase import Phrase

MAX_NOTES = 200_000
"""Most notes in a song."""

MAX_BARS = 20_000
"""Most bars in a song."""

MAX_LENGTH_S = 24 * 3600
"""Longest song, in seconds."""

MAX_PARTS = 512
"""Most parts in a song."""

MAX_CHANGES = 50_000
"""Most tempo changes in a song; of meters, keys and markers too."""

MAX_NAME = 200
"""Characters of a name or a marker that are kept."""

MAX_XML_BYTES = 128 * 1024 * 1024
"""Largest document; an orchestral score of 500 bars and 40 staves has some 30 MB."""

ZIP_START = b"PK\x03\x04"
"""How a compressed score begins."""


FILE_SUFFIXES = (".mid", ".midi", ".musicxml", ".mxl", ".xml")


def without_suffix(title: str) -> str:
    """Return a title without the suffix of a file, whose name some programs give for it."""
    stem, dot, suffix = title.rpartition(".")
    return stem if stem and dot + suffix.lower() in FILE_SUFFIXES else title


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """A file that was read.

    Parameters
    ----------
    name
        File name without its folder.
    sha256
        Of the bytes of the file, in hexadecimal.
    ticks_per_quarter
        A grid on which every event of the file lies.
    phrase
        The whole song: from its first tick to the end of the bar in which the last note, pedal or
        marker ends.
    notices
        What was repaired or left out.
    creators
        (what one did, name) of composer, arranger and others, as a score names them.
    """

    name: str
    sha256: str
    ticks_per_quarter: int
    phrase: Phrase
    notices: tuple[Finding, ...]
    creators: tuple[tuple[str, str], ...] = ()
