"""What pitch a section's notes have in its own microphone: tuning, and notes to listen to.

Every long note is heard where it stands, by a spectrum as long as it allows. Partials that another
note of the section may have at the same place say nothing of its tuning. What is left tells how far
a note lies from where it should. Whether a neighbouring pitch stands in its place is told against
other takes of the same music alone: in a full chord every pitch has partials everywhere.

Conventions
-----------
Times are insert time in seconds, tuning in cents, sharp is positive.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import soxr

from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import pitch_to_hz, seconds_to_samples

RATE = 12_000
MIN_LENGTH_S = 0.4
"""Shorter notes have no pitch that could be told to a few cents."""

MIN_JUDGED_S = 0.8
"""Shorter notes are not called wrong."""

MAX_HEARD_S = 1.5
SETTLED_S, LEAVING_S = 0.18, 0.06
"""What is left out at both ends of a note."""

PARTIALS, OTHER_PARTIALS, MAX_HZ = 8, 12, 5_000.0
NEAR_CENTS = 45.0
"""How far from its place a partial is looked for."""

SHARED_CENTS = 70.0
"""Closer to a partial of another note than this, a partial tells nothing."""

AROUND_CENTS = 300.0
MAX_PROMINENCE_DB = 30.0
MIN_PROMINENCE_DB = 10.0
"""A partial that stands out less is not heard."""

RINGING_S = 0.3
"""How long after its end another note is still there."""

MIN_PARTIALS = 2
MIN_BETTER_DB, MIN_RISE_DB = 6.0, 3.0
"""How much further than its own pitch another one stands out where a note is doubtful, against the
other takes, and how much it does so itself. Made ensembles: right notes 4 at most, 88 % of wrong
semitones more than 6."""

MIN_NOTES = 4
"""With fewer notes a section's tuning is not told."""

