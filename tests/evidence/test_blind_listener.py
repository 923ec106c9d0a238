"""A listener who knows nothing of the target hears its rhythm in the flipped sound.

Librosa finds onsets (spectral flux, hop of 256 frames), mir_eval matches them with the target. The
end of a flipped tone is an onset of the sound read backwards. Spectral flux hears a slow tone where
it grows fastest, somewhere inside its attack and not at a level: how far compensation moves the
ends is compared with the law, where they lie only with the attack. Needs the extra ``evidence``.

`played.mid` is what the stand-in orchestra plays; how late its samples speak is heard in the target
played forwards, as a person with a mock-up would find it, and given to the plan.
"""

import warnings
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from retro.drafting.casting import read_players
from retro.model.instruments import Player
from retro.model.performance import Performance
from retro.model.settings import Compensate, Settings
from retro.model.sound import Room, fall_s, rise_s
from retro.render.played import performance_midi, with_count_in
from retro.render.preview import render_preview
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase
from tests.evidence.stand_in import RATE, Line, needs_orchestra, sounded

librosa = pytest.importorskip("librosa")
mir_eval = pytest.importorskip("mir_eval")

STEPS = (0, 4, 7, 5, 9, 2, 11, 7, 4, 12, 9, 5, 2, 7)
BEATS = ("1", "5/2", "4", "5", "7", "8", "10", "23/2", "13", "14", "16", "35/2", "19", "21")
US_PER_QUARTER = 600_000
WINDOW_S = 0.1
"""Within which mir_eval counts an onset as found: twice its usual figure, for attacks of 150 ms."""

LIBROSA_DELTA, SINES_DELTA = 0.07, 0.3
"""By how much a peak of the flux stands out where it counts as an onset: librosa's own, and for
sines that rise slowly without noise, where its own hears one attack as several."""

NEAR_S = 0.15
HALL = Room(reverberation_s=0.8, direct_to_reverberant_db=3.0)
SOURCE = "onset detection of librosa, matched by mir_eval"

STRUCK = {"Xylophone": (13, 72), "Harp": (46, 60)}
SUSTAINED = {"Violins I": (48, 60), "Flute": (73, 72), "Horn in F": (60, 53), "Celli": (48, 48)}
EVERYONE = STRUCK | SUSTAINED


@dataclass(frozen=True)
class Heard:
    """What was found: shares of the target found and of the finds wanted, median error in ms."""

    recall: float
    precision: float
    median_ms: float

    def __str__(self) -> str:
        return (
            f"{self.recall:.0%} found, {self.precision:.0%} of what was found is wanted, median "
            f"{self.median_ms:+.0f} ms"
        )


def onsets_s(sound: np.ndarray, rate: int, delta: float = LIBROSA_DELTA) -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return librosa.onset.onset_detect(
            y=sound.astype(np.float32), sr=rate, units="time", hop_length=256, delta=delta
        )


def ends_s(sound: np.ndarray, rate: int, delta: float = LIBROSA_DELTA) -> np.ndarray:
    return sound.size / rate - onsets_s(sound[::-1], rate, delta)[::-1]


def heard(wanted_s: np.ndarray, found_s: np.ndarray) -> Heard:
    wanted_s, found_s = np.sort(wanted_s), np.sort(found_s)
    _, precision, recall = mir_eval.onset.f_measure(wanted_s, found_s, window=WINDOW_S)
    matched = mir_eval.util.match_events(wanted_s, found_s, NEAR_S)
    errors = [1000.0 * (found_s[j] - wanted_s[i]) for i, j in matched]
    return Heard(recall, precision, float(np.median(errors)) if errors else np.nan)


def performed(name: str, compensate: Compensate, attack_s: float | None = None) -> Performance:
    """Perform an irregular rhythm of quarter notes with rests between them."""
    program, base = EVERYONE[name]
    notes = [
        make_note(beat, Fraction(beat) + 1, base + step, 90)
        for beat, step in zip(BEATS, STEPS, strict=True)
    ]
    part = make_part(*notes, name=name, program=program)
    phrase = make_phrase(part, bars=6, us_per_quarter=US_PER_QUARTER)
    (player,) = read_players(name)
    player: Player = replace(player, attack_override_s=attack_s)
    return perform(phrase, (player,), replace(Settings(), room=HALL, compensate=compensate))


def landings_s(performance: Performance) -> np.ndarray:
    return np.array([note.target_off_s for note in performance.notes])


