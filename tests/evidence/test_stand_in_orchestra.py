"""End to end with real samples: a target, its plan, a take by a synthesiser, flipped and laid.

The stand-in orchestra is fluidsynth with the FluidR3 GM soundfont and its reverb: it knows nothing
of retro, and its attacks are its samples' own. `played.mid` is what it plays, so nothing is late by
paper and the take is flipped without the shift for what is written. `retro flip` turns its file
round by `plan.json`;
the clip is laid where the time-stamp says that wavinfo reads in it. How long its
samples take to speak is heard in the target played forwards, as a person with a mock-up would find
it, and given to the plan: the rise that is heard counts as the time to the plan's threshold, and
the attack that reaches it then is what the plan is told.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner
from wavinfo import WavInfoReader

from retro.cli import app
from retro.model.settings import Landing, PartSettings, Settings
from retro.model.sound import Room, rise_s
from retro.plan.compose import Plan, plan_file, plan_song
from retro.plan.document import plan_json
from retro.read.midi import read_song_bytes
from retro.render.played import performance_midi
from retro.units import seconds_to_samples
from tests.evidence.stand_in import (
    RATE,
    REACH_S,
    Line,
    chroma,
    falls,
    lateness_ms,
    needs_orchestra,
    read_mono,
    recorded,
    rises,
    sounded,
)

pytestmark = needs_orchestra

EXAMPLE = Path(__file__).parents[2] / "examples" / "harbour_pageant.mid"
SOURCE = "fluidsynth with FluidR3 GM, reverb on"
WITHIN_MS = 10.0
SUSTAINED_WITHIN_MS = 20.0
"""In a legato line the release of one tone lies under the rise of the next, backwards as forwards,
and the loudest rise of all bands is found up to 20 ms beside the threshold of either."""

SESSION_START, SESSION_START_S = "01:00:00:00", 3_600
"""Late enough for a tail that begins before the song does."""

HALL = Room(reverberation_s=1.6, direct_to_reverberant_db=3.0)
"""Fluidsynth states no reverberation time for its reverb; the landing does not depend on it."""

STEPS = (0, 4, 7, 5, 9, 2, 11, 7, 4, 12, 9, 5, 2, 7, 4, 11, 5, 0)
BEATS = (0, 1, 2, 2.5, 3, 4, 5.5, 6, 7, 8, 9, 9.5, 10, 11, 12, 13, 14, 15)

STRUCK = {"Xylophone": (13, 72), "Violins pizz": (45, 60), "Harp": (46, 60)}
SUSTAINED = {"Flute": (73, 72), "Strings": (48, 55), "Horn in F": (60, 50)}


def line_of(name: str, program: int, base: int) -> Line:
    """Return a line of irregular rhythm without gaps, so that only one shift fits it."""
    ends = (*BEATS[1:], 16)
    notes = zip(BEATS, ends, STEPS, strict=True)
    return Line(name, program, tuple((on, off, base + step) for on, off, step in notes))


def laid(plan: Plan, folder: Path) -> tuple[np.ndarray, int]:
    """Play the plan, flip the take, and give the clip and the frame of the song where it goes."""
    performance = plan.performance
    (midi,) = performance_midi(performance, source_ticks_per_quarter=plan.song.ticks_per_quarter)
    take = recorded(midi, folder, reverb=True)
    (folder / "plan.json").write_bytes(plan_json(plan))
    command = ["flip", take, "--out", folder / "flipped", "--overwrite"]
    command += ["--plan", folder / "plan.json", "--mock-up", "--session-start", SESSION_START]
    done = CliRunner().invoke(app, [str(word) for word in command])
    assert done.exit_code == 0, done.output
    flipped = folder / "flipped" / f"{take.stem}_flipped.wav"
    stamp = WavInfoReader(flipped).bext.time_reference
    return read_mono(flipped), stamp - SESSION_START_S * RATE


def falls_in_song(clip: np.ndarray, start: int) -> tuple[np.ndarray, np.ndarray]:
    fallen, at_s = falls(clip)
    return fallen, at_s + start / RATE


def plan_line(line: Line, speaks_s: float, landing: Landing) -> Plan:
    """Plan a line whose samples are heard `speaks_s` after a note begins."""
    attack_s = max(speaks_s, 0.0) / float(rise_s(Settings().onset_db, 1.0))
    part = PartSettings(match="1", sampler_attack_s=attack_s)
    settings = replace(Settings(), bars="1-4", room=HALL, landing=landing, parts=(part,))
    return plan_song(read_song_bytes(line.midi, "line.mid"), settings)


@pytest.mark.parametrize("name", STRUCK)
def test_flipped_strokes_fall_where_the_target_strikes(name, tmp_path, record_evidence):
    line = line_of(name, *STRUCK[name])
    target_ms = lateness_ms(*rises(sounded(line.midi, tmp_path, reverb=True)), line.on_s)
    plan = plan_line(line, target_ms / 1000.0, Landing.START)
    flipped_ms = lateness_ms(*falls_in_song(*laid(plan, tmp_path)), line.on_s)
    assert abs(flipped_ms) <= WITHIN_MS
    assert abs(flipped_ms - target_ms) <= WITHIN_MS
    record_evidence(
        what=f"{name}, landing on the beat: the strokes of the flipped take, laid at the stated "
        "place, against those of the target played forwards",
        source=SOURCE,
        expected=f"0 ms, within {WITHIN_MS:g}",
        found=f"{flipped_ms - target_ms:+.1f} ms; {flipped_ms:+.1f} ms against the MIDI file",
    )


@pytest.mark.parametrize("name", SUSTAINED)
def test_flipped_tones_end_where_the_target_ends_them(name, tmp_path, record_evidence):
    line = line_of(name, *SUSTAINED[name])
    speaks_ms = lateness_ms(*rises(sounded(line.midi, tmp_path, reverb=True)), line.on_s)
    clip, start = laid(plan_line(line, speaks_ms / 1000.0, Landing.END), tmp_path)
    flipped_ms = lateness_ms(*falls_in_song(clip, start), line.off_s)
    assert abs(flipped_ms) <= SUSTAINED_WITHIN_MS
    misplaced = falls_in_song(clip, start + seconds_to_samples(0.05, RATE))
    assert lateness_ms(*misplaced, line.off_s) == pytest.approx(flipped_ms + 50.0, abs=1.0)
    uncompensated = falls_in_song(*laid(plan_line(line, 0.0, Landing.END), tmp_path))
    plain_ms = lateness_ms(*uncompensated, line.off_s)
    assert plain_ms < flipped_ms - 0.25 * speaks_ms
    record_evidence(
        what=f"{name}: the ends of the flipped tones, laid at the stated place, against "
        f"the target's ends; played forwards its samples speak {speaks_ms:.0f} ms late",
        source=SOURCE,
        expected=f"0 ms, within {SUSTAINED_WITHIN_MS:g}",
        found=f"{flipped_ms:+.1f} ms; {plain_ms:+.1f} ms if their attack is left out; laid 50 ms "
        "late on purpose, 50 ms are found",
    )


def test_a_flipped_orchestra_lands_and_sounds_as_the_target(tmp_path, record_evidence):
    plan = plan_file(EXAMPLE, replace(Settings(), bars="21-28"))
    notes, start_s = plan.performance.notes, float(plan.window.start_s)
    players = plan.performance.players
    landings_s = np.array(
        [n.target_on_s if players[n.part].lands_at_start else n.target_off_s for n in notes]
    )
    clip, start = laid(plan, tmp_path)
    late_ms = lateness_ms(*falls_in_song(clip, start), landings_s + start_s)
    assert abs(late_ms) <= WITHIN_MS
    record_evidence(
        what="the example's eight bars, 15 players, default figures: the ends of the tones of the "
        "flipped take against the target's landings",
        source=SOURCE,
        expected=f"0 ms, within {WITHIN_MS:g}",
        found=f"{late_ms:+.1f} ms",
    )
    target = sounded(EXAMPLE.read_bytes(), tmp_path, reverb=True)
    lane = np.zeros(target.size + clip.size)
    lane[start : start + clip.size] = clip
    first = plan.placement.window_start_samples
    length = plan.placement.length_samples
    reach = seconds_to_samples(REACH_S, RATE)
    wanted = chroma(target[first : first + length])
    heard = chroma(lane[first - reach : first + length + reach])
    alike = [
        float(np.corrcoef(wanted.ravel(), heard[k : k + len(wanted)].ravel())[0, 1])
        for k in range(len(heard) - len(wanted) + 1)
    ]
    placed, best = alike[len(alike) // 2], max(alike)
    assert placed > 0.85
    assert best - placed < 0.02
    record_evidence(
        what="the same: correlation of loudness by pitch class with the target played forwards; "
        "its peak is broad and early, as swells precede their tones where tails follow them",
        source=SOURCE,
        expected="above 0.85 at the stated place, and within 0.02 of the best of all shifts",
        found=f"{placed:.3f}; best {best:.3f}",
    )
