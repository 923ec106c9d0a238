"""Placing: the arithmetic that `retro.placement.place` states, by hand and as laws."""

import contextlib
import csv
import io
import json
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from retro.cli.place import place as place_command
from retro.errors import LimitError, PlanError, RetroError, SettingsError, TakeError
from retro.model.instruments import Sound
from retro.model.settings import Habit, Settings
from retro.model.sound import Room, fall_s
from retro.model.statistics import weighted_median
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.placement.anchor import Landing, landings_of
from retro.placement.inputs import PlacementInput, Session, TakeRange
from retro.placement.place import microphones, place, place_performance, place_plan, song_place
from retro.placement.table import placement_rows
from retro.read.plan_file import parse_plan
from retro.reversal.compensate import perform
from retro.units import velocity_to_db
from retro.units.timecode import FRAME_RATES, label_seconds
from tests.conftest import make_note, make_part, make_phrase, make_player
from tests.plan_fixtures import make_performance, make_song, make_window

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "plan.schema.json").read_text("utf-8"))

# Twelve bars of 4/4 at 120 quarters a minute: a bar lasts 2 s.
TEMPO = TempoMap(Steps(Fraction(48), (Fraction(0),), (500_000,)))
BARS = tuple(Bar(Fraction(4 * i), Fraction(4), Meter.plain(4, 4)) for i in range(12))


def landings_with(
    errors_ms: tuple[float, ...], velocities: tuple[int, ...], wanted_s: float = 2.0
) -> tuple[Landing, ...]:
    return tuple(
        Landing(player=f"P{velocity}", wanted_s=wanted_s, error_ms=error, weight=velocity**4)
        for error, velocity in zip(errors_ms, velocities, strict=True)
    )


PASSAGE = PlacementInput(
    start_s=Fraction(8),
    length_s=Fraction(4),
    bar_s=Fraction(2),
    landings=landings_with((-20.0, -20.0, 40.0), (80, 80, 80)),
    first_attack_s=-0.05,
    last_release_s=3.5,
    silent_s=5.5,
    audible_from_s=-1.0,
    attack_doubt_ms=0.0,
)


def placed(music: PlacementInput = PASSAGE, take: TakeRange | None = None, **session: object):
    session = {"rate": 48_000, "start": "01:00:00:00"} | session
    return place(music, tempo=TEMPO, bars=BARS, session=Session(**session), take=take)


def test_the_clip_starts_where_the_hand_computation_puts_it():
    placement = placed()
    assert placement.length_samples == 192_000
    assert placement.roll_bars == 1
    assert placement.tail_kept_samples == 96_000
    assert placement.shift_samples == 960  # 20 ms early on paper, so 20 ms later
    assert placement.clip_start_samples == 384_000 - 96_000 + 960
    assert placement.export_start_samples == -2_400
    assert placement.clip_length_samples == 2_400 + 192_000 + 96_000


def test_bar_and_beat_of_the_clip_start_have_their_fraction():
    at = placed().clip_start
    assert (at.bar, at.beat) == (4, 1 + Fraction(20, 500))


def test_the_swell_is_audible_where_it_lies_over_the_song():
    at = placed().swell_audible_from
    assert at.seconds == Fraction(8) - 1 + Fraction(20, 1000)
    assert (at.bar, at.beat) == (4, 3 + Fraction(20, 500))


def test_timecode_and_time_reference_count_from_the_session_start():
    placement = placed()
    clip_s = Fraction(288_960, 48_000)  # 6.02 s
    by_name = placement.timecodes
    assert by_name["25"].timecode == "01:00:06:00"
    assert by_name["25"].subframe_samples == 960  # 6.02 s is frame 150.5 of 1920 samples
    assert placement.time_reference_samples == (3600 + clip_s) * 48_000
    assert by_name["23.976"].time_reference_samples == (Fraction(36036, 10) + clip_s) * 48_000


def test_every_timecode_with_its_remainder_is_the_clip_start():
    for name, at in placed(start="01:00:00:00", rate=44_100).timecodes.items():
        rate = FRAME_RATES[name]
        start_s = label_seconds("01:00:00:00", rate)
        told_s = label_seconds(at.timecode, rate) + at.subframe_samples / 44_100
        assert (told_s - start_s) * 44_100 == placed(rate=44_100).clip_start_samples


