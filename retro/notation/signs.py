"""What the composer wrote, in the mirror: marks, lines, levels, hairpins and words of a part.

Where a file says what stands beside the notes, that stands in the insert and nothing is guessed.
A mark stays with its note and a line with its notes, wherever the page has them.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from retro.model.instruments import Clef
from retro.model.performance import Performance
from retro.model.signs import Sign, SignKind
from retro.notation.score import Articulation, Chord, Direction, Hairpin, Level, Line, Mark, Voice
from retro.reversal.mirror import performed

ClefChanges = tuple[tuple[Fraction, Clef], ...]

MARKS = {
    kind: Articulation[kind.name] for kind in SignKind if kind.name in Articulation.__members__
}
"""Signs that are marks on one chord; the names are the same."""

USUAL = ("arco", "senza", "ord", "nat", "norm", "open", "offen", "ohne")
"""How words begin that take back a way of playing; at the start there is nothing to take back."""


class WrittenSigns:
    """The signs of one part of a performance, on insert time, ready to be put on its chords."""

    def __init__(self, performance: Performance, part: int) -> None:
        self._performance = performance
        self._signs = performance.insert.parts[part].signs or ()
        self._marks: dict[tuple[Fraction, Fraction, int], list[Articulation]] = defaultdict(list)
        for sign in self._signs:
            for pitch in sign.pitches if sign.kind in MARKS else ():
                key = (sign.start_beats, sign.end_beats, pitch)
                self._marks[key].append(MARKS[sign.kind])

    def on(self, voice: Voice) -> Voice:
        """Return the voice with its marks and lines."""
        starts: dict[tuple[Fraction, int], Chord] = {}
        ends: dict[tuple[Fraction, int], Chord] = {}
        marks: list[Mark] = list(voice.marks)
        for chord in voice.chords:
            kinds: dict[Articulation, None] = {}
            for note in performed(self._performance, chord.all_notes):
                starts[note.on_beats, note.pitch] = chord
                ends[note.off_beats, note.pitch] = chord
                kinds |= dict.fromkeys(
                    self._marks.get((note.on_beats, note.off_beats, note.pitch), ())
                )
            marks += [Mark(at_beats=chord.on_beats, kind=kind) for kind in kinds]
        lines = self._lines(starts, ends)
        ordered = sorted(dict.fromkeys(marks), key=lambda mark: (mark.at_beats, mark.kind))
        return replace(voice, marks=tuple(ordered), lines=tuple(lines))

    def _lines(
        self,
        starts: dict[tuple[Fraction, int], Chord],
        ends: dict[tuple[Fraction, int], Chord],
    ) -> Iterator[Line]:
        for sign in self._signs:
            if not sign.kind.is_line or len(sign.pitches) != 2:
                continue
            first = starts.get((sign.start_beats, sign.pitches[0]))
            last = ends.get((sign.end_beats, sign.pitches[1]))
            if first is not None and last is not None and first.on_beats < last.on_beats:
                yield Line(
                    kind=sign.kind.value, start_beats=first.on_beats, end_beats=last.on_beats
                )

    def dynamics(self, chords: Sequence[Chord]) -> tuple[tuple[Level, ...], tuple[Hairpin, ...]]:
        """Return levels, each where its first note begins, and hairpins that have notes."""
        levels: list[Level] = []
        for sign, at in self._placed(chords, SignKind.LEVEL):
            if levels and levels[-1].at_beats == at:
                levels.pop()
            if not levels or levels[-1].text != sign.text:
                levels.append(Level(at_beats=at, text=sign.text))
        hairpins = tuple(
            Hairpin(
                start_beats=sign.start_beats,
                end_beats=sign.end_beats,
                crescendo=sign.kind is SignKind.CRESCENDO,
            )
            for sign, _ in self._placed(chords, SignKind.CRESCENDO, SignKind.DIMINUENDO)
        )
        return tuple(levels), hairpins

    def clefs(self, chords: Sequence[Chord], read: Collection[Clef]) -> ClefChanges:
        """Return (position, clef) as the composer has them, the first at 0.

        `chords` are all that stands on the stave, in order. Where there is a clef that the player
        does not `read`, nothing is returned.
        """
        signs = [sign for sign in self._signs if sign.kind is SignKind.CLEF]
        names = {clef.value: clef for clef in read}
        if not chords or any(sign.text not in names for sign in signs):
            return ()
        changes: list[tuple[Fraction, Clef]] = []
        for chord in chords:
            middle = (chord.on_beats + chord.off_beats) / 2
            over = [sign for sign in signs if sign.start_beats <= middle < sign.end_beats]
            if not over:
                return ()
            if not changes or names[over[-1].text] is not changes[-1][1]:
                at = chord.on_beats if changes else Fraction(0)
                changes.append((at, names[over[-1].text]))
        return tuple(changes)

    def words(self, chords: Sequence[Chord]) -> Iterator[Direction]:
        """Yield ways of playing and other words, each where its first note begins."""
        has_begun = False
        for sign, at in self._placed(chords, SignKind.TECHNIQUE, SignKind.WORDS):
            if sign.kind is SignKind.TECHNIQUE:
                if not has_begun and sign.text.casefold().startswith(USUAL):
                    continue
                has_begun = True
            yield Direction(at_beats=at, text=sign.text)

    def _placed(self, chords: Iterable[Chord], *kinds: SignKind) -> Iterator[tuple[Sign, Fraction]]:
        """Yield signs that have notes under them, with the place of the first that they concern."""
        spans = [(chord.on_beats, chord.off_beats) for chord in chords]
        for sign in self._signs:
            if sign.kind in kinds:
                under = [max(on, sign.start_beats) for on, off in spans if off > sign.start_beats]
                if under and min(under) < sign.end_beats:
                    yield sign, min(under)
