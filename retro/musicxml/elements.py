"""MusicXML 4.0 elements, in the schema's order, and whole documents from them."""

import re
from collections.abc import Iterable, Sequence
from fractions import Fraction

from lxml import etree

from retro.model.instruments import Clef, Instrument, Transposition
from retro.model.note_values import VALUES, value_of
from retro.model.phrase import Key
from retro.model.time import Bar, Meter
from retro.musicxml.sounds import is_ensemble, sound_id
from retro.notation.score import WrittenPart
from retro.notation.unpitched import stroke_of
from retro.version import VERSION

DIVISIONS = 10080
"""Units of a quarter note in all documents: 2^5, 3^2, 5, 7."""

DOCTYPE = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">'
)

CLEFS = {
    Clef.TREBLE: ("G", "2"),
    Clef.BASS: ("F", "4"),
    Clef.ALTO: ("C", "3"),
    Clef.TENOR: ("C", "4"),
    Clef.PERCUSSION: ("percussion", ""),
}

DYNAMICS = frozenset(
    ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff", "n", "sf", "sfp", "sfz", "fp")
)
"""Dynamics that MusicXML has an element for; it has more, which nobody writes here."""

ATTRIBUTES = ("divisions", "key", "time", "staves", "clef", "transpose", "measure-style")
"""Children of ``attributes`` that we write, in the schema's order."""

PERCUSSION_CHANNEL = 10
PITCHED_CHANNELS = tuple(channel for channel in range(1, 17) if channel != PERCUSSION_CHANNEL)
"""Of General MIDI, counted from 1."""

NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that no XML document may hold."""


def element(tag: str, text: object = "", **attributes: str) -> etree._Element:
    """Make an element; characters that XML cannot hold are left out."""
    made = etree.Element(tag, attributes)
    made.text = NOT_IN_XML.sub("", str(text)) or None
    return made


def add(parent: etree._Element, tag: str, text: object = "", **attributes: str) -> etree._Element:
    """Make an element as the last child of another."""
    child = element(tag, text, **attributes)
    parent.append(child)
    return child


def units(beats: Fraction) -> str:
    """Return a length or a place in `DIVISIONS`."""
    return str(int(beats * DIVISIONS))


def direction(*kinds: etree._Element, above: bool) -> etree._Element:
    """Wrap words, a dynamic or the like; several stand side by side."""
    made = element("direction", placement="above" if above else "below")
    for kind in kinds:
        add(made, "direction-type").append(kind)
    return made


def words(text: str, *, above: bool, **style: str) -> etree._Element:
    """Return words over or under a stave."""
    return direction(element("words", text, **style), above=above)


def add_offset(later: etree._Element, beats: Fraction) -> None:
    """Say how far after its place a direction (or a sound) counts."""
    offset = element("offset", units(beats), sound="yes")
    kinds = later.findall("direction-type")
    if kinds:
        kinds[-1].addnext(offset)
    else:
        later.append(offset)


def dynamics(text: str) -> etree._Element:
    """Return a dynamic level such as ``mf``."""
    made = element("dynamics")
    if text in DYNAMICS:
        add(made, text)
    else:
        add(made, "other-dynamics", text)
    return made


def metronome(unit: Fraction, per_minute: str) -> etree._Element:
    """Return a metronome mark that counts a note `unit` quarter notes long.

    Without a number it says that the note lasts as long as before: "♪ = ♪".
    """
    value = value_of(unit)
    if value is None:
        raise ValueError(f"no metronome counts {unit} quarter notes")
    made = element("metronome")
    for _ in range(1 if per_minute else 2):
        add(made, "beat-unit", VALUES[value[0]])
        if value[1]:
            add(made, "beat-unit-dot")
    if per_minute:
        add(made, "per-minute", per_minute)
    return made


def sound_tempo(bpm: Fraction) -> etree._Element:
    """Return a tempo for programs, in quarter notes a minute to six decimals."""
    return element("sound", tempo=f"{float(bpm):.6f}".rstrip("0").rstrip("."))


def time(meter: Meter) -> etree._Element:
    """Return a time signature."""
    made = element("time")
    add(made, "beats", meter.numerator)
    add(made, "beat-type", meter.denominator)
    return made


def key_signature(key: Key) -> etree._Element:
    """Return a key signature."""
    made = element("key")
    add(made, "fifths", key.sharps)
    add(made, "mode", "none" if key.is_open else "minor" if key.minor else "major")
    return made


def clef_sign(clef: Clef, number: int | None) -> etree._Element:
    """Return a clef; `number` is its stave where the part has several."""
    made = element("clef", **({} if number is None else {"number": str(number)}))
    sign, line = CLEFS[clef]
    add(made, "sign", sign)
    if line:
        add(made, "line", line)
    return made


def transpose(transposition: Transposition) -> etree._Element:
    """Say what is added to written pitches to get sounding ones."""
    made = element("transpose")
    add(made, "diatonic", transposition.diatonic)
    add(made, "chromatic", transposition.chromatic)
    if transposition.octaves:
        add(made, "octave-change", transposition.octaves)
    return made


BEFORE_VOICE = ("pitch", "unpitched", "duration", "tie", "instrument")
"""Children of a note of which the last stands before its voice; small notes have no duration."""


def set_voice(note: etree._Element, number: int) -> None:
    """State the voice of a note or a rest."""
    voice = note.find("voice")
    if voice is None:
        voice = element("voice")
        [child for child in note if child.tag in BEFORE_VOICE][-1].addnext(voice)
    voice.text = str(number)


def hide(rest: etree._Element) -> None:
    """Let a rest take its room and not be printed."""
    rest.set("print-object", "no")
    rest.set("print-spacing", "yes")


def bar_rest(bar: Bar) -> etree._Element:
    """Return the rest that stands for a whole bar."""
    rest = element("note")
    add(rest, "rest", measure="yes")
    add(rest, "duration", units(bar.length_beats))
    return rest


def rest_measure(bar: Bar) -> etree._Element:
    """Return a measure that is silent throughout."""
    measure = element("measure")
    measure.append(bar_rest(bar))
    return measure


def add_bar_line(measure: etree._Element, style: str) -> None:
    """End a measure with a bar line such as ``light-heavy``."""
    add(add(measure, "barline", location="right"), "bar-style", style)


def add_attribute(measure: etree._Element, child: etree._Element) -> None:
    """Put a key, a clef and the like in its place in the attributes at the start of a measure."""
    if not len(measure) or measure[0].tag != "attributes":
        measure.insert(0, element("attributes"))
    attributes = measure[0]
    rank = ATTRIBUTES.index(str(child.tag))
    later = (other for other in attributes if ATTRIBUTES.index(str(other.tag)) > rank)
    following = next(later, None)
    if following is None:
        attributes.append(child)
    else:
        following.addprevious(child)


def add_staves(measure: etree._Element, part: WrittenPart) -> None:
    """Say what holds from the first measure of a part on, but for key and meter."""
    several = len(part.staves) > 1
    add_attribute(measure, element("divisions", DIVISIONS))
    if several:
        add_attribute(measure, element("staves", len(part.staves)))
    for number, stave in enumerate(part.staves, start=1):
        add_attribute(measure, clef_sign(stave.clefs[0][1], number if several else None))
    if part.instrument.transposition.semitones:
        add_attribute(measure, transpose(part.instrument.transposition))


def add_keys_and_meters(
    measures: Iterable[etree._Element], bars: Iterable[Bar], keys: Iterable[Key]
) -> None:
    """Print the key and the meter of the first bar, and every change after it.

    `keys` has one key per bar.
    """
    meter: Meter | None = None
    key: Key | None = None
    for measure, bar, in_force in zip(measures, bars, keys, strict=True):
        if in_force != key:
            add_attribute(measure, key_signature(in_force))
        if bar.meter != meter:
            add_attribute(measure, time(bar.meter))
        meter, key = bar.meter, in_force


def instrument_id(part_id: str, key: int) -> str:
    """Return the name of the instrument that a key of a percussion part stands for."""
    return f"{part_id}-I{key}"


def score_part(
    part_id: str,
    name: str,
    abbreviation: str,
    instrument: Instrument | None = None,
    keys: Iterable[int] = (),
    *,
    channel: int | None = None,
) -> etree._Element:
    """Return a part's entry in the list of parts.

    Each of the `keys` that an instrument without a pitch strikes is an instrument of its own; one
    with a pitch has its MIDI `channel`, from 1.
    """
    made = element("score-part", id=part_id)
    add(made, "part-name", name)
    add(made, "part-abbreviation", abbreviation)
    if instrument is None:
        return made
    struck = list(keys) if instrument.is_unpitched else []
    for key in struck:
        sounding = add(made, "score-instrument", id=instrument_id(part_id, key))
        add(sounding, "instrument-name", stroke_of(instrument, key).name)
    for key in struck:
        midi = add(made, "midi-instrument", id=instrument_id(part_id, key))
        add(midi, "midi-channel", PERCUSSION_CHANNEL)
        add(midi, "midi-unpitched", key + 1)
    if not struck:
        sounding = add(made, "score-instrument", id=f"{part_id}-I1")
        _add_sound(made, sounding, instrument, channel)
    return made


def _add_sound(
    made: etree._Element, sounding: etree._Element, instrument: Instrument, channel: int | None
) -> None:
    """Say how an instrument with a pitch sounds, by the list of sounds and by General MIDI."""
    add(sounding, "instrument-name", instrument.name)
    if sound_id(instrument):
        add(sounding, "instrument-sound", sound_id(instrument))
        add(sounding, "ensemble" if is_ensemble(instrument) else "solo")
    if instrument.programs:
        midi = add(made, "midi-instrument", id=sounding.get("id", ""))
        if channel is not None:
            add(midi, "midi-channel", channel)
        add(midi, "midi-program", instrument.programs[0] + 1)


def part_group(number: int, members: Iterable[etree._Element]) -> list[etree._Element]:
    """Put entries of the list of parts under one bracket."""
    start = element("part-group", type="start", number=str(number))
    add(start, "group-symbol", "bracket")
    add(start, "group-barline", "yes")
    return [start, *members, element("part-group", type="stop", number=str(number))]


def credit(kind: str, text: str) -> etree._Element:
    """Return words on the first page, of a kind such as ``title``."""
    made = element("credit", page="1")
    add(made, "credit-type", kind)
    add(made, "credit-words", text)
    return made


def document(
    *,
    song: str,
    title: str,
    creators: Iterable[tuple[str, str]],
    credits_: Sequence[tuple[str, str]],
    part_list: Iterable[etree._Element],
    bodies: Iterable[etree._Element],
) -> bytes:
    """Return a whole ``score-partwise`` document, without dates, the same bytes for the same input.

    `song` is left out where it is empty, and `title` is that of this movement. `creators` are pairs
    of what one did and a name, `credits_` of a credit's type and its words on the first page;
    `part_list` holds the entries of the list of parts, and `bodies` the parts.
    """
    root = element("score-partwise", version="4.0")
    if song:
        add(add(root, "work"), "work-title", song)
    add(root, "movement-title", title)
    identification = add(root, "identification")
    for did, name in creators:
        add(identification, "creator", name, type=did)
    add(add(identification, "encoding"), "software", f"retro {VERSION}")
    for kind, text in credits_:
        root.append(credit(kind, text))
    add(root, "part-list").extend(part_list)
    root.extend(bodies)
    return document_bytes(root)


def document_bytes(root: etree._Element) -> bytes:
    """Return a ``score-partwise`` element as a file holds it."""
    etree.indent(root)
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", doctype=DOCTYPE) + b"\n"
