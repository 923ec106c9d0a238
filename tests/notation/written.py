"""Inserts that the tests of MusicXML build on; all the music is invented for them."""

from dataclasses import replace
from fractions import Fraction

from lxml import etree

from retro.model.instruments import Clef, Player
from retro.model.orchestra import by_id
from retro.model.performance import Performance, Window
from retro.model.phrase import Key, Note, Part, Phrase
from retro.model.settings import Compensate, Settings
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.musicxml.document import InsertXml, insert_musicxml
from retro.musicxml.heading import Heading
from retro.notation.lines import write_parts
from retro.notation.score import (
    Articulation,
    Chord,
    Direction,
    Hairpin,
    Level,
    Line,
    Mark,
    Spelled,
    Stave,
    Voice,
    WrittenPart,
)
from retro.reversal.compensate import perform

HEADING = Heading(song="Study in Grey", letter="A", bars="bars 21–22")
WINDOW = Window(
    start_beats=Fraction(80),
    end_beats=Fraction(88),
    start_s=Fraction(40),
    end_s=Fraction(44),
    start_bar=21,
    end_bar=22,
)


def numbered(phrase: Phrase) -> Phrase:
    """Return a phrase whose bars are those of a song from bar 21 on."""
    bars = (replace(bar, number=number) for number, bar in enumerate(phrase.bars, start=21))
    return replace(phrase, bars=tuple(bars))


def bars_of(*meters: Meter) -> tuple[Bar, ...]:
    """Return full bars of some meters."""
    bars, at = [], Fraction(0)
    for meter in meters:
        bars.append(Bar(at, meter.length_beats, meter))
        at += meter.length_beats
    return tuple(bars)


def phrase_of(
    bars: tuple[Bar, ...],
    *lines: list[tuple[object, object, int]],
    key: Key | None = None,
    tempo: tuple[tuple[object, int], ...] = ((0, 500_000),),
) -> Phrase:
    """Return a phrase of one part per line of (on, off, pitch)."""
    length = bars[-1].end_beats
    parts = []
    for index, line in enumerate(lines):
        notes = [
            Note(on_beats=Fraction(on), off_beats=Fraction(off), pitch=pitch, velocity=80)
            for on, off, pitch in line
        ]
        parts.append(
            Part(name=f"Line {index}", channel=0, program=None, notes=tuple(sorted(notes)))
        )
    starts, values = zip(*((Fraction(at), us) for at, us in tempo), strict=True)
    return Phrase(
        title="Study in Grey",
        tempo=TempoMap(Steps(length, starts, values)),
        bars=bars,
        keys=Steps(length, (Fraction(0),), (key or Key(0),)),
        markers=(),
        parts=tuple(parts),
    )


def performed(phrase: Phrase, *ids: str, settings: Settings | None = None) -> Performance:
    """Return the performance of a phrase by the instruments of some ids."""
    players = tuple(Player(name=by_id(i).name, instrument=by_id(i)) for i in ids)
    return perform(phrase, players, settings or Settings())


def written(performance: Performance) -> InsertXml:
    """Write the insert of a performance."""
    return insert_musicxml(
        write_parts(performance),
        heading=HEADING,
        insert=performance.insert,
        settings=performance.settings,
    )


def seven_eight() -> Performance:
    """Return piano and clarinet in 7/8, with a rest and a chord."""
    seven = Meter.plain(7, 8)
    piano = [(0, 1, 48), (0, 1, 60), (1, "7/2", 64), ("7/2", 5, 43), (5, 7, 67), (5, 7, 72)]
    reed = [(0, "1/2", 66), ("1/2", "3/2", 68), (4, 7, 70)]
    return performed(
        phrase_of(bars_of(seven, seven), piano, reed, key=Key(2)),
        "piano",
        "clarinet-in-b-flat",
    )


def triplets() -> Performance:
    """Return a violin with triplets of three sizes and a flute in fives."""
    third = Fraction(1, 3)
    violin = [(k * third, (k + 1) * third, 72 + k) for k in range(3)]
    violin += [(2 + 2 * k * third, 2 + 2 * (k + 1) * third, 80 - k) for k in range(3)]
    violin += [(4 + 4 * k * third, 4 + 4 * (k + 1) * third, 70 + k) for k in range(3)]
    fifth = Fraction(1, 5)
    flute = [(1 + k * fifth, 1 + (k + 1) * fifth, 84 + k) for k in range(5)] + [(4, 8, 90)]
    settings = Settings(grid_beats=Fraction(1, 60), compensate=Compensate.NONE)
    return performed(
        phrase_of(bars_of(*[Meter.plain(4, 4)] * 2), violin, flute),
        "violins",
        "flute",
        settings=settings,
    )