@cache
def found_in_preview(name: str, compensate: Compensate) -> tuple[np.ndarray, np.ndarray]:
    """Return the onsets and the ends that are heard in the flipped preview, on window time."""
    preview = render_preview(performed(name, compensate))
    sound = preview.flipped.mean(axis=1)
    start_s = preview.window_start_sample / preview.rate
    ends = ends_s(sound, preview.rate, SINES_DELTA)
    return onsets_s(sound, preview.rate) - start_s, ends - start_s


@pytest.mark.parametrize("name", EVERYONE)
def test_the_landings_are_found_in_the_preview(name, record_evidence) -> None:
    both = performed(name, Compensate.BOTH)
    found = heard(landings_s(both), found_in_preview(name, Compensate.BOTH)[1])
    plain = heard(landings_s(both), found_in_preview(name, Compensate.NONE)[1])
    attack_ms = 1000.0 * float(np.median([note.attack_s for note in both.notes]))
    law_ms = float(rise_s(both.settings.onset_db, attack_ms))
    moved_ms = found.median_ms - plain.median_ms
    assert found.recall == 1.0
    assert abs(found.median_ms) <= 10.0 + 0.4 * attack_ms
    assert moved_ms == pytest.approx(law_ms, abs=10.0)
    record_evidence(
        what=f"{name}: 14 landings in the flipped preview, within {1000 * WINDOW_S:g} ms",
        source=SOURCE,
        expected=f"all found; compensation moves them by {law_ms:.0f} ms, within 10; the attack "
        f"lasts {attack_ms:.0f} ms",
        found=f"{found}; moved by {moved_ms:+.0f} ms",
    )


@pytest.mark.parametrize("name", SUSTAINED)
def test_compensation_moves_the_onsets_that_are_heard_by_the_fall_of_the_room(
    name, record_evidence
) -> None:
    performance = performed(name, Compensate.BOTH)
    wanted_s = np.array([note.target_on_s for note in performance.notes])
    medians = {
        compensate: heard(wanted_s, found_in_preview(name, compensate)[0]).median_ms
        for compensate in (Compensate.NONE, Compensate.BOTH)
    }
    moved_ms = medians[Compensate.BOTH] - medians[Compensate.NONE]
    decays_s = np.array([note.decay_s for note in performance.notes])
    fall_ms = 1000.0 * float(np.median(fall_s(performance.settings.onset_db, decays_s, HALL)))
    assert moved_ms == pytest.approx(fall_ms, abs=25.0)
    record_evidence(
        what=f"{name}: how much later the onsets of the flipped preview are heard once they are "
        "compensated",
        source=SOURCE,
        expected=f"{fall_ms:.0f} ms, the fall of the room by 10 dB, within 25",
        found=f"{moved_ms:+.0f} ms, from {medians[Compensate.NONE]:+.0f} to "
        f"{medians[Compensate.BOTH]:+.0f} ms against the target",
    )


@needs_orchestra
@pytest.mark.parametrize("name", EVERYONE)
def test_the_landings_are_found_in_a_flipped_take(name, tmp_path, record_evidence) -> None:
    speaks_s = speaks_late_s(name, tmp_path)
    attack_s = max(speaks_s, 0.0) / float(rise_s(Settings().onset_db, 1.0))
    performance = performed(name, Compensate.BOTH, attack_s)
    (midi,) = performance_midi(performance, source_ticks_per_quarter=480)
    take = sounded(midi, tmp_path, reverb=True)
    whole = with_count_in(performance.insert, performance.settings.count_in_bars)
    end_s = float(whole.length_s)
    flipped = take[::-1]
    start_s = take.size / RATE - end_s
    found = heard(landings_s(performance), ends_s(flipped, RATE) - start_s)
    assert found.recall >= 0.9
    assert abs(found.median_ms) <= 15.0
    record_evidence(
        what=f"{name}: 14 landings in a flipped take of the stand-in orchestra, whose samples "
        f"speak {1000 * speaks_s:.0f} ms late",
        source=f"{SOURCE}; fluidsynth with FluidR3 GM, reverb on",
        expected="at least 90 % found, median within 15 ms",
        found=found,
    )


def speaks_late_s(name: str, folder: Path) -> float:
    """Return how late librosa hears the samples in the target played forwards."""
    program, base = EVERYONE[name]
    beats = [float(Fraction(beat)) for beat in BEATS]
    notes = tuple((on, on + 1.0, base + step) for on, step in zip(beats, STEPS, strict=True))
    line = Line(name, program, notes, bpm=100)
    sound = sounded(line.midi, folder, reverb=False)
    return heard(line.on_s, onsets_s(sound, RATE)).median_ms / 1000.0
