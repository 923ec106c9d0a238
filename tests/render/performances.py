"""Performances that the tests of what sounds build on."""

from dataclasses import replace

from retro.model.instruments import Family, Sound
from retro.model.performance import Performance
from retro.model.phrase import Note, Phrase
from retro.model.settings import Settings
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase, make_player


def lone(
    *,
    pitch: int = 69,
    sound: Sound = Sound.SUSTAINED,
    family: Family = Family.NEUTRAL,
    settings: Settings | None = None,
    attack_s: float = 0.05,
    decay_s: float = 0.2,
    damper_s: float | None = None,
) -> Performance:
    """Return one note from second 1 to second 3 of four."""
    return played(
        make_phrase(make_part(make_note(2, 6, pitch, 100))),
        sound=sound,
        family=family,
        settings=settings,
        attack_s=attack_s,
        decay_s=decay_s,
        damper_s=damper_s,
    )


def played(
    phrase: Phrase,
    *,
    sound: Sound = Sound.SUSTAINED,
    family: Family = Family.NEUTRAL,
    settings: Settings | None = None,
    attack_s: float = 0.05,
    decay_s: float = 0.2,
    damper_s: float | None = None,
) -> Performance:
    """Return the performance of a phrase by like players."""
    player = make_player(sound, attack_s=attack_s, decay_s=decay_s, damper_s=damper_s)
    player = replace(player, instrument=replace(player.instrument, family=family))
    return perform(phrase, (player,) * len(phrase.parts), settings or Settings())


def chords(*, parts: int = 3, bars: int = 2) -> Phrase:
    """Return a phrase of several parts in close harmony."""
    return make_phrase(
        *(make_part(*_line(i, bars), name=f"Part {i}") for i in range(parts)), bars=bars
    )


def _line(part: int, bars: int) -> tuple[Note, ...]:
    return tuple(make_note(beat, beat + 1, 55 + 4 * part + beat % 5) for beat in range(4 * bars))
