"""`played.mid`: the performance on one timeline with the click, read back by us and by others."""

import io
import warnings
from dataclasses import replace
from fractions import Fraction

import pretty_midi
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from retro.model.performance import Performance
from retro.model.phrase import SUSTAIN_PEDAL, Key, Marker, Note, Part, Phrase
from retro.model.settings import BeatGroups, Compensate, Settings
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.read.bar_lines import NEAR_LINE_BEATS
from retro.read.midi import read_song_bytes
from retro.read.window import bars_window
from retro.render.midi_file import smf_bytes
from retro.render.played import performance_midi, with_count_in
from retro.reversal.compensate import perform
from retro.reversal.mirror import mirror
from tests.conftest import make_note, make_part, make_phrase, make_player

TICKS = 480
METERS = [
    Meter.plain(*sizes) for sizes in ((4, 4), (3, 4), (6, 8), (7, 8), (2, 4), (1, 4), (5, 16))
]
MIRRORED_GROUPS = (BeatGroups("7/8", (3, 2, 2)), BeatGroups("5/16", (3, 2)))


def steps(draw: st.DrawFn, length: Fraction, values: st.SearchStrategy) -> Steps:
    places = st.integers(0, int(length * TICKS) - 1).map(lambda tick: Fraction(tick, TICKS))
    changes = draw(st.lists(st.tuples(places, values), max_size=4))
    return Steps.from_changes(changes, length=length, before=draw(values))


@st.composite
def songs(draw: st.DrawFn) -> Phrase:
    """Return a song as a file states it: whatever it holds was read from bytes."""
    meters = draw(st.lists(st.sampled_from(METERS), min_size=2, max_size=4))
    bars: list[Bar] = []
    for meter in meters:
        start = bars[-1].end_beats if bars else Fraction(0)
        bars.append(Bar(start, meter.length_beats, meter))
    length = bars[-1].end_beats
    ticks = int(length * TICKS)

    def note(on: int, size: int, pitch: int, velocity: int) -> Note:
        off = Fraction(min(on + size, ticks), TICKS)
        return Note(on_beats=Fraction(on, TICKS), off_beats=off, pitch=pitch, velocity=velocity)

    notes = st.builds(
        note,
        st.integers(0, ticks - 1),
        st.integers(1, 2000),
        st.integers(60, 62),
        st.integers(1, 127),
    )
    tracks = [
        Part(
            name=draw(st.sampled_from(["", "Oboe", "Flûte", "音"])),
            channel=channel,
            program=draw(st.sampled_from([None, 0, 68])),
            notes=tuple(draw(st.lists(notes, min_size=1, max_size=6))),
            controllers=tuple(
                (number, steps(draw, length, st.integers(0, 127)))
                for number in draw(st.sets(st.sampled_from([1, 2, 7, 11, 64])))
            ),
            bend=draw(st.none() | st.just(steps(draw, length, st.integers(-8192, 8191)))),
            bend_range_semitones=draw(st.sampled_from([Fraction(2), Fraction(25, 2)])),
        )
        for channel in range(draw(st.integers(1, 3)))
    ]
    places = st.integers(0, ticks).map(lambda tick: Fraction(tick, TICKS))
    markers = draw(st.lists(st.builds(Marker, places, st.sampled_from("abc")), max_size=3))
    phrase = Phrase(
        parts=tuple(tracks),
        title="Song",
        tempo=TempoMap(steps(draw, length, st.integers(50_000, 2_000_000))),
        bars=tuple(bars),
        keys=steps(draw, length, st.builds(Key, st.integers(-7, 7), st.booleans())),
        markers=(*markers, Marker(length, "end")),
    )
    data = smf_bytes(phrase, ticks_per_quarter=TICKS)
    return read_song_bytes(data, "song.mid").phrase


def played(target: Phrase, compensate: Compensate, **figures: float) -> Performance:
    players = tuple(make_player(**figures) for _ in target.parts)
    return perform(target, players, Settings(compensate=compensate))


def as_a_file_says(phrase: Phrase) -> Phrase:
    """Leave out bars, and what `played.mid` does not state: silent parts, pedals, cut notes."""
    return replace(
        phrase,
        bars=(),
        parts=tuple(
            replace(
                part,
                controllers=tuple(c for c in part.controllers if c[0] != SUSTAIN_PEDAL),
                notes=tuple(
                    sorted(replace(n, cut_before=False, cut_after=False) for n in part.notes)
                ),
            )
            for part in phrase.parts
            if part.notes
        ),
    )


