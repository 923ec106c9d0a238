"""Time values that a copyist would write otherwise: ties and rests."""

from collections.abc import Iterator
from fractions import Fraction
from itertools import groupby

from tests.engraving.page_checker.bars import Bar, Staff, Written
from tests.engraving.page_checker.findings import Finding

PLAIN = tuple(Fraction(2) ** n for n in range(-5, 4))
WRITABLE = frozenset(PLAIN) | {value * Fraction(3, 2) for value in PLAIN}
"""Values of one head, with one dot at most."""

Chord = tuple[Written, ...]


def wrong_values(part: Staff) -> Iterator[Finding]:
    """Yield ties that need not be, and rests that hide a beat."""
    for voice in _voices(part):
        yield from needless_ties(part, voice)
        yield from hiding_rests(part, voice)


def _voices(part: Staff) -> Iterator[list[Chord]]:
    """Yield each voice as the chords that it plays one after the other."""
    for _, notes in groupby(sorted(part.notes, key=_line), key=_line):
        by_place = groupby((note for note in notes if not note.is_grace), key=lambda n: n.on)
        yield [tuple(chord) for _, chord in by_place]


def _line(note: Written) -> tuple[str, str]:
    return note.staff, note.voice


def needless_ties(part: Staff, chords: list[Chord]) -> Iterator[Finding]:
    """Yield runs of tied heads that one value says."""
    for run in _chains(chords):
        first = 0
        while first < len(run):
            for last in range(len(run), first + 1, -1):
                if reason := _one_value_says(part, run[first:last], chords):
                    yield Finding(
                        "tie chain longer than needed",
                        part.where(run[first][0].bar),
                        f"{last - first} heads for {reason}",
                    )
                    first = last - 1
                    break
            first += 1


def _chains(chords: list[Chord]) -> Iterator[list[Chord]]:
    """Yield what is tied as a whole from one chord to the next."""
    chain: list[Chord] = []
    for chord in chords:
        if chain and _continues(chain[-1], chord):
            chain.append(chord)
        else:
            yield from [chain] if len(chain) > 1 else []
            chain = [chord]
    yield from [chain] if len(chain) > 1 else []


def _continues(chord: Chord, after: Chord) -> bool:
    pitches = {note.pitch for note in chord}
    return (
        pitches == {note.pitch for note in after}
        and chord[0].end == after[0].on
        and all("start" in note.ties for note in chord)
        and all("stop" in note.ties for note in after)
    )


def _one_value_says(part: Staff, run: list[Chord], chords: list[Chord]) -> str:
    """What one head could say instead of several, or nothing."""
    start, length = run[0][0].on, run[-1][0].end - run[0][0].on
    ratios = {chord[0].ratio for chord in run}
    if run[0][0].bar != run[-1][0].bar or len(ratios) > 1:
        return ""
    (ratio,) = ratios
    bar = part.bars[run[0][0].bar]
    if ratio is not None:
        return _one_of_a_tuplet(run, ratio, bar, chords)
    says = length in WRITABLE and _shows_the_beats(bar, start, length)
    return f"{length} quarters" if says else ""


def _one_of_a_tuplet(
    run: list[Chord], ratio: tuple[int, int], bar: Bar, chords: list[Chord]
) -> str:
    """What one value of a tuplet could say, of one beat or of two beats together."""
    start, length = run[0][0].on, run[-1][0].end - run[0][0].on
    beat = bar.groups[0]
    if length * Fraction(*ratio) not in WRITABLE:
        return ""
    beats = sorted({(chord[0].on - bar.start) // beat for chord in run})
    if len(beats) == 1:
        return f"{length} quarters of a tuplet"
    first = bar.start + beats[0] * beat
    begun = (chord[0] for chord in chords if "stop" not in chord[0].ties)
    inside = [note for note in begun if first <= note.on < first + 2 * beat]
    wide = 2 * beat / ratio[0]
    is_one = all(
        note.ratio == ratio and ((note.on - first) / wide).denominator == 1 for note in inside
    )
    return f"{start - first} after the beat in one tuplet of two beats" if is_one else ""


def _shows_the_beats(bar: Bar, start: Fraction, length: Fraction) -> bool:
    """Whether one value from there hides no beat that is stronger than where it begins."""
    if len(bar.groups) == 1 and not bar.is_even:
        # An uneven bar that does not say its groups: nobody knows what one value would hide.
        return False
    inside = [bar.strength(beat) for beat in bar.beats() if start < beat < start + length]
    if not inside:
        return not bar.is_even or _shows_the_half(bar, start, length)
    if not bar.is_even:
        # What stands for whole groups hides none; what ends inside one does.
        whole = {bar.start, *bar.beats(), bar.start + bar.length}
        return {start, start + length} <= whole
    own = bar.strength(start)
    return own > max(inside) or own == max(inside) > 0


def _shows_the_half(bar: Bar, start: Fraction, length: Fraction) -> bool:
    """Whether one value inside a beat of two halves begins with it, or is long between two shorts.

    What begins elsewhere and goes over the half of the beat is tied there (common practice).
    """
    beat = bar.groups[0]
    first = (start - bar.start) % beat
    if not first < beat / 2 < first + length:
        return True
    edges = (first, first + length)
    return all((edge / (beat / 4)).denominator == 1 for edge in edges)


def hiding_rests(part: Staff, chords: list[Chord]) -> Iterator[Finding]:
    """Yield rests that hide a beat stronger than where they begin."""
    for rest, *_ in chords:
        bar = part.bars[rest.bar]
        if not rest.is_rest or rest.fills_bar or rest.length >= bar.length:
            continue
        inside = [bar.strength(b) for b in bar.beats() if rest.on < b < rest.end]
        if inside and bar.strength(rest.on) < max(inside):
            yield Finding(
                "rest across a beat",
                part.where(rest.bar),
                f"a rest of {rest.length} quarters from {rest.on - bar.start} after the bar line",
            )
