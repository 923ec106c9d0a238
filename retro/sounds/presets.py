"""What of a bank plays a part."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from retro.errors import SettingsError
from retro.model.instruments import Player
from retro.model.phrase import PERCUSSION_CHANNEL, Part, Phrase
from retro.model.settings import Settings
from retro.sounds.bank import DRUM_BANK, Bank, open_bank

MAX_NAMED = 12
"""Programs that a refusal names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preset:
    """What of a bank plays a part: bank and program, from 0; drum kits stand in bank 128."""

    bank: int
    program: int

    @classmethod
    def of(cls, player: Player, part: Part) -> "Preset":
        """Return what the settings say of a player, else the file, else the instrument."""
        is_percussion = part.channel == PERCUSSION_CHANNEL or (
            player.instrument.is_unpitched and part.program is None
        )
        bank = player.bank if player.bank is not None else DRUM_BANK if is_percussion else 0
        usual = 0 if bank == DRUM_BANK else (player.instrument.programs or (0,))[0]
        stated = part.program if player.program is None else player.program
        return cls(bank=bank, program=usual if stated is None else stated)


def bank_of(phrase: Phrase, players: Sequence[Player], settings: Settings) -> Bank:
    """Return the bank that settings name, which plays a phrase.

    Raises
    ------
    BankError
        If it cannot be read.
    SettingsError
        If a part asks for what it does not hold.
    """
    bank = open_bank(Path(str(settings.soundfont)))
    for player, part in zip(players, phrase.parts, strict=True):
        _refuse_unknown(bank, player, part)
    return bank


def _refuse_unknown(bank: Bank, player: Player, part: Part) -> None:
    """Refuse a preset that the settings ask for and the bank does not hold."""
    preset = Preset.of(player, part)
    is_asked = player.bank is not None or player.program is not None
    if is_asked and (preset.bank, preset.program) not in bank.presets:
        raise SettingsError(
            f"{bank.path.name} has no program {preset.program} in bank {preset.bank}, which the "
            f"settings ask for",
            where=player.name,
            advice=f"bank {preset.bank} has {_numbers(bank, preset.bank)}",
        )


def _numbers(bank: Bank, number: int) -> str:
    programs = sorted(program for each, program in bank.presets if each == number)
    shown = ", ".join(map(str, programs[:MAX_NAMED]))
    return f"{shown}{' and more' if len(programs) > MAX_NAMED else ''}" if programs else "none"
