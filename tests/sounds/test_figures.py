"""Figures of notes out of the courses of tones."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from retro.model.instruments import Sound
from retro.model.performance import Performance
from retro.model.sound import Room
from retro.placement.compare import compensated
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings
from retro.reversal.compensate import perform
from retro.sounds.envelope import Envelope, envelope_of
from retro.sounds.figures import Sampled, figures_of
from retro.sounds.probing import blended
from tests.sounds.made_tones import RATE, made_tone

STUDIES = Path(__file__).parents[2] / "examples" / "studies"
DRY = Room(0.05, 60.0)


def course(held_s: float = 2.0, pitch: int = 57, **about: float) -> Envelope:
    sound = made_tone(held_s=held_s, **about)
    end_s = sound.shape[0] / RATE
    return envelope_of(sound, RATE, pitch=pitch, on_s=0.0, off_s=held_s, end_s=end_s)


def performance_of(name: str, room: Room):
    path = STUDIES / f"{name}.mid"
    settings = replace(load_settings(beside(path), {}), room=room)
    return plan_file(path, settings).performance


def learned_of(performance: Performance, tone: Sampled | None) -> Performance:
    """Return a performance with the figures of notes that all sound alike."""
    players, settings = performance.players, performance.settings
    tones = [tone] * len(performance.notes)
    return perform(
        performance.target,
        players,
        settings,
        sampler=lambda notes: figures_of(notes, players, settings, tones),
    )


def figures_in(performance: Performance) -> np.ndarray:
    """Return attacks and decays, shape (2, notes)."""
    return np.array([(note.attack_s, note.decay_s) for note in performance.notes]).T


@pytest.mark.parametrize("room", [DRY, Room(0.5, 3.0), Room(1.6, 0.0)], ids=["dry", "0.5", "1.6"])
@pytest.mark.parametrize(("attack_s", "decay_s"), [(0.03, 0.2), (0.09, 0.6), (0.25, 1.2)])
def test_figures_of_tones_that_follow_the_law_are_those_that_they_were_made_with(
    attack_s, decay_s, room
):
    performance = performance_of("horn_chorale", room)
    made = {"attack_s": attack_s, "decay_s": decay_s}
    tone = Sampled(long=course(**made), short=course(0.3, **made))
    attacks_s, decays_s = figures_in(learned_of(performance, tone))
    # The energy of a tone is read over a period behind each instant, so it is seen late.
    late_s = 1.0 / 220.0
    # A room fills by what it is given while the tone rises; the law lets it fill by itself.
    share = 0.1 if room is DRY else 0.2
    assert attacks_s == pytest.approx(attack_s, rel=share, abs=late_s / 0.3095)
    if room is DRY:
        assert np.median(decays_s) == pytest.approx(decay_s, rel=0.15, abs=0.02)


def test_a_performance_with_learned_figures_plans_no_errors_and_keeps_its_paper():
    performance = performance_of("tutti", DRY)
    made = {"attack_s": 0.12, "decay_s": 0.5}
    tone = Sampled(long=course(**made), short=course(0.3, **made))
    learned = learned_of(performance, tone)
    sustained = [
        note
        for note in learned.notes
        if learned.players[note.part].instrument.sound is Sound.SUSTAINED
    ]
    assert all(abs(note.landing_error_ms or 0.0) < 0.01 for note in sustained)
    assert any(
        abs(new.played_on_s - old.played_on_s) > 0.005
        for new, old in zip(learned.notes, performance.notes, strict=True)
    )
    assert [n.written_on_beats for n in learned.notes] == [
        n.written_on_beats for n in performance.notes
    ]
    again = compensated(learned, learned.settings.compensate)
    assert [n.played_on_s for n in again.notes] == [n.played_on_s for n in learned.notes]


def test_short_notes_of_a_slow_sound_land_as_it_rises_while_they_are_held():
    performance = performance_of("violin_run", DRY)
    # No attack of the law grows by the same in every instant, for as long as it is held.
    ramp_s = 2.0
    t_s = np.arange(3 * RATE) / RATE
    sound = t_s / ramp_s * np.sin(2 * np.pi * 880.0 * t_s) * (t_s < ramp_s)
    tone = envelope_of(sound[:, np.newaxis], RATE, pitch=81, on_s=0.0, off_s=ramp_s, end_s=3.0)
    learned = learned_of(performance, Sampled(long=tone, short=tone))
    short = [note for note in learned.notes if note.target_off_s - note.target_on_s < 0.5]
    assert len(short) == 19
    for note in short:
        held_s = note.played_off_s - note.played_on_s
        last_s = min(0.125, held_s / 2.0)
        full = np.sqrt((held_s**3 - (held_s - last_s) ** 3) / (3.0 * last_s))
        lands_s = float(learned.target.length_s) - note.played_on_s - full * 10.0**-0.5
        assert lands_s == pytest.approx(note.target_off_s, abs=0.01)


def test_unknown_and_silent_tones_keep_the_figures_of_their_players():
    performance = performance_of("violin_run", DRY)
    silent = Envelope(held=b"", after=b"")
    for tone in (None, Sampled(long=silent, short=silent)):
        assert np.array_equal(figures_in(learned_of(performance, tone)), figures_in(performance))


def test_what_a_person_says_of_the_sampler_goes_before_what_is_heard(tmp_path):
    settings = tmp_path / "settings.toml"
    settings.write_text('[[part]]\nmatch = "1"\nsampler_attack_s = 0.2\n', encoding="utf-8")
    path = STUDIES / "violin_run.mid"
    performance = plan_file(path, load_settings(settings, {})).performance
    tone = Sampled(
        long=course(attack_s=0.05, decay_s=0.4), short=course(attack_s=0.05, decay_s=0.4)
    )
    attacks_s, decays_s = figures_in(learned_of(performance, tone))
    assert attacks_s == pytest.approx(0.2)
    assert not np.allclose(decays_s, figures_in(performance)[1])


def test_the_course_of_a_silent_tone_is_silent_and_blending_takes_what_sounds():
    quiet = envelope_of(np.zeros((RATE, 2)), RATE, pitch=60, on_s=0.0, off_s=0.5, end_s=1.0)
    loud = course(attack_s=0.05, decay_s=0.3)
    assert quiet.is_silent
    assert blended(quiet, loud, 0.2) == loud == blended(loud, quiet, 0.8)
    slow = course(attack_s=0.2, decay_s=0.3)
    between = blended(loud, slow, 0.5).held_energy
    assert np.all(between[5:200] <= loud.held_energy[5:200] * 1.1)
    assert np.all(between[5:200] >= slow.held_energy[5:200] / 1.1)
