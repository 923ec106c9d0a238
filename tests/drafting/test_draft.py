"""Drafts: the chord, who has what of it, when it swells and where it lands."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.drafting.bars import (
    blank_song,
    first_bar_after,
    key_of,
    window_bars,
)
from retro.drafting.casting import read_players
from retro.drafting.draft import (
    Curve,
    Draft,
    Entry,
    draft_midi,
)
from retro.drafting.voicing import Voicing, dealt, read_chord, read_pitches, voiced
from retro.errors import SettingsError, WindowError
from retro.model.orchestra import by_id
from retro.model.phrase import EXPRESSION, Key, Phrase
from retro.model.settings import Settings
from retro.model.time import Meter
from retro.plan.compose import plan_song
from retro.read.midi import read_song_bytes
from retro.read.window import beat_position
from retro.units import db_to_energy

STRINGS = "Violins I, Violins II, Violas, Celli, Basses"


def song(bars: int = 4, meter: Meter | None = None) -> Phrase:
    return blank_song(
        bars=bars,
        meter=meter or Meter.plain(4, 4),
        quarters_per_minute=Fraction(90),
        key=Key(0),
    )


def make(**changes: object) -> Draft:
    wanted = {
        "players": read_players("Violins I, Violas, Celli"),
        "pitches": ((67,), (64,), (60,)),
        "length_beats": Fraction(8),
        "landing_beats": Fraction(16),
    }
    wanted |= changes
    return Draft(**{"velocities": (100,) * len(wanted["players"]), **wanted})


def read_back(draft: Draft, on: Phrase | None = None) -> Phrase:
    return read_song_bytes(draft_midi(draft, on or song()), "draft.mid").phrase


def test_every_player_holds_its_note_to_the_landing() -> None:
    read = read_back(make())
    assert [part.name for part in read.parts] == ["Violin I", "Viola", "Cello"]
    assert [[(n.pitch, n.on_beats, n.off_beats) for n in p.notes] for p in read.parts] == [
        [(67, 8, 16)],
        [(64, 8, 16)],
        [(60, 8, 16)],
    ]


def test_the_players_of_a_draft_are_guessed_back_from_its_tracks() -> None:
    draft = make(
        players=read_players("Horn in F, Horn in F, solo-cello, Harp"),
        pitches=((60,), (64,), (48,), (43, 55)),
    )
    plan = plan_song(read_song_bytes(draft_midi(draft, song()), "draft.mid"), Settings())
    assert [player.instrument.id for player in plan.performance.players] == [
        "horn-in-f",
        "horn-in-f",
        "solo-cello",
        "harp",
    ]
    assert not [finding for finding in plan.findings if finding.kind == "player"]


def test_the_same_draft_gives_the_same_bytes() -> None:
    assert draft_midi(make(), song()) == draft_midi(make(), song())


@pytest.mark.parametrize("curve", list(Curve))
def test_the_curve_rises_all_the_way_from_its_range_to_full(curve: Curve) -> None:
    steps = read_back(make(curve=curve, range_db=36.0)).parts[0].controller(EXPRESSION)
    assert steps is not None
    inside = [steps.at(Fraction(8) + Fraction(i, 8)) for i in range(64)]
    assert all(a <= b for a, b in pairwise(inside))
    assert 127.0 * db_to_energy(-36.0) ** 0.25 == pytest.approx(inside[0], abs=1.0)
    assert inside[-1] >= 119


def test_the_linear_curve_is_half_way_in_db_half_way_through() -> None:
    def middle(curve: Curve) -> int:
        steps = read_back(make(curve=curve, range_db=40.0)).parts[0].controller(EXPRESSION)
        assert steps is not None
        return steps.at(Fraction(12))

    # Expression falls as 40 log10: 20 dB down is 127 / sqrt(10).
    assert middle(Curve.LINEAR) == pytest.approx(40, abs=1)
    assert middle(Curve.S) == pytest.approx(40, abs=1)
    assert middle(Curve.EXPONENTIAL) < 30


def test_struck_players_get_no_curve_that_they_cannot_play() -> None:
    read = read_back(make(players=read_players("Harp"), pitches=((60, 64),)))
    assert read.parts[0].controllers == ()


def test_a_fan_opens_upwards_or_downwards_and_lands_together() -> None:
    for entry, order in ((Entry.LOW_TO_HIGH, [60, 64, 67]), (Entry.HIGH_TO_LOW, [67, 64, 60])):
        notes = [n for part in read_back(make(entry=entry)).parts for n in part.notes]
        assert [n.pitch for n in sorted(notes, key=lambda n: n.on_beats)] == order
        assert {n.off_beats for n in notes} == {16}
        assert min(n.on_beats for n in notes) == 8


def test_a_run_climbs_the_scale_into_the_landing() -> None:
    top, *_ = read_back(make(entry=Entry.RUN, run_beats=Fraction(2))).parts
    *_, last = top.notes
    assert (last.pitch, last.off_beats) == (67, 16)
    run = [note for note in top.notes if note.on_beats >= 14]
    assert [note.pitch for note in run] == [55, 57, 59, 60, 62, 64, 65, 67]
    assert top.notes[0].off_beats == 14


def test_a_draft_lies_in_the_songs_own_bars_and_tempo() -> None:
    own = song(bars=6, meter=Meter.plain(7, 8))
    landing = beat_position(own, 5, Fraction(3), is_end=True)
    assert landing == 4 * Fraction(7, 2) + 1
    draft = make(landing_beats=landing, length_beats=Fraction(3))
    read = read_back(draft, own)
    assert read.bars == own.bars[:5]
    assert read.tempo.us_per_quarter.values == own.tempo.us_per_quarter.values
    assert [(m.at_beats, m.text) for m in read.markers] == [
        (landing - 3, "Swell"),
        (landing, "Landing"),
    ]
    assert window_bars(own, draft.start_beats, draft.landing_beats) == "4-5"


def test_a_landing_on_the_bar_line_after_the_last_bar_is_the_end() -> None:
    assert beat_position(song(), 5, Fraction(1), is_end=True) == 16
    assert window_bars(song(), make().start_beats, make().landing_beats) == "3-4"


def test_bars_of_a_song_with_a_pick_up_are_those_that_it_prints() -> None:
    own = song(bars=4)
    pick_up = tuple(replace(bar, number=count) for count, bar in enumerate(own.bars))
    printed = replace(own, bars=pick_up)
    assert beat_position(printed, 2, Fraction(3), is_end=True) == 4 + 4 + 2
    assert beat_position(printed, 4, Fraction(1), is_end=True) == 16
    assert first_bar_after(printed, Fraction(8)) == 2
    with pytest.raises(WindowError, match="the song has bars 0-3"):
        beat_position(printed, 5, Fraction(1), is_end=True)


@pytest.mark.parametrize(("bar", "beat"), [(0, 1), (6, 1), (5, 2), (2, 5)])
def test_a_landing_outside_the_song_is_refused(bar: int, beat: int) -> None:
    with pytest.raises(WindowError, match="no b"):
        beat_position(song(), bar, Fraction(beat), is_end=True)


def test_a_swell_that_begins_before_the_song_is_refused() -> None:
    with pytest.raises(WindowError, match="before the song"):
        draft_midi(make(landing_beats=Fraction(4)), song())


@pytest.mark.parametrize(
    ("name", "classes"),
    [
        ("C", {0, 4, 7}),
        ("Dm7", {2, 5, 9, 0}),
        ("Bb", {10, 2, 5}),
        ("Bbmaj7", {10, 2, 5, 9}),
        ("Db7", {1, 5, 8, 11}),
        ("F#m7b5", {6, 9, 0, 4}),
        ("C7sus4", {0, 5, 7, 10}),
        ("Gm/Bb", {10, 2, 7}),
        ("Ebmaj9", {3, 7, 10, 2, 5}),
        ("A7#9", {9, 1, 4, 7, 0}),
    ],
)
def test_a_chord_name_means_its_tones(name: str, classes: set[int]) -> None:
    assert {tone % 12 for tone in read_chord(name)} == classes


def test_the_bass_of_a_slash_chord_is_lowest() -> None:
    assert min(read_chord("Gm/Bb")) % 12 == 10


@pytest.mark.parametrize("name", ["", "H7", "xyz", "C??", "4", "dm7"])
def test_what_is_no_chord_is_refused(name: str) -> None:
    with pytest.raises(SettingsError, match="no chord"):
        read_chord(name)


def test_pitches_are_read_and_refused() -> None:
    assert read_pitches("G4, C4 Eb4") == (60, 63, 67)
    for text in ("", "C4 X", "C10", "C"):
        with pytest.raises(SettingsError):
            read_pitches(text)


def test_unknown_players_are_refused() -> None:
    with pytest.raises(SettingsError, match="nobody is called 'kazoo'"):
        read_players("Violins I, kazoo")
    with pytest.raises(SettingsError, match="no players"):
        read_players(" , ")


def test_close_open_and_drop_2_space_a_chord_as_arrangers_do() -> None:
    # Common practice: open takes every other tone up an octave, drop 2 the second from the top
    # down an octave.
    flutes = [by_id("neutral")] * 4
    close, opened, dropped = (
        [p for hand in voiced((60, 64, 67, 71), way, flutes) for p in hand]
        for way in (Voicing.CLOSE, Voicing.OPEN, Voicing.DROP_2)
    )
    assert [b - a for a, b in pairwise(sorted(close))] == [4, 3, 4]
    assert [b - a for a, b in pairwise(sorted(opened))] == [7, 9, 7]
    assert [b - a for a, b in pairwise(sorted(dropped))] == [5, 4, 7]


@pytest.mark.parametrize("way", list(Voicing))
@pytest.mark.parametrize("chord", [(60, 64, 67), (62, 65, 69, 72), (58, 62, 65, 69, 72)])
@pytest.mark.parametrize("names", [STRINGS, "Flute, Oboe, Clarinet, Bassoon, Horn in F", "Harp"])
def test_every_voicing_is_in_range_and_has_all_tones(
    way: Voicing, chord: tuple[int, ...], names: str
) -> None:
    players = [player.instrument for player in read_players(names)]
    hands = voiced(chord, way, players)
    assert all(hands)
    assert {tone % 12 for tone in chord} == {p % 12 for hand in hands for p in hand}
    for hand, player in zip(hands, players, strict=True):
        assert all(player.low <= pitch <= player.high for pitch in hand)


def test_the_bass_takes_the_bass_note_of_a_spread_chord() -> None:
    players = [player.instrument for player in read_players(STRINGS)]
    assert voiced((62, 65, 69, 72), Voicing.SPREAD, players)[-1][0] % 12 == 2


@given(
    st.sets(st.integers(40, 90), min_size=1, max_size=9),
    st.lists(st.sampled_from(["flute", "violins", "harp", "tuba"]), min_size=1, max_size=6),
)
def test_dealing_leaves_nobody_and_nothing_out(pitches: set[int], ids: list[str]) -> None:
    hands = dealt(sorted(pitches), [by_id(id_) for id_ in ids])
    assert all(hands)
    assert {p for hand in hands for p in hand} == pitches


def test_the_key_of_a_draft_has_the_fewest_signs() -> None:
    assert key_of((60, 64, 67)) == Key(0)
    assert key_of((62, 66, 69, 73)) == Key(2)
    assert key_of((58, 62, 65, 69)) == Key(-1)
