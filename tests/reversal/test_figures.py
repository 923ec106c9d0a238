"""Graces, glissandi and runs are known among the notes of a target."""

from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.figures import Figure, FigureKind
from retro.model.instruments import Player
from retro.model.orchestra import by_id
from retro.model.performance import Performance
from retro.model.settings import Settings
from retro.reversal.compensate import perform
from retro.reversal.figures import find_figures, is_swept
from tests.conftest import make_note, make_part, make_phrase

F = Fraction
QUARTER = F(1, 4)
STEP = F(7, 100)


def figures(instrument: str, *notes, us_per_quarter: int = 600_000) -> tuple[Figure, ...]:
    phrase = make_phrase(make_part(*notes), us_per_quarter=us_per_quarter)
    player = Player(name="Study", instrument=by_id(instrument))
    return find_figures(phrase, (player,), grid_beats=QUARTER)


def scale(*pitches: int, step: object = "1/8", at: int = 1):
    step = F(step)
    return [make_note(at + i * step, at + (i + 1) * step, p) for i, p in enumerate(pitches)]


def solo_with_graces():
    return [
        make_note(0, 2 - 2 * STEP, 72),
        make_note(2 - 2 * STEP, 2 - STEP, 74),
        make_note(2 - STEP, 2, 76),
        make_note(2, 4, 77),
    ]


def test_two_short_notes_that_lead_into_a_long_one_are_graces_and_follow_it_in_the_insert():
    assert figures("flute", *solo_with_graces()) == (
        Figure(kind=FigureKind.GRACES, notes=(2, 1), main=3),
    )


def test_a_performance_knows_its_figures():
    phrase = make_phrase(make_part(*solo_with_graces()))
    player = Player(name="Flute", instrument=by_id("flute"))
    assert perform(phrase, (player,), Settings()).figures[0].main == 3


def test_a_grace_is_put_to_the_nearest_head_of_a_chord():
    notes = [make_note(F(193, 100), 2, 62), *(make_note(2, 4, p) for p in (55, 60, 64))]
    assert figures("piano", *notes) == (Figure(kind=FigureKind.GRACES, notes=(0,), main=2),)


@pytest.mark.parametrize(
    "notes",
    [
        pytest.param(scale(72, 74, 76, 77, step=QUARTER), id="sixteenths are rhythm"),
        pytest.param([make_note(0, 2, 60), make_note(2, "2.07", 62)], id="leads nowhere"),
        pytest.param([make_note("1.93", 2, 60), make_note(2, 4, 60)], id="the same pitch again"),
        pytest.param(
            [*(make_note("1.93", 2, p) for p in (60, 64)), make_note(2, 4, 65)], id="a chord"
        ),
        pytest.param([make_note("1.93", "2.07", 60), make_note(2, 4, 62)], id="held over"),
        pytest.param(
            [*scale(50, 50, 50, 50, 50, step="0.1"), make_note("1.5", 3, 45)],
            id="the last stroke of a roll",
        ),
        pytest.param(scale(72, 74, 76, 77, 79, step="0.07"), id="more than graces are"),
        pytest.param(
            [*scale(*(50,) * 9, step="0.1"), make_note("1.9", 2, 50), make_note(2, 4, 45)],
            id="the last stroke of a roll",
        ),
    ],
)
def test_other_short_notes_are_no_graces(notes):
    assert figures("flute", *notes) == ()


def test_a_thirty_second_note_that_the_grid_writes_is_rhythm():
    notes = [make_note("1.875", 2, 62), make_note(2, 4, 64)]
    phrase = make_phrase(make_part(*notes))
    player = Player(name="Flute", instrument=by_id("flute"))
    assert find_figures(phrase, (player,), grid_beats=QUARTER)
    assert not find_figures(phrase, (player,), grid_beats=F(1, 8))


def test_what_the_composer_wrote_small_is_a_grace_however_slow_the_tempo_is():
    graces = [
        replace(make_note(*on_off, 60), is_grace=True)
        for on_off in (("1.75", "1.875"), ("1.875", 2))
    ]
    slow = figures("flute", *graces, make_note(2, 4, 62), us_per_quarter=2_000_000)
    assert slow == (Figure(kind=FigureKind.GRACES, notes=(1, 0), main=2),)