@given(songs(), st.data())
def test_without_compensation_the_mirror_of_played_mid_is_the_target(
    song: Phrase, data: st.DataObject
) -> None:
    ticks = int(song.length_beats * TICKS)
    edges = [*(bar.start_beats for bar in song.bars), song.length_beats]
    anywhere = (
        st.integers(0, ticks)
        .map(lambda tick: Fraction(tick, TICKS))
        .filter(lambda at: all(abs(at - edge) > NEAR_LINE_BEATS for edge in edges))
    )
    places = st.lists(st.sampled_from(edges) | anywhere, min_size=2, max_size=2, unique=True)
    start, end = sorted(data.draw(places))
    assume(end - start > NEAR_LINE_BEATS)  # a shorter bar is read as its neighbour's
    target = song.cut(start, end)
    performance = played(target, Compensate.NONE)
    if not performance.notes:
        return
    (midi,) = performance_midi(performance, source_ticks_per_quarter=TICKS)
    assert (midi,) == performance_midi(performance, source_ticks_per_quarter=TICKS)
    back = read_song_bytes(midi, "played.mid", meter_groups=MIRRORED_GROUPS).phrase
    insert = bars_window(back, f"{1 + performance.settings.count_in_bars}-{len(back.bars)}")
    insert_again = back.cut(insert.start_beats, insert.end_beats)
    ours = ("Insert A", "Insert A ends")
    insert_again = replace(
        insert_again, markers=tuple(m for m in insert_again.markers if m.text not in ours)
    )
    again = mirror(insert_again)
    assert as_a_file_says(again) == as_a_file_says(target)
    for bar, wanted in zip(again.bars, target.bars, strict=True):
        assert (bar.start_beats, bar.length_beats) == (wanted.start_beats, wanted.length_beats)
        # A bar that a window cuts gets a meter of its own in a file.
        assert bar.meter == wanted.meter or wanted.length_beats < wanted.meter.length_beats


def test_the_count_in_goes_before_and_the_insert_is_marked() -> None:
    target = make_phrase(make_part(make_note(2, 6)), us_per_quarter=600_000)
    (midi,) = performance_midi(played(target, Compensate.BOTH), source_ticks_per_quarter=TICKS)
    song = read_song_bytes(midi, "played.mid").phrase
    assert [(marker.at_beats, marker.text) for marker in song.markers] == [
        (8, "Insert A"),
        (16, "Insert A ends"),
    ]
    assert len(song.bars) == 4
    assert song.tempo.us_per_quarter.values == (600_000,)


def test_a_start_before_the_insert_falls_into_the_count_in() -> None:
    target = make_phrase(make_part(make_note(2, 8)))
    performance = played(target, Compensate.BOTH, attack_s=0.1)
    (note,) = performance.notes
    assert note.played_on_s == pytest.approx(-0.3096 * 0.1, rel=0.5)
    (midi,) = performance_midi(performance, source_ticks_per_quarter=TICKS)
    (part,) = read_song_bytes(midi, "played.mid").phrase.parts
    assert float(part.notes[0].on_beats) == pytest.approx(8 + 2 * note.played_on_s, abs=1 / 960)


def test_without_a_count_in_an_early_start_is_moved_to_the_files_start() -> None:
    target = make_phrase(make_part(make_note(2, 8)))
    performance = played(target, Compensate.BOTH, attack_s=0.1)
    performance = replace(performance, settings=replace(performance.settings, count_in_bars=0))
    (midi,) = performance_midi(performance, source_ticks_per_quarter=TICKS)
    (part,) = read_song_bytes(midi, "played.mid").phrase.parts
    assert part.notes[0].on_beats == 0


def test_the_pedal_is_left_out_since_the_notes_last_as_long_as_they_sound() -> None:
    pedal = Steps(Fraction(8), (Fraction(0), Fraction(4)), (0, 127))
    part = replace(make_part(make_note(2, 6)), controllers=((11, pedal), (64, pedal)))
    performance = played(make_phrase(part), Compensate.NONE)
    (midi,) = performance_midi(performance, source_ticks_per_quarter=TICKS)
    (back,) = read_song_bytes(midi, "played.mid").phrase.parts
    assert [number for number, _ in back.controllers] == [11]


def test_a_count_in_of_no_bars_changes_nothing() -> None:
    phrase = make_phrase(make_part(make_note(2, 6)))
    assert with_count_in(phrase, 0) == phrase


@pytest.mark.parametrize("compensate", list(Compensate))
def test_an_independent_reader_finds_the_stated_times_through_tempo_changes(
    compensate: Compensate,
) -> None:
    """Source: pretty_midi."""
    notes = [make_note(i, i + 2, pitch=60 + i) for i in range(6)]
    tempo = TempoMap(
        Steps(Fraction(8), tuple(map(Fraction, (0, 2, 3, 5))), (500_000, 731_234, 900_001, 400_003))
    )
    target = replace(make_phrase(make_part(*notes)), tempo=tempo)
    performance = played(target, compensate)
    (midi,) = performance_midi(performance, source_ticks_per_quarter=TICKS)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        theirs = pretty_midi.PrettyMIDI(io.BytesIO(midi))
    found = {note.pitch: note for note in theirs.instruments[0].notes}
    count_in_s = 8 * 400_003 / 1e6
    tick_s = 900_001 / 1e6 / 960
    assert len(found) == len(notes)
    for note in performance.notes:
        their = found[note.target.pitch]
        assert their.start - count_in_s == pytest.approx(note.played_on_s, abs=tick_s)
        assert their.end - count_in_s == pytest.approx(note.played_off_s, abs=tick_s)


def test_parts_without_notes_are_left_out() -> None:
    silent = Part(name="Silent", channel=1, program=None, notes=())
    target = make_phrase(make_part(make_note(2, 6)), silent)
    (midi,) = performance_midi(played(target, Compensate.NONE), source_ticks_per_quarter=TICKS)
    assert b"Silent" not in midi
