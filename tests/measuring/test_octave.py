"""Whether a take sounds an octave off the plan, told in plain tones that are made here."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from retro.measuring.identify import ExpectedAttack
from retro.measuring.octave import MIN_NOTES, octaves_off
from tests.measuring.made_sound import Sound

RATE = 12_000
NOTE_S = 0.5
LINE = (60, 64, 67, 62, 65, 69, 71, 59)


def attacks(*lines: Sequence[int]) -> list[ExpectedAttack]:
    """Return lines of equal notes that are played together."""
    return [
        ExpectedAttack(at_s=index * NOTE_S, pitch=pitch, weight=1.0, length_s=NOTE_S)
        for line in lines
        for index, pitch in enumerate(line)
    ]


def played(notes: Sequence[ExpectedAttack], partials: Sequence[int] = range(1, 9)) -> Sound:
    """Return tones whose partials fall by 6 dB an octave, and a little noise."""
    times_s = np.arange(round((len(LINE) + 1) * NOTE_S * RATE)) / RATE
    sound = 1e-3 * np.random.default_rng(1).standard_normal(len(times_s))
    for note in notes:
        is_on = (times_s >= note.at_s) & (times_s < note.at_s + note.length_s)
        hz = 440.0 * 2.0 ** ((note.pitch - 69) / 12.0)
        for partial in partials:
            if partial * hz < RATE / 2.0:
                sound[is_on] += np.sin(2.0 * np.pi * partial * hz * times_s[is_on]) / partial
    return Sound(sound, RATE)


def moved(notes: Sequence[ExpectedAttack], octaves: int) -> list[ExpectedAttack]:
    return [replace(note, pitch=note.pitch + 12 * octaves) for note in notes]


DOUBLED = attacks(LINE, [pitch - 12 for pitch in LINE])
CHORDS = attacks(LINE, [pitch + 4 for pitch in LINE], [pitch - 5 for pitch in LINE])


@pytest.mark.parametrize("notes", [attacks(LINE), DOUBLED, CHORDS])
@pytest.mark.parametrize("octaves", [-1, 0, 1])
def test_the_octave_of_a_plan_is_told(notes: list[ExpectedAttack], octaves: int) -> None:
    assert octaves_off(played(notes), moved(notes, octaves), late_s=0.0) == -octaves


@pytest.mark.parametrize("partials", [(1,), (1, 3, 5, 7), (2, 3, 4, 5, 6), (1, 2, 4, 8)])
def test_what_a_tone_lacks_does_not_move_it(partials: tuple[int, ...]) -> None:
    """A flute, a clarinet, a bass without its fundamental, and a tone with few odd partials."""
    assert octaves_off(played(attacks(LINE), partials), attacks(LINE), late_s=0.0) == 0


def test_where_nobody_can_tell_nothing_is_said() -> None:
    notes = attacks(LINE)
    assert octaves_off(Sound(np.zeros(5 * RATE), RATE), moved(notes, 1), late_s=0.0) == 0
    noise = Sound(np.random.default_rng(2).standard_normal(5 * RATE), RATE)
    assert octaves_off(noise, notes, late_s=0.0) == 0
    few = moved(notes[: MIN_NOTES - 1], 1)
    assert octaves_off(played(notes), few, late_s=0.0) == 0
    bells = [replace(note, is_harmonic=False) for note in moved(notes, 1)]
    assert octaves_off(played(notes), bells, late_s=0.0) == 0


def test_others_who_are_heard_an_octave_below_do_not_make_a_spot_microphone_wrong() -> None:
    own, below = attacks(LINE), moved(attacks(LINE), -1)
    heard = played([*own, *below])
    assert octaves_off(heard, own, late_s=0.0) == -1
    assert octaves_off(heard, own, late_s=0.0, others=below) == 0
