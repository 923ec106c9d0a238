"""The known instruments and their figures; each figure is a default that a person may replace.

Conventions
-----------
Ranges are given as written and kept as sounding MIDI pitches. Where the figures come from:

=========================================  ======================================================
lowest written notes, transpositions       music21's instrument table where it has the instrument,
                                           else from memory
highest notes                              from memory, held against published texts end by end
                                           in ``tests/evidence/test_ranges_text.py``
attack, to 3 dB below full                 from memory, plus or minus 50 %; order of magnitude as
                                           in Meyer, *Acoustics and the Performance of Music*, ch. 3
decay of winds                             derived: ``T60 = 2.2 Q / f``, Q about 50, stopped by
                                           the player within 0.25 s (measured from outside)
decay of the piano                         its first stage of about 8 dB/s in the middle register
                                           (Weinreich 1977; figures from memory), bass and top from
                                           memory
decay of bells                             half of what was from memory: measured from outside on
                                           sampled ones
decay of a sampler's winds and sections    measured from outside on sampled instruments (shared
                                           reference table)
decay of strings, plucked and struck ones  from memory (shared reference table; the mallets and
                                           unpitched percussion are our own estimates)
breath                                     from memory: longest tone at mf; middle of the range
                                           that the shared reference table gives
clefs, score order, abbreviations          common practice
=========================================  ======================================================
"""

import difflib
from dataclasses import replace
from typing import TypedDict

from retro.errors import RetroError
from retro.model.instruments import (
    Attack,
    Clef,
    Decay,
    Family,
    Instrument,
    Sound,
    Transposition,
)
from retro.units import ms_to_seconds, named_pitch

CONCERT = Transposition()
OCTAVE_UP = Transposition(octaves=1)
TWO_OCTAVES_UP = Transposition(octaves=2)
OCTAVE_DOWN = Transposition(octaves=-1)
IN_A_UP = Transposition(5, 9)
IN_B_FLAT_UP = Transposition(6, 10)
IN_E_FLAT_UP = Transposition(2, 3)
IN_B_FLAT = Transposition(-1, -2)
IN_A = Transposition(-2, -3)
IN_G = Transposition(-3, -5)
IN_F = Transposition(-4, -7)
IN_E_FLAT = Transposition(-5, -9)
IN_B_FLAT_LOW = Transposition(-1, -2, -1)
IN_E_FLAT_LOW = Transposition(-5, -9, -1)
IN_B_FLAT_LOWEST = Transposition(-1, -2, -2)

TREBLE = (Clef.TREBLE,)
BASS = (Clef.BASS,)
TREBLE_BASS = (Clef.TREBLE, Clef.BASS)
NO_CLEF = (Clef.PERCUSSION,)
BASS_TENOR = (Clef.BASS, Clef.TENOR)


class _Range(TypedDict):
    low: int
    high: int
    transposition: Transposition


def _written(low: str, high: str, transposition: Transposition = CONCERT) -> _Range:
    """Sounding range of a written one."""
    return _Range(
        low=named_pitch(low) + transposition.semitones,
        high=named_pitch(high) + transposition.semitones,
        transposition=transposition,
    )


def _attack_ms(loud_high: int, loud_low: int, soft_high: int, soft_low: int) -> Attack:
    return Attack(
        loud_high_s=ms_to_seconds(loud_high),
        loud_low_s=ms_to_seconds(loud_low),
        soft_high_s=ms_to_seconds(soft_high),
        soft_low_s=ms_to_seconds(soft_low),
    )


# Attacks, from memory.
FLUTE_ATTACK = _attack_ms(30, 150, 100, 200)
OBOE_ATTACK = _attack_ms(15, 40, 60, 100)
CLARINET_ATTACK = _attack_ms(15, 40, 50, 100)
BASSOON_ATTACK = _attack_ms(20, 60, 60, 100)
HORN_ATTACK = _attack_ms(30, 100, 80, 150)
TRUMPET_ATTACK = _attack_ms(20, 40, 80, 180)
TROMBONE_ATTACK = _attack_ms(30, 70, 80, 150)
TUBA_ATTACK = _attack_ms(25, 130, 150, 200)
VIOLIN_ATTACK = _attack_ms(30, 60, 100, 300)
CELLO_ATTACK = _attack_ms(40, 100, 150, 300)
DOUBLE_BASS_ATTACK = _attack_ms(80, 150, 200, 400)
PLUCKED_ATTACK = _attack_ms(2, 15, 2, 15)
VOICE_ATTACK = _attack_ms(40, 80, 80, 150)  # our own estimate
ORGAN_ATTACK = _attack_ms(20, 80, 20, 80)  # our own estimate
# Published: percussive attacks take 3 to 20 ms (Lerch, slides to ch. 9).
PERCUSSIVE_ATTACK = _attack_ms(3, 20, 3, 20)

