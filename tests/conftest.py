"""Phrases, players and settings that many tests build on."""

import signal
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, settings

from retro.model.instruments import Attack, Decay, Family, Instrument, Player, Sound
from retro.model.phrase import Key, Note, Part, Phrase
from retro.model.time import Bar, Meter, Steps, TempoMap

settings.register_profile(
    "retro", deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("retro")

if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    # A shell ignores interrupts for what it starts in the background, and so would what we start.
    signal.signal(signal.SIGINT, signal.default_int_handler)

LONG = ("tests/files/", "tests/sounds/", "tests/evidence/", "tests/day/", "tests/measuring/")
"""Folders whose files run long: they come first, so that no process waits for one at the end."""


def pytest_configure(config: pytest.Config) -> None:
    """Keep that order among several processes: by itself xdist puts files of few tests last."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the long folders first."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONG))


def make_note(on: object, off: object, pitch: int = 60, velocity: int = 80) -> Note:
    """Return a note from anything that a `Fraction` reads."""
    return Note(on_beats=Fraction(on), off_beats=Fraction(off), pitch=pitch, velocity=velocity)


def make_phrase(
    *parts: Part, bars: int = 2, meter: Meter | None = None, us_per_quarter: int = 500_000
) -> Phrase:
    """Return a phrase of full bars in one meter and one tempo."""
    meter = meter or Meter.plain(4, 4)
    length = bars * meter.length_beats
    return Phrase(
        title="Study",
        tempo=TempoMap(Steps(length, (Fraction(0),), (us_per_quarter,))),
        bars=tuple(Bar(i * meter.length_beats, meter.length_beats, meter) for i in range(bars)),
        keys=Steps(length, (Fraction(0),), (Key(0),)),
        markers=(),
        parts=parts,
    )


def make_part(
    *notes: Note, name: str = "Part", program: int | None = None, channel: int = 0
) -> Part:
    """Return a part of some notes."""
    return Part(name=name, channel=channel, program=program, notes=tuple(sorted(notes)))


def make_player(
    sound: Sound = Sound.SUSTAINED,
    *,
    attack_s: float = 0.05,
    decay_s: float | Decay = 0.2,
    damper_s: float | None = None,
    lands_at_start: bool = False,
) -> Player:
    """Return a player with plain figures."""
    instrument = Instrument(
        id="study",
        name="Study",
        abbreviation="St.",
        family=Family.NEUTRAL,
        score_order=0,
        programs=(),
        low=0,
        high=127,
        sound=sound,
        attack=Attack.always(attack_s),
        decay=decay_s if isinstance(decay_s, Decay) else Decay.always(decay_s),
        damper_s=damper_s,
    )
    return Player(name="Study", instrument=instrument, lands_at_start=lands_at_start)


@pytest.fixture
def lone_note() -> Phrase:
    """Return one note from beat 2 to beat 6 of eight, at 120 quarters a minute."""
    return make_phrase(make_part(make_note(2, 6)))
