"""The click as a MIDI file, with the insert's tempo map, for the engineer's session."""

from dataclasses import replace
from fractions import Fraction

from retro.model.performance import Performance
from retro.model.phrase import PERCUSSION_CHANNEL, Note, Part
from retro.render.click import clicks
from retro.render.midi_file import smf_bytes, ticks_for
from retro.render.played import with_count_in

ACCENT_PITCH = 76
BEAT_PITCH = 77
"""High and low wood block of General MIDI percussion (from memory)."""

CLICK_BEATS = Fraction(1, 16)


def click_midi(performance: Performance, *, source_ticks_per_quarter: int) -> bytes:
    """Return click and tempo map as a file that begins with the count-in, as `played.mid` does."""
    bars_alone = replace(performance.insert, parts=())
    whole = with_count_in(bars_alone, performance.settings.count_in_bars)
    lead = whole.length_beats - performance.insert.length_beats
    notes = tuple(
        Note(
            on_beats=click.beat + lead,
            off_beats=click.beat + lead + CLICK_BEATS,
            pitch=ACCENT_PITCH if click.is_accent else BEAT_PITCH,
            velocity=112 if click.is_accent else 84,
        )
        for click in clicks(performance)
    )
    part = Part(name="Click", channel=PERCUSSION_CHANNEL, program=None, notes=notes)
    return smf_bytes(
        replace(whole, parts=(part,)), ticks_per_quarter=ticks_for(source_ticks_per_quarter)
    )
