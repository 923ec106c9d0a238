from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.instruments import Decay, Player, Sound
from retro.model.orchestra import by_id
from retro.model.performance import Performance, PlayedNote
from retro.model.phrase import EXPRESSION, Phrase
from retro.model.settings import Compensate, Habit, Settings
from retro.model.sound import (
    Room,
    built_up,
    energy_after_release,
    energy_after_stroke,
    fall_s,
    rise_s,
)
from retro.model.time import Steps
from retro.reversal.compensate import perform
from retro.reversal.gaps import without_gaps
from tests.conftest import make_note, make_part, make_phrase, make_player

F = Fraction

ROOMS = [Room(0.3, 0.0), Room(1.2, 0.0), Room(2.2, 0.0), Room(2.2, 6.0), Room(1.2, -3.0)]


def lone(phrase: Phrase, *, sound: Sound = Sound.SUSTAINED, **changes: object) -> PlayedNote:
    figures = {k: changes.pop(k) for k in ("damper_s", "lands_at_start", "decay_s") if k in changes}
    players = (make_player(sound, **figures),)
    return perform(phrase, players, replace(Settings(), **changes)).notes[0]


@pytest.mark.parametrize("room", ROOMS)
def test_a_sustained_note_begins_and_lands_where_the_target_does(
    lone_note: Phrase, room: Room
) -> None:
    note = lone(lone_note, room=room)
    assert note.onset_s == pytest.approx(note.target_on_s, abs=1e-6)
    assert note.lands_s == pytest.approx(note.target_off_s, abs=1e-9)


def test_the_start_is_early_by_the_attack_and_the_stop_by_the_fall(lone_note: Phrase) -> None:
    # L = 4 s, target [1, 3): s* = 4 - 3 - rise(10 dB), 0.3095 of the attack (theory.md, derived);
    # p* = 4 - 1 - fall(10 dB); with D far up only the instrument's own 0.2 s decay is left: 10 dB
    # of 60 take 0.2 / 6 s.
    note = lone(lone_note, room=Room(2.2, 200.0))
    assert note.played_on_s == pytest.approx(1.0 - 0.3095 * 0.05, abs=1e-5)
    assert note.played_off_s == pytest.approx(3.0 - 0.2 / 6.0)


def test_a_swell_is_audible_before_its_onset_by_what_the_fall_takes(lone_note: Phrase) -> None:
    # As above: from 40 dB below the loudest tone, which it is itself (audible), to 10 dB below it
    # (onset) is 30 of 60 dB in 0.2 s.
    note = lone(lone_note, room=Room(2.2, 200.0))
    assert note.onset_s - note.audible_from_s == pytest.approx(0.1)
    assert note.full_s - note.onset_s == pytest.approx(0.2 / 6.0)


def test_one_slope_falls_30_db_in_half_its_reverberation_time() -> None:
    # Derived: 2.2 s falls 30 dB in 1.1 s.
    assert fall_s(30.0, 2.2, Room(2.2, 0.0)) == pytest.approx(1.1)


@given(st.floats(1.0, 50.0), st.floats(0.02, 10.0), st.floats(0.1, 6.0), st.floats(-12.0, 20.0))
def test_the_fall_is_where_the_energy_is_down(
    drop_db: float, decay_s: float, reverberation_s: float, ratio_db: float
) -> None:
    room = Room(reverberation_s, ratio_db)
    energy = energy_after_release(fall_s(drop_db, decay_s, room), decay_s, room)
    assert 10.0 * np.log10(energy) == pytest.approx(-drop_db, abs=1e-6)


def test_without_compensation_the_performance_is_the_plain_mirror(lone_note: Phrase) -> None:
    note = lone(lone_note, compensate=Compensate.NONE)
    assert (note.played_on_s, note.played_off_s) == (1.0, 3.0)
    assert note.onset_error_ms is not None
    assert note.onset_error_ms < -100.0
    assert note.landing_error_ms is not None
    assert -50.0 < note.landing_error_ms <= -0.3095 * 50.0


