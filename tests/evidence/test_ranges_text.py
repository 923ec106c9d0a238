"""Ranges against published texts, both sides of every limit as `retro check` has them.

Every figure was read in the stored copy of a public page. C4 is middle C here; a text that names
pitches otherwise is quoted beside its row.

* LIBRARIANS: *Ranges of Orchestral Instruments*, the orchestra librarians' table
  (orchestralibrary.com/reftables/rang.html); only its woodwind rows could be read.
* JOHNSTONE: Arthur Edward Johnstone, *Instruments of the Modern Symphony Orchestra*, Carl Fischer
  1917, the proofread transcription of Wikisource, whose ranges are notes in text.
* COMPOSITION: *Music Composition For Dummies*, ch. 14 (issuhub.com, view 5685).
* ARRANGING: a textbook of arranging, ch. 6, *Arranging and Orchestration Concepts* (issuhub.com,
  view 5120), which names places on the staff.
* COURSE: an orchestration course, lesson *Definite pitch instruments* (hansenmedia.net).
* SLIDES: Karleen Heong, orchestration course, section 7, bassoons (scribd.com, 784344723).
* NOTES: notes of a university course, MU 3002 Arranging and Orchestration (notes.felixng.me).
* HORN: *French horn range* (wagner-tuba.com).
* HIRE: *Pitch Ranges of Tuned Percussion Instruments and Their Notation*, of a company that hires
  them out (trpercussion.com); sounding.
* HANDBOOK: *The Illustrated Complete Musical Instruments Handbook*, ed. Lucien Jenkins
  (flametreepro.com).
* KEYBOARDS: *Describing pitch and compass*, technical library of a harpsichord maker (hpschd.nu).
* BRASS, SAXOPHONE, CONTRABASSOON: an encyclopedia's articles *Pitch of brass instruments*
  (princeton.edu/~achaney/tmve/wiki100k), *Alto saxophone* (profilbaru.com) and *Contrabassoon*
  (myantakshari.com).
* LIBRARY, the weakest: the table of abjad 3.19, ``abjad/instruments.py``, sounding. It names no
  source; taken where no text has the instrument or a text leaves one end open.
"""

from dataclasses import dataclass

import pytest

from retro.model.instruments import Instrument, Player
from retro.model.orchestra import INSTRUMENTS, NEUTRAL, by_id
from retro.model.performance import Window
from retro.model.settings import Settings
from retro.playability.check import check
from retro.reversal.compensate import perform
from retro.units import named_pitch
from tests.conftest import make_note, make_part, make_phrase

LIBRARIANS = "orchestralibrary.com, Ranges of Orchestral Instruments"
JOHNSTONE = "Johnstone, Instruments of the Modern Symphony Orchestra (1917), {}"
COMPOSITION = "Music Composition For Dummies, ch. 14, p. {}"
ARRANGING = "textbook of arranging (issuhub.com 5120), ch. 6, p. {}"
COURSE = "hansenmedia.net, orchestration course, definite pitch instruments"
SLIDES = "Heong, orchestration course, section 7"
NOTES = "MU 3002 Arranging and Orchestration, course notes"
HORN = "wagner-tuba.com, French horn range"
HIRE = "trpercussion.com, Pitch Ranges of Tuned Percussion Instruments"
HANDBOOK = "Illustrated Complete Musical Instruments Handbook, ed. Jenkins"
KEYBOARDS = "hpschd.nu, Describing pitch and compass"
BRASS = "encyclopedia article Pitch of brass instruments"
SAXOPHONE = "encyclopedia article Alto saxophone"
CONTRABASSOON = "encyclopedia article Contrabassoon"
LIBRARY = "table of the library abjad 3.19 (names no source)"

CAUTIOUS = "ours is more cautious, from memory"
HIGH_F_SHARP = "instruments with a high F sharp key; not every one has it"
SOLOIST = "a soloist's top; ours is what a section is asked for, from memory"
SECTION = "the text's top is cautious; ours is a professional's, from memory"
TRAINED = "a trained soloist's range; ours is a choir singer's, from memory"


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """The range of an instrument by one text.

    `low_by` and `high_by` tell how many semitones the text goes beyond ours (less than 0: ours goes
    beyond the text); `why` is the reason where either is not 0.
    """

    id_: str
    low: str
    high: str
    source: str
    sounding: bool = False
    low_by: int = 0
    high_by: int = 0
    why: str = ""


def written(id_: str, low: str, high: str, source: str, **differs) -> Published:
    return Published(id_=id_, low=low, high=high, source=source, **differs)


def sounding(id_: str, low: str, high: str, source: str, **differs) -> Published:
    return Published(id_=id_, low=low, high=high, source=source, sounding=True, **differs)


