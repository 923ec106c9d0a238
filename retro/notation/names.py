"""What a player is called on the page, and for short where a system has no room.

Common practice: the part of who reads another pitch than sounds says so ("Bass Clarinet in B♭"),
and no two staves of a score have one short name.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import chain, repeat

from retro.model.instruments import Instrument, Transposition
from retro.model.spelling import SIGNS
from retro.notation.spelling import to_spelled

LETTERS_OF_A_WORD = (5, 7, 9)
"""How many letters a word keeps in a short name: the first number that tells all apart."""

IN_KEY = re.compile(r" in [A-G](?:[♭♯]| flat| sharp)?(?= |$)")
IN_KEY_ELSEWHERE = re.compile(
    r"\b(?:"
    r"(?i:in|en|em) (?i:do|dó|ut|r[eé]|mi|fa|sol|l[aá]|si)"
    r"|in (?:H|[AE]s|[CDFG]es|[CDFGA]is)"
    r"|σε (?i:ντο|ρε|μι|φα|σολ|λα|σι)"
    r"|(?:в|ин|in) (?i:до|ре|ми|фа|соль|ля|си)"
    r")\b"
)
"""A key in the words of other languages: Romance ones, German, Greek, Russian."""

NUMBERED = re.compile(r"(.*?)((?: [0-9.+]+)?)")
VOWELS = "aeiouyäöüáéíóúàèìòùаеёиоуыэюя"


def page_name(name: str, instrument: Instrument) -> str:
    """Return a player's name ("Bass Clarinet 2") with the key that it is written in, if not C.

    A name that says its key in another language stays as it is.
    """
    key = _key(instrument.transposition)
    is_said = IN_KEY_ELSEWHERE.search(name) and not IN_KEY.search(name)
    if not key or is_said:
        return name
    bare = IN_KEY.sub("", name)
    known = IN_KEY.sub("", instrument.name)
    match = NUMBERED.fullmatch(bare)
    front, tail = (match[1], match[2]) if match is not None else (bare, "")
    if bare.startswith(known):
        front, tail = known, bare.removeprefix(known)
    return f"{front} in {key}{tail}"


def _key(shift: Transposition) -> str:
    """Return the name of what a written C sounds as; empty for C itself."""
    sounding = to_spelled(60 + shift.chromatic, shift.fifths)
    key = f"{sounding.step}{SIGNS[sounding.alter]}"
    return "" if key == "C" else key


def short_name(name: str, instrument: Instrument) -> str:
    """Return the instrument's abbreviation and what a name says beyond it, else the name cut."""
    if beyond := re.fullmatch(rf"{re.escape(instrument.name)}s?((?![^\W\d_]).*)", name):
        return instrument.abbreviation + beyond[1]
    return _cut(name, LETTERS_OF_A_WORD[0])


def told_apart(names: Sequence[str], short_names: Sequence[str]) -> tuple[str, ...]:
    """Return the short names; those that several have are cut from the names, down to the last.

    Different for different `names`.
    """
    chosen = list(short_names)
    lengths: Iterator[int | None] = chain(LETTERS_OF_A_WORD, repeat(None, len(names)))
    for letters in lengths:
        times = Counter(chosen)
        if max(times.values(), default=1) == 1:
            break
        chosen = [
            short if times[short] == 1 else _cut(name, letters)
            for name, short in zip(names, chosen, strict=True)
        ]
    return tuple(chosen)


def _cut(name: str, letters: int | None) -> str:
    if letters is None:
        return name
    return " ".join(_cut_word(word, letters) for word in name.split())


def _cut_word(word: str, letters: int) -> str:
    """Cut a word behind a consonant; scripts without capitals have no full stop for it."""
    if len(word) <= letters + 1 or any(c.isdigit() for c in word):
        return word
    if word[0].lower() == word[0].upper():
        return word[:letters]
    start = word[:letters]
    stem = start.rstrip(VOWELS)
    return f"{stem if len(stem) > 1 else start}."
