"""What can be played at once: wind chords, divisi, double stops, hands, sticks and pedals.

Figures are common practice, from memory.
"""

from collections.abc import Iterator, Sequence
from itertools import permutations

from retro.model.findings import FindingKind
from retro.model.instruments import Family, Sound
from retro.model.performance import Severity
from retro.model.time import locate
from retro.model.wording import listed
from retro.notation.pedalling import pedals_of
from retro.notation.pedals import COMFORTABLE_S, MIN_CHANGE_S, PedalChange
from retro.playability.desk import BLOWN, Desk, WrittenNote, read_as
from retro.playability.judge import Judgement
from retro.reversal.hands import HAND_SPAN
from retro.units import pitch_name

DESK_PLAYERS = 2
"""Players at one desk of a string section."""

MAX_DIVISI = 4
MAX_BASS_DIVISI = 2
"""Ways that a section divides before each of them is thin."""

OPEN_STRINGS = {
    "solo-violin": (55, 62, 69, 76),
    "solo-viola": (48, 55, 62, 69),
    "solo-cello": (36, 43, 50, 57),
    "solo-double-bass": (28, 33, 38, 43),
}
STRETCH = {"solo-violin": 6, "solo-viola": 6, "solo-cello": 4, "solo-double-bass": 2}
"""Semitones between the fingers on two neighbouring strings."""

MAX_BOWED_TOGETHER = 2

FINGERS = {"harp": 4}
"""Fingers that pluck or press in one hand, where it is not five: a harpist's little finger is too
short."""

STICKS = {"timpani": 2, "xylophone": 4, "glockenspiel": 4, "vibraphone": 4, "marimba": 4,
          "tubular-bells": 2, "crotales": 2, "guitar": 6, "mandolin": 4}  # fmt: skip
"""Notes that can be struck (or plucked) together."""

MAX_CHANGES_TOLD = 6


def all_of(desk: Desk) -> Iterator[Judgement]:
    """Judge everything that this module knows for one part."""
    instrument = desk.player.instrument
    if instrument.family in (*BLOWN, Family.VOICE) and not instrument.section:
        yield from _one_each(desk)
    if instrument.family is Family.STRINGS and instrument.section:
        yield from _divisi(desk)
    if instrument.id.removesuffix("-pizzicato") in OPEN_STRINGS:
        yield from _stops(desk)
    if instrument.staves == 2 and instrument.family in (Family.KEYBOARD, Family.PLUCKED):
        yield from _hands(desk)
    if instrument.id in STICKS:
        yield from _sticks(desk)
    if instrument.id == "harp":
        yield from pedalling(desk)


def _one_each(desk: Desk) -> Iterator[Judgement]:
    """Judge more notes at once than there are wind players or singers."""
    own = desk.player.numbers
    seats = len(own) or 1
    if desk.most_at_once <= seats:
        return
    first = max(own, default=0) + 1
    everyone = (*own, *range(first, first + desk.most_at_once - len(own)))
    name = f"{desk.player.instrument.name} {'.'.join(str(number) for number in everyone)}"
    missing = desk.most_at_once - seats
    yield Judgement(
        severity=Severity.STOP if own else Severity.WARN,
        kind=FindingKind.CHORD,
        player=desk.player.name,
        at_beats=desk.fullest[-1].on_beats,
        what=f"{_named(desk, desk.fullest)} sound at once, and {_who_is_there(own)}",
        advice=f"book {missing} more player{'s' if missing > 1 else ''} for this part and say so "
        f'([[part]] name = "{name}"), or leave {"notes" if missing > 1 else "a note"} out',
    )


def _who_is_there(numbers: tuple[int, ...]) -> str:
    if not numbers:
        return "nothing says that several play it"
    return f"there are {len(numbers)} players for it" if numbers[1:] else "there is one for it"


def _divisi(desk: Desk) -> Iterator[Judgement]:
    ways = desk.most_at_once
    deepest = MAX_BASS_DIVISI if "bass" in desk.player.instrument.id else MAX_DIVISI
    if ways <= DESK_PLAYERS:
        return
    yield Judgement(
        severity=Severity.WARN if ways > deepest else Severity.NOTE,
        kind=FindingKind.DIVISI,
        player=desk.player.name,
        at_beats=desk.fullest[-1].on_beats,
        what=f"divided in {ways}, deeper than a desk of {DESK_PLAYERS}: "
        + _named(desk, desk.fullest),
        advice="see that the section has the players"
        + (", or give the lowest notes to the section below" if ways > deepest else "")
        + "; each way wants two players at least",
    )


def _stops(desk: Desk) -> Iterator[Judgement]:
    id_ = desk.player.instrument.id.removesuffix("-pizzicato")
    is_plucked = desk.player.instrument.sound is Sound.STRUCK
    for chord in desk.chords:
        pitches = [read.pitch for read in chord]
        if len(pitches) < 2:
            continue
        if not _has_strings(pitches, OPEN_STRINGS[id_], STRETCH[id_]):
            yield _impossible(desk, chord, "are on no strings that one hand can stop together")
        elif len(pitches) > MAX_BOWED_TOGETHER and not is_plucked:
            yield Judgement(
                severity=Severity.WARN,
                kind=FindingKind.DOUBLE_STOP,
                player=desk.player.name,
                at_beats=chord[0].on_beats,
                what=f"{_named(desk, chord)} cannot be bowed together; the chord is "
                "broken, and turned round it breaks downwards into the beat",
                advice="leave two notes, or deal the chord out to several players",
                weight=float(len(pitches)),
            )


