"""What is drawn on heads: ties, tuplets, articulation, tremolo, trills, slurs, slides.

Conventions
-----------
A chord is *written* as the pieces that ties join, each with its heads, the lowest first. Kinds of
signs are drawn one after the other, in the order in which they stand in ``notations``.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from lxml import etree

from retro.model.phrase import Key
from retro.model.time import Bar, bar_index
from retro.musicxml.elements import add, element, hide
from retro.musicxml.notes import ties, tuplet_ends
from retro.notation.accidentals import ALTERS, key_alter, key_at
from retro.notation.beams import Piece
from retro.notation.score import Articulation, Line, Mark, Stave, Voice

ON_FIRST = (
    Articulation.STACCATO,
    Articulation.STACCATISSIMO,
    Articulation.TENUTO,
    Articulation.DETACHED_LEGATO,
    Articulation.ACCENT,
    Articulation.STRONG_ACCENT,
)
"""Marks that stand on the first of tied heads."""

ROLLS = {Articulation.ARPEGGIO_UP: "up", Articulation.ARPEGGIO_DOWN: "down"}

TUPLET_SIDES = {"up": "above", "down": "below", "": ""}
"""Where the number of a tuplet stands, by its stems: that of a lower voice keeps off the upper."""

MAX_NUMBER = 15
GRACE_SLUR = "16"
"""The highest number but one of a slur, and the highest, which is kept for slurs to small notes
(MusicXML 4.0, type ``number-level``)."""


@dataclass(frozen=True, slots=True)
class WrittenPiece:
    """A piece of a voice with its elements: heads or one rest, and the small notes behind them.

    `stem` is "up" or "down" where two voices share a stave in its bar, else empty.
    """

    piece: Piece
    heads: list[etree._Element]
    has_bracket: bool
    stem: str
    graces: tuple[etree._Element, ...] = ()


Tied = Mapping[int, Sequence[WrittenPiece]]
"""The chords of one voice by their index, each as the pieces that ties join."""


class LineNumbers:
    """Numbers of the slurs and slides of one part, across its staves.

    Readers join a start to the next stop of the same number in the order of the document, where
    the voices of a bar stand one after the other: lines of different voices that have a bar in
    common have different numbers; those of one voice only where they overlap.
    """

    def __init__(self, bars: Sequence[Bar]) -> None:
        self._bars = bars
        self._taken: list[tuple[int, Voice, Line]] = []

    def take(self, voice: Voice, line: Line) -> int:
        """Return the lowest number that is free for a line of a voice."""
        used = {
            number
            for number, other_voice, other in self._taken
            if other.kind == line.kind and self._meet(line, other, is_same=voice is other_voice)
        }
        number = next((free for free in range(1, MAX_NUMBER) if free not in used), MAX_NUMBER)
        self._taken.append((number, voice, line))
        return number

    def _meet(self, line: Line, other: Line, *, is_same: bool) -> bool:
        if is_same:
            return line.start_beats < other.end_beats and other.start_beats < line.end_beats
        first, last = self._span(line)
        other_first, other_last = self._span(other)
        return first <= other_last and other_first <= last

    def _span(self, line: Line) -> tuple[int, int]:
        return bar_index(self._bars, line.start_beats), bar_index(self._bars, line.end_beats)


def draw_marks(
    stave: Stave,
    bars_of: Sequence[Sequence[WrittenPiece]],
    keys: Sequence[tuple[Fraction, Key]],
    bars: Sequence[Bar],
    numbers: LineNumbers,
) -> None:
    """Draw everything that stands on the heads of a stave, given the pieces of each voice.

    `numbers` are those of the whole part.
    """
    voices = [(voice, _tied(pieces)) for voice, pieces in zip(stave.voices, bars_of, strict=True)]
    for voice, tied in voices:
        _draw_rolls(voice, tied)
        _draw_ties(tied)
    _draw_lines(voices, numbers)
    for voice, tied in voices:
        _draw_articulations(voice, tied)
        _draw_tremolos(voice, tied)
        _draw_slurs_to_graces(tied)
    for pieces in bars_of:
        _draw_tuplets(pieces)
    for number, (voice, tied) in enumerate(voices):
        for _, pieces in _marks(voice, tied, Articulation.LET_RING):
            for head in pieces[-1].heads:
                _draw(head, element("tied", type="let-ring"))
        for _, pieces in _marks(voice, tied, Articulation.FERMATA):
            _draw(pieces[-1].heads[0], element("fermata", type="upright"))
        for mark, pieces in _marks(voice, tied, Articulation.TRILL):
            is_shown = _shows_upper(mark, stave, keys, bars)
            _draw_trill(mark, pieces, side="below" if number else "above", is_shown=is_shown)


def _tied(pieces: Sequence[WrittenPiece]) -> Tied:
    tied: dict[int, list[WrittenPiece]] = {}
    for written in pieces:
        if written.piece.chord is not None:
            tied.setdefault(written.piece.chord, []).append(written)
    return tied


def _draw(head: etree._Element, sign: etree._Element) -> None:
    notations = head.find("notations")
    if notations is None:
        notations = add(head, "notations")
    notations.append(sign)


def _index_at(voice: Voice, at: Fraction) -> int:
    """Return the index of the chord that begins at a place."""
    return bisect_left(voice.chords, at, key=lambda chord: chord.on_beats)


def _marks(
    voice: Voice, tied: Tied, *kinds: Articulation
) -> Iterator[tuple[Mark, Sequence[WrittenPiece]]]:
    """Yield the marks of some kinds with the tied pieces of their chords."""
    for mark in voice.marks:
        if mark.kind in kinds:
            yield mark, tied[_index_at(voice, mark.at_beats)]


def _draw_rolls(voice: Voice, tied: Tied) -> None:
    for mark, pieces in _marks(voice, tied, *ROLLS):
        for head in pieces[0].heads:
            # One number joins what rolls together in both hands (MusicXML 4.0, `arpeggiate`).
            _draw(head, element("arpeggiate", number="1", direction=ROLLS[mark.kind]))


def _draw_ties(tied: Tied) -> None:
    for written in (written for pieces in tied.values() for written in pieces):
        for head in written.heads:
            for kind in ties(written.piece):
                _draw(head, element("tied", type=kind))


def _draw_slurs_to_graces(tied: Tied) -> None:
    for pieces in tied.values():
        if graces := pieces[-1].graces:
            _draw(pieces[0].heads[-1], element("slur", number=GRACE_SLUR, type="start"))
            _draw(graces[-1], element("slur", number=GRACE_SLUR, type="stop"))


def _draw_lines(voices: Sequence[tuple[Voice, Tied]], numbers: LineNumbers) -> None:
    """Draw slurs, then slides.

    A slur is over all heads of a tone, but where one ends on a tone on which another begins: they
    share out its heads, so that none crosses the other.
    """
    for kind in ("slur", "glissando"):
        for voice, tied in voices:
            lines = [line for line in voice.lines if line.kind == kind]
            shared = {a.end_beats for a in lines} & {b.start_beats for b in lines}
            for line in lines:
                number = str(numbers.take(voice, line))
                first = tied[_index_at(voice, line.start_beats)]
                last = tied[_index_at(voice, line.end_beats)]
                is_late = kind == "glissando" or line.start_beats in shared
                is_early = kind == "glissando" or line.end_beats in shared
                ends = (
                    ("start", first[-1 if is_late else 0]),
                    ("stop", last[0 if is_early else -1]),
                )
                for end, written in ends:
                    _draw(written.heads[0], _line_end(kind, end, number))


def draw_slides(slides: Sequence[tuple[int, int]], measures: Iterable[etree._Element]) -> None:
    """Draw glissandi between heads of different voices of a part, from first to last note.

    Rests on the way are not printed: the hand is under way. `measures` are those of all staves.
    """
    ends = {first: "start" for first, _ in slides} | {last: "stop" for _, last in slides}
    heads: dict[int, list[etree._Element]] = {note: [] for note in ends}
    for head in (note for measure in measures for note in measure.iterfind("note[@id]")):
        note = int(head.get("id", "").removeprefix("n").partition("-")[0])
        if note in heads:
            heads[note].append(head)
    for note, end in ends.items():
        # A slide leaves the last of tied heads and reaches the first.
        head = heads[note][-1 if end == "start" else 0]
        _draw(head, _line_end("glissando", end, str(MAX_NUMBER)))
    for first, last in slides:
        lasts = sum(int(head.findtext("duration", "0")) for head in heads[first])
        _hide_rests(heads[last][0], lasts)


def _hide_rests(head: etree._Element, within: int) -> None:
    """Hide the rests that stand before a head in its bar, as far as so many divisions reach."""
    before = head.getprevious()
    while before is not None and before.find("rest") is not None:
        within -= int(before.findtext("duration", "0"))
        if within < 0:
            return
        hide(before)
        before = before.getprevious()


def _line_end(kind: str, end: str, number: str) -> etree._Element:
    if kind == "slur":
        return element("slur", type=end, number=number)
    return element("glissando", **{"number": number, "line-type": "wavy", "type": end})


def _draw_articulations(voice: Voice, tied: Tied) -> None:
    """Draw marks on the first of tied heads, then commas behind the last."""
    for mark, pieces in _marks(voice, tied, *ON_FIRST):
        add(_articulations(pieces[0].heads[0]), mark.kind)
    for mark, pieces in _marks(voice, tied, Articulation.BREATH):
        add(_articulations(pieces[-1].heads[0]), mark.kind, "comma")


def _articulations(head: etree._Element) -> etree._Element:
    signs = head.find("notations/articulations")
    if signs is None:
        signs = element("articulations")
        _draw(head, signs)
    return signs


def _draw_tremolos(voice: Voice, tied: Tied) -> None:
    """Draw tremolos: every flag of a head is a line the less (common practice)."""
    for mark, pieces in _marks(voice, tied, Articulation.TREMOLO):
        for written in pieces:
            sign = element("ornaments")
            add(sign, "tremolo", mark.strokes - written.piece.flags, type="single")
            _draw(written.heads[0], sign)


def _draw_tuplets(pieces: Sequence[WrittenPiece]) -> None:
    for written in pieces:
        side = TUPLET_SIDES[written.stem]
        for end in tuplet_ends(written.piece, has_bracket=written.has_bracket, placement=side):
            _draw(written.heads[0], end)


def _draw_trill(mark: Mark, pieces: Sequence[WrittenPiece], *, side: str, is_shown: bool) -> None:
    """Draw a trill over its chord, with a wavy line where the chord is tied."""
    sign = element("ornaments")
    add(sign, "trill-mark", placement=side)
    if len(pieces) > 1:
        add(sign, "wavy-line", type="start", placement=side)
        end = element("ornaments")
        add(end, "wavy-line", type="stop")
        _draw(pieces[-1].heads[0], end)
    if is_shown and mark.upper is not None:
        add(sign, "accidental-mark", ALTERS[mark.upper.alter], placement=side)
    _draw(pieces[0].heads[0], sign)


def _shows_upper(
    mark: Mark, stave: Stave, keys: Sequence[tuple[Fraction, Key]], bars: Sequence[Bar]
) -> bool:
    """Whether a trill's upper note is not what the key says, or the bar has had it otherwise."""
    upper, at = mark.upper, mark.at_beats
    if upper is None:
        return False
    bar = bars[bar_index(bars, at)]
    before = {
        name.alter
        for chord in stave.chords
        if chord.on_beats <= at and chord.off_beats > bar.start_beats
        for name in chord.spelled
        if (name.step, name.octave) == (upper.step, upper.octave)
    }
    return bool({key_alter(key_at(keys, at), upper.step), *before} - {upper.alter})