def test_release_only_leaves_the_landing_and_attack_only_leaves_the_onset(
    lone_note: Phrase,
) -> None:
    released = lone(lone_note, compensate=Compensate.RELEASE)
    assert released.onset_error_ms == pytest.approx(0.0, abs=1e-3)
    assert released.landing_error_ms == pytest.approx(-0.3095 * 50.0, rel=0.5)
    attacked = lone(lone_note, compensate=Compensate.ATTACK)
    assert attacked.landing_error_ms == pytest.approx(0.0, abs=1e-6)
    assert attacked.onset_error_ms is not None
    assert attacked.onset_error_ms < -100.0


def test_a_struck_note_lands_on_the_end_or_on_the_start_as_the_part_chooses(
    lone_note: Phrase,
) -> None:
    assert lone(lone_note, sound=Sound.STRUCK, decay_s=4.0).lands_s == pytest.approx(3.0)
    at_start = lone(lone_note, sound=Sound.STRUCK, decay_s=4.0, lands_at_start=True)
    assert at_start.lands_s == pytest.approx(1.0)
    assert at_start.written_on_beats == 6


def test_a_free_struck_note_has_no_onset_error_and_a_damped_long_one_has() -> None:
    short = make_phrase(make_part(make_note(2, "5/2")))
    assert lone(short, sound=Sound.STRUCK, decay_s=6.0).onset_error_ms is None
    damped = lone(short, sound=Sound.STRUCK, decay_s=9.0, damper_s=0.1, room=Room(0.3, 6.0))
    assert damped.onset_error_ms == pytest.approx(0.0, abs=1e-3)


def test_a_note_too_short_for_its_room_keeps_the_shortest_length_and_says_how_early_it_is() -> None:
    note = lone(make_phrase(make_part(make_note(2, "23/10"))), room=Room(2.2, -6.0))
    assert note.is_short
    rise = float(rise_s(10.0, note.attack_s))
    assert note.played_off_s - note.played_on_s - rise == pytest.approx(0.12, abs=0.01)
    assert note.onset_error_ms is not None
    assert note.onset_error_ms < -50.0


def test_a_landing_on_the_windows_first_beat_falls_back_to_the_end_and_says_so() -> None:
    phrase = make_phrase(make_part(make_note(0, 4)))
    performance = perform(phrase, (make_player(Sound.STRUCK, lands_at_start=True),), Settings())
    assert performance.notes[0].lands_s == pytest.approx(2.0)
    assert [finding.kind for finding in performance.findings] == ["landing"]


def test_only_the_note_that_begins_with_the_window_lands_on_its_end() -> None:
    phrase = make_phrase(make_part(make_note(0, 1), make_note(4, 5), make_note(6, 7)))
    performance = perform(phrase, (make_player(Sound.STRUCK, lands_at_start=True),), Settings())
    assert [note.lands_s for note in performance.notes] == pytest.approx([0.5, 2.0, 3.0])
    assert "1 of 3 notes begins with the window" in performance.findings[0].what


def drum_kit() -> Performance:
    """Perform a kit: a hi-hat in eighths, a bass drum and a snare, ended as files end them."""
    hats = [make_note(F(i, 2), F(i, 2) + F(1, 10), 42) for i in range(16)]
    drums = [make_note(i, i + F(1, 8), (36, 38)[i % 2]) for i in range(8)]
    kit = Player(name="Kit", instrument=by_id("percussion"), lands_at_start=True)
    return perform(make_phrase(make_part(*hats, *drums)), (kit,), Settings())


def test_drums_land_on_their_note_ons_and_are_written_from_stroke_to_stroke() -> None:
    inner = [note for note in drum_kit().notes if note.target.on_beats > F(1, 2)]
    for note in inner:
        assert note.lands_s == pytest.approx(note.target_on_s)
        assert note.written_landing_error_ms == pytest.approx(0.0, abs=1.0)
        assert note.written_on_beats == 8 - note.target.on_beats
        assert note.written_off_beats - note.written_on_beats == F(1, 2)


def test_strokes_at_the_windows_start_stay_apart_from_the_next_of_their_drum() -> None:
    first = [note for note in drum_kit().notes if note.target.on_beats == 0]
    assert {note.written_on_beats for note in first} == {F(31, 4)}


def test_of_drums_no_gap_is_told() -> None:
    assert {finding.kind for finding in drum_kit().findings} == {"landing"}