def test_a_start_label_that_a_rate_does_not_have_is_left_out_there():
    by_name = placed(start="01:00:00:29", frame_rate="30").timecodes
    assert by_name["30"].timecode is not None
    assert by_name["25"].timecode is None


def test_a_start_label_that_the_session_rate_does_not_have_is_refused():
    with pytest.raises(SettingsError, match="does not exist"):
        placed(start="00:01:00;00", frame_rate="29.97df")


def test_a_clip_before_midnight_has_no_time_reference_and_says_so():
    early = replace(PASSAGE, start_s=Fraction(0))
    placement = placed(early, start="00:00:00:00")
    assert placement.clip_start_samples < 0
    assert placement.clip_start.bar == 0
    assert placement.time_reference_samples is None
    assert [finding.kind for finding in placement.findings] == ["midnight"]
    assert placement.timecodes["25"].timecode == "23:59:58:00"


def test_beyond_midnight_the_time_reference_begins_again():
    placement = placed(start="23:59:59:00")
    assert placement.time_reference_samples == 288_960 - 48_000


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_the_offset_is_the_same_time_at_every_rate(rate):
    placement = placed(rate=rate)
    assert Fraction(placement.clip_start_samples, rate) == Fraction(602, 100)


@given(
    start=st.fractions(0, 600, max_denominator=1000),
    length=st.fractions(Fraction(1, 10), 100, max_denominator=1000),
    tail_s=st.fractions(0, 20, max_denominator=1000),
    phrase_start=st.integers(0, 10**9),
    rate=st.sampled_from([44_100, 48_000, 96_000]),
    late_ms=st.integers(-200, 200),
)
def test_a_landing_in_the_take_lies_in_the_song_where_it_should(
    start, length, tail_s, phrase_start, rate, late_ms
):
    """Turn a take round frame by frame and follow one landing to the song."""
    n_end = phrase_start + int(length * rate + Fraction(1, 2))
    n_out = n_end + int(tail_s * rate)
    take = TakeRange(
        phrase_start_samples=phrase_start, take_end_samples=n_out, lateness_s=late_ms / 1000
    )
    music = replace(PASSAGE, start_s=start, length_s=length, landings=landings_with((0.0,), (80,)))
    placement = placed(music, take, rate=rate)
    spoken = phrase_start + (length / 4 + Fraction(late_ms, 1000)) * rate
    in_clip = n_out - spoken
    in_song = placement.clip_start_samples + in_clip
    wanted = (start + length * 3 / 4) * rate
    assert abs(in_song - wanted) <= Fraction(3, 2)  # three roundings of half a sample


def test_the_phrase_start_moves_the_range_and_not_the_place():
    here, there = placed(), placed(take=TakeRange(phrase_start_samples=1_000_000))
    assert there.clip_start_samples == here.clip_start_samples
    assert there.export_start_samples - here.export_start_samples == 1_000_000


def test_a_longer_tail_moves_the_clip_earlier_by_as_much():
    take = TakeRange(phrase_start_samples=0, take_end_samples=192_000 + 96_000 + 77)
    assert placed(take=take).clip_start_samples == placed().clip_start_samples - 77


def test_a_tail_that_is_cut_too_early_is_told():
    placement = placed(take=TakeRange(take_end_samples=192_000 + 48_000))
    assert [finding.kind for finding in placement.findings] == ["tail"]
    assert "0.50 s before" in placement.findings[0].what


def test_a_take_that_ends_before_the_phrase_is_refused():
    with pytest.raises(TakeError, match="ends 1 frames before the phrase"):
        placed(take=TakeRange(take_end_samples=191_999))


def test_a_lateness_adds_to_what_is_written_and_brings_its_own_spread():
    music = replace(PASSAGE, landings=landings_with((-10.0, -10.0), (60, 60)))
    placement = placed(music, TakeRange(lateness_s=0.031, lateness_spread_ms=12.0))
    assert (placement.shift_ms, placement.shift_from) == (41.0, "measured")
    assert placement.spread_ms == 12.0


def test_the_spread_joins_notes_and_people():
    notes_ms = np.sqrt((0 + 0 + 60.0**2) / 3)
    assert placed().spread_ms == pytest.approx(np.hypot(notes_ms, 40.0))


