"""What a clip is of: which insert, which take, by which plan. It goes with the clip.

It stands in the manifest, in the description of the ``bext`` chunk and, as a note, in the ``iXML``
chunk (an open form of XML in WAV files; ``BWFXML`` with a ``NOTE`` in it, from memory).
"""

import re
from dataclasses import dataclass
from enum import StrEnum
from xml.sax.saxutils import escape

HASH_LETTERS = 12
"""Letters of a hash that tell it from others at a glance."""

IXML_HEAD = b'<?xml version="1.0" encoding="UTF-8"?>\n<BWFXML>\n<IXML_VERSION>1.61</IXML_VERSION>\n'
_NOTE_END = re.compile(rb"</NOTE\s*>")
_ROOT_END = re.compile(rb"</BWFXML\s*>")
_NO_NOTE = re.compile(rb"<NOTE\s*/>")


class LatenessFrom(StrEnum):
    """Where a lateness is from."""

    STATED = "stated"
    ANCHOR = "measured at the anchor"
    TAKE = "measured over the take"
    MOCK_UP = "computed for played.mid"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipOf:
    """What a clip is of.

    Parameters
    ----------
    song, letter
        Title of the song, and letter of the insert.
    take
        Which, in words: 3, or what of each was joined.
    plan_sha256
        Of the plan that it was placed by.
    phrase_start_frame
        Frame of the take at the insert's bar 1 beat 1.
    lateness_ms
        Lateness that is in its place; null where none was reckoned with.
    lateness_uncertainty_ms
        How far it may be off (95 %); null where nobody measured it.
    lateness_from
        Where it is from; null where nobody said.
    heard_in
        File in which the insert was heard where it is told to lie; null where none was sure.
    over_chance
        By how many deviations the plan fits that file better than with shuffled pitches.
    doubt
        Why it is not sure that the insert lies there; null where it is, or nobody said.
    """

    song: str
    letter: str
    take: str
    plan_sha256: str
    phrase_start_frame: int
    lateness_ms: float | None
    lateness_uncertainty_ms: float | None = None
    lateness_from: LatenessFrom | None = None
    heard_in: str | None = None
    over_chance: float | None = None
    doubt: str | None = None

    @property
    def words(self) -> str:
        """Return the same in one line."""
        late = "" if self.lateness_ms is None else f"; late by {self.lateness_ms:+.1f} ms"
        if self.lateness_from is not None and self.lateness_ms is not None:
            late += f", {self.lateness_from}"
        return (
            f"Insert {self.letter} of {self.song}, take {self.take}, played backwards; plan "
            f"{self.plan_sha256[:HASH_LETTERS]}; bar 1 beat 1 at frame {self.phrase_start_frame}"
            f"{late}"
        )


def with_note(ixml: bytes, words: str) -> bytes | None:
    """Return an ``iXML`` payload with a note more, or None where no note can be put into it.

    It has an even size, as `new_ixml` has: some readers lose a chunk behind an odd one.
    """
    note = escape(" ".join(words.split())).encode()
    for place, text in (
        (_NOTE_END, b"; " + note + b"</NOTE>"),
        (_NO_NOTE, b"<NOTE>" + note + b"</NOTE>"),
        (_ROOT_END, b"<NOTE>" + note + b"</NOTE>\n</BWFXML>"),
    ):
        found = place.search(ixml)
        if found is not None:
            return _even(ixml[: found.start()] + text + ixml[found.end() :])
    return None


def new_ixml(words: str) -> bytes:
    """Return an ``iXML`` payload that holds a note only."""
    note = escape(" ".join(words.split())).encode()
    return _even(IXML_HEAD + b"<NOTE>" + note + b"</NOTE>\n</BWFXML>\n")


def _even(ixml: bytes) -> bytes:
    return ixml + b"\n" * (len(ixml) % 2)