def test_stabs_that_land_on_their_starts_stop_on_their_beats() -> None:
    stabs = [make_note(i, i + F(1, 2)) for i in (1, 3, 5, 7)]
    notes = perform(make_phrase(make_part(*stabs)), (make_player(lands_at_start=True),), Settings())
    for note in notes.notes:
        assert note.lands_s == pytest.approx(note.target_on_s, abs=1e-6)
        assert note.onset_s == pytest.approx(note.target_on_s - 0.25, abs=0.04)
        assert note.written_on_beats == 8 - note.target.on_beats
        assert note.written_off_beats <= note.written_on_beats + F(1, 2)
        assert note.onset_error_ms is None


def test_a_stab_never_lasts_into_the_next_note_of_its_part() -> None:
    line = [make_note(1, "3/2"), make_note("3/2", "7/2")]
    notes = perform(make_phrase(make_part(*line)), (make_player(lands_at_start=True),), Settings())
    later = notes.notes[1]
    assert (later.written_on_beats, later.written_off_beats) == (F(13, 2), 7)


def test_a_written_stop_before_a_rest_is_early_by_whole_units() -> None:
    # 120 to the minute: a sixteenth is 0.125 s; 1.2 s room at D = 0 falls 10 dB in 0.14 s.
    note = lone(make_phrase(make_part(make_note(2, 6))), room=Room(1.2, 0.0))
    assert (note.written_on_beats, note.written_off_beats) == (2, Fraction(23, 4))


def test_a_dry_room_leaves_the_written_value_whole() -> None:
    note = lone(make_phrase(make_part(make_note(2, 6))), room=Room(0.2, 6.0))
    assert note.written_off_beats == 6


def test_a_note_that_another_follows_is_written_whole() -> None:
    performance = perform(
        make_phrase(make_part(make_note(0, 4), make_note(4, 8))), (make_player(),), Settings()
    )
    first, second = performance.notes
    assert second.written_off_beats == first.written_on_beats == 4


def test_players_who_start_on_the_click_land_late_in_the_take_and_early_when_flipped(
    lone_note: Phrase,
) -> None:
    assert lone(lone_note, habit=Habit.SPEAK).written_landing_error_ms == pytest.approx(
        0.0, abs=1e-6
    )
    assert lone(lone_note, habit=Habit.START).written_landing_error_ms == pytest.approx(
        -0.3095 * 50.0, rel=0.5
    )


def test_every_target_note_is_there_once_and_in_order() -> None:
    parts = [make_part(make_note(0, 1), make_note("1/3", 2, 64)), make_part(make_note(3, 4, 50))]
    performance = perform(make_phrase(*parts), (make_player(), make_player()), Settings())
    assert [(n.part, n.target) for n in performance.notes] == [
        (i, note) for i, part in enumerate(parts) for note in part.notes
    ]


def test_a_silent_part_is_no_trouble() -> None:
    assert perform(make_phrase(make_part()), (make_player(),), Settings()).notes == ()


def test_a_key_is_free_before_it_is_struck_again() -> None:
    phrase = make_phrase(make_part(make_note(1, 2), make_note(2, 3), make_note(3, 4)))
    dry = replace(Settings(), room=Room(0.05, 20.0))
    slow = make_player(attack_s=0.2, decay_s=0.02)
    notes = perform(phrase, (slow,), dry).notes
    assert [later.played_off_s <= earlier.played_on_s for earlier, later in pairwise(notes)] == [
        True,
        True,
    ]


def test_two_players_in_unison_may_overlap() -> None:
    phrase = make_phrase(make_part(make_note(1, 4), make_note(2, 4)))
    notes = perform(phrase, (make_player(),), Settings()).notes
    assert [note.onset_error_ms for note in notes] == pytest.approx([0.0, 0.0], abs=1e-3)


def test_without_compensation_a_part_that_lands_on_starts_is_mirrored_plainly() -> None:
    phrase = make_phrase(make_part(make_note(2, 4)))
    settings = replace(Settings(), compensate=Compensate.NONE)
    note = perform(phrase, (make_player(Sound.STRUCK, lands_at_start=True),), settings).notes[0]
    assert (note.played_on_s, note.played_off_s) == (2.0, 3.0)