NEIGHBOURS = (-2, -1, 1, 2)
"""Semitones to the pitches that may stand in a note's place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardNote:
    """A long note as it was heard.

    Parameters
    ----------
    note
        Index in the plan.
    cents
        How sharp it is; None where too few partials are its own.
    stands_db
        How far the partials of its own pitch, and of `NEIGHBOURS`, stand out from
        what is around them; empty where the note is too short to be judged.
    """

    note: int
    cents: float | None
    stands_db: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubtful:
    """A note in whose place another pitch stands out.

    Parameters
    ----------
    note
        Index in the plan.
    semitones
        To what stands out.
    better_db
        How much further that does than the note's own pitch, against the other takes.
    """

    note: int
    semitones: int
    better_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Standing:
    """A note where it stands: from when to when, and what else its section plays there."""

    note: int
    pitch: int
    start_s: float
    end_s: float
    near: tuple[int, ...]


def heard_notes(
    sounding: Sounding, plan: PlanFile, parts: Sequence[int], *, lateness_s: float
) -> tuple[HeardNote, ...]:
    """Return what is heard of the long notes of some parts, in order of the plan.

    Parameters
    ----------
    parts
        Whose notes.
    lateness_s
        How late they are heard in this microphone.
    """
    return tuple(
        _heard(sounding, standing, lateness_s) for standing in _standing(plan, frozenset(parts))
    )


def section_cents(
    heard: Sequence[HeardNote], others: Sequence[Mapping[int, float]]
) -> float | None:
    """Return how much sharper a section is than in other takes; None where nobody can tell.

    Parameters
    ----------
    heard
        The section's notes in this take.
    others
        Cents of the same notes in every other take.
    """
    apart = []
    for one in heard:
        known = [cents[one.note] for cents in others if one.note in cents]
        if one.cents is not None and known:
            apart.append(one.cents - float(np.median(known)))
    return float(np.median(apart)) if len(apart) >= MIN_NOTES else None


def doubtful_notes(
    heard: Sequence[HeardNote], others: Sequence[Mapping[int, HeardNote]]
) -> Iterator[Doubtful]:
    """Yield the notes in whose place another pitch stands out than in the other takes.

    Parameters
    ----------
    heard
        The section's notes in this take.
    others
        The same notes in every other take.
    """
    for one in heard:
        known = [take[one.note].stands_db for take in others if one.note in take]
        known = [stands_db for stands_db in known if stands_db]
        if not one.stands_db or not known:
            continue
        own, *apart = np.array(one.stands_db) - np.median(known, axis=0)
        best = int(np.argmax(apart))
        if apart[best] >= MIN_RISE_DB and apart[best] - own >= MIN_BETTER_DB:
            yield Doubtful(
                note=one.note,
                semitones=NEIGHBOURS[best],
                better_db=float(apart[best] - own),
            )


def without_bleed(sections: Sequence[Sequence[Doubtful]], plan: PlanFile) -> list[list[Doubtful]]:
    """Return the doubtful notes of some sections without those that only let another one through.

    A wrong note is heard in the microphones of other sections, too. Of notes that sound together
    and in whose place the same pitch stands out, octaves apart or not, the clearest is kept.
    """
    every = sorted(
        ((one, number) for number, own in enumerate(sections) for one in own),
        key=lambda each: -each[0].better_db,
    )
    kept: list[list[Doubtful]] = [[] for _ in sections]
    for one, number in every:
        others = [other for index, own in enumerate(kept) for other in own if index != number]
        if not any(_sound_alike(one, other, plan) for other in others):
            kept[number].append(one)
    return [sorted(own, key=lambda one: one.note) for own in kept]


def _sound_alike(one: Doubtful, other: Doubtful, plan: PlanFile) -> bool:
    """Return whether two notes sound together and the same pitch stands out in their places."""
    first, second = plan.notes[one.note], plan.notes[other.note]
    apart = first.pitch + one.semitones - second.pitch - other.semitones
    return (
        apart % 12 == 0
        and first.played_on_s < second.played_off_s
        and second.played_on_s < first.played_off_s
    )


def _standing(plan: PlanFile, parts: frozenset[int]) -> Iterator[_Standing]:
    own = [(index, note) for index, note in enumerate(plan.notes) if note.part in parts]
    for index, note in own:
        on_s, off_s = note.played_on_s, note.played_off_s
        start_s, end_s = on_s + SETTLED_S, min(off_s - LEAVING_S, on_s + SETTLED_S + MAX_HEARD_S)
        is_short = off_s - on_s < MIN_LENGTH_S or end_s - start_s < MIN_LENGTH_S / 2.0
        if is_short:
            continue
        near = {
            other.pitch
            for place, other in own
            if place != index
            and other.played_on_s < end_s
            and other.played_off_s + RINGING_S > start_s
        }
        yield _Standing(
            note=index,
            pitch=note.pitch,
            start_s=start_s,
            end_s=end_s,
            near=tuple(sorted(near)),
        )


def _heard(sounding: Sounding, standing: _Standing, lateness_s: float) -> HeardNote:
    length_s = standing.end_s - standing.start_s
    heard = sounding.span(
        standing.start_s + lateness_s, seconds_to_samples(length_s, sounding.rate)
    )
    slow = soxr.resample(heard, sounding.rate, RATE)
    padded = 8 * len(slow)
    power_db = 10.0 * np.log10(
        np.abs(np.fft.rfft(slow * np.hanning(len(slow)), padded)) ** 2 + 1e-20
    )
    bin_hz = RATE / padded
    own = _peaks(power_db, bin_hz, standing.pitch, _partials_hz(standing.near, OTHER_PARTIALS))
    cents = None
    clear = [peak for peak in own if peak[1] >= MIN_PROMINENCE_DB]
    if len(clear) >= MIN_PARTIALS:
        cents = float(np.median([peak[0] for peak in clear]))
    stands_db: tuple[float, ...] = ()
    if length_s + SETTLED_S + LEAVING_S >= MIN_JUDGED_S:
        stands_db = tuple(
            _stands_out_db(_peaks(power_db, bin_hz, pitch, np.zeros(0)))
            for pitch in (standing.pitch + semitones for semitones in (0, *NEIGHBOURS))
        )
    return HeardNote(note=standing.note, cents=cents, stands_db=stands_db)


def _stands_out_db(peaks: Sequence[tuple[float, float]]) -> float:
    return float(np.mean([prominence_db for _, prominence_db in peaks])) if peaks else 0.0


def _partials_hz(pitches: Sequence[int], partials: int) -> FloatArray:
    fundamentals = np.array([pitch_to_hz(pitch) for pitch in pitches])
    return np.outer(fundamentals, np.arange(1, partials + 1)).ravel()


def _peaks(
    power_db: FloatArray, bin_hz: float, pitch: int, taken_hz: FloatArray
) -> list[tuple[float, float]]:
    """Return cents from its place and prominence of each partial that no other note has."""
    peaks = []
    for hz in _partials_hz([pitch], PARTIALS):
        if hz > MAX_HZ:
            break
        cents_off = 1200.0 * np.abs(np.log2(taken_hz / hz)) if len(taken_hz) else np.array([np.inf])
        if cents_off.min() < SHARED_CENTS:
            continue
        near = _bins(hz, NEAR_CENTS, bin_hz)
        around = _bins(hz, AROUND_CENTS, bin_hz)
        if near.stop - near.start < 3 or around.stop >= len(power_db):
            continue
        top = near.start + int(np.argmax(power_db[near]))
        left, middle, right = power_db[top - 1 : top + 2]
        is_peak = middle >= left and middle > right
        place = top + (0.5 * (left - right) / (left - 2.0 * middle + right) if is_peak else 0.0)
        prominence_db = min(float(middle - np.median(power_db[around])), MAX_PROMINENCE_DB)
        peaks.append((float(1200.0 * np.log2(place * bin_hz / hz)), prominence_db))
    return peaks


def _bins(hz: float, cents: float, bin_hz: float) -> slice:
    ratio = 2.0 ** (cents / 1200.0)
    return slice(max(int(hz / ratio / bin_hz), 1), int(np.ceil(hz * ratio / bin_hz)) + 1)