HAND_DAMPED_S = 0.2
KEY_DAMPED_S = 0.25
"""60 dB decay under a hand and under a felt damper (our own estimates)."""


SAMPLED_WIND = Decay.always(0.2)
"""Sampled low winds fall in 0.15 to 0.25 s (measured from outside, shared reference table); the
high ones are taken to do as much (our own estimate)."""

SAMPLED_SECTION = Decay.always(1.2)
"""Sampled string sections ring 0.7 to 2 s after the bow, recorded in halls (measured from outside,
shared reference table): the middle, as ratios go."""

SAMPLED_CHOIR = Decay.always(1.2)
"""As string sections (our own estimate)."""

STOPPED_BY_PLAYERS_S = 0.25
"""A player's lips, reed and tongue stop an air column sooner than it would fall by itself: the
upper end of what was measured from outside (shared reference table)."""


def _stopped(column: Decay) -> Decay:
    """Return the decay of an air column that its player stops."""
    points = tuple((pitch, min(s, STOPPED_BY_PLAYERS_S)) for pitch, s in column.points)
    is_level = len({s for _, s in points}) == 1
    return Decay.always(STOPPED_BY_PLAYERS_S) if is_level else Decay(points)


def _wind(
    family: Family,
    order: int,
    id_: str,
    name: str,
    abbreviation: str,
    *,
    written: _Range,
    attack: Attack,
    breath_s: float,
    programs: tuple[int, ...] = (),
    clefs: tuple[Clef, ...] = TREBLE,
) -> Instrument:
    return Instrument(
        id=id_,
        name=name,
        abbreviation=abbreviation,
        family=family,
        score_order=order,
        programs=programs,
        clefs=clefs,
        attack=attack,
        decay=_stopped(Decay.air_column(written["low"], written["high"])),
        sampler_decay=SAMPLED_WIND,
        breath_s=breath_s,
        **written,
    )


def _struck(
    family: Family,
    order: int,
    id_: str,
    name: str,
    abbreviation: str,
    *,
    written: _Range,
    decay: tuple[tuple[int, float], ...],
    attack: Attack = PERCUSSIVE_ATTACK,
    damper_s: float | None = None,
    programs: tuple[int, ...] = (),
    clefs: tuple[Clef, ...] = TREBLE,
    staves: int = 1,
) -> Instrument:
    return Instrument(
        id=id_,
        name=name,
        abbreviation=abbreviation,
        family=family,
        score_order=order,
        programs=programs,
        clefs=clefs,
        staves=staves,
        sound=Sound.STRUCK,
        attack=attack,
        decay=Decay(decay),
        damper_s=damper_s,
        **written,
    )