def test_the_notes_of_a_chord_are_let_go_on_one_count() -> None:
    chord = [make_note(2, 6, pitch) for pitch in (36, 48, 60, 72)]
    player = make_player(decay_s=Decay(((36, 1.4), (72, 0.2))))
    notes = perform(make_phrase(make_part(*chord)), (player,), Settings()).notes
    lowest = perform(make_phrase(make_part(chord[0])), (player,), Settings()).notes[0]
    highest = perform(make_phrase(make_part(chord[-1])), (player,), Settings()).notes[0]
    assert lowest.written_off_beats < highest.written_off_beats
    assert {note.written_off_beats for note in notes} == {lowest.written_off_beats}
    assert len({note.played_off_s for note in notes}) == 4


def test_a_chord_that_is_struck_together_is_written_with_one_end() -> None:
    chord = [make_note(2, 4, 60), make_note("9/4", 4, 64), make_note("5/2", 4, 67)]
    phrase = make_phrase(make_part(*chord))
    for damper_s in (None, 0.2):
        player = make_player(Sound.STRUCK, decay_s=3.0, damper_s=damper_s)
        notes = perform(phrase, (player,), Settings()).notes
        assert {(n.written_on_beats, n.written_off_beats) for n in notes} == {(4, 6)}


def test_a_held_bass_under_a_short_chord_keeps_its_own_end_where_it_is_damped() -> None:
    phrase = make_phrase(make_part(make_note(0, 4, 40), make_note(3, 4, 64)))
    player = make_player(Sound.STRUCK, decay_s=3.0, damper_s=0.2)
    notes = perform(phrase, (player,), Settings()).notes
    assert [n.written_off_beats for n in notes] == [8, 5]


def test_the_rise_is_the_one_of_the_design() -> None:
    # theory.md, derived: 3 dB below full after A; 10 dB below after 0.3095 A, 6 dB after 0.566 tau,
    # where tau = A / 1.2279.
    assert rise_s(3.0, 0.2) == pytest.approx(0.2, rel=0.01)
    assert rise_s(10.0, 0.2) == pytest.approx(0.2 * 0.3095, rel=1e-3)
    assert rise_s(6.0, 1.2279) == pytest.approx(0.696, abs=1e-3)


def test_a_room_builds_up_as_it_falls() -> None:
    # docs/theory.md: the room's share at the start of a tone is 1 - 10 ** (-6 t / T).
    assert built_up(0.5, Room(1.5, 0.0)) == pytest.approx(1.0 - 10.0 ** (-2.0))


@given(st.floats(0.01, 20.0), st.floats(0.01, 20.0), st.floats(0.0, 5.0))
def test_what_a_room_holds_is_the_decay_that_it_was_given_convolved_with_its_own(
    decay_s: float, reverberation_s: float, t_s: float
) -> None:
    room = Room(reverberation_s, -60.0)
    k, d = (13.8155 / s for s in (reverberation_s, decay_s))
    u = np.linspace(0.0, t_s, 20_001)
    wanted = np.trapezoid(k * np.exp(-d * u - k * (t_s - u)), u)
    heard = energy_after_stroke(t_s, decay_s, np.inf, 1.0, room)
    assert heard == pytest.approx(wanted, rel=0.01, abs=2e-6)


def test_gaps_before_beats_and_before_the_next_note_are_no_landings() -> None:
    # docs/theory.md: up to an eighth of a quarter, or up to a fifth of the note.
    lengths = [(0, "4/5", 1), (1, "15/8", 2), (2, "11/4", "11/4"), (3, "31/10", "31/10")]
    lengths += [(4, "23/5", "23/5"), (5, "109/20", "11/2"), ("11/2", 6, 6), (6, "31/4", "31/4")]
    part = make_part(*(make_note(on, off) for on, off, _ in lengths))
    for keep_gaps in (False, True):
        settings = replace(Settings(), keep_gaps=keep_gaps)
        notes = perform(make_phrase(part), (make_player(),), settings).notes
        wanted = [off if keep_gaps else meant for _, off, meant in lengths]
        assert [2 * note.target_off_s for note in notes] == pytest.approx(
            [float(Fraction(off)) for off in wanted]
        )


