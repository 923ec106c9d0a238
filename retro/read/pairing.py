"""Which note-off ends which note-on.

Conventions
-----------
Ticks are the file's own and absolute; a lane is what one track says on one channel.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from retro.model.phrase import PEDAL_DOWN, SUSTAIN_PEDAL
from retro.read.smf import Channel

ALL_SOUND_OFF, RESET_CONTROLLERS = 120, 121
ALL_NOTES_OFF = range(123, 128)
"""Messages that end notes; those that change the channel's mode do so too (MIDI 1.0)."""


@dataclass(slots=True)
class RawNote:
    """A note in ticks; `off` is None while nothing ended it."""

    on: int
    pitch: int
    velocity: int
    off: int | None = None


class Pairing:
    """Pairs the notes of one channel of a track, first in first out, and lets the pedal hold them.

    A key that is struck again while the pedal holds it ends its former note. What nothing ends
    stays open. A note of no length lasts one tick.

    Attributes
    ----------
    notes
        In the order in which they begin.
    stray_offs
        Ends without a note.
    no_length
        Notes that ended on the tick on which they began.
    """

    def __init__(self) -> None:
        self.notes: list[RawNote] = []
        self.stray_offs = 0
        self.no_length = 0
        self._held: dict[int, deque[RawNote]] = {}
        self._ringing: dict[int, list[RawNote]] = {}
        self._pedal = False

    def take(self, message: Channel) -> None:
        """Take the next message of the lane."""
        if message.type == "note_on" and message.value:
            self._start(message)
        elif message.type in ("note_on", "note_off"):
            self._release(message.number, message.tick)
        elif message.type == "control_change":
            self._control(message)

    def _start(self, message: Channel) -> None:
        self._stop(self._ringing.pop(message.number, ()), message.tick)
        note = RawNote(message.tick, message.number, message.value)
        self.notes.append(note)
        self._held.setdefault(message.number, deque()).append(note)

    def _release(self, pitch: int, tick: int) -> None:
        held = self._held.get(pitch)
        if not held:
            self.stray_offs += 1
        elif self._pedal:
            self._ringing.setdefault(pitch, []).append(held.popleft())
        else:
            self._stop((held.popleft(),), tick)

    def _control(self, message: Channel) -> None:
        if message.number == SUSTAIN_PEDAL:
            self._pedal = message.value >= PEDAL_DOWN
        elif message.number == RESET_CONTROLLERS:
            self._pedal = False
        elif message.number == ALL_SOUND_OFF or message.number in ALL_NOTES_OFF:
            for pitch, held in self._held.items():
                for _ in range(len(held)):
                    self._release(pitch, message.tick)
        if not self._pedal or message.number == ALL_SOUND_OFF:
            for ringing in self._ringing.values():
                self._stop(ringing, message.tick)
            self._ringing.clear()

    def _stop(self, notes: Iterable[RawNote], tick: int) -> None:
        for note in notes:
            self.no_length += tick == note.on
            note.off = max(tick, note.on + 1)
