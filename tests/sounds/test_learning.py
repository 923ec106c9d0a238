"""Figures learned from bounces of a probe: made ones, of which everything is known."""

from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import oaconvolve

from retro.errors import MidiError, TakeError
from retro.model.sound import Room
from retro.plan.compose import plan_file
from retro.read.settings import load_settings
from retro.sounds.learning import learn
from retro.sounds.probe import ProbeTone, length_s, probe_midi, read_probe
from retro.sounds.renderer import room_tail
from retro.units import pitch_to_hz
from tests.sounds.made_tones import made_tone

STUDY = Path(__file__).parents[2] / "examples" / "studies" / "tutti.mid"
MADE = {
    "Trumpet in C 1": (0.03, 0.25),
    "Horn in F 1.2": (0.09, 0.4),
    "Viola": (0.16, 0.9),
    "Timpani": (0.006, 1.6),
}
"""Attack and decay in seconds."""


@cache
def probe() -> tuple[bytes, tuple[ProbeTone, ...]]:
    """Return the probe of a study's players, its file and its tones."""
    performance = plan_file(STUDY, load_settings(None, {})).performance
    midi = probe_midi(performance)
    path = Path(__import__("tempfile").mkdtemp()) / "probe.mid"
    path.write_bytes(midi)
    return midi, read_probe(path)


def some() -> list[ProbeTone]:
    """Return the tones of a few players, one after the other from the start."""
    tones = [tone for tone in probe()[1] if tone.player in MADE]
    moved, now = [], 1.0
    for tone in tones:
        moved.append(replace(tone, on_s=now, off_s=now + tone.held_s))
        now += tone.held_s + 2.0
    return moved


def bounce(
    tones: list[ProbeTone],
    *,
    rate: int = 48_000,
    late_s: float = 0.0,
    gain: float = 1.0,
    noise_db: float | None = None,
    room: Room | None = None,
    semitones: int = 0,
) -> np.ndarray:
    """Return what a sampler with the made figures sounds like."""
    sound = np.zeros((round((late_s + length_s(tones)) * rate), 2))
    for tone in tones:
        attack_s, decay_s = MADE[tone.player]
        piece = made_tone(
            pitch_hz=pitch_to_hz(tone.pitch + semitones),
            attack_s=attack_s,
            decay_s=decay_s,
            held_s=tone.held_s,
            after_s=1.9,
            is_struck=tone.is_struck,
            rate=rate,
        )
        first = round((late_s + tone.on_s) * rate)
        sound[first : first + len(piece)] += piece * (tone.velocity / 127.0)
    if room is not None:
        sound = oaconvolve(sound, room_tail(room, rate, 3), axes=0)[: len(sound)]
    if noise_db is not None:
        loud = np.sqrt(np.mean(np.square(sound[np.abs(sound[:, 0]) > 0.02 * np.abs(sound).max()])))
        noise = np.random.default_rng(5).standard_normal(sound.shape)
        sound = sound + noise * loud * 10.0 ** (noise_db / 20.0)
    return sound * gain


def test_a_probe_holds_every_player_s_pitches_soft_and_loud_long_and_short():
    tones = probe()[1]
    performance = plan_file(STUDY, load_settings(None, {})).performance
    assert list(dict.fromkeys(tone.player for tone in tones)) == [
        player.name for player in performance.players
    ]
    for index, player in enumerate(performance.players):
        asked = {note.target.pitch for note in performance.notes if note.part == index}
        own = [tone for tone in tones if tone.player == player.name]
        assert {min(asked), max(asked)} <= {tone.pitch for tone in own} <= asked
        assert {(tone.velocity, round(tone.held_s, 3)) for tone in own} == {
            (40, 2.0),
            (100, 2.0),
            (100, 0.3),
        }
    ends = sorted((tone.on_s, tone.off_s) for tone in tones)
    assert all(on_s >= off_s + 1.9 for (_, off_s), (on_s, _) in pairwise(ends))


def test_what_is_no_probe_is_refused(tmp_path):
    with pytest.raises(MidiError, match="is no probe"):
        read_probe(STUDY)
    path = tmp_path / "probe.mid"
    for content in (b"", probe()[0][:200], b"MThd" + b"\0" * 30 + b"retro probe 1"):
        path.write_bytes(content)
        with pytest.raises(MidiError):
            read_probe(path)


@pytest.mark.parametrize(
    "about",
    [
        {},
        {"noise_db": -30.0},
        {"noise_db": -30.0, "rate": 44_100, "late_s": 0.7373, "gain": 0.2},
        {"noise_db": -30.0, "rate": 96_000, "late_s": 11.001, "gain": 2.0},
        {"noise_db": -30.0, "room": Room(0.5, 10.0), "late_s": 0.25},
    ],
    ids=["clean", "noise", "44.1 kHz, late, soft", "96 kHz, later, loud", "room"],
)
def test_made_attacks_and_decays_are_found_again(about):
    rate = int(about.get("rate", 48_000))
    learned = learn(bounce(some(), **about), rate, some(), about.get("room"))
    near_s = 0.004 if "room" in about else 0.002
    assert learned.start_s == pytest.approx(about.get("late_s", 0.0), abs=near_s)
    assert not learned.unheard
    for player in learned.players:
        attack_s, decay_s = MADE[player.name]
        assert player.attack_s == pytest.approx(attack_s, abs=0.005), player.name
        assert player.decay_s == pytest.approx(decay_s, rel=0.2), player.name


def test_a_bounce_that_is_clipped_cut_or_of_something_else_is_refused_in_one_line():
    tones = some()
    sound = bounce(tones, noise_db=-40.0)
    other = np.random.default_rng(1).standard_normal(sound.shape) * 0.05
    cases = {
        "is clipped": np.clip(sound * 30.0, -1.0, 1.0),
        "is silent": np.zeros_like(sound),
        "it is cut": sound[: sound.shape[0] * 2 // 3],
        "ends before the probe does": np.concatenate((sound[-480_000:] * 0.0, sound))[:-480_000],
        "begins after the probe's first tone": np.concatenate(
            (sound[round(5.0 * 48_000) :], np.zeros((480_000, 2)))
        ),
        "does not sound when the probe does": other,
        "have not the pitches of the probe": bounce(tones, semitones=3),
    }
    for words, file in cases.items():
        with pytest.raises(TakeError, match=words) as refusal:
            learn(file, 48_000, tones)
        assert "\n" not in str(refusal.value)


def test_a_player_who_is_not_heard_is_named():
    tones = some()
    heard = [tone for tone in tones if tone.player != "Viola"]
    sound = np.zeros((round(length_s(tones) * 48_000), 2))
    piece = bounce(heard, noise_db=-40.0)
    sound[: len(piece)] = piece
    assert learn(sound, 48_000, tones).unheard == ("Viola",)
