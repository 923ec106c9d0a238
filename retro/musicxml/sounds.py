"""What other programs are told of how an instrument sounds: MusicXML's list of sounds.

The ids are those of the standard's sounds list (``sounds.xml`` of MusicXML 4.0): winds read in it,
the others from memory; a test holds them against those that music21's instruments carry.
"""

from retro.model.instruments import Family, Instrument

SOUNDS = {
    "piccolo": "wind.flutes.flute.piccolo",
    "flute": "wind.flutes.flute",
    "alto-flute": "wind.flutes.flute.alto",
    "bass-flute": "wind.flutes.flute.bass",
    "oboe": "wind.reed.oboe",
    "oboe-d-amore": "wind.reed.oboe-damore",
    "english-horn": "wind.reed.english-horn",
    "clarinet-in-e-flat": "wind.reed.clarinet.eflat",
    "clarinet-in-b-flat": "wind.reed.clarinet.bflat",
    "clarinet-in-a": "wind.reed.clarinet.a",
    "basset-horn": "wind.reed.basset-horn",
    "bass-clarinet": "wind.reed.clarinet.bass",
    "contrabass-clarinet": "wind.reed.clarinet.contrabass",
    "soprano-saxophone": "wind.reed.saxophone.soprano",
    "alto-saxophone": "wind.reed.saxophone.alto",
    "tenor-saxophone": "wind.reed.saxophone.tenor",
    "baritone-saxophone": "wind.reed.saxophone.baritone",
    "bassoon": "wind.reed.bassoon",
    "contrabassoon": "wind.reed.contrabassoon",
    "horn-in-f": "brass.french-horn",
    "wagner-tuba-in-f": "brass.wagner-tuba",
    "piccolo-trumpet": "brass.trumpet.piccolo",
    "trumpet-in-b-flat": "brass.trumpet.bflat",
    "trumpet-in-c": "brass.trumpet.c",
    "cornet": "brass.cornet",
    "flugelhorn": "brass.flugelhorn",
    "alto-trombone": "brass.trombone.alto",
    "trombone": "brass.trombone",
    "bass-trombone": "brass.trombone.bass",
    "contrabass-trombone": "brass.trombone.contrabass",
    "euphonium": "brass.euphonium",
    "tuba": "brass.tuba",
    "timpani": "drum.timpani",
    "glockenspiel": "pitched-percussion.glockenspiel",
    "crotales": "metal.crotales",
    "xylophone": "pitched-percussion.xylophone",
    "vibraphone": "pitched-percussion.vibraphone",
    "marimba": "pitched-percussion.marimba",
    "tubular-bells": "pitched-percussion.tubular-bells",
    "harp": "pluck.harp",
    "guitar": "pluck.guitar",
    "mandolin": "pluck.mandolin",
    "celesta": "keyboard.celesta",
    "piano": "keyboard.piano",
    "harpsichord": "keyboard.harpsichord",
    "organ": "keyboard.organ",
    "soprano": "voice.soprano",
    "alto": "voice.alto",
    "tenor": "voice.tenor",
    "bass": "voice.bass",
    "choir": "voice.choir",
    "strings": "strings.group",
    "violin": "strings.violin",
    "viola": "strings.viola",
    "cello": "strings.cello",
    "double-bass": "strings.contrabass",
}
"""The sound of each instrument; of strings that of one player."""

STRINGS = {
    "violins": "violin",
    "violas": "viola",
    "cellos": "cello",
    "double-basses": "double-bass",
}


def sound_id(instrument: Instrument) -> str:
    """Return the id of an instrument's sound; empty where the list has none."""
    known = instrument.id.removeprefix("solo-").removesuffix("-pizzicato")
    return SOUNDS.get(STRINGS.get(known, known), "")


def is_ensemble(instrument: Instrument) -> bool:
    """Whether several play it together."""
    return instrument.family is Family.STRINGS and instrument.section