_WOODWINDS = (
    _wind(
        Family.WOODWIND, 110, "piccolo", "Piccolo", "Picc.",
        written=_written("D4", "C7", OCTAVE_UP), attack=FLUTE_ATTACK, breath_s=10, programs=(72,),
    ),
    _wind(
        Family.WOODWIND, 120, "flute", "Flute", "Fl.",
        written=_written("C4", "D7"), attack=FLUTE_ATTACK, breath_s=10, programs=(73,),
    ),
    _wind(
        Family.WOODWIND, 130, "alto-flute", "Alto Flute", "A. Fl.",
        written=_written("C4", "C7", IN_G), attack=FLUTE_ATTACK, breath_s=8, programs=(73,),
    ),
    _wind(
        Family.WOODWIND, 135, "bass-flute", "Bass Flute", "B. Fl.",
        written=_written("C4", "F6", OCTAVE_DOWN), attack=FLUTE_ATTACK, breath_s=6, programs=(73,),
    ),
    _wind(
        Family.WOODWIND, 140, "oboe", "Oboe", "Ob.",
        written=_written("Bb3", "A6"), attack=OBOE_ATTACK, breath_s=30, programs=(68,),
    ),
    _wind(
        Family.WOODWIND, 145, "oboe-d-amore", "Oboe d'amore", "Ob. d'am.",
        written=_written("Bb3", "E6", IN_A), attack=OBOE_ATTACK, breath_s=30, programs=(68,),
    ),
    _wind(
        Family.WOODWIND, 150, "english-horn", "English Horn", "E. Hn.",
        written=_written("B3", "G6", IN_F), attack=OBOE_ATTACK, breath_s=25, programs=(69,),
    ),
    _wind(
        Family.WOODWIND, 161, "clarinet-in-b-flat", "Clarinet in B flat", "Cl.",
        written=_written("E3", "C7", IN_B_FLAT), attack=CLARINET_ATTACK, breath_s=15,
        programs=(71,),
    ),
    _wind(
        Family.WOODWIND, 160, "clarinet-in-e-flat", "Clarinet in E flat", "E flat Cl.",
        written=_written("E3", "A6", IN_E_FLAT_UP), attack=CLARINET_ATTACK, breath_s=15,
        programs=(71,),
    ),
    _wind(
        Family.WOODWIND, 162, "clarinet-in-a", "Clarinet in A", "Cl. in A",
        written=_written("E3", "C7", IN_A), attack=CLARINET_ATTACK, breath_s=15, programs=(71,),
    ),
    _wind(
        Family.WOODWIND, 163, "basset-horn", "Basset Horn in F", "Bst. Hn.",
        written=_written("C3", "E6", IN_F), attack=CLARINET_ATTACK, breath_s=12, programs=(71,),
    ),
    _wind(
        Family.WOODWIND, 164, "bass-clarinet", "Bass Clarinet", "B. Cl.",
        written=_written("Eb3", "G6", IN_B_FLAT_LOW), attack=CLARINET_ATTACK, breath_s=12,
        programs=(71,),
    ),
    _wind(
        Family.WOODWIND, 165, "contrabass-clarinet", "Contrabass Clarinet", "Cb. Cl.",
        written=_written("Eb3", "D6", IN_B_FLAT_LOWEST), attack=CLARINET_ATTACK, breath_s=8,
        programs=(71,),
    ),
    _wind(
        Family.WOODWIND, 170, "soprano-saxophone", "Soprano Saxophone", "S. Sax.",
        written=_written("Bb3", "F6", IN_B_FLAT), attack=CLARINET_ATTACK, breath_s=15,
        programs=(64,),
    ),
    _wind(
        Family.WOODWIND, 171, "alto-saxophone", "Alto Saxophone", "A. Sax.",
        written=_written("Bb3", "F6", IN_E_FLAT), attack=CLARINET_ATTACK, breath_s=15,
        programs=(65,),
    ),
    _wind(
        Family.WOODWIND, 172, "tenor-saxophone", "Tenor Saxophone", "T. Sax.",
        written=_written("Bb3", "F6", IN_B_FLAT_LOW), attack=CLARINET_ATTACK, breath_s=12,
        programs=(66,),
    ),
    # The low A is from memory: modern baritones have it.
    _wind(
        Family.WOODWIND, 173, "baritone-saxophone", "Baritone Saxophone", "Bar. Sax.",
        written=_written("A3", "F6", IN_E_FLAT_LOW), attack=CLARINET_ATTACK, breath_s=10,
        programs=(67,),
    ),
    _wind(
        Family.WOODWIND, 180, "bassoon", "Bassoon", "Bsn.",
        written=_written("Bb1", "E5"), attack=BASSOON_ATTACK, breath_s=15, programs=(70,),
        clefs=BASS_TENOR,
    ),
    _wind(
        Family.WOODWIND, 190, "contrabassoon", "Contrabassoon", "Cbsn.",
        written=_written("Bb1", "Bb4", OCTAVE_DOWN), attack=BASSOON_ATTACK, breath_s=8,
        programs=(70,), clefs=BASS,
    ),
)  # fmt: skip