def test_loud_notes_decide_the_shift():
    music = replace(PASSAGE, landings=landings_with((10.0, 50.0), (40, 100)))
    assert placed(music).shift_ms == -50.0


@given(st.lists(st.tuples(st.integers(-100, 100), st.integers(1, 9)), min_size=1, max_size=12))
def test_the_weighted_median_is_the_median_of_repeated_values(pairs):
    values, weights = zip(*pairs, strict=True)
    repeated = np.repeat(values, weights)
    assert weighted_median(values, weights) == np.median(repeated)


def test_the_roll_is_the_fall_by_60_db_in_whole_bars():
    song = make_song()
    window = make_window(song)
    settings = Settings(room=Room(2.2, 0.0))
    performance = make_performance(song, window, settings)
    placement = place_performance(performance, window=window, song=song)
    last_s = max(
        max(note.played_off_s, float(performance.insert.tempo.seconds_at(note.written_off_beats)))
        for note in performance.notes
    )
    fall_60_s = float(fall_s(60.0, 0.2, settings.room))
    assert placement.silent_s == pytest.approx(last_s + fall_60_s)
    bar_s = 4 * 0.571429
    needed_s = placement.silent_s - float(window.length_s)
    assert placement.roll_bars == max(np.ceil(needed_s / bar_s), 1)
    assert float(placement.roll_s) == pytest.approx(placement.roll_bars * bar_s)


def test_a_struck_tone_that_nothing_damps_rings_from_its_stroke_on():
    song = make_song(parts=(make_part(make_note(16, 30, 60), make_note(30, 31, 60)),))
    window = make_window(song)
    dry = Settings(room=Room(0.1, 200.0), habit=Habit.START)
    target = song.cut(window.start_beats, window.end_beats)
    performance = perform(target, (make_player(Sound.STRUCK, decay_s=20.0),), dry)
    placement = place_performance(performance, window=window, song=song)
    stroke_s = max(
        min(note.played_on_s, float(performance.insert.tempo.seconds_at(note.written_on_beats)))
        for note in performance.notes
    )
    assert placement.silent_s == pytest.approx(stroke_s + 20.0, abs=0.01)


def test_a_landing_weighs_what_the_energy_of_its_note_is():
    song = make_song()
    window = make_window(song)
    performance = make_performance(song, window, Settings())
    landings = landings_of(performance)
    energies = [10 ** (velocity_to_db(note.target.velocity) / 10) for note in performance.notes]
    assert len({landing.weight for landing in landings}) == 3
    shares = [landing.weight / energy for landing, energy in zip(landings, energies, strict=True)]
    assert shares == pytest.approx([shares[0]] * len(shares))


def test_people_who_begin_on_the_click_land_late_by_their_rise():
    song = make_song()
    window = make_window(song)
    spoken = make_performance(song, window, Settings())
    begun = make_performance(song, window, Settings(habit=Habit.START))
    by_speaking = place_performance(spoken, window=window, song=song)
    by_start = place_performance(begun, window=window, song=song)
    assert by_start.shift_ms - by_speaking.shift_ms == pytest.approx(50.0 * 0.3096, rel=0.5)
    assert by_start.spread_ms > by_speaking.spread_ms


def test_microphone_distances_are_delays_of_the_speed_of_sound():
    # 2.914 ms and 139.85 samples a metre at 48 kHz and 20 C (shared references, D).
    first = microphones(48_000, 20.0)[0]
    assert first.distance_m == 1.0
    assert first.delay_ms == pytest.approx(2.914, abs=0.0005)
    assert first.delay_samples == pytest.approx(139.85, abs=0.01)


def test_a_bar_line_belongs_to_the_bar_that_it_opens():
    place = song_place(TEMPO.seconds_at(BARS[1].start_beats), 48_000, TEMPO, BARS)
    assert (place.bar, place.beat) == (2, 1)


def test_the_line_after_a_bar_that_is_cut_short_belongs_to_the_next_one():
    """A pick-up of one beat in 4/4: beat 2 of it is never reached."""
    meter = Meter.plain(4, 4)
    bars = (Bar(Fraction(0), Fraction(1), meter), Bar(Fraction(1), Fraction(4), meter))
    places = [song_place(TEMPO.seconds_at(Fraction(at)), 48_000, TEMPO, bars) for at in (0, 1, 2)]
    assert [(place.bar, place.beat) for place in places] == [(1, 1), (2, 1), (2, 2)]


