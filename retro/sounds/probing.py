"""What a bank's tones are like: every pitch that a performance asks for, played alone and dry.

Each is played soft and loud, held for long and for short; what lies between is taken from between.
Samples beat and swell for as long as they sound, so a pitch that is held for longer is played for
longer, too.
"""

import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from retro.model.instruments import LOUD_VELOCITY, SOFT_VELOCITY, Player, Sound
from retro.model.latest import Latest
from retro.model.phrase import PERCUSSION_CHANNEL, Part, Phrase
from retro.model.settings import Settings
from retro.reversal.compensate import SamplerFigures
from retro.sounds.bank import BANK_RATE, BLOCK_FRAMES, DRUM_BANK, Bank, as_sound
from retro.sounds.cache import read_tones, write_tones
from retro.sounds.envelope import Envelope, envelope_of
from retro.sounds.figures import SHORT_S, Sampled, figures_of
from retro.sounds.line import CONTROL_CHANGE, SETUP, Event, set_up, smf, strike
from retro.sounds.players import PLAYERS
from retro.sounds.presets import Preset, bank_of
from retro.units import seconds_to_ms

LONGS_MS, SHORT_MS = (2000, 4000, 8000), 300
"""How long tones are held."""

SHORT_BELOW_S = 2.0 * SHORT_S
"""A pitch of which every note is longer than this is not played for short."""

AFTER_S = 1.5
"""How long a tone is heard after it was let go."""

LEAD_S = 0.02
ALL_SOUND_OFF = 120
NOTES_AT_ONCE = 40
"""Notes of one file, so that its sound stays small."""


@dataclass(frozen=True, slots=True, order=True)
class Tone:
    """A tone that a bank is asked for."""

    bank: int
    program: int
    key: int
    velocity: int
    held_ms: int

    @property
    def name(self) -> str:
        """The tone in a cache."""
        return f"{self.bank}/{self.program}/{self.key}/{self.velocity}/{self.held_ms}"


_Place = tuple[int, int, int]
"""Bank, program and key."""

_KNOWN: Latest[tuple[Bank, Phrase, tuple[Player, ...]], list[Sampled | None]] = Latest(2)

Hearing = Callable[[int, int], None]
"""Told of how many tones of how many a bank was heard, from the first that it was not before."""


def figures_in_its_bank(
    target: Phrase,
    players: Sequence[Player],
    settings: Settings,
    hearing: Hearing | None = None,
) -> SamplerFigures:
    """Return what gives a target's tones their figures in the bank that the settings name.

    Raises
    ------
    BankError, SettingsError
        See `retro.sounds.presets.bank_of`.
    """
    bank = bank_of(target, players, settings)
    sampled = _KNOWN.get(
        (bank, target, tuple(players)), lambda: tones_of(target, players, bank, hearing)
    )
    return lambda notes: figures_of(notes, players, settings, sampled)


def tones_of(
    target: Phrase, players: Sequence[Player], bank: Bank, hearing: Hearing | None = None
) -> list[Sampled | None]:
    """Return what every note of a target sounds like in a bank.

    What was asked of the bank before comes out of the cache; the rest is played, and kept.

    Raises
    ------
    BankError
        If the bank cannot be played.
    """
    places = [_places(player, part) for player, part in zip(players, target.parts, strict=True)]
    held_ms = _held_ms(target, players, places)
    asked = {
        Tone(*place, velocity, ms)
        for place, lengths_ms in held_ms.items()
        for velocity in (SOFT_VELOCITY, LOUD_VELOCITY)
        for ms in lengths_ms
    }
    known = read_tones(bank.sha256)
    fresh = sorted(tone for tone in asked if tone.name not in known)
    if fresh:
        heard = _heard(bank, fresh, hearing)
        known = {**known, **heard}
        write_tones(bank.sha256, heard)
    return [
        _between(known, place, held_ms[place], note.velocity)
        for own, part in zip(places, target.parts, strict=True)
        for place, note in zip(own, part.notes, strict=True)
    ]


def _places(player: Player, part: Part) -> list[_Place]:
    """Return what of a bank plays every note of a part."""
    preset, key = Preset.of(player, part), player.key
    of_bank = (preset.bank, preset.program)
    return [(*of_bank, note.pitch if key is None else key) for note in part.notes]