_BRASS = (
    _wind(
        Family.BRASS, 210, "horn-in-f", "Horn in F", "Hn.",
        written=_written("F#2", "C6", IN_F), attack=HORN_ATTACK, breath_s=15, programs=(60,),
        clefs=TREBLE_BASS,
    ),
    _wind(
        Family.BRASS, 215, "wagner-tuba-in-f", "Wagner Tuba in F", "W. Tba.",
        written=_written("F#2", "F5", IN_F), attack=HORN_ATTACK, breath_s=12, programs=(60,),
        clefs=TREBLE_BASS,
    ),
    _wind(
        Family.BRASS, 221, "trumpet-in-b-flat", "Trumpet in B flat", "Tpt.",
        written=_written("F#3", "D6", IN_B_FLAT), attack=TRUMPET_ATTACK, breath_s=15,
        programs=(56, 59),
    ),
    _wind(
        Family.BRASS, 220, "piccolo-trumpet", "Piccolo Trumpet in B flat", "Picc. Tpt.",
        written=_written("F#3", "G5", IN_B_FLAT_UP), attack=TRUMPET_ATTACK, breath_s=15,
        programs=(56,),
    ),
    _wind(
        Family.BRASS, 222, "trumpet-in-c", "Trumpet in C", "C Tpt.",
        written=_written("F#3", "D6"), attack=TRUMPET_ATTACK, breath_s=15, programs=(56, 59),
    ),
    _wind(
        Family.BRASS, 230, "cornet", "Cornet in B flat", "Cnt.",
        written=_written("F#3", "C6", IN_B_FLAT), attack=TRUMPET_ATTACK, breath_s=15,
        programs=(56,),
    ),
    _wind(
        Family.BRASS, 235, "flugelhorn", "Flugelhorn in B flat", "Flug.",
        written=_written("F#3", "Bb5", IN_B_FLAT), attack=TRUMPET_ATTACK, breath_s=12,
        programs=(56,),
    ),
    _wind(
        Family.BRASS, 241, "trombone", "Trombone", "Tbn.",
        written=_written("E2", "D5"), attack=TROMBONE_ATTACK, breath_s=10, programs=(57,),
        clefs=BASS_TENOR,
    ),
    _wind(
        Family.BRASS, 240, "alto-trombone", "Alto Trombone", "A. Tbn.",
        written=_written("A2", "F5"), attack=TROMBONE_ATTACK, breath_s=10, programs=(57,),
        clefs=(Clef.ALTO, Clef.BASS),
    ),
    _wind(
        Family.BRASS, 242, "bass-trombone", "Bass Trombone", "B. Tbn.",
        written=_written("Bb1", "Bb4"), attack=TROMBONE_ATTACK, breath_s=8, programs=(57,),
        clefs=BASS,
    ),
    _wind(
        Family.BRASS, 243, "contrabass-trombone", "Contrabass Trombone", "Cb. Tbn.",
        written=_written("F1", "F4"), attack=TROMBONE_ATTACK, breath_s=6, programs=(57,),
        clefs=BASS,
    ),
    _wind(
        Family.BRASS, 260, "tuba", "Tuba", "Tba.",
        written=_written("D1", "F4"), attack=TUBA_ATTACK, breath_s=6, programs=(58,), clefs=BASS,
    ),
    _wind(
        Family.BRASS, 250, "euphonium", "Euphonium", "Euph.",
        written=_written("Bb1", "Bb4"), attack=TROMBONE_ATTACK, breath_s=10, programs=(58,),
        clefs=BASS_TENOR,
    ),
)  # fmt: skip

_ALL_KEYS = _written("C0", "C9")

