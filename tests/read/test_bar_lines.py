"""Meters a few ticks off a bar line, and bars that nobody can count or write."""

import io
from fractions import Fraction

import mido
import pytest

from retro.errors import LimitError
from retro.model.settings import Settings
from retro.musicxml.measures import _refuse_unwritable
from retro.notation.beams import Piece
from retro.plan.compose import plan_song
from retro.read.bar_lines import MAX_METER_UNITS
from retro.read.midi import read_song_bytes
from retro.read.song import Song

TICKS = 960


def song(tick: int, numerator: int = 3) -> Song:
    """Return twelve quarter notes in 4/4, with another meter over 4 from a tick on."""
    meters, notes = mido.MidiTrack(), mido.MidiTrack()
    meters.append(mido.MetaMessage("time_signature", numerator=numerator, time=tick))
    for _ in range(12):
        notes.append(mido.Message("note_on", note=62, velocity=64))
        notes.append(mido.Message("note_off", note=62, time=TICKS))
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS, tracks=[meters, notes])
    data = io.BytesIO()
    file.save(file=data)
    return read_song_bytes(data.getvalue(), "song.mid")


@pytest.mark.parametrize("tick", [3839, 3841, 3810, 3870])
def test_a_meter_near_a_bar_line_is_on_it_and_a_finding_says_so(tick: int) -> None:
    read = song(tick)
    assert [bar.start_beats for bar in read.phrase.bars] == [0, 4, 7, 10]
    assert any(f"3/4 at tick {tick} " in notice.what for notice in read.notices)


def test_a_meter_on_its_bar_line_is_not_spoken_of() -> None:
    assert not song(3840).notices


@pytest.mark.parametrize("tick", [3809, 3871])
def test_a_meter_further_off_begins_a_bar_where_it_stands(tick: int) -> None:
    assert Fraction(tick, TICKS) in [bar.start_beats for bar in song(tick).phrase.bars]


def test_a_meter_near_the_start_replaces_that_of_the_start() -> None:
    assert str(song(1).phrase.bars[0].meter) == "3/4"


def test_a_bar_of_too_many_units_is_refused_by_its_number() -> None:
    assert song(3840, MAX_METER_UNITS).phrase.bars
    with pytest.raises(LimitError, match=f"bar 2 is in 65/4; a bar has at most {MAX_METER_UNITS}"):
        song(3840, MAX_METER_UNITS + 1)


def test_a_bar_that_no_note_value_fills_is_refused_by_its_number() -> None:
    end = Fraction(1, 512)
    with pytest.raises(LimitError, match="bar 2 of the insert cannot be written"):
        _refuse_unwritable([Piece(start=Fraction(0), end=end, value_beats=end)], 2)


def test_a_meter_near_a_bar_line_can_be_planned() -> None:
    assert plan_song(song(3839), Settings(bars="1-3")).window.end_beats == 10
