"""Instruments without a pitch: where their strokes stand on a percussion stave.

One instrument stands on the middle line. A part of several is read by the keys of General MIDI's
percussion map, whose names say which of them a key is; where each stands is common practice: drums
from the lowest space upwards as they sound, cymbals with crosses above. Others stand on the middle
line, told apart by their heads. A legend says what stands where.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from retro.model.instruments import Clef, Instrument
from retro.notation.clefs import steps_up
from retro.notation.score import Direction, Spelled, WrittenPart

MIDDLE_LINE = Spelled(step="B", alter=0, octave=4)
SEVERAL = "percussion"
"""The instrument that stands for several."""

SHOWN = {"x": "cross", "circle-x": "ringed cross"}
"""Words for heads whose names are signs."""

_LISTED = """
F4 35 bass drum 2
F4 36 bass drum
A4 41 low floor tom
A4 43 high floor tom
C5 37 side stick x
C5 38 snare drum
C5 39 hand clap diamond
C5 40 snare drum 2
D5 45 low tom
D5 47 low-mid tom
E5 48 high-mid tom
E5 50 high tom
D4 44 hi-hat by foot x
F5 51 ride cymbal x
F5 53 ride bell diamond
F5 59 ride cymbal 2 x
G5 42 closed hi-hat x
G5 46 open hi-hat circle-x
A5 49 crash cymbal x
A5 52 Chinese cymbal x
A5 55 splash cymbal x
A5 57 crash cymbal 2 x
B4 54 tambourine
B4 56 cowbell triangle
B4 58 vibraslap diamond
B4 60 high bongo
B4 61 low bongo triangle
B4 62 muted conga
B4 63 high conga triangle
B4 64 low conga diamond
B4 65 high timbale
B4 66 low timbale triangle
B4 67 high agogo
B4 68 low agogo triangle
B4 69 cabasa
B4 70 maracas triangle
B4 71 short whistle
B4 72 long whistle triangle
B4 73 short guiro
B4 74 long guiro triangle
B4 75 claves
B4 76 high wood block
B4 77 low wood block triangle
B4 78 muted cuica
B4 79 open cuica triangle
B4 80 muted triangle
B4 81 open triangle triangle
"""
"""Keys of General MIDI's percussion map: place as in the treble clef, key, what sounds there, head
(MusicXML's word) if it is not round."""

HEADS = ("x", "circle-x", "diamond", "triangle")
"""Heads that are not round: crosses for cymbals and sticks, and shapes that tell others apart
(common practice)."""


MAX_LINE = 72
"""Letters in a line of the legend: a part's page of any paper holds them (measured)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """How one key of a percussion part is written: its place in the treble clef, and what sounds.

    `head` is MusicXML's word for the head; empty for a round one.
    """

    place: Spelled
    name: str
    head: str = ""


def _listed() -> Iterator[tuple[int, Stroke]]:
    for line in _LISTED.split("\n")[1:-1]:
        place, key, *words = line.split()
        head = words.pop() if words[-1] in HEADS and len(words) > 1 else ""
        spelled = Spelled(step=place[0], alter=0, octave=int(place[1:]))
        yield int(key), Stroke(place=spelled, name=" ".join(words), head=head)


_STROKES = dict(_listed())


def stroke_of(instrument: Instrument, key: int) -> Stroke:
    """Return how a stroke of an instrument without a pitch is written."""
    if instrument.id != SEVERAL:
        return Stroke(place=MIDDLE_LINE, name=instrument.name)
    return _STROKES.get(key) or Stroke(place=MIDDLE_LINE, name=f"key {key}")


def place_of(instrument: Instrument, key: int) -> Spelled:
    """Return where a stroke stands, named as in the treble clef."""
    return stroke_of(instrument, key).place


def keys_of(part: WrittenPart) -> tuple[int, ...]:
    """Return the keys that a part without pitches strikes, the lowest first."""
    return tuple(sorted({pitch for chord in part.chords for pitch in chord.pitches}))


GOES_ON = "then "
"""How a line of a legend begins that goes on with the one before."""


def legend(instrument: Instrument, keys: Iterable[int]) -> tuple[Direction, ...]:
    """Return what stands where in a part that strikes some keys, in words, from below."""
    strokes = [stroke_of(instrument, key) for key in sorted(set(keys))]
    if instrument.id != SEVERAL or len(strokes) < 2:
        return ()
    places: dict[tuple[Spelled, str], list[str]] = {}
    for stroke in sorted(strokes, key=lambda each: steps_up(each.place, Clef.PERCUSSION)):
        places.setdefault((stroke.place, stroke.head), []).append(stroke.name)
    words = [
        " or ".join(names) + (f" ({SHOWN.get(head, head)})" if head else "")
        for (_, head), names in places.items()
    ]
    lines = ["from below: "]
    for number, said in enumerate(words, start=1):
        piece = said if number == len(words) else f"{said}, "
        if len(lines[-1] + piece) > MAX_LINE:
            lines.append(GOES_ON)
        lines[-1] += piece
    return tuple(
        Direction(at_beats=Fraction(0), text=line.rstrip(), is_general=True) for line in lines
    )