_PERCUSSION = (
    _struck(
        Family.PERCUSSION, 310, "timpani", "Timpani", "Timp.",
        written=_written("D2", "C4"), decay=((38, 3.0), (60, 1.5)), damper_s=HAND_DAMPED_S,
        programs=(47,), clefs=BASS,
    ),
    _struck(
        Family.PERCUSSION, 320, "glockenspiel", "Glockenspiel", "Glock.",
        written=_written("G3", "C6", TWO_OCTAVES_UP), decay=((79, 4.0), (108, 2.0)),
        programs=(9,),
    ),
    _struck(
        Family.PERCUSSION, 321, "crotales", "Crotales", "Crot.",
        written=_written("C4", "C6", TWO_OCTAVES_UP), decay=((84, 8.0), (108, 4.0)),
        damper_s=HAND_DAMPED_S,
    ),
    _struck(
        Family.PERCUSSION, 322, "xylophone", "Xylophone", "Xyl.",
        written=_written("F3", "C7", OCTAVE_UP), decay=((65, 0.6), (108, 0.2)), programs=(13,),
    ),
    _struck(
        Family.PERCUSSION, 323, "vibraphone", "Vibraphone", "Vib.",
        written=_written("F3", "F6"), decay=((53, 8.0), (89, 3.0)), damper_s=KEY_DAMPED_S,
        programs=(11,),
    ),
    _struck(
        Family.PERCUSSION, 324, "marimba", "Marimba", "Mar.",
        written=_written("C2", "C7"), decay=((36, 2.5), (96, 0.3)), programs=(12,),
        clefs=TREBLE_BASS,
    ),
    _struck(
        Family.PERCUSSION, 325, "tubular-bells", "Tubular Bells", "T. Bells",
        written=_written("C4", "F5"), decay=((60, 4.0), (77, 2.5)), damper_s=HAND_DAMPED_S,
        programs=(14,),
    ),
    _struck(
        Family.PERCUSSION, 330, "triangle", "Triangle", "Tri.",
        written=_ALL_KEYS, decay=((60, 5.0),), damper_s=HAND_DAMPED_S, clefs=NO_CLEF,
    ),
    _struck(
        Family.PERCUSSION, 340, "snare-drum", "Snare Drum", "S. D.",
        written=_ALL_KEYS, decay=((60, 0.3),), clefs=NO_CLEF,
    ),
    _struck(
        Family.PERCUSSION, 350, "cymbals", "Cymbals", "Cym.",
        written=_ALL_KEYS, decay=((60, 6.0),), damper_s=HAND_DAMPED_S, clefs=NO_CLEF,
    ),
    _struck(
        Family.PERCUSSION, 351, "suspended-cymbal", "Suspended Cymbal", "Sus. Cym.",
        written=_ALL_KEYS, decay=((60, 8.0),), damper_s=HAND_DAMPED_S, clefs=NO_CLEF,
    ),
    _struck(
        Family.PERCUSSION, 360, "tam-tam", "Tam-tam", "Tam-t.",
        written=_ALL_KEYS, decay=((60, 20.0),), damper_s=1.0, clefs=NO_CLEF,
    ),
    _struck(
        Family.PERCUSSION, 370, "bass-drum", "Bass Drum", "B. D.",
        written=_ALL_KEYS, decay=((60, 2.0),), damper_s=HAND_DAMPED_S, clefs=NO_CLEF,
    ),
    _struck(
        Family.PERCUSSION, 380, "percussion", "Percussion", "Perc.",
        written=_ALL_KEYS, decay=((60, 1.0),), clefs=NO_CLEF,
    ),
)  # fmt: skip

