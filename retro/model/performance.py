"""The performance: for every target note, what is played, what is written and what is heard.

Conventions
-----------
Target and heard times are seconds on the window's own time. Played and written times are on the
insert's own time, from its bar 1 beat 1; a played start may lie before it (negative).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from retro.model.bounded import Count, NotNegative, Number, Positive
from retro.model.figures import Figure
from retro.model.findings import FindingKind
from retro.model.instruments import Player
from retro.model.phrase import Note, Phrase
from retro.model.settings import Settings
from retro.model.time import Place


class Severity(StrEnum):
    """How much a finding matters."""

    STOP = "stop"
    WARN = "warn"
    NOTE = "note"

    @property
    def rank(self) -> int:
        """Its place among them, the gravest first."""
        return list(Severity).index(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that a person should know.

    Parameters
    ----------
    severity
        ``stop``: it cannot be played or heard as wanted; ``warn``: somebody should look; ``note``:
        good to know.
    kind
        What it is about: a fixed word for programs.
    player
        Name of the player, or None where it concerns all.
    bar, beat
        In the insert: bar from 1, beat (units of the meter) from 1; None where it has no place.
    what, advice
        One sentence each.
    """

    severity: Severity
    kind: FindingKind
    player: str | None = None
    bar: int | None = None
    beat: float | None = None
    what: str
    advice: str = ""


def gravest_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings by severity, in their order within each."""
    return tuple(sorted(findings, key=lambda finding: finding.severity.rank))


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The bars of the song that the listener shall hear, half open.

    `start_bar` and `end_bar` are the song's bar numbers of the first and the last bar, both
    inclusive; positions are in the song's own time. `start_beat` and `end_beat` are beats of them:
    where it begins, and where the song goes on; None at the edge of the bar.
    """

    start_beats: Fraction
    end_beats: Fraction
    start_s: Fraction
    end_s: Fraction
    start_bar: int
    end_bar: int
    start_beat: Fraction | None = None
    end_beat: Fraction | None = None

    @property
    def start_words(self) -> str:
        """Where it begins: "bar 5", or "bar 5 beat 3"."""
        if self.start_beat is None:
            return f"bar {self.start_bar}"
        return str(Place(self.start_bar, self.start_beat))

    @property
    def end_words(self) -> str:
        """Where it ends: "the end of bar 7", or "bar 7 beat 2", which is the song's again."""
        if self.end_beat is None:
            return f"the end of bar {self.end_bar}"
        return str(Place(self.end_bar, self.end_beat))

    @property
    def is_whole_bars(self) -> bool:
        """Whether it begins and ends at edges of bars."""
        return self.start_beat is None and self.end_beat is None

    @property
    def bar_words(self) -> str:
        """The bars in words: "bar 32", "bars 21 to 28", "bar 5 beat 3 up to bar 7 beat 2"."""
        if not self.is_whole_bars:
            start = "" if self.start_beat is not None else "the start of "
            return f"{start}{self.start_words} up to {self.end_words}"
        if self.start_bar == self.end_bar:
            return f"bar {self.start_bar}"
        return f"bars {self.start_bar} to {self.end_bar}"

    @property
    def printed_bars(self) -> str:
        """The same as it is printed: "bars 21–28"."""
        words = self.bar_words
        return words.replace(" to ", "–") if self.is_whole_bars else words

    @property
    def length_beats(self) -> Fraction:
        """Length in quarter notes."""
        return self.end_beats - self.start_beats

    @property
    def length_s(self) -> Fraction:
        """Length in seconds, exactly."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteTimes:
    """What becomes of one target note.

    Parameters
    ----------
    part
        Index of the part in the phrase.
    target_on_s, target_off_s
        The span that it is meant to last, in seconds: without the gap before a beat or before the
        next note of its line, unless gaps are kept.
    played_on_s, played_off_s
        The exact performance: physical start and stop.
    written_on_beats, written_off_beats
        What stands on paper.
    attack_s, decay_s
        The sampler's figures, used for the exact performance.
    written_attack_s, written_decay_s
        The figures of the people who play what is written.
    audible_from_s, onset_s, full_s, lands_s
        Heard after the flip if the exact performance is played: begins to be audible beside the
        loudest tone of the phrase, is perceived as begun, is full, lands. None where there is no
        such moment: a tone that stays inaudible, grows from nothing, dies away to nothing.
    onset_error_ms, landing_error_ms
        Heard minus wanted for the exact performance; None without a moment. The onset of a struck
        tone whose player has no means to shape it is no salient moment: its error is None.
    written_onset_error_ms, written_landing_error_ms
        The same for a performance of what is written, before the placement's shift.
    is_short
        Whether the note is too short for its room and keeps the shortest length.
    """

    part: Count
    target_on_s: Number
    target_off_s: Number
    played_on_s: Number
    played_off_s: Number
    written_on_beats: Fraction
    written_off_beats: Fraction
    attack_s: NotNegative
    decay_s: Positive
    written_attack_s: NotNegative
    written_decay_s: Positive
    audible_from_s: Number | None
    onset_s: Number | None
    full_s: Number
    lands_s: Number | None
    onset_error_ms: Number | None
    landing_error_ms: Number | None
    written_onset_error_ms: Number | None
    written_landing_error_ms: Number | None
    is_short: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedNote(NoteTimes):
    """One target note and what becomes of it.

    Parameters
    ----------
    target
        The target note, window time in beats.
    """

    target: Note


@dataclass(frozen=True, slots=True, kw_only=True)
class Performance:
    """The whole answer for one window.

    Parameters
    ----------
    target
        The phrase that the listener shall hear, on window time.
    insert
        Its mirror: what lies under the written insert, on insert time.
    players
        One per part.
    notes
        In the order of (part, target note).
    findings
        In the order found.
    figures
        Graces, glissandi and runs among the notes, by part.
    """

    target: Phrase
    insert: Phrase
    players: tuple[Player, ...]
    settings: Settings
    notes: tuple[PlayedNote, ...]
    findings: tuple[Finding, ...] = ()
    figures: tuple[Figure, ...] = ()

    def player_of(self, note: int) -> Player:
        """Return who plays a note."""
        return self.players[self.notes[note].part]
