"""Keys of MusicXML scores, as they sound: those of the first part with pitches that states any."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from retro.model.phrase import Key
from retro.model.time import Bar, Steps
from retro.read.musicxml_measures import RawMeasure

NO_KEY = Key(0)


@dataclass(frozen=True, slots=True)
class MeasureKeys:
    """Keys of one measure: what is in force where it begins, and (place in it, key), in order."""

    before: Key
    changes: tuple[tuple[Fraction, Key], ...]

    @property
    def at_start(self) -> Key:
        """What its first note has."""
        return next((key for at, key in reversed(self.changes) if at == 0), self.before)


def keys_of(measures: Sequence[RawMeasure]) -> Iterator[MeasureKeys]:
    """Yield the keys of a part, measure by measure."""
    key = NO_KEY
    for measure in measures:
        changes = tuple((at, Key(sharps, minor)) for at, sharps, minor in measure.keys)
        yield MeasureKeys(key, changes)
        key = changes[-1][1] if changes else key


def played_keys(
    keys: Sequence[MeasureKeys], order: Sequence[int], bars: Sequence[Bar]
) -> Steps[Key]:
    """Return the keys of a song as its measures are played.

    `keys` go by measure, in the order of the file; there may be fewer than measures. `order` has
    the indexes of the measures as they are played, `bars` their places.
    """
    changes: list[tuple[Fraction, Key]] = []
    for bar, index in zip(bars, order, strict=True):
        if index < len(keys):
            changes.append((bar.start_beats, keys[index].before))
            changes.extend((bar.start_beats + at, key) for at, key in keys[index].changes)
    return Steps.from_changes(changes, length=bars[-1].end_beats, before=NO_KEY)
