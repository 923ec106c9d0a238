"""The letters of inserts: A to Z, then AA to ZZ, then AAA."""


def letter_after(letter: str) -> str:
    """Return the next letter: B after A, AA after Z, BA after AZ."""
    kept = letter.rstrip("Z")
    wrapped = "A" * (len(letter) - len(kept))
    if not kept:
        return "A" + wrapped
    return kept[:-1] + chr(ord(kept[-1]) + 1) + wrapped
