"""A small insert and its plan, as the pack states them."""

from dataclasses import replace
from fractions import Fraction

import pytest

from retro.compensate import perform
from retro.model.performance import Performance, Window
from retro.model.phrase import Phrase
from retro.model.settings import Settings
from retro.model.time import Bar, Steps, TempoMap
from retro.takes.place import place_performance
from retro.takes.place_table import placement_document
from tests.conftest import make_note, make_part, make_phrase, make_player


def make_song(*, parts=None, bars: int = 12) -> Phrase:
    """Give twelve bars of 4/4 that slow down from bar 5 on, with notes in bars 5 to 8."""
    if parts is None:
        parts = (
            make_part(
                make_note(16, 20, 60),
                make_note(20, Fraction(45, 2), 64, 100),
                make_note(Fraction(45, 2), 26, 67, 60),
                make_note(27, 32, 72),
            ),
            make_part(make_note(18, 24, 48), make_note(24, 31, 43)),
        )
    song = make_phrase(*parts, bars=bars)
    length = song.length_beats
    slower = Steps(length, (Fraction(0), Fraction(16)), (500_000, 571_429))
    return replace(song, tempo=TempoMap(slower))


def make_window(song: Phrase, first_bar: int = 5, last_bar: int = 8) -> Window:
    """Give the window of some bars of a song."""
    start, end = song.bars[first_bar - 1].start_beats, song.bars[last_bar - 1].end_beats
    return Window(
        start_beats=start,
        end_beats=end,
        start_s=song.tempo.seconds_at(start),
        end_s=song.tempo.seconds_at(end),
        start_bar=first_bar,
        end_bar=last_bar,
    )


def make_performance(song: Phrase, window: Window, settings: Settings) -> Performance:
    """Give the performance of a window, every part by the same plain player."""
    target = song.cut(window.start_beats, window.end_beats)
    return perform(target, tuple(make_player() for _ in target.parts), settings)


def _bars(bars: tuple[Bar, ...]) -> list[dict[str, object]]:
    return [
        {
            "number": index + 1,
            "start_beats": float(bar.start_beats),
            "length_beats": float(bar.length_beats),
            "meter": str(bar.meter),
            "groups": list(bar.meter.groups),
        }
        for index, bar in enumerate(bars)
    ]


def _tempo(tempo: TempoMap) -> list[dict[str, object]]:
    steps = tempo.us_per_quarter
    return [
        {"at_beats": float(start), "us_per_quarter": us}
        for start, us in zip(steps.starts, steps.values, strict=True)
    ]


def make_plan_document(song: Phrase, window: Window, settings: Settings) -> dict[str, object]:
    """Give a plan as JSON has it."""
    performance = make_performance(song, window, settings)
    placement = place_performance(performance, window=window, song=song)
    insert = performance.insert
    same = (
        *("part", "target_on_s", "target_off_s", "played_on_s", "played_off_s", "attack_s"),
        *("decay_s", "audible_from_s", "onset_s", "full_s", "lands_s", "onset_error_ms"),
        *("landing_error_ms", "written_onset_error_ms", "written_landing_error_ms", "is_short"),
    )
    return {
        "schema": "retro-plan/1",
        "version": "0",
        "source": {"name": "study.mid", "sha256": "0" * 64, "ticks_per_quarter": 480},
        "song": {
            "title": song.title,
            "length_beats": float(song.length_beats),
            "tempo": _tempo(song.tempo),
            "bars": _bars(song.bars),
        },
        "window": {
            "start_beats": float(window.start_beats),
            "end_beats": float(window.end_beats),
            "start_s": float(window.start_s),
            "end_s": float(window.end_s),
            "start_bar": window.start_bar,
            "end_bar": window.end_bar,
            "length_beats": float(window.length_beats),
            "length_s": float(window.length_s),
        },
        "settings": {
            "room": {
                "reverberation_s": settings.room.reverberation_s,
                "direct_to_reverberant_db": settings.room.direct_to_reverberant_db,
            },
            "onset_db": settings.onset_db,
            "audible_db": settings.audible_db,
            "compensate": settings.compensate.value,
            "habit": settings.habit.value,
            "landing": settings.landing.value,
            "shortest_s": settings.shortest_s,
            "grid_beats": float(settings.grid_beats),
            "straighten_swing": settings.straighten_swing,
            "count_in_bars": settings.count_in_bars,
            "rate": settings.rate,
            "session_start": settings.session_start,
            "frame_rate": settings.frame_rate,
            "lateness_s": settings.lateness_s,
            "letter": settings.letter,
            "title": settings.title,
            "meter_groups": [],
            "temperature_c": settings.temperature_c,
            "seed": settings.seed,
            "parts": [],
        },
        "insert": {
            "letter": settings.letter,
            "heading": "Insert A",
            "length_beats": float(insert.length_beats),
            "length_s": float(insert.length_s),
            "bars": _bars(insert.bars),
            "tempo": _tempo(insert.tempo),
            "count_in_bars": settings.count_in_bars,
            "count_in_beats": 8.0,
            "count_in_s": 8 * 0.571429,
            "clicks": [
                {"at_s": beat * 0.571429, "accent": beat % 4 == 0}
                for beat in range(-8, int(insert.length_beats))
            ],
        },
        "parts": [
            {
                "index": index,
                "name": player.name,
                "instrument": player.instrument.id,
                "track": "",
                "guessed_from": player.guessed_from,
                "attack_s": 0.05,
                "decay_s": 0.2,
                "onset_spread_ms": 0.0,
                "landing_spread_ms": 0.0,
            }
            for index, player in enumerate(performance.players)
        ],
        "notes": [
            {key: getattr(note, key) for key in same}
            | {
                "pitch": note.target.pitch,
                "velocity": note.target.velocity,
                "written_on_beats": float(note.written_on_beats),
                "written_off_beats": float(note.written_off_beats),
            }
            for note in performance.notes
        ],
        "placement": placement_document(placement),
        "findings": [],
    }


@pytest.fixture(scope="session")
def plan_document() -> dict[str, object]:
    """Give the plan of the small insert."""
    song = make_song()
    return make_plan_document(song, make_window(song), Settings(session_start="01:00:00:00"))
