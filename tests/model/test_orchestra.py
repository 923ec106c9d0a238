"""The table of known instruments is whole, ordered and sensible."""

from itertools import pairwise

import msgspec
import pytest

from retro.errors import RetroError
from retro.model.instruments import Clef, Family, Instrument, Sound
from retro.model.orchestra import INSTRUMENTS, NEUTRAL, by_id, for_program, instruments_of

each_instrument = pytest.mark.parametrize("instrument", INSTRUMENTS, ids=lambda i: i.id)


def test_every_id_is_used_once_and_leads_back_to_its_instrument() -> None:
    assert len({i.id for i in INSTRUMENTS}) == len(INSTRUMENTS)
    assert [by_id(i.id) for i in INSTRUMENTS] == list(INSTRUMENTS)


def test_every_place_in_the_score_is_taken_once() -> None:
    orders = [i.score_order for i in INSTRUMENTS]
    assert orders == sorted(set(orders))


def test_families_stand_together_in_score_order() -> None:
    families = list(dict.fromkeys(i.family for i in INSTRUMENTS))
    wanted = ["woodwind", "brass", "percussion", "plucked", "keyboard", "voice", "strings"]
    assert families == [*wanted, Family.NEUTRAL]
    runs = [a for a, b in pairwise(INSTRUMENTS) if a.family != b.family]
    assert len(runs) == len(families) - 1


def test_a_symphony_orchestra_stands_in_the_usual_order() -> None:
    usual = [
        "piccolo",
        "flute",
        "oboe",
        "english-horn",
        "clarinet-in-b-flat",
        "bass-clarinet",
        "bassoon",
        "contrabassoon",
        "horn-in-f",
        "trumpet-in-c",
        "trombone",
        "bass-trombone",
        "tuba",
        "timpani",
        "percussion",
        "harp",
        "celesta",
        "piano",
        "soprano",
        "alto",
        "tenor",
        "bass",
        "solo-violin",
        "violins",
        "violas",
        "cellos",
        "double-basses",
    ]
    assert [i.id for i in INSTRUMENTS if i.id in usual] == usual


@each_instrument
def test_a_low_note_lies_below_a_high_one_and_both_are_midi_pitches(
    instrument: Instrument,
) -> None:
    assert 0 <= instrument.low < instrument.high <= 127


@each_instrument
def test_attacks_are_milliseconds_and_softer_is_never_quicker(instrument: Instrument) -> None:
    attack = instrument.attack
    assert 0.002 <= attack.loud_high_s <= attack.soft_high_s <= 0.4
    assert attack.loud_high_s <= attack.loud_low_s <= attack.soft_low_s <= 0.4


@each_instrument
def test_higher_notes_of_an_instrument_ring_no_longer_than_lower_ones(
    instrument: Instrument,
) -> None:
    times = [instrument.decay_s(p) for p in range(instrument.low, instrument.high + 1)]
    assert times == sorted(times, reverse=True)
    assert 0.02 < times[-1] <= times[0] <= 20.0


@each_instrument
def test_who_needs_breath_blows_or_sings(instrument: Instrument) -> None:
    blown = instrument.family in (Family.WOODWIND, Family.BRASS, Family.VOICE)
    assert (instrument.breath_s is not None) == (blown and not instrument.section)


@each_instrument
def test_only_struck_tones_are_damped(instrument: Instrument) -> None:
    assert instrument.damper_s is None or instrument.sound is Sound.STRUCK


@each_instrument
def test_whoever_has_two_staves_reads_treble_and_bass(instrument: Instrument) -> None:
    assert instrument.staves == 1 or instrument.clefs == (Clef.TREBLE, Clef.BASS)


def test_a_plucked_section_is_the_same_section_struck() -> None:
    for name in ("violins", "violas", "cellos", "double-basses", "strings", "solo-cello"):
        bowed, plucked = by_id(name), by_id(f"{name}-pizzicato")
        assert (plucked.low, plucked.high, plucked.clefs) == (bowed.low, bowed.high, bowed.clefs)
        assert plucked.sound is Sound.STRUCK
        assert plucked.section == bowed.section
        assert plucked.decay_s(bowed.low) > bowed.decay_s(bowed.low)


@pytest.mark.parametrize(
    ("program", "wanted"),
    [
        # General MIDI Level 1 sound set, numbered from 0.
        (0, "piano"), (6, "harpsichord"), (8, "celesta"), (9, "glockenspiel"), (11, "vibraphone"),
        (12, "marimba"), (13, "xylophone"), (14, "tubular-bells"), (19, "organ"), (24, "guitar"),
        (40, "violins"), (41, "violas"), (42, "cellos"), (43, "double-basses"),
        (45, "strings-pizzicato"), (46, "harp"), (47, "timpani"), (48, "strings"),
        (52, "choir"), (56, "trumpet-in-b-flat"), (57, "trombone"), (58, "tuba"),
        (60, "horn-in-f"), (64, "soprano-saxophone"), (67, "baritone-saxophone"), (68, "oboe"),
        (69, "english-horn"), (70, "bassoon"), (71, "clarinet-in-b-flat"), (72, "piccolo"),
        (73, "flute"),
    ],
)  # fmt: skip
def test_a_general_midi_program_means_its_instrument(program: int, wanted: str) -> None:
    found = for_program(program)
    assert found is not None
    assert found.id == wanted


@pytest.mark.parametrize("program", [61, 80, 99, 127])
def test_a_program_that_no_player_answers_to_means_nobody(program: int) -> None:
    assert for_program(program) is None


def test_an_unknown_instrument_is_refused_with_the_near_names() -> None:
    with pytest.raises(RetroError, match=r"'horn-in-g'.*horn-in-f"):
        by_id("horn-in-g")


def test_the_neutral_player_plays_anything_and_speaks_in_thirty_milliseconds() -> None:
    assert (NEUTRAL.low, NEUTRAL.high) == (0, 127)
    assert NEUTRAL.attack_s(60, 64) == 0.03
    assert NEUTRAL.sound is Sound.SUSTAINED


TABLE = """
[sources]
compass = {mark = "from memory", source = "none", range = "none"}
attack = {mark = "measured", source = "a museum", range = "3 ms"}
ringing = {mark = "derived", source = "its length", range = "half to twice"}
[attacks]
plain = [10, 20, 30, 40]
[transpositions]
concert = [0, 0, 0]
octave-down = [0, 0, -1]
[usual.brass]
decay = [["C2", 0.4], ["C4", 0.2]]
decay_source = "ringing"
[instruments.brass.serpent]
name = "Serpent"
abbreviation = "Serp."
score_order = 255
written = ["C3", "F5"]
attack = "plain"
"""


def test_the_table_gives_sounding_pitches_and_seconds() -> None:
    (serpent,) = instruments_of(TABLE + 'transposition = "octave-down"\n')
    assert (serpent.id, serpent.family) == ("serpent", Family.BRASS)
    assert (serpent.low, serpent.high) == (36, 65)
    assert serpent.attack.loud_high_s == 0.01
    assert serpent.attack.soft_low_s == 0.04
    assert serpent.decay.points == ((36, 0.4), (60, 0.2))
    assert dict(serpent.sources)["decay"].source == "its length"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("score_order", "score_ordre"), "score_ordre"),
        (('name = "Serpent"\n', ""), "name"),
        (("255", '"low"'), "score_order"),
    ],
)
def test_a_slip_in_the_table_is_refused_by_its_key(change: tuple[str, str], told: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=told):
        instruments_of(TABLE.replace(*change))
