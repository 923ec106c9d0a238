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
    stays open. A note of no length lasts one tick, also where its end stands before its beginning,
    as some exporters sort them: no other end comes before the next note of its key.

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
        self._strayed: dict[int, int] = {}
        self._ended_before: dict[int, RawNote] = {}
        self._doubtful: dict[int, RawNote] = {}
        self._pedal = False

    def take(self, message: Channel) -> None:
        """Take the next message of the lane."""
        if message.type == "note_on" and message.value:
            self._start(message)
        elif message.type in ("note_on", "note_off"):
            self._release(message.number, message.tick)
        elif message.type == "control_change":
            self._control(message)

    def finish(self) -> None:
        """End what is known to have ended where it began."""
        for pitch in list(self._ended_before):
            self._end_empty(pitch)

    def _end_empty(self, pitch: int) -> None:
        note = self._ended_before.pop(pitch, None)
        if note is not None:
            self._held[pitch].remove(note)
            self.stray_offs -= 1
            self._stop((note,), note.on)

    def _start(self, message: Channel) -> None:
        self._end_empty(message.number)
        self._stop(self._ringing.pop(message.number, ()), message.tick)
        note = RawNote(message.tick, message.number, message.value)
        self.notes.append(note)
        self._held.setdefault(message.number, deque()).append(note)
        doubtful = self._doubtful.pop(message.number, None)
        if doubtful is not None and doubtful.off == message.tick:
            # What seemed to end a note that had ended before was the end of this one.
            self._stop((doubtful,), doubtful.on)
            self._ended_before[message.number] = note
        elif self._strayed.pop(message.number, None) == message.tick:
            self._ended_before[message.number] = note

    def _release(self, pitch: int, tick: int) -> None:
        held = self._held.get(pitch)
        doubtful = self._ended_before.pop(pitch, None)
        if doubtful is not None:
            self._doubtful[pitch] = doubtful
        if not held:
            self.stray_offs += 1
            self._strayed[pitch] = tick
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
