"""Reads track names: who plays, in which key, which numbers, alone or divided, bowed or plucked.

Conventions
-----------
A name is cut into words, numbers and signs, without accents and case. The longest known name in it
(``names.toml`` beside this module) says who plays; what stands around it refines that.
"""

import re
import tomllib
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from retro.model.instruments import Family
from retro.model.orchestra import NEUTRAL, by_id

MAX_NUMBERS = 16
"""More players than this share no part: such a number means something else."""

MIN_LETTERS = 4
"""Shorter words left over are not taken for instruments."""

ROMANS = {1: "I", 2: "II", 3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII", 8: "VIII"}

_TOKEN = re.compile(
    r"(?P<number>\d+)(?P<mark>[^\W\d_]*)|(?P<word>[^\W\d_]+)|(?P<sign>[-+&/.,_])", re.ASCII
)
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])")
_BOTH_PLAY = re.compile(r"(?<!in )(?<!en )\ba ?[2-9]\b")

_ORDINALS = {
    1: "first erste ersten erster primo prima primi prime premier premiere premiers premieres "
    "primer primero primera primeros primeras",
    2: "second seconds zweite zweiten zweiter secondo seconda secondi seconde secondes deuxieme "
    "segundo segunda segundos segundas",
    3: "third dritte dritten dritter terzo terza terzi troisieme tercero tercera",
    4: "fourth vierte vierten vierter quarto quarta quarti quatrieme cuarto cuarta",
}
_NUMBER_WORDS = {word: number for number, words in _ORDINALS.items() for word in words.split()} | {
    roman.casefold(): number for number, roman in ROMANS.items()
}
_ORDINAL_MARKS = frozenset(
    ("st", "nd", "rd", "th", "er", "ers", "ere", "e", "eme", "o", "a", "da", "do", "ro", "ra")
)
_JOINS = frozenset(("+", "&", "/", ".", ",", "and", "und", "et", "e", "ed", "y"))
_KEY_WORDS = {
    "a": "a la",
    "b-flat": "b bb sib",
    "c": "c do ut",
    "d": "d re",
    "e-flat": "eb es mib",
    "f": "f fa",
    "g": "g sol",
}
_KEYS = {word: key for key, words in _KEY_WORDS.items() for word in words.split()}
_FLAT_KEYS = {"e": "e-flat", "mi": "e-flat", "b": "b-flat", "si": "b-flat"}
_FLATS = frozenset(("flat", "b", "bemol", "bemolle"))
_SOLO = frozenset(("solo", "sola", "solist", "soloist", "soliste", "solista"))
_PLUCKED = frozenset(("pizz", "pizzicato", "pizzicati", "pizzicatos", "gezupft", "pince"))
_DIVIDED = frozenset(("div", "divisi", "divise", "geteilt", "divises", "divididos"))


@dataclass(frozen=True, slots=True, kw_only=True)
class NameReading:
    """What a track name says.

    Parameters
    ----------
    candidates
        Ids of the instruments that it may mean, the usual one first.
    key
        Such as ``b-flat``, where it names one.
    numbers
        Of the players, rising.
    counts_players
        Whether the one number says how many they are: "3 Horns".
    division
        Such as ``div. a``, or nothing.
    is_solo, is_plucked
        Whether it says "solo", "pizz.".
    unexplained
        A word of an instrument that the reading leaves over ("horn" in "Tenor Horn"), or nothing.
    """

    candidates: tuple[str, ...]
    key: str | None
    numbers: tuple[int, ...]
    counts_players: bool
    division: str
    is_solo: bool
    is_plucked: bool
    unexplained: str


@dataclass(frozen=True, slots=True)
class _Names:
    """The table: names to candidate ids, the general names apart."""

    exact: dict[str, tuple[str, ...]]
    general: dict[str, tuple[str, ...]]
    registers: frozenset[str]
    max_words: int


@dataclass(frozen=True, slots=True)
class _Token:
    """A word, a number with the letters that follow it, or a sign."""

    text: str = ""
    number: int | None = None
    mark: str = ""
    is_padded: bool = False
    is_sign: bool = False


