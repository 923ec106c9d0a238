"""Learned figures out: TOML that a person can read and edit."""

import json

from retro.model.learned import LearnedFigures, LearnedTone
from retro.sounds.learning import Learned


def sounds_toml(learned: Learned, source: str) -> str:
    """Return the file of what was learned of a bounce called `source`."""
    head = (
        f"# Learned by `retro learn` from {json.dumps(source)}; used by `retro build --sounds`.\n"
        "# The figures of a player are medians of its tones, with their standard deviations.\n"
    )
    return "\n".join([head, *(_player(figures) for figures in learned.players)])


def _player(figures: LearnedFigures) -> str:
    lines = [
        "[[player]]",
        f"name = {json.dumps(figures.name, ensure_ascii=False)}",
        f"attack_s = {_s(figures.attack_s)}",
        f"attack_spread_s = {_s(figures.attack_spread_s)}",
        f"decay_s = {_s(figures.decay_s)}",
        f"decay_spread_s = {_s(figures.decay_spread_s)}",
        "tone = [",
    ]
    lines += [f"  {{ {_tone(tone)} }}," for tone in figures.tones]
    return "\n".join([*lines, "]", ""])


def _tone(tone: LearnedTone) -> str:
    said = [f"pitch = {tone.pitch}", f"velocity = {tone.velocity}", f"held_s = {_s(tone.held_s)}"]
    for key, seconds in (("attack_s", tone.attack_s), ("decay_s", tone.decay_s)):
        said += [] if seconds is None else [f"{key} = {_s(seconds)}"]
    return ", ".join(said)


def _s(seconds: float) -> str:
    return f"{round(seconds, 4):.4f}"
