"""What pitch a section's notes have in its own microphone: tuning, and notes to listen to.

Every long note is heard where it stands, by a spectrum as long as it allows. Partials that another
note of the section may have at the same place say nothing of its tuning, nor do those that bleed in
from others: of its own partials the section's microphone hears more, against one that hears all.
What is left is compared with the same partials in other takes. Whether a neighbouring pitch stands
in a note's place is told against other takes alone, too: in a full chord every pitch has partials
everywhere.

Conventions
-----------
Times are insert time in seconds, tuning in cents, sharp is positive.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import soxr

from retro.measuring.groups import weighted_middle
from retro.measuring.listen import Sounding
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import db_to_energy, pitch_to_hz, seconds_to_samples

RATE = 12_000
MIN_LENGTH_S = 0.4
"""Shorter notes have no pitch that could be told to a few cents."""

MIN_JUDGED_S = 0.8
"""Shorter notes are not called wrong."""

MAX_HEARD_S = 1.5
FLOOR = 1e-20
"""Energy that is added, so that silence has a level."""

SETTLED_S, LEAVING_S = 0.18, 0.06
"""What is left out at both ends of a note."""

PARTIAL_NUMBERS = range(1, 9)
OTHER_PARTIALS, MAX_HZ = 12, 5_000.0
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

MIN_OVER_DB, UNKNOWN_OVER_DB = 8.0, 30.0
"""How much more of a partial than of most is heard in the section's microphone, against one that
hears all, before it is the section's own; and what is taken where there is no such microphone."""

USUAL_PERCENT, USUAL_HZ, MAX_BELOW_DB, SMOOTH_BINS = 25.0, (100.0, 5_000.0), 50.0, 33
"""Of which share of what both hear it is taken that others play it, between which pitches, how far
below the loudest, and over how many bins."""

MIN_BETTER_DB, MIN_BETTER_ONE_DB, MIN_RISE_DB = 7.0, 7.5, 3.0
"""How much further than its own pitch another one stands out where a note is doubtful, against
several other takes and against one, and how much it does so itself. Made orchestra, FluidR3 bank,
takes that differ as people do: 1 right note in 1,000 and in 440 reaches that, and 86 % of wrong
semitones."""

MIN_NOTES, MIN_PARTIALS, MIN_SHARE = 2, 6, 0.5
"""With fewer notes or own partials than these, or where a smaller share of its partials is its own,
the tuning of a section is not told."""

AGREE_CENTS, MIN_AGREE = 5.0, 0.5
"""How close partials lie that agree, and what share of their weight has to: what bleeds in from
others agrees elsewhere, and the middle of both is neither."""

