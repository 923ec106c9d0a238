"""Learned figures in: the file that `retro learn` writes."""

import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import msgspec

from retro.errors import SettingsError
from retro.model.instruments import Player
from retro.model.learned import LearnedFigures, LearnedTone, Performer

MAX_BYTES = 1_000_000
ATTACK_S, DECAY_S, HELD_S = (0.0, 2.0), (0.01, 60.0), (0.01, 60.0)
"""What figures may be, as in the settings."""


class _Tone(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pitch: int
    velocity: int
    held_s: float
    attack_s: float | None = None
    decay_s: float | None = None


class _Player(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    name: str
    performer: Performer = Performer.SAMPLER
    attack_s: float | None = None
    decay_s: float | None = None
    attack_spread_s: float = 0.0
    decay_spread_s: float = 0.0
    attack_notes: int = 0
    decay_notes: int = 0
    tone: list[_Tone] = []


class _File(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    player: list[_Player]


def read_sounds(path: Path) -> tuple[LearnedFigures, ...]:
    """Return what a file of learned figures holds, player by player.

    A player without tones has its own attack and decay for all of them.

    Raises
    ------
    SettingsError
        If it is no such file; says what is wrong.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
        if len(raw) > MAX_BYTES:
            raise SettingsError(f"more than {MAX_BYTES} bytes are no learned sounds", where=path)
        table = tomllib.loads(raw.decode("utf-8-sig"))
        players = msgspec.convert(table, _File).player
    except OSError as fault:
        raise SettingsError(fault.strerror or "cannot be read", where=path) from None
    except (ValueError, RecursionError, msgspec.ValidationError) as fault:
        raise SettingsError(
            f"is no file of learned sounds: {fault}", where=path, advice="`retro learn` writes one"
        ) from None
    for player in players:
        figures: tuple[_Player | _Tone, ...] = (player, *player.tone)
        for each in figures:
            _refuse_out_of_range(path, player.name, each)
    return tuple(
        LearnedFigures(
            name=player.name,
            tones=tuple(sorted(_tones(player), key=_place)),
            performer=player.performer,
        )
        for player in players
    )


def with_sounds(players: Iterable[Player], learned: Iterable[LearnedFigures]) -> tuple[Player, ...]:
    """Return players with the figures that were learned of those of their names."""
    by_name = {(figures.performer, figures.name): figures for figures in learned}
    return tuple(
        replace(
            player,
            learned=by_name.get((Performer.SAMPLER, player.name)),
            learned_people=by_name.get((Performer.PEOPLE, player.name)),
        )
        for player in players
    )


def _refuse_out_of_range(path: Path, name: str, each: _Player | _Tone) -> None:
    if each.attack_s is None and each.decay_s is None:
        raise SettingsError(
            f"{name}: neither attack_s nor decay_s is stated", where=path, advice="state one"
        )
    for value, (low, high), what in (
        (each.attack_s, ATTACK_S, "attack_s"),
        (each.decay_s, DECAY_S, "decay_s"),
        (each.held_s if isinstance(each, _Tone) else None, HELD_S, "held_s"),
    ):
        if value is not None and not low <= value <= high:
            raise SettingsError(
                f"{name}: {what} = {value:g}: want a number from {low:g} to {high:g} s", where=path
            )


def _tones(player: _Player) -> Iterator[LearnedTone]:
    of_all = _Tone(
        pitch=60, velocity=64, held_s=1.0, attack_s=player.attack_s, decay_s=player.decay_s
    )
    for tone in player.tone or [of_all]:
        yield LearnedTone(**msgspec.structs.asdict(tone))


def _place(tone: LearnedTone) -> tuple[int, int, float]:
    return tone.pitch, tone.velocity, tone.held_s
