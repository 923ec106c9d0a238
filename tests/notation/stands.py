"""Performances by known instruments, and what then stands on the stands."""

from dataclasses import replace

from retro.model.instruments import Player
from retro.model.orchestra import by_id
from retro.model.performance import Performance
from retro.model.phrase import Phrase
from retro.model.settings import Compensate, Settings
from retro.notation.score import Chord, Spelled, WrittenPart
from retro.reversal.compensate import perform

PLAIN = Settings(compensate=Compensate.NONE)
"""Nothing is moved: what is written is the plain mirror."""

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def played_by(
    phrase: Phrase, *ids: str, settings: Settings = PLAIN, **about: object
) -> Performance:
    """Return the performance of a phrase, one instrument id per part."""
    players = tuple(
        replace(Player(name=by_id(id_).name, instrument=by_id(id_)), **about) for id_ in ids
    )
    return perform(phrase, players, settings)


def chords_of(part: WrittenPart) -> list[Chord]:
    """Return all strokes of a part in order."""
    chords = [s for stave in part.staves for voice in stave.voices for s in voice.chords]
    return sorted(chords, key=lambda chord: (chord.on_beats, chord.pitches))


def named(spelled: Spelled) -> str:
    """Return a name such as ``Eb4``."""
    return f"{spelled.step}{'#' * spelled.alter}{'b' * -spelled.alter}{spelled.octave}"


def names(part: WrittenPart) -> list[str]:
    """Return the written pitches of a part in order."""
    return [named(s) for chord in chords_of(part) for s in chord.spelled]


def midi(spelled: Spelled) -> int:
    """Return the MIDI pitch of a written pitch."""
    return _STEPS[spelled.step] + spelled.alter + 12 * (spelled.octave + 1)