@pytest.mark.parametrize("gap", ["1/4", "1/3"])
def test_a_gap_that_all_notes_of_a_part_have_is_a_sequencers_however_long(gap: str) -> None:
    alike = [make_note(on, on + 4 - Fraction(gap), 60 + on) for on in (0, 4, 8, 12)]
    odd = [*alike[:3], make_note(12, 16 - 2 * Fraction(gap), 72)]
    for notes, ends in ((alike, [8.0, 16.0]), (odd, [8.0 - float(Fraction(gap)), None])):
        phrase = make_phrase(make_part(*notes), bars=4)
        played = perform(phrase, (make_player(),), Settings()).notes
        assert 2 * played[1].target_off_s == pytest.approx(ends[0])
        assert ends[1] is None or 2 * played[3].target_off_s == pytest.approx(ends[1])
        # Three whole notes and a last one that the room shortens, and no 16th rests.
        written = [(note.written_on_beats, note.written_off_beats) for note in played[::-1]]
        assert (written[0][0] == 0) is (ends[1] is not None)


def test_the_level_of_the_next_note_is_not_taken_for_this_ones() -> None:
    """Expression falls where the second note begins; each is heard by its own level."""
    leap = Steps(Fraction(8), (Fraction(0), Fraction(4)), (127, 30))
    part = replace(
        make_part(make_note(0, 4, 60), make_note(4, 8, 64)), controllers=((EXPRESSION, leap),)
    )
    performance = perform(make_phrase(part), (make_player(attack_s=0.1),), Settings())
    errors = [note.written_landing_error_ms for note in performance.notes]
    assert errors == pytest.approx([0.0, 0.0], abs=1.0)


@pytest.mark.parametrize(
    ("notes", "ends"),
    [
        ([(0, "8.02"), (8, "16.01")], ["8.02", "16.01"]),
        ([(0, "4.2"), (4, "8.2"), (8, 12)], ["4.2", "8.2", 12]),
        ([(0, "3.9"), (4, "7.95")], [4, 8]),
    ],
    ids=["let go a little late by hand", "overlapping as legato does", "a gap before the beat"],
)
def test_a_late_note_off_is_no_gap_before_the_beat_after_it(
    notes: list[tuple[object, object]], ends: list[object]
) -> None:
    part = make_part(*(make_note(on, off, 60 + i) for i, (on, off) in enumerate(notes)))
    meant, _ = without_gaps(make_phrase(part, bars=5), [make_player()])
    assert [note.off_beats for note in meant.parts[0].notes] == [Fraction(str(e)) for e in ends]


def test_hands_that_let_go_near_an_eighth_before_the_beat_meant_the_rest() -> None:
    by_hand = [("0.01", "3.46"), ("3.98", "7.93"), ("8.03", "11.52")]
    part = make_part(*(make_note(on, off, 60 + i) for i, (on, off) in enumerate(by_hand)))
    meant, _ = without_gaps(make_phrase(part, bars=3), [make_player()])
    ends = [note.off_beats for note in meant.parts[0].notes]
    assert ends == [Fraction("3.46"), Fraction(8), Fraction("11.52")]
    gated = make_part(make_note(0, "7.52"), make_note(8, "15.52", 62))
    meant, _ = without_gaps(make_phrase(gated, bars=4), [make_player()])
    assert [note.off_beats for note in meant.parts[0].notes] == [8, 16]


def test_notes_that_are_looked_at_in_blocks_are_what_they_are_together(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The loudest tone, by which all are audible, may stand in any block."""
    held = [make_note(n, n + 1 + n % 3, 60 + 5 * n % 17, 30 + 9 * n) for n in range(8)]
    struck = [make_note(n, n + 2, 48 + 7 * n % 19, 100 - 9 * n) for n in range(7)]
    phrase = make_phrase(make_part(*held), make_part(*struck), bars=3)
    players = (make_player(), make_player(Sound.STRUCK))
    together = perform(phrase, players, Settings())
    monkeypatch.setattr("retro.reversal.exact.BLOCK_NOTES", 4)
    assert perform(phrase, players, Settings()).notes == together.notes
