"""The kinds of findings: a fixed word each, and what it says."""

from enum import StrEnum


class FindingKind(StrEnum):
    """What a finding is about.

    Programs tell findings apart by the value; the reference lists the meanings.
    """

    meaning: str

    def __new__(cls, value: str, meaning: str) -> "FindingKind":
        """Return the member of that value, with its meaning in one line."""
        member = str.__new__(cls, value)
        member._value_ = value
        member.meaning = meaning
        return member

    FILE = "file", "the file says something odd, and how it was read"
    PLAYER = "player", "which player a track was taken for, and why"
    SOUNDS = "sounds", "players of whom the learned sounds say nothing"
    LEFT_OUT = "left-out", "tracks that were left out of the insert"
    CLIPPED = "clipped", "notes that cross the edge of the window and were cut there"
    TEMPO = "tempo", "words for a change of tempo that the song's tempo does not make"
    COUNT_IN = "count-in", "the first note begins before the count-in does"
    GAP = "gap", "short gaps between the notes of a line that were closed"
    LANDING = "landing", "notes that cannot land on their starts, since they begin with the window"
    RANGE = "range", "notes outside the instrument's range"
    BREATH = "breath", "a line without a breath is longer than the player's breath lasts"
    LEAP = "leap", "a leap too wide for the time it has"
    SPEED = "speed", "more notes in a second than the instrument speaks"
    COLD_ENTRY = "cold entry", "the first note played is high and soft or exposed"
    CHORD = "chord", "more or other notes at once than the player can play"
    DIVISI = "divisi", "a section divides deeper than a desk"
    DOUBLE_STOP = "double stop", "more strings at once than a bow holds"
    HANDS = "hands", "a chord wider than two hands span"
    PEDALS = "pedals", "how the harp's pedals are set at the start, and how they change"
    PEDAL_CHANGE = (
        "pedal change",
        "a change of a harp pedal that is hurried or moves a ringing string",
    )
    BEND = "bend", "pitch bend within a note, which the paper does not show"
    SHORT = "short", "notes too short for the room begin early when turned round"
    GRID = "grid", "what is written lands or begins off the grid after the flip"
    BLEED = "bleed", "the swell into a note clashes with the note before"
    PRE_SWELL = "pre-swell", "the flipped clip is heard before the window"
    TAIL = "tail", "the take's tail is cut, or tells no decay time"
    SHIFT = "shift", "the clip is moved because a group of players lands off the anchor"
    MIDNIGHT = "midnight", "the clip begins before the session's midnight"
    FEW = "few", "too little in a take to tell the insert, or its place, by"
    SPREAD = "spread", "too few attacks stand apart to tell their spread"

    @property
    def is_playing(self) -> bool:
        """Whether it is about what a player can do, so that the part would have to change."""
        return self in (
            FindingKind.RANGE,
            FindingKind.BREATH,
            FindingKind.LEAP,
            FindingKind.SPEED,
            FindingKind.COLD_ENTRY,
            FindingKind.CHORD,
            FindingKind.DIVISI,
            FindingKind.DOUBLE_STOP,
            FindingKind.HANDS,
            FindingKind.PEDALS,
            FindingKind.PEDAL_CHANGE,
        )
