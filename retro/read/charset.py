"""Text in files that do not say how it is encoded.

The Standard MIDI Files specification asks for ASCII and leaves the rest open, so programs write
names in whatever their country used. Tried in order: UTF-8, Shift-JIS, GBK, then the western
code page; the two in the middle only where their text makes up most of the name, since accented
western names often happen to be valid in them as well.
"""

import unicodedata

ASIAN_SHARE = 0.5
"""Share of the bytes that must form East Asian characters before a name is read as such."""

MIN_ASIAN = 2
"""East Asian characters that must stand in a text before it is read as such."""

GB_LOW = 0xA1
"""Both bytes of the common Chinese characters lie at or above this (GB 2312)."""

LEVEL_1_LAST = 0x9F
"""Highest first byte of kana and of the common Japanese characters (Shift-JIS)."""

NOT_TEXT = frozenset(("Cc", "Cs", "Cn", "Co", "Zl", "Zp"))
"""Unicode's categories of what is no text: controls, surrogates, nothing, private, separators."""

OVERRIDES = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def decode_text(data: bytes) -> str:
    """Decode a name; never fails, and what is valid UTF-8 comes out unchanged.

    Padding zeros and white space at both ends are taken off.
    """
    data = data.strip(b"\0 \t\r\n")
    local = "gbk" if _is_gb(data) else "cp932" if _is_shift_jis(data) else "cp1252"
    for charset in ("utf-8", local):
        text = _decoded(data, charset)
        if text is not None:
            return text.strip()
    return data.decode("latin-1").strip()


def as_line(text: str) -> str:
    """Return a text as one line that every kind of file can hold.

    Control characters, surrogates and what is no character become spaces; marks that turn the
    direction of the whole line round (bidirectional overrides) are left out.
    """
    kept = "".join(
        "" if char in OVERRIDES else " " if unicodedata.category(char) in NOT_TEXT else char
        for char in text
    )
    return " ".join(kept.split())


def _decoded(data: bytes, charset: str) -> str | None:
    try:
        return data.decode(charset)
    except UnicodeDecodeError:
        return None


def _is_asian(char: str) -> bool:
    return (
        "\u3000" <= char <= "\u9fff" or "\uf900" <= char <= "\ufaff" or "\uff01" <= char <= "\uff60"
    )


def _is_mostly_asian(data: bytes, charset: str) -> bool:
    text = _decoded(data, charset)
    if text is None:
        return False
    count = sum(map(_is_asian, text))
    return count >= MIN_ASIAN and 2 * count >= ASIAN_SHARE * len(data)


def _is_gb(data: bytes) -> bool:
    high = [byte for byte in data if byte >= 0x80]
    return all(byte >= GB_LOW for byte in high) and _is_mostly_asian(data, "gb2312")


def _is_shift_jis(data: bytes) -> bool:
    """Whether it reads as Japanese, and mostly in its common first level of characters.

    The second level shares its first bytes with the accented letters of western names.
    """
    if not _is_mostly_asian(data, "cp932"):
        return False
    asian = [char for char in data.decode("cp932") if _is_asian(char)]
    common = sum(char.encode("cp932")[0] <= LEVEL_1_LAST for char in asian)
    return 2 * common > len(asian)
