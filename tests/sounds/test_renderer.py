"""Previews that a bank of sounds plays."""

from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pytest
from scipy.signal import correlate

from retro.errors import SettingsError
from retro.model.performance import Performance
from retro.plan.compose import plan_file
from retro.read.settings import load_settings
from retro.sounds import renderer as module
from retro.sounds.bank import Bank
from retro.sounds.renderer import GivenUpError, Renderer

STUDY = Path(__file__).parents[2] / "examples" / "studies" / "violin_run.mid"
TUTTI = STUDY.with_name("tutti.mid")


def planned(bank: Bank, path: Path = STUDY, **flags: object) -> Performance:
    settings = load_settings(None, {"soundfont": str(bank.path), **flags})
    return plan_file(path, settings).performance


@pytest.fixture
def played(monkeypatch):
    """The MIDI files that a bank is asked to play."""
    asked = []
    play = Bank.play

    def counted(self, midi, presets):
        asked.append(midi)
        return play(self, midi, presets)

    monkeypatch.setattr(Bank, "play", counted)
    return asked


def test_a_bank_s_preview_is_as_loud_and_as_long_as_the_sines_and_turns_round_exactly(bank):
    performance = planned(bank)
    preview = Renderer().preview(performance)
    assert preview.loudness.lufs == pytest.approx(-23.0, abs=0.2)
    assert preview.loudness.true_peak_dbtp <= -1.0
    assert np.array_equal(preview.flipped, preview.played[::-1])
    assert preview.target.shape == preview.played.shape
    length_s = preview.length_samples / preview.rate
    assert length_s == pytest.approx(float(performance.target.length_s), abs=1e-4)
    assert np.abs(preview.played[preview.pre_roll_samples :]).max() > 0.01


def test_the_stems_of_a_bank_add_up_to_the_whole(bank):
    performance = planned(bank, TUTTI)
    renderer = Renderer()
    preview = renderer.preview(performance)
    stems = list(renderer.stems(performance, preview))
    names = {stem.part: stem.name for stem in stems}
    assert len(stems) == len(names)
    assert names == {part: player.name for part, player in enumerate(performance.players)}
    whole = sum(stem.flipped.astype(float) for stem in stems)
    assert np.abs(whole - preview.flipped).max() < len(stems) * 2.0**-22


def test_a_part_of_many_layers_has_its_controllers_in_all_of_them(bank, tmp_path):
    """A pitch that is struck while it sounds is played on another channel."""
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("track_name", name="Violins I"))
    for control, value in ((7, 90), (10, 0)):
        track.append(mido.Message("control_change", control=control, value=value))
    for time, kind in ((0, "note_on"), (480, "note_on"), (480, "note_off"), (960, "note_off")):
        track.append(mido.Message(kind, note=69, velocity=80, time=time))
    path = tmp_path / "layers.mid"
    file.save(path)
    dry = {"reverberation_s": 0.05, "direct_to_reverberant_db": 40.0}
    sound = Renderer().preview(planned(bank, path, **dry)).target
    left, right = np.abs(sound).max(axis=0)
    assert right < 0.4 * left


def test_a_stem_is_its_part_alone(bank):
    performance = planned(bank, TUTTI)
    renderer = Renderer()
    preview = renderer.preview(performance)
    for stem in renderer.stems(performance, preview):
        mine = tuple(note for note in performance.notes if note.part == stem.part)
        alone = Renderer().preview(replace(performance, notes=mine))
        wanted = alone.played[alone.pre_roll_samples :][: preview.length_samples]
        got = stem.flipped[::-1][preview.pre_roll_samples :][: preview.length_samples]
        size = min(len(wanted), len(got))
        apart = got[:size] / preview.gain - wanted[:size] / alone.gain
        assert np.abs(apart).max() < 0.01 * np.abs(got).max() / preview.gain, stem.name


def test_the_same_performance_sounds_the_same_and_only_what_has_changed_is_played_again(
    bank, played
):
    performance = planned(bank, TUTTI)
    renderer = Renderer()
    first = renderer.preview(performance)
    lines = len(played)
    assert np.array_equal(renderer.preview(performance).played, first.played)
    assert len(played) == lines
    moved = tuple(
        replace(note, played_on_s=note.played_on_s - 0.01) if note.part == 0 else note
        for note in performance.notes
    )
    renderer.preview(replace(performance, notes=moved))
    assert lines < len(played) <= lines + 2
    assert np.array_equal(Renderer().preview(performance).played, first.played)


def test_of_a_long_phrase_a_moved_note_has_its_own_stretch_played_again(bank, played, monkeypatch):
    performance = planned(bank, TUTTI)
    whole = Renderer().preview(performance)
    monkeypatch.setattr(module, "MAX_STRETCH_S", float(performance.target.length_s) / 3.5)
    renderer = Renderer()
    played.clear()
    preview = renderer.preview(performance)
    lines = len(played)
    assert lines >= 4
    apart = preview.played / preview.gain - whole.played / whole.gain
    assert np.abs(apart).max() < 0.01 * np.abs(whole.played).max() / whole.gain
    last = max(range(len(performance.notes)), key=lambda i: performance.notes[i].played_on_s)
    note = performance.notes[last]
    moved = [*performance.notes]
    moved[last] = replace(note, played_on_s=note.played_on_s + 0.01)
    renderer.preview(replace(performance, notes=tuple(moved)))
    assert lines < len(played) <= lines + 2  # the second where it rings for long


def test_the_target_is_played_once_it_is_asked_for(bank, played):
    performance = planned(bank, TUTTI)
    preview = Renderer().preview(performance)
    lines = len(played)
    assert preview.target.shape == preview.played.shape
    assert len(played) > lines
    lines = len(played)
    assert preview.target_loudness.lufs == pytest.approx(-23.0, abs=0.2)
    assert len(played) == lines


def test_what_is_not_wanted_any_more_is_played_no_further(bank, played):
    with pytest.raises(GivenUpError):
        Renderer().preview(planned(bank, TUTTI), lambda: False)
    assert played == []


def test_another_rate_sounds_at_the_same_place(bank):
    dry = {"reverberation_s": 0.05, "direct_to_reverberant_db": 40.0}
    at_48, at_96 = (
        Renderer().preview(planned(bank, rate=rate, **dry)).played.mean(axis=1)
        for rate in (48_000, 96_000)
    )
    likeness = correlate(at_48, at_96[::2], method="fft")
    assert int(likeness.argmax()) == at_48.size - 1
    assert likeness.max() / np.sqrt(np.sum(at_48**2) * np.sum(at_96[::2] ** 2)) > 0.999


def test_a_program_of_a_part_is_heard_and_one_that_the_bank_lacks_is_refused(bank, tmp_path):
    settings = tmp_path / "settings.toml"
    part = f'[pack]\nsoundfont = "{bank.path}"\n[[part]]\nmatch = "1"\n'
    settings.write_text(part + "program = 73\nkey = 72\n", encoding="utf-8")
    plain = Renderer().preview(planned(bank))
    other = Renderer().preview(plan_file(STUDY, load_settings(settings, {})).performance)
    assert not np.array_equal(plain.played[:48_000], other.played[:48_000])
    settings.write_text(part + "bank = 77\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"has no program \d+ in bank 77.*bank 77 has none"):
        Renderer().preview(plan_file(STUDY, load_settings(settings, {})).performance)
