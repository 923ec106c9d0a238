"""What a bank is asked to play for some parts."""

import io
from dataclasses import replace
from fractions import Fraction

import mido

from retro.model.time import Steps
from retro.sounds.bank import BANK_RATE, BLOCK_FRAMES
from retro.sounds.line import Line, Stroke, lines_midi
from retro.units import seconds_to_samples
from tests.conftest import make_note, make_part, make_phrase, make_player


def test_a_line_whose_pitches_overlap_gets_channels_that_the_others_leave():
    part = make_part(make_note(0, 4))
    one = Stroke(on_s=0.5, off_s=1.5, pitch=60, velocity=80)
    over = Stroke(on_s=1.0, off_s=2.0, pitch=60, velocity=80)
    lines = [
        Line(part=part, player=make_player(), strokes=strokes)
        for strokes in ([one], [one, over, over], *[[one]] * 6)
    ]
    midi = lines_midi(lines, make_phrase(part).tempo, first_block=0, end_s=3.0)
    messages = mido.MidiFile(file=io.BytesIO(midi)).tracks[0]
    struck = [message.channel for message in messages if message.type == "note_on"]
    assert len(struck) == len(set(struck)) == 10
    assert set(struck) == {
        message.channel for message in messages if message.type == "program_change"
    }


def test_a_file_begins_with_what_holds_there_and_says_nothing_of_what_lies_beyond_it():
    steps = Steps(Fraction(8), tuple(map(Fraction, range(8))), (10, 20, 30, 40, 50, 60, 70, 80))
    part = replace(make_part(make_note(0, 8)), controllers=((7, steps),), bend=steps)
    stroke = Stroke(on_s=1.25, off_s=1.75, pitch=60, velocity=80)
    line = Line(part=part, player=make_player(), strokes=[stroke])
    tempo = make_phrase(part).tempo
    begin, end_s = seconds_to_samples(1.2, BANK_RATE) // BLOCK_FRAMES, 2.2
    midi = lines_midi([line], tempo, first_block=begin, end_s=end_s)
    file = mido.MidiFile(file=io.BytesIO(midi))
    volumes = [m.value for m in file.tracks[0] if m.is_cc(7)]
    bends = [m.pitch for m in file.tracks[0] if m.type == "pitchwheel"]
    assert volumes == bends == [30, 40, 50]  # at 120 a minute one changes every half second
    ticks = sum(message.time for message in file.tracks[0])
    assert ticks == seconds_to_samples(end_s, BANK_RATE) - begin * BLOCK_FRAMES
