"""What a bank is asked to play for some parts."""

import io

import mido

from retro.sounds.line import Line, Stroke, lines_midi
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
