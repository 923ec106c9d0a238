"""What a composer's words say of the tempo, each with the span for which it holds.

Conventions
-----------
Positions are quarter notes (`Fraction`) on the time of the phrase. A word holds until the next one,
so that it mirrors as notes do: a tempo begins in the mirror where the next one began in the song,
and a change goes the other way.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

from retro.model.time import TempoMap


class TempoKind(StrEnum):
    """What a word does to the tempo."""

    STEADY = "steady"
    AT_ONCE_SLOWER = "at once slower"
    AT_ONCE_FASTER = "at once faster"
    SLOWING = "slowing"
    QUICKENING = "quickening"

    @property
    def is_gradual(self) -> bool:
        """Whether the tempo changes as long as the word holds."""
        return self in MIRRORED

    @property
    def mirrored(self) -> "TempoKind":
        """What it does when time is turned round; what comes at once is told by its neighbours."""
        return MIRRORED.get(self, self)


MIRRORED = {
    TempoKind.SLOWING: TempoKind.QUICKENING,
    TempoKind.QUICKENING: TempoKind.SLOWING,
}


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class TempoWord:
    """One word for the tempo.

    Parameters
    ----------
    start_beats, end_beats
        From where to where it holds.
    kind
        What it does.
    text
        The words as they are printed; of a gradual change only how it goes ("poco", "molto"), since
        what goes there depends on the way that time runs.
    """

    start_beats: Fraction
    end_beats: Fraction
    kind: TempoKind
    text: str

    def mirrored(self, length_beats: Fraction) -> "TempoWord":
        """Return the word as it stands in the mirror of a phrase of that length."""
        return replace(
            self,
            start_beats=length_beats - self.end_beats,
            end_beats=length_beats - self.start_beats,
            kind=self.kind.mirrored,
        )

    def cut(self, start: Fraction, end: Fraction) -> "TempoWord | None":
        """Return what lies in the window ``[start, end)`` on its own time; None for nothing."""
        first, last = max(self.start_beats, start), min(self.end_beats, end)
        if first >= last:
            return None
        return replace(self, start_beats=first - start, end_beats=last - start)

    def is_told(self, tempo: TempoMap) -> bool:
        """Return whether the tempo does what a gradual word says, from its place until it ends."""
        steps = tempo.us_per_quarter
        inside = [k for k, at in enumerate(steps.starts) if self.start_beats <= at < self.end_beats]
        changes = [steps.values[k] - steps.values[k - 1] for k in inside if k]
        is_slower = self.kind is TempoKind.SLOWING
        return bool(changes) and all((change > 0) is is_slower for change in changes)