@cache
def _known_names() -> _Names:
    """Read the table of names."""
    text = resources.files("retro.read").joinpath("names.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    exact: dict[str, tuple[str, ...]] = dict.fromkeys(table["nobody"]["names"], (NEUTRAL.id,))
    for id_, languages in table["names"].items():
        for names in languages.values():
            exact |= dict.fromkeys(names, (id_,))
    for usual, others in table["ambiguous"].items():
        for other, names in others.items():
            exact |= dict.fromkeys(names, (usual, other))
    general: dict[str, tuple[str, ...]] = {}
    for id_, names in table["general"].items():
        general |= dict.fromkeys(names, (id_,))
    return _Names(
        exact,
        general,
        frozenset(table["registers"]["words"]),
        max(name.count(" ") + 1 for name in (*exact, *general)),
    )


def plain(text: str) -> str:
    """Return a text without accents, ligatures and case."""
    spelled = text.replace("œ", "oe").replace("Œ", "Oe").replace("♭", "b")
    spelled = spelled.replace("–", "-").replace("—", "-")
    stripped = unicodedata.normalize("NFKD", spelled)
    return "".join(c for c in stripped if not unicodedata.combining(c)).casefold()


@cache
def read_name(name: str) -> NameReading | None:
    """Read a track name, or give None where it says nothing that we know."""
    tokens = _tokens(name)
    found = _find(tokens)
    if found is None:
        return None
    start, end, candidates = found
    is_keyed = by_id(candidates[0]).family in (Family.WOODWIND, Family.BRASS)
    key, numbers, letter = _read_behind(tokens[end:], is_keyed=is_keyed)
    key_before, front = _key_before(tokens[:start]) if is_keyed else (None, tokens[:start])
    numbers_before, counts = _numbers_before(front)
    words = {token.text for token in tokens}
    return NameReading(
        candidates=candidates,
        key=key or key_before,
        numbers=numbers or numbers_before,
        counts_players=counts and not numbers,
        division=_division(tokens) or (f"div. {letter}" if letter else ""),
        is_solo=bool(words & _SOLO),
        is_plucked=bool(words & _PLUCKED),
        unexplained=_unexplained((*tokens[:start], *tokens[end:])),
    )


def _unexplained(tokens: Sequence[_Token]) -> str:
    """Return the first word that tells of another instrument than the one found, or nothing.

    Short abbreviations are left out: they mean something else as often.
    """
    names = _known_names()
    for token in tokens:
        is_instrument = len(token.text) >= MIN_LETTERS and token.text in names.exact
        if is_instrument or token.text in names.registers:
            return token.text
    return ""


def _tokens(name: str) -> tuple[_Token, ...]:
    text = plain(_HUMP.sub(" ", _BOTH_PLAY.sub(" ", name)))
    tokens = []
    for match in _TOKEN.finditer(text):
        digits = match["number"]
        if digits is None:
            token = _Token(match["word"] or match["sign"], is_sign=match["sign"] is not None)
        else:
            # A part has one or two digits; the bound keeps a hostile name cheap.
            padded = len(digits) > 1 and digits[0] == "0"
            token = _Token(number=int(digits[:4]), mark=match["mark"], is_padded=padded)
        tokens.append(token)
    return tuple(tokens)


def _runs(tokens: Sequence[_Token], max_words: int) -> Iterator[tuple[int, int, str]]:
    """Yield (start, end, words) for every run of words; signs may stand between, numbers not."""
    for start in range(len(tokens)):
        words: list[str] = []
        for end, token in enumerate(tokens[start:], start=start + 1):
            if token.number is not None or len(words) == max_words:
                break
            if token.is_sign and not words:
                break
            if not token.is_sign:
                words.append(token.text)
                yield start, end, " ".join(words)


def _find(tokens: Sequence[_Token]) -> tuple[int, int, tuple[str, ...]] | None:
    """Find the best known name: (start, end, candidate ids); the longest, the first of equals.

    Of woodwinds that one player doubles ("Fl/Picc") it is the first.
    """
    names = _known_names()
    found = [
        ((words in names.exact, words.count(" "), len(words), -start), (start, end, words))
        for start, end, words in _runs(tokens, names.max_words)
        if words in names.exact or words in names.general
    ]
    if not found:
        return None
    best = max(found)
    slash = next((at for at, token in enumerate(tokens) if token.text == "/"), len(tokens))
    before = [each for each in found if each[1][1] <= slash and _is_woodwind(each[1][2])]
    if before and best[1][0] > slash and _is_woodwind(best[1][2]):
        best = max(before)
    _, (start, end, words) = best
    return start, end, names.exact.get(words) or names.general[words]


def _is_woodwind(words: str) -> bool:
    """Whether words are the name of a woodwind."""
    ids = _known_names().exact.get(words)
    return ids is not None and by_id(ids[0]).family is Family.WOODWIND


def _number(token: _Token) -> int | None:
    """Return the player's number that a token means."""
    value = _NUMBER_WORDS.get(token.text) if token.number is None else token.number
    return value if value is not None and 1 <= value <= MAX_NUMBERS else None


def _group(tokens: Sequence[_Token]) -> tuple[tuple[int, ...], int]:
    """Read numbers such as ``1.2``, ``1-3``, ``I & II`` from the front: (numbers, tokens read)."""
    numbers: list[int] = []
    read = 0
    is_range = False
    for at, token in enumerate(tokens, start=1):
        value = _number(token)
        if value is not None:
            first = min(numbers[-1] + 1, value) if is_range else value
            numbers.extend(range(first, value + 1))
            is_range, read = False, at
        elif numbers and token.text in _JOINS | {"-"}:
            is_range = is_range or token.text == "-"
        else:
            break
    return tuple(sorted(set(numbers))), read


def _key(tokens: Sequence[_Token]) -> tuple[str | None, int]:
    """Read a key such as ``in A``, ``Bb``, ``mi bemolle`` from the front: (key, tokens read)."""
    if not tokens or tokens[0].is_sign:
        return None, 0
    words = [(end, token.text) for end, token in enumerate(tokens, start=1) if not token.is_sign]
    if words[0][1] in ("in", "en"):
        words = words[1:]
    texts = [text for _, text in words[:2]]
    if len(texts) == 2 and texts[0] in _FLAT_KEYS and texts[1] in _FLATS:
        return _FLAT_KEYS[texts[0]], words[1][0]
    if texts and texts[0] in _KEYS:
        return _KEYS[texts[0]], words[0][0]
    return None, 0


def _read_behind(
    tokens: Sequence[_Token], *, is_keyed: bool
) -> tuple[str | None, tuple[int, ...], str]:
    """Read key, numbers and a division's letter behind the instrument's name."""
    key: str | None = None
    numbers: tuple[int, ...] = ()
    letter = ""
    at = 0
    while at < len(tokens):
        found, key_read = _key(tokens[at:]) if is_keyed and not key else (None, 0)
        group, group_read = _group(tokens[at:]) if not numbers else ((), 0)
        if key_read:
            key = found
        elif group_read:
            numbers, letter = group, tokens[at + group_read - 1].mark
        elif not tokens[at].is_sign:
            break
        at += key_read or group_read or 1
    return key, numbers, letter if letter in ("a", "b", "c", "d") else ""


def _without_last_signs(tokens: Sequence[_Token]) -> Sequence[_Token]:
    end = len(tokens)
    while end and tokens[end - 1].is_sign:
        end -= 1
    return tokens[:end]


def _key_before(tokens: Sequence[_Token]) -> tuple[str | None, Sequence[_Token]]:
    """Read a key directly before the instrument's name: (key, what stands before that)."""
    front = _without_last_signs(tokens)
    for size in (2, 1):
        key, read = _key(front[-size:]) if len(front) >= size else (None, 0)
        if read == size:
            return key, front[:-size]
    return None, tokens


def _numbers_before(tokens: Sequence[_Token]) -> tuple[tuple[int, ...], bool]:
    """Read numbers directly before the instrument's name, and whether they count the players.

    "2. Flöte" and "1st Violins" number players, "3 Horns" counts them; "03 Flute", "3 - Flute" and
    what belongs to another word number nothing of ours.
    """
    front = _without_last_signs(tokens)
    signs = {token.text for token in tokens[len(front) :]}
    for start, first in enumerate(front):
        numbers, read = _group(front[start:])
        if not numbers or start + read < len(front):
            continue
        is_bare = first.number is not None and first.mark not in _ORDINAL_MARKS
        if first.is_padded or (is_bare and (start or signs & {"-", "_"})):
            break
        return numbers, is_bare and read == 1 and not signs
    return (), False


def _division(tokens: Sequence[_Token]) -> str:
    """Read ``div.`` and the letter or number behind it."""
    words = [token for token in tokens if not token.is_sign]
    for token, behind in zip(words, [*words[1:], _Token()], strict=True):
        if token.text in _DIVIDED:
            label = str(behind.number) if behind.number else behind.text
            return f"div. {label}" if len(label) == 1 else "div."
    return ""