def test_the_pre_roll_is_how_far_the_first_attack_lies_before_bar_1(plan_document):
    placement = plan_document["placement"]
    assert placement["first_attack_samples"] < 0
    assert placement["pre_roll_samples"] == -placement["first_attack_samples"]


def test_no_cell_of_the_table_is_a_formula_to_a_spreadsheet():
    early = replace(PASSAGE, start_s=Fraction(0), audible_from_s=-6.0)
    cells = [cell for row in placement_rows(placed(early)) for cell in row.cells]
    assert any(cell.startswith("bar -2/") for cell in cells)
    dangerous = [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    assert dangerous
    assert all(_is_number(cell) for cell in dangerous)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_places_in_the_song_rise_with_time_across_its_ends():
    places = [song_place(Fraction(t, 7), 48_000, TEMPO, BARS) for t in range(-60, 260)]
    assert all(a.bar + (a.beat - 1) / 4 < b.bar + (b.beat - 1) / 4 for a, b in pairwise(places))
    assert song_place(Fraction(-1, 2), 48_000, TEMPO, BARS).bar == 0
    assert song_place(Fraction(24), 48_000, TEMPO, BARS).bar == 13


@pytest.mark.parametrize(
    "bad",
    [
        {"rate": 0},
        {"rate": 10**9},
        {"take": TakeRange(lateness_s=float("nan"))},
        {"take": TakeRange(lateness_spread_ms=float("nan"))},
        {"take": TakeRange(phrase_start_samples=10**400)},
    ],
)
def test_figures_beyond_any_session_are_refused(bad):
    with pytest.raises(LimitError):
        placed(**bad)


def test_the_plan_fits_the_published_schema(plan_document):
    jsonschema.Draft202012Validator(SCHEMA).validate(plan_document)


def test_the_schema_refuses_a_plan_that_lacks_a_number(plan_document):
    broken = {**plan_document, "placement": {**plan_document["placement"]}}
    del broken["placement"]["clip_start_samples"]
    with pytest.raises(jsonschema.ValidationError, match="clip_start_samples"):
        jsonschema.Draft202012Validator(SCHEMA).validate(broken)


def test_a_plan_file_gives_the_placement_of_its_performance(plan_document):
    plan = parse_plan(json.dumps(plan_document).encode(), where="plan.json")
    song = make_song()
    window = make_window(song)
    performance = make_performance(song, window, Settings(session_start="01:00:00:00"))
    direct = place_performance(performance, window=window, song=song)
    session = Session(rate=48_000, start="01:00:00:00")
    assert place_plan(plan, session=session) == direct


@given(st.binary(max_size=300))
def test_any_bytes_are_a_plan_or_a_refusal(data):
    with pytest.raises(PlanError):
        parse_plan(data, where="plan.json")


JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=5),
    st.just([]),
    st.just([{}]),
    st.just({}),
)


@given(st.data())
def test_a_plan_with_any_value_replaced_is_a_plan_or_a_refusal(plan_document, data):
    document = json.loads(json.dumps(plan_document))
    here = document
    while True:
        keys = sorted(here) if isinstance(here, dict) else range(len(here))
        key = data.draw(st.sampled_from(list(keys)))
        deeper = isinstance(here[key], dict | list) and len(here[key]) > 0
        if not deeper or data.draw(st.booleans()):
            break
        here = here[key]
    here[key] = data.draw(JUNK)
    with contextlib.suppress(RetroError):
        plan = parse_plan(json.dumps(document).encode(), where="plan.json")
        assert place_plan(plan, session=Session(rate=48_000)).rate == 48_000


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[]", "the file: wanted a table, found a list"),
        ("{}", "schema is missing"),
        ('{"schema": "retro-plan/2"}', "schema 'retro-plan/2' is not 'retro-plan/1'"),
        ('{"schema": "retro-plan/1", "x": NaN}', "not JSON: line 1: .* invalid character"),
        ('{"schema": "retro-plan/1"}', "version is missing"),
        ("[" * 100_000, "the file: wanted a table"),
        ("1" * 10_000, "the file: "),
        ('{"schema": "retro-plan/1"', "not JSON"),
        ('{"schema": "retro-plan/1", "x":' + "[" * 100_000, "not JSON"),
    ],
)
def test_what_is_wrong_with_a_plan_is_said_in_one_line(text, says):
    with pytest.raises(PlanError, match=says):
        parse_plan(text.encode(), where="plan.json")


