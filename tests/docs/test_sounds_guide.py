"""The commands of the guide to sounds, and of the arranger's loop, run as they are printed.

A made bounce and a made take stand in for a sampler and for people; a bank is one of Debian's.
"""

import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retro.model.sound import Room
from retro.read.plan_file import read_plan
from retro.sounds.probe import length_s, read_probe
from retro.units import pitch_to_hz
from tests.docs.test_guides import DOCS, FENCE, ONLY, Shell
from tests.sounds.conftest import SMALL_BANK, has_player
from tests.sounds.made_takes import LEAD_S, take_of, taking_turns, write_song
from tests.sounds.made_tones import made_tone

FIGURES = {"Oboe": (0.04, 0.2), "Horn in F": (0.08, 0.3)}
BARS, RATE = 12, 48_000
LOOP = re.compile(r"## With your own samples, by ear\n(.*?)\n## ", re.DOTALL)
INLINE = re.compile(r"`(retro (?!listen)[^`]+)`")
"""What a numbered step says to type; the page waits for a person."""


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shell:
    monkeypatch.chdir(tmp_path)
    write_song(Path("song.mid"), taking_turns(list(FIGURES), bars=BARS), bars=BARS)
    return Shell()


def bounced(probe: Path, out: Path) -> None:
    """Write what a sampler makes of a probe."""
    tones = read_probe(probe)
    sound = np.zeros((round(length_s(tones) * RATE), 2))
    for tone in tones:
        hz = pitch_to_hz(tone.pitch)
        piece = made_tone(pitch_hz=hz, attack_s=0.1, decay_s=0.5, held_s=tone.held_s)
        there = sound[round(tone.on_s * RATE) :][: len(piece)]
        there += piece[: len(there)]
    soundfile.write(out, sound, RATE, subtype="PCM_24")


def recorded(pack: Path) -> None:
    """Write what a main and a spot microphone hear of people who play a pack."""
    plan = read_plan(pack / "plan.json")
    for name, others in {"Main": 1.0, "Horns": 0.03}.items():
        sound = take_of(plan, FIGURES, room=Room(0.5, 12.0), gains={"Oboe": others})
        soundfile.write(f"{name}.wav", sound, RATE, subtype="PCM_24")


def typed(command: str) -> str:
    """Return a command as the test types it: packs without pages, and no bank without a player."""
    if "--soundfont" in command and not (has_player() and SMALL_BANK.is_file()):
        command = command.replace("--soundfont bank.sf2", "")
    return f"{command} {ONLY}" if command.startswith("retro build") else command


def test_every_command_of_the_guide_to_sounds_runs_as_printed(shell: Shell) -> None:
    assert round(LEAD_S * RATE) == 96_000
    if SMALL_BANK.is_file():
        shutil.copy(SMALL_BANK, "bank.sf2")
    text = (DOCS / "sounds.md").read_text(encoding="utf-8")
    commands = [
        line
        for kind, block in FENCE.findall(text)
        if kind == "sh"
        for line in block.splitlines()
        if line.startswith("retro ")
    ]
    said = {}
    for command in commands:
        if "probe.wav" in command:
            bounced(Path("probe.mid"), Path("probe.wav"))
        elif "Main.wav" in command:
            recorded(Path("pack"))
        said[command] = shell.run(typed(command))
    learned = [lines for command, lines in said.items() if command.startswith("retro learn")]
    assert "sounds.toml: 2 players; the probe begins at" in learned[0]
    assert "people.toml: 2 of 2 players, for paper" in learned[1]
    assert len(commands) == 6


def test_the_arranger_s_loop_runs_as_printed_in_a_fresh_folder(shell: Shell) -> None:
    (steps,) = LOOP.findall((DOCS / "arranger.md").read_text(encoding="utf-8"))
    assert len(re.findall(r"^\d+\.", steps, re.MULTILINE)) == 10
    (setting,) = re.findall(r"`(sounds = [^`]+)`", steps)
    commands = INLINE.findall(steps)
    assert [command.split()[1] for command in commands] == ["probe", "learn", "build"]
    for command in commands:
        if "probe.wav" in command:
            bounced(Path("probe.mid"), Path("probe.wav"))
        elif command.startswith("retro build"):
            Path("song.toml").write_text(f"[pack]\n{setting}\n", encoding="utf-8")
        said = shell.run(typed(command))
    assert "song.toml" not in said
    assert "say nothing of" not in said
    assert (Path("pack") / "arranger" / "played.mid").is_file()
