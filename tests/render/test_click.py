from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from retro.model.settings import Settings
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.render.click import CLICK_S, click_track, clicks, last_release_s
from retro.units import seconds_to_samples
from tests.conftest import make_note, make_part, make_phrase
from tests.render.performances import played


def starts(sound: np.ndarray, rate: int) -> list[int]:
    """First frame of every burst: silence on more than half a click's length before it."""
    sounding = np.flatnonzero(sound[:, 0])
    gap = seconds_to_samples(CLICK_S / 2, rate)
    return [
        int(f)
        for f, before in zip(sounding, [-gap, *sounding[:-1]], strict=True)
        if f - before >= gap
    ]


def test_the_count_in_comes_first_and_the_click_is_silent_from_the_last_release_on() -> None:
    # The target's only note ends at beat 16 and begins at beat 6 of 16: the insert's last release
    # is due at beat 10, less what the room takes to fall.
    performance = played(make_phrase(make_part(make_note(6, 16)), bars=4))
    track = click_track(performance)
    release_s = last_release_s(performance)
    end = track.insert_start_sample + seconds_to_samples(release_s, track.rate)
    assert track.insert_start_sample == 2 * 2 * track.rate
    assert np.any(track.sound[:end])
    assert not np.any(track.sound[end:])
    assert track.clicks[0].beat == -8
    last_s = performance.insert.tempo.seconds_at(track.clicks[-1].beat)
    assert last_s + Fraction(CLICK_S) <= release_s < last_s + Fraction(1, 2) + Fraction(CLICK_S)


def test_the_later_of_written_and_played_release_counts() -> None:
    performance = played(make_phrase(make_part(make_note(6, 16)), bars=4))
    note = performance.notes[0]
    later = replace(note, written_off_beats=Fraction(12), played_off_s=4.9)
    assert last_release_s(replace(performance, notes=(later,))) == 6
    later = replace(note, written_off_beats=Fraction(6), played_off_s=4.9)
    assert last_release_s(replace(performance, notes=(later,))) == Fraction(4.9)


def test_every_click_starts_on_the_frame_of_its_beat_through_tempo_changes() -> None:
    phrase = make_phrase(make_part(make_note(0, 8)))
    tempo = TempoMap(
        Steps(Fraction(8), (Fraction(0), Fraction(3), Fraction(5)), (500_000, 613_131, 444_443))
    )
    performance = played(replace(phrase, tempo=tempo))
    track = click_track(performance)
    expected = [
        track.insert_start_sample
        + seconds_to_samples(performance.insert.tempo.seconds_at(click.beat), track.rate)
        for click in track.clicks
    ]
    # A burst is a sine from its zero crossing: its first frame that sounds is the second one.
    assert starts(track.sound, track.rate) == [frame + 1 for frame in expected]


def test_the_beat_groups_are_the_mirrored_ones_and_a_bars_first_click_is_accented() -> None:
    meter = Meter(7, 8, (2, 2, 3))
    performance = played(make_phrase(make_part(make_note(0, 7)), bars=2, meter=meter))
    inside = [click for click in clicks(performance) if 0 <= click.beat < Fraction(7, 2)]
    assert [click.beat for click in inside] == [0, Fraction(3, 2), Fraction(5, 2)]
    assert [click.is_accent for click in inside] == [True, False, False]
    track = click_track(performance)
    heard = [
        float(np.max(np.abs(track.sound[start : start + 1000])))
        for start in starts(track.sound, track.rate)
    ]
    assert [level > 0.3 for level in heard] == [click.is_accent for click in track.clicks]


def test_a_cut_first_bar_is_counted_in_with_full_bars() -> None:
    phrase = make_phrase(make_part(make_note(0, 5)), bars=2)
    meter = Meter.plain(4, 4)
    cut = replace(
        phrase,
        tempo=phrase.tempo.cut(Fraction(0), Fraction(5)),
        keys=phrase.keys.cut(Fraction(0), Fraction(5)),
        bars=(Bar(Fraction(0), Fraction(4), meter), Bar(Fraction(4), Fraction(1), meter)),
    )
    beats = [click.beat for click in clicks(played(cut))]
    assert beats[:9] == [*range(-8, 1)]
    assert beats[9] == 1


def test_no_count_in_and_no_notes_are_possible() -> None:
    settings = replace(Settings(), count_in_bars=0)
    track = click_track(played(make_phrase(make_part(make_note(0, 8))), settings=settings))
    assert track.insert_start_sample == 0
    empty = click_track(played(make_phrase(make_part())))
    assert [click.beat for click in empty.clicks] == list(range(-8, 0))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_click_stays_far_below_full_scale(rate: int) -> None:
    settings = replace(Settings(), rate=rate)
    track = click_track(played(make_phrase(make_part(make_note(0, 8))), settings=settings))
    assert 0.3 < float(np.max(np.abs(track.sound))) < 0.36


def test_a_slow_six_eight_is_clicked_in_eighths_and_a_quick_one_in_two() -> None:
    # A dotted quarter of 1.93 s: 31 a minute. Six clicks a bar, the first accented.
    meter = Meter.plain(6, 8)
    for us_per_quarter, a_bar in ((1_286_667, 6), (500_000, 2)):
        phrase = make_phrase(
            make_part(make_note(0, 6)), bars=2, meter=meter, us_per_quarter=us_per_quarter
        )
        count_in = [click for click in clicks(played(phrase)) if click.beat < 0]
        assert len(count_in) == 2 * a_bar
        assert [click.is_accent for click in count_in] == ([True] + [False] * (a_bar - 1)) * 2
        assert {b.beat - a.beat for a, b in pairwise(count_in)} == {Fraction(3, a_bar)}