PUBLISHED = (
    written("piccolo", "D4", "C7", LIBRARIANS),
    written("flute", "C4", "D7", LIBRARIANS),
    written("alto-flute", "C4", "C7", LIBRARIANS),
    sounding("alto-flute", "G3", "G6", LIBRARY),
    sounding("bass-flute", "C3", "C6", LIBRARY, high_by=7, why=CAUTIOUS),
    written("oboe", "Bb3", "A6", COMPOSITION.format(178)),
    written("oboe-d-amore", "Bb3", "E6", LIBRARIANS),
    written("english-horn", "B3", "G6", LIBRARIANS),
    written("clarinet-in-b-flat", "E3", "C7", LIBRARIANS),
    written("clarinet-in-a", "E3", "C7", LIBRARIANS),
    sounding(
        "clarinet-in-e-flat", "F3", "C7", LIBRARY, low_by=2,
        why="the library's lowest is a written D, ours the E of the other clarinets",
    ),
    written("basset-horn", "C3", "G6", LIBRARIANS, high_by=3, why=CAUTIOUS),
    written("bass-clarinet", "Eb3", "G6", LIBRARIANS),
    sounding(
        "contrabass-clarinet", "Bb0", "G4", LIBRARY, low_by=3, high_by=7,
        why="the library counts an extension to written C; ours is more cautious, from memory",
    ),
    sounding("soprano-saxophone", "Ab3", "E6", LIBRARY, high_by=1, why=HIGH_F_SHARP),
    written("alto-saxophone", "Bb3", "F6", SAXOPHONE),
    sounding("tenor-saxophone", "Ab2", "E5", LIBRARY, high_by=1, why=HIGH_F_SHARP),
    sounding("baritone-saxophone", "C2", "Ab4", LIBRARY),
    written("bassoon", "Bb1", "E5", SLIDES),
    sounding(
        "contrabassoon", "Bb0", "D4", CONTRABASSOON, high_by=4,
        why="the article itself calls its highest fourth rarely scored for",
    ),
    # "F sharp immediately below the bass clef"; "high C (two octaves above the horn's middle C)".
    written("horn-in-f", "F#2", "C6", HORN),
    written(
        "horn-in-f", "F#3", "C6", COMPOSITION.format(173), low_by=-12,
        why="the book leaves the lowest octave out",
    ),
    written(
        "trumpet-in-b-flat", "F#3", "C6", JOHNSTONE.format("p. 40"), high_by=-2,
        why="the book adds E6 in brackets; ours lies between",
    ),
    written(
        "trumpet-in-b-flat", "F#3", "E6", BRASS, high_by=2,
        why="the tenth harmonic, a formal end; ours lies below it",
    ),
    sounding("trumpet-in-c", "F#3", "D6", LIBRARY),
    written("cornet", "F#3", "E6", BRASS, high_by=4, why="the tenth harmonic, a formal end"),
    written("flugelhorn", "F#3", "E6", BRASS, high_by=6, why="the tenth harmonic, a formal end"),
    written("trombone", "E2", "Bb4", JOHNSTONE.format("p. 44"), high_by=-4, why=SECTION),
    written("trombone", "E2", "F5", COMPOSITION.format(179), high_by=3, why=SOLOIST),
    sounding("alto-trombone", "A2", "Bb5", LIBRARY, high_by=5, why=SOLOIST),
    sounding(
        "bass-trombone", "C2", "F4", LIBRARY, low_by=-2, high_by=-5,
        why="ours has music21's B flat 1 and the textbook of arranging's B flat 4 (p. 126)",
    ),
    written(
        "tuba", "F1", "F4", JOHNSTONE.format("p. 46"), low_by=-3,
        why="a text of 1917; ours has music21's D1",
    ),
    sounding("tuba", "D1", "F4", LIBRARY),
    sounding(
        "timpani", "C2", "C4", HIRE, low_by=2,
        why="a set of five drums; ours does not count on its lowest whole tone",
    ),
    # "From g upwards two octaves and a perfect fourth"; sounds two octaves higher.
    written("glockenspiel", "G3", "C6", COURSE),
    sounding(
        "glockenspiel", "F5", "F8", HIRE, low_by=2, high_by=5,
        why="an instrument of three octaves; ours is the one of two and a half",
    ),
    sounding(
        "crotales", "C6", "F8", HIRE, high_by=5, why="a set of 2 1/2 octaves; ours has two"
    ),
    sounding("xylophone", "F4", "C8", HIRE),
    sounding("vibraphone", "F3", "F6", HIRE),
    # "F, directly below middle C, to F, the fourth space above the treble clef".
    written("vibraphone", "F3", "F6", ARRANGING.format("108 f.")),
    sounding("marimba", "C2", "C7", HIRE),
    # "c'-f''", middle C being c'.
    written("tubular-bells", "C4", "F5", HANDBOOK),
    written(
        "harp", "Cb1", "G#7", COMPOSITION.format(178), low_by=1,
        why="the lowest string is not taken for flat",
    ),
    sounding("guitar", "E2", "E5", LIBRARY, high_by=-7, why="ours counts all of 19 frets"),
    written("celesta", "C3", "C7", JOHNSTONE.format("Celesta")),
    # "88 notes from AAA-c'''''", "five octaves, 61 notes from FF-f'''", middle C being c'.
    written("piano", "A0", "C8", KEYBOARDS),
    written("harpsichord", "F1", "F6", KEYBOARDS),
    sounding("soprano", "C4", "E6", LIBRARY, low_by=-1, high_by=4, why=TRAINED),
    sounding("alto", "F3", "G5", LIBRARY, high_by=2, why=TRAINED),
    sounding("tenor", "C3", "D5", LIBRARY, low_by=-1, high_by=2, why=TRAINED),
    sounding("bass", "E2", "F4", LIBRARY, high_by=1, why=TRAINED),
    written("violins", "G3", "E7", NOTES),
    written("violins", "G3", "B7", JOHNSTONE.format("p. 8"), high_by=7, why=SOLOIST),
    # "C, one octave below middle C"; "E, three leger lines above the treble clef".
    written("violas", "C3", "E6", ARRANGING.format(117)),
    written("violas", "C3", "A6", COMPOSITION.format(179), high_by=5, why=SOLOIST),
    # "C, two octaves below middle C"; "A, one leger line above the treble clef".
    written("cellos", "C2", "A5", ARRANGING.format(117), high_by=-3, why=SECTION),
    written("cellos", "C2", "E6", COMPOSITION.format(180), high_by=4, why=SOLOIST),
    written("double-basses", "E2", "A4", JOHNSTONE.format("p. 14"), high_by=-3, why=SECTION),
    written("double-basses", "E2", "G5", COMPOSITION.format(177), high_by=7, why=SOLOIST),
)  # fmt: skip

