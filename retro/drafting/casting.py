"""Who plays a draft, and how loudly: players by name or family, a dynamic after each that has one.

A family is that of the song where there is one: who of it plays there. Without a song it is the
usual single players and string sections (common practice).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from retro.errors import SettingsError
from retro.model.instruments import Family, Player
from retro.model.phrase import Part
from retro.read.guess import guess_player, sure_ids
from retro.read.musicxml_loudness import LEVELS

FAMILIES = {"strings": Family.STRINGS, "woodwinds": Family.WOODWIND, "brass": Family.BRASS}
TUTTI = "tutti"
"""Everybody of the song who plays pitches; without a song, the three families."""

USUAL = {
    Family.WOODWIND: ("Flute", "Oboe", "Clarinet in Bb", "Bassoon"),
    Family.BRASS: ("Horn in F", "Horn in F", "Trumpet in Bb", "Trombone", "Tuba"),
    Family.STRINGS: ("Violins I", "Violins II", "Violas", "Celli", "Double Basses"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast:
    """Who plays a draft, under names of their own; how loud each is at the landing, 1 to 127."""

    players: tuple[Player, ...]
    velocities: tuple[int, ...]


def read_cast(names: str, *, velocity: int, company: Sequence[Player] = ()) -> Cast:
    """Return who is named by players and families: ``strings p, Horn in F ff, Harp``.

    Those without a dynamic have `velocity`; families are of the `company` that plays in the song.

    Raises
    ------
    SettingsError
        If nobody is called so, nobody is named, or nobody of a family is in the song.
    """
    wanted = [" ".join(name.split()) for name in names.split(",") if name.strip()]
    if not wanted:
        raise SettingsError("no players", where="players", advice="name them, with commas")
    beside = sure_ids(_dynamic_of(words)[0] for words in wanted)
    beside |= {player.instrument.id for player in company}
    players: list[Player] = []
    velocities: list[int] = []
    for words in wanted:
        name, dynamic = _dynamic_of(words)
        called = _called(name, company, beside)
        players += called
        velocities += [LEVELS[dynamic] if dynamic else velocity] * len(called)
    return Cast(players=_numbered(players), velocities=tuple(velocities))


def read_players(names: str) -> tuple[Player, ...]:
    """Read players as `read_cast` does, without a song; dynamics mean nothing here."""
    return read_cast(names, velocity=1).players


def _dynamic_of(words: str) -> tuple[str, str]:
    name, _, last = words.rpartition(" ")
    return (name, last) if name and last in LEVELS else (words, "")


def _called(name: str, company: Sequence[Player], beside: frozenset[str]) -> tuple[Player, ...]:
    """Return whom a name means: the members of a family, or one player beside some others."""
    word = name.lower()
    if word != TUTTI and word not in FAMILIES:
        return (_player(name, beside),)
    families = tuple(FAMILIES.values()) if word == TUTTI else (FAMILIES[word],)
    if not company:
        return tuple(_player(usual, frozenset()) for family in families for usual in USUAL[family])
    members = tuple(
        player
        for player in company
        if not player.instrument.is_unpitched
        and (word == TUTTI or player.instrument.family in families)
    )
    if not members:
        raise SettingsError(
            f"nobody of the {word} plays in the song",
            where="players",
            advice="name the players; `retro show` lists those of the song",
        )
    return members


def _player(name: str, beside: frozenset[str]) -> Player:
    part = Part(name=name, channel=0, program=None, notes=())
    player, doubt = guess_player(part, company=beside)
    if doubt is not None:
        raise SettingsError(
            f"nobody is called {name!r}",
            where="players",
            advice="`retro instruments` lists them, strings, woodwinds, brass and tutti are whole "
            "families; names in five languages are understood",
        )
    return player


def _numbered(players: Sequence[Player]) -> tuple[Player, ...]:
    names = [player.name for player in players]
    told = []
    for index, player in enumerate(players):
        number = names[: index + 1].count(player.name)
        name = f"{player.name} {number}" if names.count(player.name) > 1 else player.name
        told.append(replace(player, name=name))
    return tuple(told)
