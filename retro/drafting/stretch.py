"""Another length for a drafted swell: what lies between its markers, stretched about its landing.

Conventions
-----------
Positions are quarter notes from the song's start.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction

from retro.drafting.draft import LANDING_MARKER, SWELL_MARKER
from retro.errors import SettingsError
from retro.model.phrase import Marker, Note, Part, Phrase
from retro.model.time import Steps


@dataclass(frozen=True, slots=True)
class SwellSpan:
    """Where a drafted swell lies: ``[start, landing)``."""

    start_beats: Fraction
    landing_beats: Fraction

    @property
    def length_beats(self) -> Fraction:
        """How long it is."""
        return self.landing_beats - self.start_beats


def swell_span(song: Phrase) -> SwellSpan | None:
    """Return where a song's swell lies; None where it is no draft of one swell."""
    starts = [marker.at_beats for marker in song.markers if marker.text == SWELL_MARKER]
    landings = [marker.at_beats for marker in song.markers if marker.text == LANDING_MARKER]
    if len(starts) != 1 or len(landings) != 1 or starts[0] >= landings[0]:
        return None
    return SwellSpan(starts[0], landings[0])


def stretched(song: Phrase, length_beats: Fraction) -> Phrase:
    """Return a drafted song whose swell is so long and lands where it did.

    Raises
    ------
    SettingsError
        If the song is no draft of one swell, or it would begin before the song.
    """
    span = swell_span(song)
    if span is None:
        raise SettingsError(
            f"there is no swell to be made {float(length_beats):g} beats long: want one marker "
            f"{SWELL_MARKER!r} and one {LANDING_MARKER!r} after it",
            where="swell_beats",
            advice="draft a swell with retro draft, or leave the setting out",
        )
    if length_beats > span.landing_beats:
        raise SettingsError(
            f"a swell of {float(length_beats):g} beats would begin before the song",
            where="swell_beats",
            advice=f"it has {float(span.landing_beats):g} beats before it lands",
        )
    ratio = length_beats / span.length_beats

    def moved(at_beats: Fraction) -> Fraction:
        if not span.start_beats <= at_beats <= span.landing_beats:
            return at_beats
        return span.landing_beats - (span.landing_beats - at_beats) * ratio

    return replace(
        song,
        markers=tuple(
            sorted(
                Marker(moved(marker.at_beats), marker.text)
                if marker.text == SWELL_MARKER
                else marker
                for marker in song.markers
            )
        ),
        parts=tuple(_stretched_part(part, moved) for part in song.parts),
    )


def _stretched_part(part: Part, moved: Callable[[Fraction], Fraction]) -> Part:
    notes: list[Note] = [
        replace(note, on_beats=moved(note.on_beats), off_beats=moved(note.off_beats))
        for note in part.notes
    ]
    return replace(
        part,
        notes=tuple(sorted(notes)),
        controllers=tuple(
            (number, _stretched_steps(steps, moved)) for number, steps in part.controllers
        ),
    )


def _stretched_steps(steps: Steps[int], moved: Callable[[Fraction], Fraction]) -> Steps[int]:
    changes = [(moved(start), value) for start, _, value in steps.spans()]
    return Steps.from_changes(changes[1:], length=steps.length, before=changes[0][1])