NO_TEXT_FOUND = {
    "wagner-tuba-in-f", "piccolo-trumpet", "contrabass-trombone", "euphonium", "mandolin", "organ",
    "choir", "strings",
}  # fmt: skip
"""Pitched instruments of which no published range could be read."""


def is_out_of_range(instrument: Instrument, pitch: int) -> bool:
    """Whether `retro check` says that the instrument has not got a sounding pitch."""
    phrase = make_phrase(make_part(make_note(0, 1, pitch)))
    player = Player(name="Somebody", instrument=instrument)
    window = Window(
        start_beats=phrase.bars[0].start_beats,
        end_beats=phrase.length_beats,
        start_s=phrase.tempo.seconds_at(phrase.bars[0].start_beats),
        end_s=phrase.length_s,
        start_bar=1,
        end_bar=2,
    )
    findings = check(perform(phrase, (player,), Settings()), window, phrase)
    return any(finding.kind == "range" for finding in findings)


def in_words(name: str, by: int) -> str:
    if by == 0:
        return f"{name} end the same"
    semitones = "1 semitone" if abs(by) == 1 else f"{abs(by)} semitones"
    return f"{name} end {semitones} {'inside' if by > 0 else 'beyond'} the text's"


@pytest.mark.parametrize(
    "text", PUBLISHED, ids=[f"{text.id_}, {text.source}" for text in PUBLISHED]
)
def test_every_limit_is_that_of_a_text_or_differs_as_stated_and_is_found_on_both_sides(
    text: Published, record_evidence
) -> None:
    instrument = by_id(text.id_)
    down = 0 if text.sounding else instrument.transposition.semitones
    low, high = named_pitch(text.low) + down, named_pitch(text.high) + down
    for limit, published, outward, by in (
        (instrument.low, low, -1, text.low_by),
        (instrument.high, high, 1, text.high_by),
    ):
        assert not is_out_of_range(instrument, limit)
        assert is_out_of_range(instrument, limit + outward)
        assert (published - limit) * outward == by
        assert is_out_of_range(instrument, published) == (by > 0)
    same = text.low_by == text.high_by == 0
    assert bool(text.why) != same, "a difference has its reason, and nothing else has one"
    record_evidence(
        what=f"{instrument.name}: {'sounding' if text.sounding else 'written'} range",
        source=text.source,
        expected=f"{text.low} to {text.high}",
        found="the same: both ends pass, the semitones beyond are found"
        if same
        else f"{in_words('low', text.low_by)}, {in_words('high', text.high_by)}: {text.why}",
    )


def test_every_pitched_instrument_is_held_against_a_text_or_named_as_not_found() -> None:
    sections = {i.id for i in INSTRUMENTS if not i.id.startswith("solo-")}
    bowed_and_blown = {id_ for id_ in sections if not id_.endswith("-pizzicato")}
    everything = (named_pitch("C0"), named_pitch("C9"))
    pitched = {
        id_
        for id_ in bowed_and_blown - {NEUTRAL.id}
        if (by_id(id_).low, by_id(id_).high) != everything
    }
    assert pitched - {text.id_ for text in PUBLISHED} == NO_TEXT_FOUND