def horns() -> Performance:
    """Return transposing brass over a change of meter: a chorale in five flats."""
    horn = [(at, at + 2, pitch) for at in (0, 2, 4) for pitch in (53, 58, 61, 65)]
    trumpet = [(0, 3, 73), (3, 6, 75), (6, 7, 77)]
    trombone = [(0, 4, 49), (4, 7, 46)]
    bars = bars_of(Meter.plain(4, 4), Meter.plain(3, 4))
    return performed(
        phrase_of(bars, horn, trumpet, trombone, key=Key(-5)),
        "horn-in-f",
        "trumpet-in-b-flat",
        "trombone",
    )


def harp() -> Performance:
    """Return a harp over both staves in 12/8 with a rolled chord, and a double bass."""
    chord = [(0, 3, pitch) for pitch in (40, 52, 59, 64, 68)]
    run = [(3 + Fraction(k, 2), 3 + Fraction(k + 1, 2), 50 + 3 * k) for k in range(6)]
    return performed(
        phrase_of(bars_of(Meter.plain(12, 8)), chord + run, [(0, 6, 33)], key=Key(4)),
        "harp",
        "double-basses",
    )


def bending() -> Performance:
    """Return a cello line whose song slows down in many small steps."""
    cello = [(k, k + 1, 45 + k) for k in range(12)]
    tempo = [
        (0, 500_000),
        *((Fraction(8) + Fraction(k, 4), 510_000 + 12_000 * k) for k in range(16)),
    ]
    return performed(
        phrase_of(bars_of(*[Meter.plain(4, 4)] * 3), cello, tempo=tuple(tempo)), "cellos"
    )


def without_graces(document: bytes) -> tuple[bytes, dict[str, str]]:
    """Return a document without its small notes, and their names with what they are called.

    Readers take the time of small notes from others in ways of their own.
    """
    root = etree.fromstring(document)
    graces = {}
    for note in root.xpath("//note[grace]"):
        pitch = [note.findtext(f"pitch/{tag}", "0") for tag in ("step", "alter", "octave")]
        graces[note.get("id")] = " ".join(pitch)
        note.getparent().remove(note)
    return etree.tostring(root), graces


def chord_of(on: object, off: object, *names: Spelled, note: int = 0) -> Chord:
    """Return a stroke of written pitches; G4 where none is said."""
    names = names or (Spelled("G", 0, 4),)
    return Chord(
        on_beats=Fraction(on),
        off_beats=Fraction(off),
        pitches=tuple(range(60, 60 + len(names))),
        notes=tuple(range(note, note + len(names))),
        spelled=names,
    )


def part_of(*voices: Voice, id_: str = "flute", **more: object) -> WrittenPart:
    """Return a part on one treble stave, unless more is said."""
    usual = {
        "keys": ((Fraction(0), Key(0)),),
        "staves": (Stave(voices=voices, clefs=((Fraction(0), Clef.TREBLE),)),),
    }
    return WrittenPart(
        name="Player", abbreviation="Pl.", instrument=by_id(id_), part=0, **{**usual, **more}
    )


def marked() -> InsertXml:
    """Return a part that has every mark, line and change of clef and key there is."""
    kinds = list(Articulation)
    chord = (Spelled("E", -1, 4), Spelled("G", 0, 4))
    voice = Voice(
        chords=tuple(chord_of(3 * k, 3 * k + 3, *chord, note=2 * k) for k in range(len(kinds))),
        marks=tuple(
            Mark(at_beats=Fraction(3 * k), kind=kind, text="" if k % 2 else "dry")
            for k, kind in enumerate(kinds)
        ),
        lines=(
            Line(kind="slur", start_beats=Fraction(0), end_beats=Fraction(6)),
            Line(kind="slur", start_beats=Fraction(6), end_beats=Fraction(12)),
            Line(kind="glissando", start_beats=Fraction(12), end_beats=Fraction(15)),
        ),
    )
    stave = Stave(voices=(voice,), clefs=((Fraction(0), Clef.BASS), (Fraction(6), Clef.TENOR)))
    low = Voice(chords=(chord_of(0, 14, Spelled("C", 0, 3), note=90),))
    part = part_of(
        id_="harp",
        staves=(stave, Stave(voices=(low,), clefs=((Fraction(0), Clef.BASS),))),
        keys=((Fraction(0), Key(-1)), (Fraction(8), Key(3, minor=True))),
        levels=(Level(at_beats=Fraction(0), text="pp"), Level(at_beats=Fraction(7), text="sffp")),
        hairpins=(
            Hairpin(start_beats=Fraction(1), end_beats=Fraction(3, 2), crescendo=True),
            Hairpin(start_beats=Fraction(5), end_beats=Fraction(16), crescendo=False),
        ),
        directions=(
            Direction(at_beats=Fraction(9), text="off 3"),
            Direction(at_beats=Fraction(0), text="let the room ring", is_general=True),
        ),
    )
    bars = bars_of(*[Meter.plain(4, 4)] * -(-3 * len(kinds) // 4))
    return insert_musicxml([part], heading=HEADING, insert=phrase_of(bars), settings=Settings())


STUDIES = {f.__name__: f for f in (seven_eight, triplets, horns, harp, bending)}
