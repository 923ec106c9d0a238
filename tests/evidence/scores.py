"""Public-domain music that is its own reversal, entered note by note.

A voice is a line of words ``PITCH:QUARTERS``; ``r`` is a rest. Notes that the print ties over a bar
line are one word.
"""

from fractions import Fraction

from retro.model.phrase import Note

CANCRIZANS_FORWARDS = """
    C4:2 Eb4:2  G4:2 Ab4:2  B3:2 r:1 G4:2  F#4:2 F4:2  E4:2 Eb4:2  D4:1 Db4:1 C4:1
    B3:1 G3:1 C4:1 F4:1  Eb4:2 D4:2  C4:2 Eb4:2
    G4:1/2 F4:1/2 G4:1/2 C5:1/2 G4:1/2 Eb4:1/2 D4:1/2 Eb4:1/2
    F4:1/2 G4:1/2 A4:1/2 B4:1/2 C5:1/2 Eb4:1/2 F4:1/2 G4:1/2
    Ab4:1/2 D4:1/2 Eb4:1/2 F4:1/2 G4:1/2 F4:1/2 Eb4:1/2 D4:1/2
    Eb4:1/2 F4:1/2 G4:1/2 Ab4:1/2 Bb4:1/2 Ab4:1/2 G4:1/2 F4:1/2
    G4:1/2 Ab4:1/2 Bb4:1/2 C5:1/2 Db5:1/2 Bb4:1/2 Ab4:1/2 G4:1/2
    A4:1/2 B4:1/2 C5:1/2 D5:1/2 Eb5:1/2 C5:1/2 B4:1/2 A4:1/2
    B4:1/2 C5:1/2 D5:1/2 Eb5:1/2 F5:1/2 D5:1/2 G4:1/2 D5:1/2
    C5:1/2 D5:1/2 Eb5:1/2 F5:1/2 Eb5:1/2 D5:1/2 C5:1/2 B4:1/2
    C5:1 G4:1 Eb4:1 C4:1
"""
CANCRIZANS_BACKWARDS = """
    C4:1 Eb4:1 G4:1 C5:1
    B4:1/2 C5:1/2 D5:1/2 Eb5:1/2 F5:1/2 Eb5:1/2 D5:1/2 C5:1/2
    D5:1/2 G4:1/2 D5:1/2 F5:1/2 Eb5:1/2 D5:1/2 C5:1/2 B4:1/2
    A4:1/2 B4:1/2 C5:1/2 Eb5:1/2 D5:1/2 C5:1/2 B4:1/2 A4:1/2
    G4:1/2 Ab4:1/2 Bb4:1/2 Db5:1/2 C5:1/2 Bb4:1/2 Ab4:1/2 G4:1/2
    F4:1/2 G4:1/2 Ab4:1/2 Bb4:1/2 Ab4:1/2 G4:1/2 F4:1/2 Eb4:1/2
    D4:1/2 Eb4:1/2 F4:1/2 G4:1/2 F4:1/2 Eb4:1/2 D4:1/2 Ab4:1/2
    G4:1/2 F4:1/2 Eb4:1/2 C5:1/2 B4:1/2 A4:1/2 G4:1/2 F4:1/2
    Eb4:1/2 D4:1/2 Eb4:1/2 G4:1/2 C5:1/2 G4:1/2 F4:1/2 G4:1/2
    Eb4:2 C4:2  D4:2 Eb4:2  F4:1 C4:1 G3:1 B3:1  C4:1 Db4:1 D4:1
    Eb4:2 E4:2 F4:2 F#4:2 G4:2 r:1 B3:2  Ab4:2 G4:2  Eb4:2 C4:2
"""
"""J. S. Bach, Musical Offering BWV 1079 (1747), canon 1 a 2 (cancrizans): both voices as realised
in print, 18 bars of 4/4 each. The second is entered from the print, not computed from the
first."""

SUBJECT_FORWARDS = "G4:1 F#4:1 E4:1 D4:1 B3:1 C4:1 D4:1 G3:1"
SUBJECT_BACKWARDS = "G2:1 D3:1 C3:1 B2:1 D3:1 E3:1 F#3:1 G3:1"
"""J. S. Bach, fourteen canons on the first eight notes of the ground of the Goldberg Variations,
BWV 1087, canon 1 (canon simplex): the subject and the second voice, an octave lower. Entered from
the public score library Mutopia (BWV 1087, canon 1, after the autograph)."""

INVERTED_FORWARDS = "D3:1 E3:1 F#3:1 G3:1 B3:1 A3:1 G3:1 D4:1"
INVERTED_BACKWARDS = "D4:1 G3:1 A3:1 B3:1 G3:1 F#3:1 E3:1 D3:1"
"""The same, canon 2 (all' roverscio): both voices, at one pitch. Same source, canon 2."""

CONTRARY_FORWARDS = """
    D5:4 C5:4 B4:2 A4:1 G4:1 F4:2 E4:1 D4:1 E4:2 G4:2 F4:2 E4:2 D4:1 E4:1 F4:1 G4:1 A4:2 G4:2
    E4:2 D4:2 E4:1 F4:1 G4:1 A4:1 G4:2 C5:2 D5:4 E5:1 D5:1 C5:2 B4:1 A4:1 G4:2 A4:2 B4:2 C5:4
"""
CONTRARY_BACKWARDS = """
    D4:4 E4:2 F4:2 G4:2 F4:1 E4:1 D4:2 C4:1 B3:1 C4:4 D4:2 G4:2 F4:1 G4:1 A4:1 B4:1 C5:2 B4:2
    G4:2 F4:2 G4:1 A4:1 B4:1 C5:1 B4:2 A4:2 G4:2 B4:2 C5:1 B4:1 A4:2 G4:1 F4:1 E4:2 D4:4 C4:4
"""
"""Giovanni Maria Bononcini, *Musico prattico* (1673), p. 105, canon in retrograde and contrary
motion: both voices, 8 bars of 4/2 each. Entered from the encoding in the public repository
jjstoessel/CASMAT (catsmat/CATSMAT_Tests/testdata, commit 4200643)."""

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def voice(words: str) -> tuple[Note, ...]:
    """Return the notes of one voice, from beat 0 on."""
    notes, at = [], Fraction(0)
    for word in words.split():
        name, quarters = word.split(":")
        length = Fraction(quarters)
        if name != "r":
            pitch = 12 * (int(name[-1]) + 1) + _STEPS[name[0]] + name.count("#") - name.count("b")
            notes.append(Note(on_beats=at, off_beats=at + length, pitch=pitch, velocity=80))
        at += length
    return tuple(notes)
