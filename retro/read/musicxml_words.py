"""What words over and under the notes of a MusicXML score mean: ways of playing and swells."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from retro.model.signs import Sign, SignKind
from retro.read.charset import as_line
from retro.read.musicxml_measures import RawDirection
from retro.read.musicxml_tempo import MAX_WORDS, is_tempo


@dataclass(frozen=True, slots=True)
class Way:
    """A way of playing that holds until it is taken back (common practice)."""

    starts: re.Pattern[str]
    ends: re.Pattern[str]
    usual: str


WAYS = (
    Way(
        re.compile(r"\b(pizz|gezupft)"),
        re.compile(r"\b(arco|coll'? ?arco|gestrichen)\b"),
        "arco",
    ),
    Way(
        re.compile(r"\b(con sord|mit d(ä|ae)mpfer|muted|with mute|avec sourd|stopped|bouch|gest)"),
        re.compile(r"\b(senza sord|via sord|ohne d|open|offen|unmuted|mute off|sans sourd)"),
        "senza sord.",
    ),
    Way(
        re.compile(
            r"\b(sul pont|sul tast|col legno|flautand|flutter|flatt|frull|harmonics|am steg)"
        ),
        re.compile(r"\b(ord|nat|norm|modo ord|pos(ition)? ord)"),
        "ord.",
    ),
)

SWELLS = (
    (re.compile(r"^(poco )?(a poco )?cresc"), SignKind.CRESCENDO),
    (re.compile(r"^(poco )?(a poco )?(dim|decresc)"), SignKind.DIMINUENDO),
)


def with_swells(directions: Iterable[RawDirection]) -> list[RawDirection]:
    """Return directions in which words such as "cresc." are told as swells."""
    told = []
    for direction in directions:
        kind = _swell(direction)
        told.append(direction)
        if kind is not None:
            told[-1] = RawDirection(at=direction.at, kind="swell", text=kind.value)
    return told


def _swell(direction: RawDirection) -> SignKind | None:
    if direction.kind != "words":
        return None
    folded = direction.text.casefold()
    return next((kind for pattern, kind in SWELLS if pattern.search(folded)), None)


def word_signs(
    directions: Sequence[RawDirection],
    spans: Sequence[tuple[Fraction, Fraction]],
    length: Fraction,
) -> list[Sign]:
    """Return what words say of a part, each with the span for which it holds.

    Words for swells are none of them: turned round they mean the opposite, as their hairpins say.
    The directions go by time, the `spans` of the notes by their beginnings.
    """
    words = [d for d in directions if d.kind == "words" and d.at < length]
    signs: list[Sign] = []
    told: set[int] = set()
    for way in WAYS:
        here = [(i, d) for i, d in enumerate(words) if _is_way(way, d.text)]
        told.update(i for i, _ in here)
        places = [d.at for _, d in here]
        if here and places[0] > 0 and way.starts.search(here[0][1].text.casefold()):
            signs.append(_sign(SignKind.TECHNIQUE, way.usual, Fraction(0), places[0]))
        for (_, d), end in zip(here, [*places[1:], length], strict=False):
            if d.at < end:
                signs.append(_sign(SignKind.TECHNIQUE, d.text, d.at, end))
    for index, direction in enumerate(words):
        if index in told or is_tempo(direction.text) or _swell(direction) is not None:
            continue
        end = next((off for on, off in spans if on >= direction.at), length)
        signs.append(_sign(SignKind.WORDS, direction.text, direction.at, end))
    return signs


def _is_way(way: Way, text: str) -> bool:
    folded = text.casefold()
    return bool(way.starts.search(folded) or way.ends.search(folded))


def _sign(kind: SignKind, text: str, start: Fraction, end: Fraction) -> Sign:
    short = as_line(text)[:MAX_WORDS].strip()
    return Sign(start_beats=start, end_beats=end, kind=kind, text=short)