_PLUCKED_AND_KEYS = (
    _struck(
        Family.PLUCKED, 410, "harp", "Harp", "Hp.",
        written=_written("C1", "G#7"), attack=PLUCKED_ATTACK,
        decay=((24, 12.0), (43, 9.0), (67, 4.0), (104, 0.8)), damper_s=HAND_DAMPED_S,
        programs=(46,), clefs=TREBLE_BASS, staves=2,
    ),
    _struck(
        Family.PLUCKED, 420, "guitar", "Guitar", "Gtr.",
        written=_written("E3", "B6", OCTAVE_DOWN), attack=PLUCKED_ATTACK,
        decay=((40, 6.0), (83, 1.5)), damper_s=HAND_DAMPED_S, programs=(24, 25),
    ),
    _struck(
        Family.PLUCKED, 430, "mandolin", "Mandolin", "Mand.",
        written=_written("G3", "A6"), attack=PLUCKED_ATTACK, decay=((55, 1.5), (93, 0.5)),
        damper_s=HAND_DAMPED_S,
    ),
    _struck(
        Family.KEYBOARD, 510, "celesta", "Celesta", "Cel.",
        written=_written("C3", "C7", OCTAVE_UP), decay=((60, 3.0), (108, 1.0)),
        damper_s=KEY_DAMPED_S, programs=(8,), clefs=TREBLE_BASS, staves=2,
    ),
    _struck(
        Family.KEYBOARD, 520, "piano", "Piano", "Pno.",
        written=_written("A0", "C8"), attack=PLUCKED_ATTACK,
        decay=((21, 15.0), (60, 7.5), (84, 3.5), (108, 0.7)), damper_s=KEY_DAMPED_S,
        programs=(0, 1, 2, 3), clefs=TREBLE_BASS, staves=2,
    ),
    _struck(
        Family.KEYBOARD, 530, "harpsichord", "Harpsichord", "Hpd.",
        written=_written("F1", "F6"), attack=PLUCKED_ATTACK, decay=((29, 6.0), (89, 1.0)),
        damper_s=HAND_DAMPED_S, programs=(6,), clefs=TREBLE_BASS, staves=2,
    ),
    Instrument(
        id="organ", name="Organ", abbreviation="Org.", family=Family.KEYBOARD, score_order=540,
        programs=(19, 16, 17, 18, 20), clefs=TREBLE_BASS, staves=2, attack=ORGAN_ATTACK,
        decay=Decay.air_column(24, 108), **_written("C1", "C8"),
    ),
)  # fmt: skip


def _voice(
    order: int, name: str, abbreviation: str, *, written: _Range, clef: Clef = Clef.TREBLE
) -> Instrument:
    return Instrument(
        id=name.lower(),
        name=name,
        abbreviation=abbreviation,
        family=Family.VOICE,
        score_order=order,
        programs=(53, 52),
        clefs=(clef,),
        attack=VOICE_ATTACK,
        decay=Decay.always(0.1),
        breath_s=12,
        **written,
    )


_VOICES = (
    Instrument(
        id="choir", name="Choir", abbreviation="Ch.", family=Family.VOICE, score_order=650,
        programs=(52, 53, 54), clefs=TREBLE_BASS, staves=2, attack=VOICE_ATTACK,
        decay=Decay.always(0.1), sampler_decay=SAMPLED_CHOIR, section=True,
        **_written("E2", "C6"),
    ),
    _voice(610, "Soprano", "S.", written=_written("B3", "C6")),
    _voice(620, "Alto", "A.", written=_written("F3", "F5")),
    _voice(630, "Tenor", "T.", written=_written("B3", "C6", OCTAVE_DOWN)),
    _voice(640, "Bass", "B.", written=_written("E2", "E4"), clef=Clef.BASS),
)  # fmt: skip


def _strings(
    order: int,
    solo: str,
    section_id: str,
    abbreviation: str,
    *,
    written: _Range,
    attack: Attack,
    bowed_s: tuple[float, float],
    plucked_s: tuple[float, float],
    programs: tuple[int, ...],
    clefs: tuple[Clef, ...],
) -> tuple[Instrument, ...]:
    """Give a section, one player of it, and both of them plucked.

    `bowed_s` and `plucked_s` are decays at the low and at the high end of the range. A bow that
    stops stays on the string and damps it, so it rings for about a third of the plucked time (our
    own estimate).
    """
    low, high = written["low"], written["high"]
    section = Instrument(
        id=section_id,
        name=solo,
        abbreviation=abbreviation,
        family=Family.STRINGS,
        score_order=order,
        programs=programs,
        clefs=clefs,
        attack=attack,
        decay=Decay(((low, bowed_s[0]), (high, bowed_s[1]))),
        sampler_decay=SAMPLED_SECTION,
        section=True,
        **written,
    )
    alone = replace(
        section,
        id="solo-" + solo.lower().replace(" ", "-"),
        name=f"Solo {solo}",
        abbreviation=f"Solo {abbreviation}",
        score_order=order - 1,
        section=False,
    )
    pizzicato = Decay(((low, plucked_s[0]), (high, plucked_s[1])))
    return (section, alone, _plucked(section, pizzicato), _plucked(alone, pizzicato))