def _has_strings(pitches: Sequence[int], strings: Sequence[int], stretch: int) -> bool:
    """Whether the pitches lie on neighbouring strings within one hand's stretch."""
    if len(pitches) > len(strings):
        return False
    return any(
        _one_hand([pitch - strings[s] for pitch, s in zip(pitches, chosen, strict=True)], stretch)
        for chosen in permutations(range(len(strings)), len(pitches))
        if max(chosen) - min(chosen) == len(pitches) - 1
    )


def _one_hand(stopped: Sequence[int], stretch: int) -> bool:
    fingers = [semitones for semitones in stopped if semitones > 0]
    return min(stopped) >= 0 and (not fingers or max(fingers) - min(fingers) <= stretch)


def _hands(desk: Desk) -> Iterator[Judgement]:
    fingers = FINGERS.get(desk.player.instrument.id, 5)
    for chord in desk.chords:
        pitches = [read.pitch for read in chord]
        if len(pitches) > 2 * fingers:
            yield _impossible(desk, chord, f"are more than two hands of {fingers} fingers have")
        elif not any(
            _fits(pitches[:cut], fingers) and _fits(pitches[cut:], fingers)
            for cut in range(len(pitches) + 1)
        ):
            yield Judgement(
                severity=Severity.WARN,
                kind=FindingKind.HANDS,
                player=desk.player.name,
                at_beats=chord[0].on_beats,
                what=f"{_named(desk, chord)} are beyond two hands that span a tenth each; "
                "the chord is rolled, and turned round it rolls the other way into the beat",
                advice="leave out an inner note, or mark the roll in the target",
                weight=float(pitches[-1] - pitches[0]),
            )


def _fits(hand: Sequence[int], fingers: int) -> bool:
    return len(hand) <= fingers and (not hand or hand[-1] - hand[0] <= HAND_SPAN)


def _sticks(desk: Desk) -> Iterator[Judgement]:
    most = STICKS[desk.player.instrument.id]
    for chord in desk.chords:
        if len(chord) > most:
            yield _impossible(desk, chord, f"are more than {most} at once")


def _impossible(desk: Desk, chord: Sequence[WrittenNote], why: str) -> Judgement:
    return Judgement(
        severity=Severity.STOP,
        kind=FindingKind.CHORD,
        player=desk.player.name,
        at_beats=chord[0].on_beats,
        what=f"{_named(desk, chord)} {why}",
        advice="leave notes out, or give some of them to another player",
        weight=float(len(chord)),
    )


def _named(desk: Desk, reads: Sequence[WrittenNote]) -> str:
    """Name notes as the player reads them."""
    pitches = sorted(read_as(desk.player, read.pitch) for read in reads)
    names = " ".join(map(pitch_name, pitches))
    return f"written {names}" if desk.player.instrument.transposition.semitones else names


def pedalling(desk: Desk) -> Iterator[Judgement]:
    """Judge the pedals of a harp part, and say how they stand at the beginning."""
    plan = pedals_of(desk.performance, desk.part).plan
    for index in plan.impossible:
        yield _impossible(desk, desk.chords[index], "are on no setting of the pedals together")
    moves = [f"{change} before {_when(desk, change)}" for change in plan.changes]
    told = listed(moves, MAX_CHANGES_TOLD)
    count = f"{len(moves)} change{'' if len(moves) == 1 else 's'}"
    yield Judgement(
        severity=Severity.NOTE,
        kind=FindingKind.PEDALS,
        player=desk.player.name,
        at_beats=desk.chords[0][0].on_beats,
        what=f"set {plan.diagram()}; {count}{': ' if moves else ''}{told}",
        advice="print the setting at the beginning of the part",
    )
    for change in plan.changes:
        yield from _hurried(desk, change)


def _hurried(desk: Desk, change: PedalChange) -> Iterator[Judgement]:
    at_beats = desk.chords[change.pluck][0].on_beats
    foot = f"{change.foot_changes} pedals with one foot" if change.foot_changes > 1 else "one pedal"
    if change.each_s < COMFORTABLE_S:
        impossible = change.each_s < MIN_CHANGE_S
        yield Judgement(
            severity=Severity.WARN if impossible else Severity.NOTE,
            kind=FindingKind.PEDAL_CHANGE,
            player=desk.player.name,
            at_beats=at_beats,
            what=f"{change} leaves {change.free_s:.2f} s for {foot}",
            advice="drop the note, take it on a second harp, or let the chord before it go early"
            if impossible
            else "tell the harpist beforehand",
            weight=-change.each_s,
        )
    elif change.still_rings:
        yield Judgement(
            severity=Severity.NOTE,
            kind=FindingKind.PEDAL_CHANGE,
            player=desk.player.name,
            at_beats=at_beats,
            what=f"{change} moves while the string may still ring, and a ringing string slides",
            advice="damp it just before",
        )


def _when(desk: Desk, change: PedalChange) -> str:
    return str(locate(desk.performance.insert.bars, desk.chords[change.pluck][0].on_beats))
