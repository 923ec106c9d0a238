from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.phrase import Key
from retro.model.time import Meter
from retro.notation.score import Articulation, Direction, Level, Mark, Spelled, Voice
from retro.notation.shared import shared_releases, shared_staves
from tests.notation.written import bars_of, chord_of, part_of

BARS = bars_of(*[Meter.plain(4, 4)] * 2)
LOW, HIGH = Spelled("E", 0, 4), Spelled("G", 0, 4)


def line(*spans, pitch=67, name=HIGH, first=0):
    strokes = tuple(
        replace(chord_of(*span, name, note=first + k), pitches=(pitch,))
        for k, span in enumerate(spans)
    )
    return Voice(chords=strokes)


def player(number, voice, **more):
    return replace(part_of(voice, **more), name=f"Flute {number}", abbreviation=f"Fl. {number}")


def test_two_players_who_move_together_share_stave_and_stems():
    one = player(1, line((0, 4), (4, 8)))
    two = player(2, line((0, 4), (4, 8), pitch=64, name=LOW, first=7))
    (shared,) = shared_staves([one, two], BARS)
    assert (shared.name, shared.abbreviation) == ("Flute 1.2", "Fl. 1.2")
    (voice,) = shared.staves[0].voices
    assert [(s.pitches, s.notes, s.spelled) for s in voice.chords] == [
        ((64, 67), (7, 0), (LOW, HIGH)),
        ((64, 67), (8, 1), (LOW, HIGH)),
    ]


def test_players_who_meet_on_a_pitch_or_part_for_a_while_keep_their_own_stems():
    one = player(1, line((0, 2), (2, 4), (4, 8)))
    unison = line((0, 2), (2, 4), (4, 8))
    parting = line((0, 2), (2, 4), (4, 6), (6, 8), pitch=64, name=LOW)
    for second in (unison, parting):
        two = player(2, second)
        (shared,) = shared_staves([one, two], BARS)
        assert shared.staves[0].voices == (one.staves[0].voices[0], second)


@pytest.mark.parametrize(
    "second",
    [
        player(3, line((0, 4), (4, 8))),
        player(2, line((0, 4))),
        player(2, line((0, 1), (1, 5), (5, 8))),
        player(2, line((0, 4), (4, 8)), levels=(Level(at_beats=Fraction(0), text="pp"),)),
        player(2, line((0, 4), (4, 8)), keys=((Fraction(0), Key(2)),)),
        player(2, line((0, 4), (4, 8)), id_="oboe"),
    ],
)
def test_players_who_do_not_move_together_have_their_own_staves(second):
    one = player(1, line((0, 4), (4, 8)))
    assert shared_staves([one, second], BARS) == (one, second)


def test_the_second_and_third_of_a_section_do_not_share():
    two, three = (player(n, line((0, 4), (4, 8))) for n in (2, 3))
    assert shared_staves([two, three], BARS) == (two, three)


def test_a_comma_of_one_of_two_players_says_whose_it_is():
    def breathing(number, at):
        comma = Mark(at_beats=Fraction(at), kind=Articulation.BREATH)
        return player(number, replace(line((0, 2), (2, 4)), marks=(comma,)))

    for ats, said in (((0, 2), [(1, "1."), (3, "2.")]), ((2, 2), [])):
        (shared,) = shared_staves([breathing(1, ats[0]), breathing(2, ats[1])], BARS)
        assert [(words.at_beats, words.text) for words in shared.directions] == said


def test_what_both_are_told_is_said_once():
    off = Direction(at_beats=Fraction(4), text="off 1")
    one = player(1, line((0, 4)), directions=(off,))
    two = player(2, line((0, 4), pitch=64), directions=(off,))
    (shared,) = shared_staves([one, two], BARS)
    assert shared.directions == (off,)


def off(at, text="off 3"):
    return Direction(at_beats=Fraction(at), text=text, is_release=True)


def said(parts):
    return [[(words.at_beats, words.text) for words in part.directions] for part in parts]


def test_a_release_that_a_whole_family_shares_stands_once_above_it():
    ending, playing, silent = line((0, 2), (4, 6)), line((0, 4), (4, 6)), line((4, 6))
    flute = player(1, ending, directions=(off(2), off(6)))
    oboe = part_of(ending, id_="oboe", directions=(off(2), off(6)))
    horn = part_of(ending, id_="horn-in-f", directions=(off(2),))
    once = shared_releases([flute, oboe, horn])
    assert said(once) == [[(2, "off 3"), (6, "off 3")], [], [(2, "off 3")]]
    # Where one of the family plays on, or lets go in other words, each has its own.
    holding = part_of(playing, id_="bassoon", directions=(off(6, "off after 2"),))
    assert said(shared_releases([flute, oboe, holding])) == [
        [(2, "off 3"), (6, "off 3")],
        [(2, "off 3"), (6, "off 3")],
        [(6, "off after 2")],
    ]
    late = part_of(silent, id_="bassoon", directions=(off(6),))
    assert said(shared_releases([flute, oboe, late])) == [[(2, "off 3"), (6, "off 3")], [], []]