def _plucked(bowed: Instrument, decay: Decay) -> Instrument:
    """Give the same players plucking their strings."""
    return replace(
        bowed,
        id=f"{bowed.id}-pizzicato",
        score_order=bowed.score_order + 2,
        programs=(45,),
        sound=Sound.STRUCK,
        attack=PLUCKED_ATTACK,
        decay=decay,
        sampler_decay=None,
        damper_s=HAND_DAMPED_S,
    )


_ALL_STRINGS = Instrument(
    id="strings", name="Strings", abbreviation="Str.", family=Family.STRINGS, score_order=705,
    programs=(48, 49, 50, 51, 44), clefs=TREBLE_BASS, staves=2, attack=CELLO_ATTACK,
    decay=Decay(((28, 1.0), (100, 0.1))), sampler_decay=SAMPLED_SECTION, section=True,
    **_written("E1", "E7"),
)  # fmt: skip

_STRINGS = (
    _ALL_STRINGS,
    _plucked(_ALL_STRINGS, Decay(((28, 3.5), (100, 0.3)))),
    *_strings(
        720, "Violin", "violins", "Vln.",
        written=_written("G3", "E7"), attack=VIOLIN_ATTACK, bowed_s=(0.3, 0.1),
        plucked_s=(1.0, 0.3), programs=(40,), clefs=TREBLE,
    ),
    *_strings(
        740, "Viola", "violas", "Vla.",
        written=_written("C3", "E6"), attack=VIOLIN_ATTACK, bowed_s=(0.4, 0.15),
        plucked_s=(1.2, 0.4), programs=(41,), clefs=(Clef.ALTO, Clef.TREBLE),
    ),
    *_strings(
        750, "Cello", "cellos", "Vc.",
        written=_written("C2", "C6"), attack=CELLO_ATTACK, bowed_s=(0.5, 0.3),
        plucked_s=(1.5, 1.0), programs=(42,), clefs=(Clef.BASS, Clef.TENOR, Clef.TREBLE),
    ),
    *_strings(
        760, "Double Bass", "double-basses", "Db.",
        written=_written("E2", "C5", OCTAVE_DOWN), attack=DOUBLE_BASS_ATTACK, bowed_s=(1.0, 0.5),
        plucked_s=(3.5, 1.5), programs=(43,), clefs=BASS,
    ),
)  # fmt: skip

NEUTRAL = Instrument(
    id="neutral",
    name="Player",
    abbreviation="Pl.",
    family=Family.NEUTRAL,
    score_order=900,
    programs=(),
    low=0,
    high=127,
    clefs=TREBLE_BASS,
    attack=Attack.always(0.03),
    decay=Decay.always(0.3),
)
"""Who plays a track of which nobody knows what it is: sustains, speaks at once, plays anything."""

_IN_TABLE_ORDER = (
    *_WOODWINDS, *_BRASS, *_PERCUSSION, *_PLUCKED_AND_KEYS, *_VOICES, *_STRINGS, NEUTRAL,
)  # fmt: skip

INSTRUMENTS: tuple[Instrument, ...] = tuple(
    sorted(_IN_TABLE_ORDER, key=lambda instrument: instrument.score_order)
)
"""All known instruments, in score order."""

_BY_ID = {instrument.id: instrument for instrument in INSTRUMENTS}

_BY_PROGRAM = {
    program: instrument
    for instrument in reversed(_IN_TABLE_ORDER)
    for program in instrument.programs
}


def by_id(id_: str) -> Instrument:
    """Give the instrument of an id such as ``horn-in-f``.

    Raises
    ------
    RetroError
        If there is none; names the nearest ones.
    """
    if id_ in _BY_ID:
        return _BY_ID[id_]
    near = difflib.get_close_matches(id_.strip().lower().replace(" ", "-"), _BY_ID, n=3, cutoff=0.5)
    advice = f"did you mean {' or '.join(near)}?" if near else "see 'retro instruments'"
    raise RetroError(f"no instrument is called {id_!r}", advice=advice)


def for_program(program: int) -> Instrument | None:
    """Give the instrument that a General MIDI program (0 to 127) means, or None."""
    return _BY_PROGRAM.get(program)
