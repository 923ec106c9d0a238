"""Learned figures out: TOML that a person can read and edit."""

import json
from collections.abc import Iterator, Sequence

from retro.model.learned import LearnedFigures, LearnedTone, Performer
from retro.sounds.learning import Learned
from retro.sounds.take_figures import Stated
from retro.sounds.take_learning import LearnedTake, TakePlayer


def sounds_toml(learned: Learned, source: str) -> str:
    """Return the file of what was learned of a bounce called `source`."""
    head = (
        f"# Learned by `retro learn` from {json.dumps(source)}; used by `retro build --sounds`.\n"
        "# The figures of a player are medians of its tones, with their standard deviations.\n"
    )
    return "\n".join([head, *(_player(figures) for figures in learned.players)])


def people_toml(learned: LearnedTake, source: str) -> str:
    """Return the file of what was learned of the people in a take called `source`."""
    head = (
        f"# Learned by `retro learn` from the take {json.dumps(source)}; used by "
        "`retro build --sounds`.\n"
        "# People: the figures are for paper. A spread says how far a figure may be off (95 %),\n"
        "# or how much the notes differ where that is more.\n"
    )
    known = [player for player in learned.players if player.attack or player.decay]
    return "\n".join([head, *(_person(player) for player in known)])


def _player(figures: LearnedFigures) -> str:
    return "\n".join(
        [
            "[[player]]",
            f"name = {json.dumps(figures.name, ensure_ascii=False)}",
            f"attack_s = {_s(figures.attack_s)}",
            f"attack_spread_s = {_s(figures.attack_spread_s)}",
            f"decay_s = {_s(figures.decay_s)}",
            f"decay_spread_s = {_s(figures.decay_spread_s)}",
            *_tones(figures.tones),
            "",
        ]
    )


def _person(player: TakePlayer) -> str:
    return "\n".join(
        [
            "[[player]]",
            f"name = {json.dumps(player.name, ensure_ascii=False)}",
            f'performer = "{Performer.PEOPLE}"',
            *_stated("attack", player.attack),
            *_stated("decay", player.decay),
            *(_tones(player.tones) if player.tones else ()),
            "",
        ]
    )


def _stated(what: str, stated: Stated | None) -> Iterator[str]:
    if stated is not None:
        yield f"{what}_s = {_s(stated.figure_s)}"
        yield f"{what}_spread_s = {_s(stated.spread_s)}"
        yield f"{what}_notes = {stated.notes}"


def _tones(tones: Sequence[LearnedTone]) -> Iterator[str]:
    yield "tone = ["
    yield from (f"  {{ {_tone(tone)} }}," for tone in tones)
    yield "]"


def _tone(tone: LearnedTone) -> str:
    said = [f"pitch = {tone.pitch}", f"velocity = {tone.velocity}", f"held_s = {_s(tone.held_s)}"]
    for key, seconds in (("attack_s", tone.attack_s), ("decay_s", tone.decay_s)):
        said += [] if seconds is None else [f"{key} = {_s(seconds)}"]
    return ", ".join(said)


def _s(seconds: float) -> str:
    return f"{round(seconds, 4):.4f}"