def test_a_small_chord_and_what_leads_nowhere_are_written_as_they_sound():
    chord = [replace(make_note("1.875", 2, pitch), is_grace=True) for pitch in (60, 64)]
    alone = replace(make_note(3, "3.125", 60), is_grace=True)
    assert figures("flute", *chord, make_note(2, 3, 65), alone) == ()


@pytest.mark.parametrize(
    ("instrument", "pitches", "kind"),
    [
        ("harp", (60, 62, 64, 65, 67, 69, 71, 72), FigureKind.GLISSANDO),
        ("harp", (72, 70, 68, 67, 65, 63, 62, 60), FigureKind.GLISSANDO),
        ("harp", (60, 61, 62, 63, 64, 65, 66, 67), FigureKind.RUN),
        ("piano", (60, 62, 64, 65, 67, 69, 71, 72), FigureKind.GLISSANDO),
        ("piano", (61, 63, 66, 68, 70, 73, 75, 78), FigureKind.GLISSANDO),
        ("piano", (60, 62, 63, 65, 67, 68, 70, 72), FigureKind.RUN),
        ("xylophone", (84, 83, 81, 79, 77, 76, 74, 72), FigureKind.GLISSANDO),
        ("violins", (60, 62, 64, 65, 67, 69, 71, 72), FigureKind.RUN),
        ("flute", (72, 74, 75, 77, 79, 80, 82, 84), FigureKind.RUN),
    ],
)
def test_a_fast_run_is_a_glissando_where_one_sweep_plays_it(instrument, pitches, kind):
    (figure,) = figures(instrument, *scale(*pitches))
    assert figure == Figure(kind=kind, notes=tuple(range(7, -1, -1)))


def test_a_slow_scale_an_arpeggio_and_a_trill_are_no_runs():
    assert not figures("harp", *scale(60, 62, 64, 65, 67, 69, 71, step=QUARTER))
    assert not figures("harp", *scale(48, 55, 60, 67, 72, 79, 84))
    assert not figures("flute", *scale(*(72, 74) * 4))


def test_a_run_goes_on_under_held_chords():
    run = scale(60, 62, 64, 65, 67, 69, 71, 72)
    chord = [make_note(1, 4, pitch) for pitch in (36, 43, 48)]
    (figure,) = figures("piano", *run, *chord)
    assert len(figure.notes) == 8


def test_a_harp_sweeps_only_what_its_pedals_hold():
    assert is_swept(by_id("harp"), [60, 62, 63, 66, 67, 69, 70, 72])
    assert is_swept(by_id("harp"), [60, 63, 63, 66, 66, 69, 72])  # C D# Eb F# Gb A B#
    assert not is_swept(by_id("harp"), [60, 62, 64, 65, 66, 67, 69])


def played(instrument: str, *notes) -> Performance:
    phrase = make_phrase(make_part(*notes), us_per_quarter=600_000)
    return perform(phrase, (Player(name="Study", instrument=by_id(instrument)),), Settings())


def written(performance: Performance) -> list[tuple[Fraction, Fraction]]:
    return [(note.written_on_beats, note.written_off_beats) for note in performance.notes]


def test_graces_are_written_behind_their_main_note_and_move_nothing_else():
    first, one, two, main = written(played("flute", *solo_with_graces()))
    assert (first[0], main) == (6, (4, 6))
    assert (two, one) == ((F(23, 4), F(47, 8)), (F(47, 8), 6))


def test_graces_that_no_note_follows_come_after_their_main_note():
    notes = [make_note("1.93", 2, 76), make_note(2, 4, 77)]
    grace, main = written(played("flute", *notes))
    assert main[0] == 4
    assert grace[0] == main[1] <= 6


def test_graces_are_heard_before_their_beat_as_the_target_has_them():
    for note in played("flute", *solo_with_graces()).notes:
        assert note.lands_s == pytest.approx(note.target_off_s, abs=1e-6)


def test_a_glissando_is_written_from_its_first_note_to_its_last():
    run = [*scale(48, 50, 52, 53, 55, 57, 59, 60, step="1/13"), make_note(F(21, 13), 3, 62)]
    spans = written(played("harp", *run))
    first, last = spans[-1], spans[0]
    assert first[1] == last[0]
    ons = [on for on, _ in spans[::-1]]
    assert ons == sorted(set(ons))


def test_tones_that_all_ring_to_one_end_are_no_run_when_turned_round():
    ringing = [make_note(1 + i * F(1, 8), 4, p) for i, p in enumerate((60, 62, 64, 65, 67, 69))]
    assert not figures("harp", *ringing)
