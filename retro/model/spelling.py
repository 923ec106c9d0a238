"""Letters and names of pitches without their octave, as places on the line of fifths.

F is -1, C 0, G 1 ... B 5, F sharp 6, B flat -2: places that are 12 apart sound the same, and what
transposes moves every place by the same number (Temperley, *The Cognition of Basic Musical
Structures*, ch. 5, from memory).
"""

STEPS = "CDEFGAB"
"""Letters as they rise on a stave."""

LETTERS = "FCGDAEB"
"""Letters by fifths: the order in which a key signature gathers its sharps."""

NATURALS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
"""Pitch classes of the letters without accidentals."""

SIGNS = {-2: "♭♭", -1: "♭", 0: "", 1: "♯", 2: "♯♯"}
"""Accidentals in words, by semitones."""

MAX_ALTERED = 2
"""A letter is altered by two semitones at most."""


def place_of(name: str) -> int:
    """Return the place of a name such as ``C#`` or ``Ebb``.

    >>> place_of("C"), place_of("F#"), place_of("Bb")
    (0, 6, -2)
    """
    return LETTERS.index(name[0]) - 1 + 7 * (name.count("#") - name.count("b"))


def name_at(place: int) -> str:
    """Return the name at a place; empty where no name with two accidentals at most is there.

    >>> name_at(0), name_at(6), name_at(-9)
    ('C', 'F#', 'Bbb')
    """
    alter, letter = divmod(place + 1, 7)
    if abs(alter) > MAX_ALTERED:
        return ""
    return LETTERS[letter] + ("#" * alter if alter > 0 else "b" * -alter)
