"""What notes are meant to last: small gaps that sequencers leave are no landings.

A note-off shortly before a beat, or before the next note of its line, is how files say "until
there". Taken literally it would land the flipped tone early by the gap. A note-off shortly after
one of them is meant for it, too, and no gap reaches from there to the next.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from retro.model.findings import FindingKind
from retro.model.instruments import Player
from retro.model.performance import Finding, Severity
from retro.model.phrase import Note, Phrase
from retro.model.time import Bar
from retro.units import seconds_to_ms

MAX_GAP_BEATS = Fraction(1, 8)
MAX_GAP_SHARE = Fraction(1, 5)
"""Largest gap in quarter notes, and as a share of the note with its gap."""

MAX_GAP_OF_SOUND = Fraction(1, 2)
"""A gap that is longer than this share of what sounds makes a detached note."""

MIN_ROLLED = 3
"""Fewest tones of a chord that are let go one after the other on purpose."""

MIN_ALIKE = 3
"""Strokes of a part that all end as long before a beat or the next: nobody writes such rests."""

WRITABLE_BEATS = (Fraction(1, 4), Fraction(1, 3))
"""A longer gap that begins on a sixteenth or on a triplet eighth is a rest that somebody wrote,
but where all notes of a part have the same."""

BY_HAND_BEATS = Fraction(1, 48)
"""Most notes of a part that hands play begin on no multiple of this: a machine's stand on one."""

EIGHTH = Fraction(1, 2)
NEAR_EIGHTH_BEATS = Fraction(1, 16)
"""Where hands let go so near to an eighth off the beat, they meant it (our own choice)."""


def without_gaps(phrase: Phrase, players: Sequence[Player]) -> tuple[Phrase, tuple[Finding, ...]]:
    """Return the phrase with every note as long as it is meant, and what was taken for a gap.

    The notes keep their order. The last notes of a phrase last to its end at most.
    """
    beats = _beats(phrase.bars)
    parts, findings = [], []
    for part, player in zip(phrase.parts, players, strict=True):
        onsets = [note.on_beats for note in part.notes]
        rolled = _rolled(part.notes)
        is_alike = _are_alike(part.notes, onsets, beats)
        by_hand = _is_by_hand(onsets)
        meant = tuple(
            note
            if note.on_beats in rolled
            else _meant(note, onsets, beats, is_alike=is_alike, by_hand=by_hand)
            for note in part.notes
        )
        parts.append(replace(part, notes=meant))
        changed = [
            (note, longer)
            for note, longer in zip(part.notes, meant, strict=True)
            if longer.off_beats != note.off_beats
        ]
        if changed and not player.instrument.is_unpitched:
            findings.append(_finding(phrase, player, changed))
    return replace(phrase, parts=tuple(parts)), tuple(findings)


def _beats(bars: tuple[Bar, ...]) -> list[Fraction]:
    """Return every place where a beat begins, and the end."""
    places = [
        bar.start_beats + pulse
        for bar in bars
        for pulse in bar.meter.pulses()
        if pulse < bar.length_beats
    ]
    return [*places, bars[-1].end_beats] if bars else []


def _rolled(notes: Sequence[Note]) -> set[Fraction]:
    """Return the onsets of chords whose tones all end at another place: mirrored, they roll."""
    ends: dict[Fraction, list[Fraction]] = defaultdict(list)
    for note in notes:
        ends[note.on_beats].append(note.off_beats)
    return {
        on for on, offs in ends.items() if len(offs) == len(set(offs)) and len(offs) >= MIN_ROLLED
    }


def _are_alike(notes: Sequence[Note], onsets: list[Fraction], beats: list[Fraction]) -> bool:
    """Whether all notes of a part leave the same gap, however it could be written."""
    gaps = {_end(note, onsets, beats) - note.off_beats for note in notes if not note.cut_after}
    return len(gaps) == 1 and gaps != {0} and len(set(onsets)) >= MIN_ALIKE


def _is_by_hand(onsets: Sequence[Fraction]) -> bool:
    return 2 * sum(on % BY_HAND_BEATS != 0 for on in onsets) > len(onsets)


def _is_near_eighth(note: Note) -> bool:
    """Whether a note of a quarter and more ends near an eighth."""
    stray = (note.off_beats + EIGHTH / 2) % EIGHTH - EIGHTH / 2
    return note.length_beats >= 1 and abs(stray) <= NEAR_EIGHTH_BEATS


def _end(note: Note, onsets: list[Fraction], beats: list[Fraction]) -> Fraction:
    """Return the nearest beat or next note after a note; its own end where there is none."""
    ends = []
    for places in (onsets, beats):
        index = bisect_left(places, note.off_beats)
        ends.extend(places[index : index + 1])
    return min(ends, default=note.off_beats)


def _meant(
    note: Note, onsets: list[Fraction], beats: list[Fraction], *, is_alike: bool, by_hand: bool
) -> Note:
    """Return the note as it is meant, up to the nearest beat or next note."""
    off, end = note.off_beats, _end(note, onsets, beats)
    if note.cut_after:
        return note
    gap, whole = end - off, end - note.on_beats
    is_small = gap <= min(MAX_GAP_BEATS, MAX_GAP_OF_SOUND * note.length_beats)
    is_written = not is_alike and any(off % unit == 0 for unit in WRITABLE_BEATS)
    is_written = is_written or (by_hand and _is_near_eighth(note))
    is_late = _is_late(note, onsets, beats)
    if is_small or (gap <= whole * MAX_GAP_SHARE and not is_written and not is_late):
        return replace(note, off_beats=end)
    return note


def _is_late(note: Note, onsets: list[Fraction], beats: list[Fraction]) -> bool:
    """Whether a note-off lies shortly after a beat, or overlaps the next note as legato does."""

    def passed(places: list[Fraction]) -> Fraction | None:
        index = bisect_left(places, note.off_beats) - 1
        return (
            note.off_beats - places[index] if index >= 0 and places[index] > note.on_beats else None
        )

    after_beat, overlap = passed(beats), passed(onsets)
    return (after_beat is not None and after_beat < MAX_GAP_BEATS) or (
        overlap is not None and overlap <= note.length_beats * MAX_GAP_SHARE
    )


def _finding(phrase: Phrase, player: Player, changed: Sequence[tuple[Note, Note]]) -> Finding:
    worst_s = max(phrase.tempo.span_s(note.off_beats, longer.off_beats) for note, longer in changed)
    notes, are = ("note ends", "is") if len(changed) == 1 else ("notes end", "are")
    return Finding(
        severity=Severity.NOTE,
        kind=FindingKind.GAP,
        player=player.name,
        what=f"{len(changed)} {notes} up to {seconds_to_ms(worst_s):.0f} ms before a beat or the "
        f"next note and {are} taken to last until there",
        advice="set keep_gaps = true if the gaps are meant",
    )
