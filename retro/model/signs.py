"""What a composer wrote over, under and on the notes, where the file says so.

Conventions
-----------
Positions are quarter notes (`Fraction`) on the time of the phrase. Every sign has a span, so that
it mirrors as notes do: a mark has the span of the note that it stands on, a line that of all its
notes, a level or a way of playing the span over which it holds.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction


class SignKind(StrEnum):
    """Kinds of signs; names as in MusicXML where it has one."""

    SLUR = "slur"
    GLISSANDO = "glissando"
    CRESCENDO = "crescendo"
    DIMINUENDO = "diminuendo"
    CLEF = "clef"
    LEVEL = "dynamics"
    TECHNIQUE = "technique"
    WORDS = "words"
    ACCENT = "accent"
    STRONG_ACCENT = "strong-accent"
    STACCATO = "staccato"
    STACCATISSIMO = "staccatissimo"
    TENUTO = "tenuto"
    DETACHED_LEGATO = "detached-legato"
    FERMATA = "fermata"
    TREMOLO = "tremolo"
    TRILL = "trill-mark"
    ARPEGGIO_UP = "arpeggiate-up"
    ARPEGGIO_DOWN = "arpeggiate-down"

    @property
    def is_line(self) -> bool:
        """Whether it goes from one note to another."""
        return self in (SignKind.SLUR, SignKind.GLISSANDO)

    @property
    def mirrored(self) -> "SignKind":
        """What the sign becomes when time is turned round."""
        return MIRRORED.get(self, self)


MIRRORED = {
    SignKind.CRESCENDO: SignKind.DIMINUENDO,
    SignKind.DIMINUENDO: SignKind.CRESCENDO,
    SignKind.ARPEGGIO_UP: SignKind.ARPEGGIO_DOWN,
    SignKind.ARPEGGIO_DOWN: SignKind.ARPEGGIO_UP,
}


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Sign:
    """One sign.

    Parameters
    ----------
    start_beats, end_beats
        Its span.
    kind
        What it asks for.
    text
        Words, the name of a level such as ``mf``, or of a clef; empty for a clef that parts of ours
        do not have.
    pitches
        Sounding pitches that it stands on: of a mark, of a line its first and its last.
    """

    start_beats: Fraction
    end_beats: Fraction
    kind: SignKind
    text: str = ""
    pitches: tuple[int, ...] = ()

    def mirrored(self, length_beats: Fraction) -> "Sign":
        """Return the sign as it stands in the mirror of a phrase of that length."""
        return replace(
            self,
            start_beats=length_beats - self.end_beats,
            end_beats=length_beats - self.start_beats,
            kind=self.kind.mirrored,
            pitches=self.pitches[::-1] if self.kind.is_line else self.pitches,
        )

    def cut(self, start: Fraction, end: Fraction) -> "Sign | None":
        """Return what lies in the window ``[start, end)`` on its own time; None for nothing."""
        first, last = max(self.start_beats, start), min(self.end_beats, end)
        if first >= last:
            return None
        return replace(self, start_beats=first - start, end_beats=last - start)