@pytest.fixture
def plan_path(plan_document, tmp_path):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan_document), encoding="utf-8")
    return path


def run(*arguments: object):
    app = typer.Typer()
    app.command()(place_command)
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_command_prints_what_an_engineer_types_in(plan_path, plan_document):
    result = run(plan_path)
    assert result.exit_code == 0, result.output
    start = plan_document["placement"]["clip_start_samples"]
    assert f"{start}  samples at 48000 Hz" in result.output
    for name in ("23.976", "24", "25", "29.97", "29.97df", "30"):
        assert f"timecode {name} " in result.output


def test_the_command_gives_json_as_the_schema_has_it(plan_path):
    result = run(plan_path, "--json", "--rate", 96000, "--phrase-start", 12_345)
    placement = json.loads(result.stdout)
    part = {"$defs": SCHEMA["$defs"], "$ref": "#/$defs/Placement"}
    jsonschema.Draft202012Validator(part).validate(placement)
    assert (placement["rate"], placement["phrase_start_samples"]) == (96_000, 12_345)


def test_the_command_writes_csv_once_and_never_over_a_file(plan_path, tmp_path):
    path = tmp_path / "place.csv"
    assert run(plan_path, "--csv", path).exit_code == 0
    rows = list(csv.reader(io.StringIO(path.read_text("utf-8"))))
    assert rows[0] == ["what", "value", "unit", "sub-frame, samples", "TimeReference"]
    assert {len(row) for row in rows} == {5}
    before = path.read_bytes()
    again = run(plan_path, "--csv", path)
    assert again.exit_code == 1
    assert path.read_bytes() == before


def test_the_clip_is_anchored_on_the_last_landing_and_short_bass_notes_do_not_move_it():
    bass = landings_with((-125.0,) * 20, (127,) * 20, wanted_s=1.0)
    strings = landings_with((0.4, 0.4, -125.0), (80, 80, 40))
    placement = placed(replace(PASSAGE, landings=(*bass, *strings)))
    assert placement.shift_ms == -0.4
    assert placement.anchor.players == ("P80",)
    assert placement.anchor.apart_ms == {"P40": -125.4}
    assert not [finding for finding in placement.findings if finding.kind == "shift"]


def test_a_shift_that_is_heard_names_who_causes_it():
    placement = placed(replace(PASSAGE, landings=landings_with((-34.0,), (80,))))
    (finding,) = [finding for finding in placement.findings if finding.kind == "shift"]
    assert "P80" in finding.what
    assert "34 ms" in finding.what


def test_where_all_land_apart_a_shift_names_those_whose_middle_it_is():
    # Two as loud as each other: their median is half-way between them, where nobody lands.
    landings = [
        Landing(player=player, wanted_s=2.0, error_ms=error_ms, weight=1)
        for player, error_ms in (("Horn", -150.0), ("Cello", -20.0))
    ]
    placement = placed(replace(PASSAGE, landings=tuple(landings)))
    assert placement.anchor.players == ()
    (finding,) = [finding for finding in placement.findings if finding.kind == "shift"]
    assert (
        "85 ms later: as written, the middle of Horn, Cello, who land apart, is that"
        in finding.what
    )
    (row,) = [row for row in placement_rows(placement) if row.key == "anchor"]
    assert "()" not in str(row)


@pytest.mark.parametrize(
    ("strings_end", "bass_length"), [("8", "4/5"), ("63/8", "7/8"), ("63/8", "1")]
)
def test_gaps_that_sequencers_leave_do_not_move_the_clip(strings_end, bass_length):
    chord = [make_note(0, strings_end, pitch) for pitch in (55, 59, 62)]
    bass = [make_note(at, at + Fraction(bass_length), 36) for at in range(8)]
    shifts = []
    for parts in ((chord,), (chord, bass)):
        song = make_phrase(*(make_part(*notes) for notes in parts))
        window = make_window(song, 1, 2)
        performance = perform(song, (make_player(),) * len(parts), Settings())
        shifts.append(place_performance(performance, window=window, song=song).shift_ms)
    assert shifts == pytest.approx([0.0, 0.0], abs=1.0)
