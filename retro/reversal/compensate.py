"""What is played so that the flipped sound begins and lands where the target does.

A tone starts at ``s`` and is stopped at ``p``. It is heard to begin and to end where its energy
crosses one threshold, ``X`` below the greatest that it has (`retro.model.tones`): ``rise(X)`` after
its start and ``fall(X)`` after its stop. Turned round about the window's end ``L``, it lands at
``L - s - rise(X)``, is full from ``L - p`` and begins at ``L - p - fall(X)``. So a target that is
meant to last ``[o, e)`` wants ``s = L - e - rise(X)`` and ``p = L - o - fall(X)``; where levels
move, both are found by trying again from what is missed.

A tone that grows from nothing has no moment at which it begins, one that dies away none at which
it lands: these are None, and the plain mirror's.

Conventions
-----------
Target and heard times are window time, played and written times insert time, as in
`retro.model.performance`. Arrays have shape (notes,) in the order of (part, target note). A sampler
plays what is exact, people play what is written: each by its own figures.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from retro.model.figures import Figure, off_the_grid
from retro.model.instruments import Player
from retro.model.latest import remembered
from retro.model.performance import Finding, Performance, PlayedNote
from retro.model.phrase import Phrase
from retro.model.settings import Compensate, Settings
from retro.model.sound import fall_s
from retro.model.time import Span
from retro.model.tones import BoolArray
from retro.reversal.exact import controls_onset, exact_starts_and_stops, heard_of
from retro.reversal.figure_spans import with_figures, without_figures
from retro.reversal.figures import find_figures
from retro.reversal.gaps import without_gaps
from retro.reversal.landing import apart_at_the_start, on_starts
from retro.reversal.mirror import insert_of
from retro.reversal.paper import (
    as_read,
    paper_spans,
    paper_starts_and_stops,
    rolled_offsets_s,
    written_spans,
)
from retro.reversal.target_tones import (
    HeardTimes,
    StartsAndStops,
    TargetTones,
    ToneFigures,
    target_tones,
)
from retro.units import seconds_to_ms

SamplerFigures = Callable[[TargetTones], ToneFigures]
"""Figures of a sampler for notes that have those of their players."""


def perform(
    target: Phrase,
    players: tuple[Player, ...],
    settings: Settings,
    *,
    sampler: SamplerFigures | None = None,
) -> Performance:
    """Work out the performance of a target phrase.

    Parameters
    ----------
    target
        What the listener shall hear, on window time.
    players
        One per part of the target. Without any compensation all of them land on the ends of
        their notes: that is the plain mirror.
    settings
        Room, thresholds, switches, grid.
    sampler
        Gives figures of the sampler for every note; None leaves those of the players.

    Returns
    -------
    Performance
        With one `PlayedNote` per target note, in the order of (part, note).

    Raises
    ------
    ValueError
        If there is not one player per part.
    """
    insert = insert_of(target)
    if settings.compensate is Compensate.NONE:
        players = tuple(replace(player, lands_at_start=False) for player in players)
    meant, gaps, figures, written = _meant_and_written(
        target,
        insert,
        players,
        keep_gaps=settings.keep_gaps,
        grid_beats=settings.grid_beats,
        straighten_swing=settings.straighten_swing,
    )
    on_grid_at_start, findings = on_starts(players, written, target.length_beats)
    ornaments = off_the_grid(figures)
    notes = target_tones(
        target,
        meant,
        insert,
        players,
        settings,
        at_start=_at_start(players, target, ornaments, on_grid_at_start),
    )
    if sampler is not None:
        notes = replace(notes, sampler=sampler(notes))
    on_grid = np.array([i not in ornaments for i in range(len(notes.part))], dtype=bool)
    exact = exact_starts_and_stops(notes, settings)
    paper_on_grid = list(
        paper_spans(
            players,
            written,
            on_grid_at_start,
            pitches=notes.pitch[on_grid],
            falls_s=np.where(
                notes.has_onset,
                fall_s(settings.onset_db, notes.people.decay_s, settings.room),
                0.0,
            )[on_grid],
            insert=insert,
            settings=settings,
        )
    )
    paper_beats = with_figures(
        paper_on_grid,
        figures,
        part_sizes=[len(part.notes) for part in target.parts],
        start_s=exact.start_s,
        tempo=insert.tempo,
    )
    rolled_s = rolled_offsets_s(insert, players, notes.pitch, paper_beats, exact.start_s)
    taken = as_read(paper_beats, insert.bars, settings)
    paper = paper_starts_and_stops(notes, taken, rolled_s, insert.tempo, settings)
    played = _played_notes(
        target=target,
        notes=notes,
        exact=exact,
        paper_beats=paper_beats,
        heard=heard_of(notes, exact, notes.sampler, settings),
        heard_on_paper=heard_of(notes, paper, notes.people, settings),
        is_controlled=controls_onset(notes, exact, settings),
    )
    return Performance(
        target=target,
        insert=insert,
        players=players,
        settings=settings,
        notes=tuple(played),
        findings=(*gaps, *findings),
        figures=figures,
    )


class _Meant(NamedTuple):
    """What a target means: notes as long as they are meant, gaps, figures and written spans."""

    meant: Phrase
    gaps: tuple[Finding, ...]
    figures: tuple[Figure, ...]
    written: list[list[Span]]


@remembered(4)
def _meant_and_written(
    target: Phrase,
    insert: Phrase,
    players: tuple[Player, ...],
    *,
    keep_gaps: bool,
    grid_beats: Fraction,
    straighten_swing: bool,
) -> _Meant:
    meant, gaps = (target, ()) if keep_gaps else without_gaps(target, players)
    meant = apart_at_the_start(meant, players)
    figures = find_figures(target, players, grid_beats=grid_beats)
    written = written_spans(
        insert,
        without_figures(meant, figures),
        grid_beats=grid_beats,
        straighten_swing=straighten_swing,
    )
    return _Meant(meant, gaps, figures, written)


def _at_start(
    players: Sequence[Player],
    target: Phrase,
    ornaments: frozenset[int],
    on_grid: Sequence[Sequence[bool]],
) -> list[bool]:
    """Return which notes of all land on their starts: figures as their players do elsewhere."""
    known = (starts for part in on_grid for starts in part)
    pairs = (player for player, part in zip(players, target.parts, strict=True) for _ in part.notes)
    return [
        player.lands_at_start if i in ornaments else next(known) for i, player in enumerate(pairs)
    ]


def _played_notes(
    *,
    target: Phrase,
    notes: TargetTones,
    exact: StartsAndStops,
    paper_beats: list[Span],
    heard: HeardTimes,
    heard_on_paper: HeardTimes,
    is_controlled: BoolArray,
) -> Iterator[PlayedNote]:
    places = ((index, note) for index, part in enumerate(target.parts) for note in part.notes)
    onsets_s, landings_s = notes.on_s, notes.wanted_landing_s
    onset_s = np.where(is_controlled, heard.onset_s, np.nan)
    written_onset_s = np.where(is_controlled, heard_on_paper.onset_s, np.nan)
    for i, (part, note) in enumerate(places):
        yield PlayedNote(
            part=part,
            target=note,
            target_on_s=float(notes.on_s[i]),
            target_off_s=float(notes.off_s[i]),
            played_on_s=float(exact.start_s[i]),
            played_off_s=float(exact.stop_s[i]),
            written_on_beats=paper_beats[i][0],
            written_off_beats=paper_beats[i][1],
            attack_s=float(notes.sampler.attack_s[i]),
            decay_s=float(notes.sampler.decay_s[i]),
            written_attack_s=float(notes.people.attack_s[i]),
            written_decay_s=float(notes.people.decay_s[i]),
            audible_from_s=_known(heard.audible_from_s[i]),
            onset_s=_known(heard.onset_s[i]),
            full_s=float(heard.full_s[i]),
            lands_s=_known(heard.lands_s[i]),
            onset_error_ms=_ms(onset_s[i] - onsets_s[i]),
            landing_error_ms=_ms(heard.lands_s[i] - landings_s[i]),
            written_onset_error_ms=_ms(written_onset_s[i] - onsets_s[i]),
            written_landing_error_ms=_ms(heard_on_paper.lands_s[i] - landings_s[i]),
            is_short=bool(exact.is_short[i]),
        )


def _known(seconds: np.float64) -> float | None:
    return None if np.isnan(seconds) else float(seconds)


def _ms(seconds: np.float64) -> float | None:
    return None if np.isnan(seconds) else seconds_to_ms(float(seconds))
