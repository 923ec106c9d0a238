"""What goes wrong in a made take: an early release, a note or a section out of tune, a cough.

Conventions
-----------
Sound is mono at `RATE`. A piece with a fault is a new piece; the plan stays as it is.
"""

from collections.abc import Collection
from dataclasses import replace

import numpy as np
import soxr

from tests.evidence.made_ensembles import RATE, Piece

LETTING_GO_S = 0.06
"""How long a tone takes to fade where it is let go earlier."""

TOGETHER_S = 0.2
"""Notes that are written to end so close to the last release are let go with it."""


def with_release_earlier(piece: Piece, by_s: float, only: Collection[int] | None = None) -> Piece:
    """Return a piece whose last notes, or some of them, are let go earlier."""
    offs = [
        float(piece.plan.insert_tempo.seconds_at(n.written_off_beats)) for n in piece.plan.notes
    ]
    sounds = list(piece.sounds)
    for index, off_s in enumerate(offs):
        if off_s > max(offs) - TOGETHER_S and (only is None or index in only):
            stop = round((off_s - by_s - piece.start_s[index]) * RATE)
            gain = np.ones(len(sounds[index]))
            fade = gain[stop : stop + round(LETTING_GO_S * RATE)]
            fade[:] = np.linspace(1.0, 0.0, len(fade))
            gain[stop + len(fade) :] = 0.0
            sounds[index] = sounds[index] * gain
    return replace(piece, sounds=tuple(sounds))


def tuned(piece: Piece, cents: float, only: Collection[int] | None = None) -> Piece:
    """Return a piece whose notes, or some of them, are sharper."""
    ratio = 2.0 ** (cents / 1200.0)
    return replace(
        piece,
        sounds=tuple(
            soxr.resample(sound, RATE, RATE / ratio) if only is None or index in only else sound
            for index, sound in enumerate(piece.sounds)
        ),
    )


def long_notes(piece: Piece, parts: Collection[int] | None = None, at_least_s: float = 1.0):
    """Return the indexes of notes that last so long, of some parts or of all."""
    return [
        index
        for index, note in enumerate(piece.plan.notes)
        if note.played_off_s - note.played_on_s > at_least_s
        and (parts is None or note.part in parts)
    ]