def _held_ms(
    target: Phrase, players: Sequence[Player], places: Sequence[Sequence[_Place]]
) -> dict[_Place, tuple[int, ...]]:
    """Return for how long every place is played: for long, and for short where notes may be.

    Of what is struck the beginning and the first of the decay are asked for, and no more.
    """
    lengths_s: dict[_Place, list[float]] = defaultdict(list)
    for player, part, own in zip(players, target.parts, places, strict=True):
        is_held = player.instrument.sound is Sound.SUSTAINED
        for note, place in zip(part.notes, own, strict=True):
            length_s = float(target.tempo.span_s(note.on_beats, note.off_beats))
            lengths_s[place].append(length_s if is_held else SHORT_BELOW_S)
    return {
        place: (
            next((ms for ms in LONGS_MS if seconds_to_ms(max(each_s)) <= ms), LONGS_MS[-1]),
            *((SHORT_MS,) if min(each_s) < SHORT_BELOW_S else ()),
        )
        for place, each_s in lengths_s.items()
    }


def _between(
    known: Mapping[str, Envelope], place: _Place, held_ms: Sequence[int], velocity: int
) -> Sampled | None:
    """Return a tone of any velocity, from between the soft and the loud one."""
    share = (velocity - SOFT_VELOCITY) / (LOUD_VELOCITY - SOFT_VELOCITY)
    share = min(max(share, 0.0), 1.0)
    long, *short = (
        blended(
            known[Tone(*place, SOFT_VELOCITY, ms).name],
            known[Tone(*place, LOUD_VELOCITY, ms).name],
            share,
        )
        for ms in held_ms
    )
    return None if long.is_silent else Sampled(long=long, short=(short or [long])[0])


def blended(soft: Envelope, loud: Envelope, share: float) -> Envelope:
    """Return the course between two, by their levels in decibels."""
    if soft.is_silent or loud.is_silent:
        return loud if soft.is_silent else soft
    return Envelope(
        held=_mixed(soft.held, loud.held, share), after=_mixed(soft.after, loud.after, share)
    )


def _mixed(soft: bytes, loud: bytes, share: float) -> bytes:
    low, high = (np.frombuffer(each, dtype=np.uint8).astype(float) for each in (soft, loud))
    size = min(low.size, high.size)
    mixed = (1.0 - share) * low[:size] + share * high[:size]
    return np.rint(mixed).astype(np.uint8).tobytes()


def _heard(bank: Bank, tones: Sequence[Tone], hearing: Hearing | None) -> dict[str, Envelope]:
    """Return the courses of tones by name; some are played while others are listened to."""
    lots = [tones[first : first + NOTES_AT_ONCE] for first in range(0, len(tones), NOTES_AT_ONCE)]
    known: dict[str, Envelope] = {}
    told = threading.Lock()

    def hear(lot: Sequence[Tone]) -> None:
        heard = dict(_heard_in_turn(bank, lot))
        with told:
            known.update(heard)
            if hearing is not None:
                hearing(len(known), len(tones))

    if hearing is not None:
        hearing(0, len(tones))
    PLAYERS.at_once(hear, lots)
    return known


def _heard_in_turn(bank: Bank, tones: Sequence[Tone]) -> Iterable[tuple[str, Envelope]]:
    """Play tones one after the other, and yield the course of each."""
    starts, midi = _one_by_one(tones)
    sound = bank.play(midi, {(tone.bank, tone.program) for tone in tones})
    for tone, on in zip(tones, starts, strict=True):
        off = on + tone.held_ms * BANK_RATE // 1000
        end = off + int(AFTER_S * BANK_RATE)
        course = envelope_of(
            as_sound(sound[on : max(end, on)]),
            BANK_RATE,
            pitch=tone.key,
            on_s=0.0,
            off_s=(off - on) / BANK_RATE,
            end_s=(end - on) / BANK_RATE,
        )
        yield tone.name, course


def _one_by_one(tones: Sequence[Tone]) -> tuple[list[int], bytes]:
    """Return the frames at which tones begin, and the file that plays them."""
    events: list[Event] = []
    starts = []
    now = 0
    for tone in tones:
        channel = PERCUSSION_CHANNEL if tone.bank == DRUM_BANK else 0
        preset = Preset(bank=tone.bank, program=tone.program)
        events.append((now, SETUP, bytes((CONTROL_CHANGE | channel, ALL_SOUND_OFF, 0))))
        events += [(now, SETUP, message) for _, _, message in set_up(channel, preset)]
        on = now + -(-int(LEAD_S * BANK_RATE) // BLOCK_FRAMES) * BLOCK_FRAMES
        off = on + tone.held_ms * BANK_RATE // 1000
        events += strike(channel, tone.key, tone.velocity, on, off)
        starts.append(on)
        end = off + int(AFTER_S * BANK_RATE)
        now = -(-end // BLOCK_FRAMES) * BLOCK_FRAMES
    return starts, smf(events, now)