NEIGHBOURS = (-2, -1, 1, 2)
"""Semitones to the pitches that may stand in a note's place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardPartial:
    """A partial of a note that no other note of the section has.

    Parameters
    ----------
    number
        1 is the fundamental.
    cents
        How sharp it is.
    over_db
        How much more of it than of what others play is heard in the section's microphone.
    """

    number: int
    cents: float
    over_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardNote:
    """A long note as it was heard.

    Parameters
    ----------
    note
        Index in the plan.
    partials
        Those that stand out, in order.
    stands_db
        How far the partials of its own pitch, and of `NEIGHBOURS`, stand out from
        what is around them; empty where the note is too short to be judged.
    """

    note: int
    partials: tuple[HeardPartial, ...]
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
class Peak:
    """Where a partial is heard: its number, cents from its place, how it stands out, its bin."""

    number: int
    cents: float
    prominence_db: float
    bin: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """What is heard for a while: the level of bins of `bin_hz`."""

    power_db: FloatArray
    bin_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Standing:
    """A note where it stands, what its section plays beside it, and whether nobody else plays."""

    note: int
    pitch: int
    start_s: float
    end_s: float
    near: tuple[int, ...]
    is_alone: bool


def heard_notes(
    sounding: Sounding,
    plan: PlanFile,
    parts: Sequence[int],
    *,
    lateness_s: float,
    all_players: Sounding | None = None,
) -> tuple[HeardNote, ...]:
    """Return what is heard of the long notes of some parts, in order of the plan.

    Parameters
    ----------
    parts
        Whose notes.
    lateness_s
        How late they are heard in this microphone.
    all_players
        A microphone that hears everyone, if there is one.
    """
    return tuple(
        _heard(sounding, standing, lateness_s, all_players)
        for standing in _standing(plan, frozenset(parts))
    )


def section_cents(
    heard: Sequence[HeardNote], others: Sequence[Mapping[int, HeardNote]]
) -> float | None:
    """Return how much sharper a section is than in other takes; None where nobody can tell.

    `heard` are its notes in this take, `others` the same notes in every other one.
    """
    own = {(note.note, one.number): one for note in heard for one in _own_partials(note)}
    if len(own) < MIN_SHARE * sum(len(note.partials) for note in heard):
        return None
    elsewhere: dict[tuple[int, int], list[float]] = {}
    for take in others:
        for note in take.values():
            for one in _own_partials(note):
                elsewhere.setdefault((note.note, one.number), []).append(one.cents)
    shared = [key for key in own if key in elsewhere]
    if len(shared) < MIN_PARTIALS or len({note for note, _ in shared}) < MIN_NOTES:
        return None
    apart = np.array([own[key].cents - float(np.median(elsewhere[key])) for key in shared])
    weights = np.array([own[key].over_db for key in shared])
    near = np.abs(apart[:, None] - apart) <= AGREE_CENTS
    agree = near[int(np.argmax(near @ weights))]
    if weights[agree].sum() < MIN_AGREE * weights.sum():
        return None
    return weighted_middle(apart[agree], weights[agree])


def _own_partials(note: HeardNote) -> list[HeardPartial]:
    return [one for one in note.partials if one.over_db >= MIN_OVER_DB]


def doubtful_notes(
    heard: Sequence[HeardNote], others: Sequence[Mapping[int, HeardNote]]
) -> Iterator[Doubtful]:
    """Yield the notes in whose place another pitch stands out than in the other takes.

    `heard` are the section's notes in this take, `others` the same notes in every other one.
    """
    for one in heard:
        known = [take[one.note].stands_db for take in others if one.note in take]
        known = [stands_db for stands_db in known if stands_db]
        if not one.stands_db or not known:
            continue
        own, *apart = np.array(one.stands_db) - np.median(known, axis=0)
        best = int(np.argmax(apart))
        least_db = MIN_BETTER_DB if len(known) > 1 else MIN_BETTER_ONE_DB
        if apart[best] >= MIN_RISE_DB and apart[best] - own >= least_db:
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
        with_it = [
            (other.part in parts, other.pitch)
            for place, other in enumerate(plan.notes)
            if place != index
            and other.played_on_s < end_s
            and other.played_off_s + RINGING_S > start_s
        ]
        yield _Standing(
            note=index,
            pitch=note.pitch,
            start_s=start_s,
            end_s=end_s,
            near=tuple(sorted({pitch for is_own, pitch in with_it if is_own})),
            is_alone=all(is_own for is_own, _ in with_it),
        )


def _heard(
    sounding: Sounding, standing: _Standing, lateness_s: float, all_players: Sounding | None
) -> HeardNote:
    span_s = standing.start_s + lateness_s, standing.end_s - standing.start_s
    power = _power(sounding, *span_s)
    heard = _spectrum(power)
    over_db = np.full(len(power), UNKNOWN_OVER_DB)
    if all_players is not None and not standing.is_alone:
        over_db = _over_db(power, _power(all_players, *span_s), heard.bin_hz)
    own = peaks(heard, standing.pitch, partials_hz(standing.near, OTHER_PARTIALS))
    stands_db: tuple[float, ...] = ()
    if standing.end_s - standing.start_s + SETTLED_S + LEAVING_S >= MIN_JUDGED_S:
        stands_db = tuple(
            _stands_out_db(peaks(heard, pitch, np.zeros(0)))
            for pitch in (standing.pitch + semitones for semitones in (0, *NEIGHBOURS))
        )
    return HeardNote(
        note=standing.note,
        partials=tuple(
            HeardPartial(number=peak.number, cents=peak.cents, over_db=float(over_db[peak.bin]))
            for peak in own
            if peak.prominence_db >= MIN_PROMINENCE_DB
        ),
        stands_db=stands_db,
    )


def spectrum(sounding: Sounding, start_s: float, length_s: float) -> Spectrum:
    """Return what is heard for a while."""
    return _spectrum(_power(sounding, start_s, length_s))


def _spectrum(power: FloatArray) -> Spectrum:
    return Spectrum(power_db=10.0 * np.log10(power), bin_hz=0.5 * RATE / (len(power) - 1))


def _power(sounding: Sounding, start_s: float, length_s: float) -> FloatArray:
    """Return the energy of the bins of a while, at `RATE`."""
    heard = sounding.span(start_s, seconds_to_samples(length_s, sounding.rate))
    slow = soxr.resample(heard, sounding.rate, RATE)
    return np.asarray(np.abs(np.fft.rfft(slow * np.hanning(len(slow)), 8 * len(slow))) ** 2 + FLOOR)


def _over_db(power: FloatArray, of_all: FloatArray, bin_hz: float) -> FloatArray:
    """Return how much more of each bin than of what others play is in a section's microphone."""
    size = min(len(power), len(of_all))
    smooth = np.ones(SMOOTH_BINS) / SMOOTH_BINS
    here, there = (np.convolve(each[:size], smooth, "same") for each in (power, of_all))
    ratio_db = 10.0 * np.log10(here / there)
    low, high = (int(hz / bin_hz) for hz in USUAL_HZ)
    is_loud = there[low:high] > there[low:high].max() * db_to_energy(-MAX_BELOW_DB)
    usual_db = np.percentile(ratio_db[low:high][is_loud], USUAL_PERCENT)
    return np.asarray(np.pad(ratio_db - usual_db, (0, len(power) - size)))


def _stands_out_db(found: Sequence[Peak]) -> float:
    heard_db = [min(peak.prominence_db, MAX_PROMINENCE_DB) for peak in found]
    return float(np.mean(heard_db)) if heard_db else 0.0


def partials_hz(pitches: Sequence[int], partials: int) -> FloatArray:
    """Return the first partials of some pitches."""
    fundamentals = np.array([pitch_to_hz(pitch) for pitch in pitches])
    return np.outer(fundamentals, np.arange(1, partials + 1)).ravel()


def peaks(
    heard: Spectrum, pitch: int, taken_hz: FloatArray, numbers: Sequence[int] = PARTIAL_NUMBERS
) -> list[Peak]:
    """Return partials of a pitch that no other note has.

    Parameters
    ----------
    taken_hz
        What others have.
    numbers
        Which partials, in order.
    """
    power_db, bin_hz = heard.power_db, heard.bin_hz
    found = []
    for number in numbers:
        hz = number * pitch_to_hz(pitch)
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
        prominence_db = float(middle - np.median(power_db[around]))
        cents = float(1200.0 * np.log2(place * bin_hz / hz))
        found.append(Peak(number=number, cents=cents, prominence_db=prominence_db, bin=top))
    return found


def _bins(hz: float, cents: float, bin_hz: float) -> slice:
    ratio = 2.0 ** (cents / 1200.0)
    return slice(max(int(hz / ratio / bin_hz), 1), int(np.ceil(hz * ratio / bin_hz)) + 1)
