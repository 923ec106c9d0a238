"""Chooses the tracks of a song that an orchestra plays; what is left out touches nothing.

A person says which (``tracks``, or ``leave_out`` of a part). Else everything stays that somebody of
an orchestra may play: click and guide tracks, sung leads, drum kits and sounds of synthesizers and
electric instruments are no players.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from retro.model.findings import FindingKind
from retro.model.orchestra import NEUTRAL
from retro.model.performance import Finding, Severity
from retro.model.phrase import PERCUSSION_CHANNEL, Part, Phrase
from retro.model.settings import PartSettings, Settings
from retro.read.guess import no_such_track, part_overrides, tracks_called
from retro.read.trackname import plain, read_name

CLICK_WORDS = frozenset(("click", "clicktrack", "metronome", "guide", "countin", "metronom"))
SUNG_WORDS = frozenset(
    ("vocal", "vocals", "voca", "voc", "vox", "singer", "karaoke", "lyrics", "gesang", "chant",
     "canto")
)  # fmt: skip
BAND_WORDS = frozenset(
    ("bass", "basse", "basso", "bajo", "guitar", "guitare", "gitarre", "chitarra", "guitarra",
     "gtr", "gt", "git", "clav")
)  # fmt: skip
"""Names that a band's instruments have as well as an orchestra's: beside a drum kit their program
says which is meant."""

PLAYED = frozenset(
    ("lead", "rhythm", "clean", "fing", "finger", "fingered", "slap", "pick", "picked", "fretless",
     "mute", "muted", "distortion", "overdrive", "overdriven", "midi")
)  # fmt: skip
"""Words that say how a band plays them."""

PERCUSSION_WORDS = frozenset(
    ("percussion", "percussions", "perc", "percs", "percussione", "percussioni", "percusion",
     "schlagwerk", "schlagzeug", "schlz")
)  # fmt: skip
"""Names of an orchestra's percussion, which programs put on the channel of drum kits."""

HI_HATS = frozenset((42, 44, 46))
"""Keys that only kits have (General MIDI's percussion map)."""

KIT = "a drum kit on channel 10"

MAX_KIT_LETTERS = 2
"""On the percussion channel so short a name is a piece of a kit, such as SD."""

NO_PLAYERS = (
    (range(4, 6), "an electric piano"),
    (range(7, 8), "a clavinet"),
    (range(26, 32), "an electric guitar"),
    (range(33, 40), "an electric or synthesizer bass"),
    (range(62, 64), "synthesizer brass"),
    (range(80, 88), "a synthesizer lead"),
    (range(88, 96), "a synthesizer pad"),
    (range(96, 104), "a synthesizer effect"),
    (range(118, 119), "a synthesizer drum"),
    (range(119, 128), "a sound effect"),
)
"""Programs, from 0, that nobody in an orchestra plays (General MIDI Level 1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A track that takes no part, its number in the file (from 1), and why."""

    number: int
    name: str
    reason: str


def left_out_tracks(phrase: Phrase, settings: Settings) -> tuple[LeftOut, ...]:
    """Return the tracks of a whole song that take no part, in file order.

    Where the usual choice would leave nothing, it leaves nothing out.

    Raises
    ------
    SettingsError
        If the settings speak of a track that does not exist.
    """
    overrides = part_overrides(phrase.parts, settings.parts)
    if settings.tracks:
        kept = {i for wanted in settings.tracks for i in _named(wanted, phrase.parts)}
        others = set(range(len(phrase.parts))) - kept
        usual = dict.fromkeys(others, "not among the chosen tracks")
    else:
        has_kit = any(_is_kit(part) for part in phrase.parts)
        usual = {
            i: why
            for i, part in enumerate(phrase.parts)
            if (why := _no_player(part, beside_kit=has_kit))
        }
        if len(usual) == len(phrase.parts):
            usual = {}
        usual = {i: why for i, why in usual.items() if not _is_section(i, phrase.parts, usual)}
    reasons = {
        i: why
        for i in range(len(phrase.parts))
        if (why := _reason(usual.get(i, ""), overrides.get(i)))
    }
    return tuple(
        LeftOut(number=i + 1, name=phrase.parts[i].name, reason=why) for i, why in reasons.items()
    )


def left_out_finding(tracks: Sequence[LeftOut]) -> tuple[Finding, ...]:
    """Return one finding that lists what is left out and why, or nothing."""
    if not tracks:
        return ()
    listed = ", ".join(f"'{t.name}' ({t.reason})" if t.name else f"{t.number}" for t in tracks)
    return (
        Finding(
            severity=Severity.NOTE,
            kind=FindingKind.LEFT_OUT,
            what=f"left out: {listed}",
            advice="name what shall play with --tracks, or say leave_out = false of a [[part]]",
        ),
    )


def _reason(usual: str, about: PartSettings | None) -> str:
    if about is None or about.leave_out is None:
        return "" if about is not None and about.instrument is not None else usual
    return "left out in the settings" if about.leave_out else ""


def _no_player(part: Part, *, beside_kit: bool) -> str:
    """Say why a track is plainly no player, or nothing."""
    words = _words(part)
    if words & CLICK_WORDS:
        return "a click or guide track"
    if words & SUNG_WORDS or {"lead", "voice"} <= words:
        return "a sung lead"
    by_program = next((what for programs, what in NO_PLAYERS if part.program in programs), "")
    if _is_orchestral(part) and not (beside_kit and words & BAND_WORDS and _is_vague(words)):
        return ""
    if part.channel == PERCUSSION_CHANNEL:
        return KIT
    return _electric(words) or ("" if "brass" in words else by_program)


def _is_section(index: int, parts: Sequence[Part], usual: Mapping[int, str]) -> bool:
    """Whether a track on the channel of kits is an orchestra's percussion: no kit, and no band."""
    part = parts[index]
    band = [
        why
        for i, why in usual.items()
        if parts[i].channel != PERCUSSION_CHANNEL and not _words(parts[i]) & CLICK_WORDS
    ]
    is_kit = bool(HI_HATS & {note.pitch for note in part.notes})
    words = {word for word in _words(part) if not word.isdecimal()}
    is_named = bool(words) and words <= PERCUSSION_WORDS
    return usual[index] == KIT and is_named and not band and not is_kit


def _is_kit(part: Part) -> bool:
    return part.channel == PERCUSSION_CHANNEL and not _is_orchestral(part)


def _words(part: Part) -> set[str]:
    return set(plain(part.name).replace("-", " ").replace("_", " ").replace(".", " ").split())


def _is_orchestral(part: Part) -> bool:
    """Whether a track's name is that of somebody in an orchestra."""
    is_kit = part.channel == PERCUSSION_CHANNEL and len(part.name.strip()) <= MAX_KIT_LETTERS
    reading = None if is_kit else read_name(part.name)
    return reading is not None and reading.candidates[0] not in (NEUTRAL.id, "percussion")


def _is_vague(words: Collection[str]) -> bool:
    """Whether no other word says which bass or guitar is meant: "Double Bass", "Bass Drum"."""
    return all(
        len(word) <= MAX_KIT_LETTERS or word in BAND_WORDS or word in PLAYED for word in words
    )


def _electric(words: Collection[str]) -> str:
    """Say what a name means that speaks of a synthesizer or of electricity, or nothing."""
    if any(word.endswith(("pad", "pads")) for word in words):
        return "a synthesizer pad"
    if any(word.startswith("syn") for word in words):
        return "a synthesizer"
    return "an electric instrument" if {"electric", "elec"} & set(words) else ""


def _named(wanted: str, parts: Sequence[Part]) -> list[int]:
    """Return the indexes of the tracks that a text means: by name, by number, by player."""
    indexes = tracks_called(wanted, parts) or _played_by(wanted, parts)
    if not indexes:
        raise no_such_track(wanted, parts, where="tracks")
    return indexes


def _played_by(wanted: str, parts: Sequence[Part]) -> list[int]:
    """Return the tracks of an instrument; numbers ("Violins I") choose among them."""
    asked = read_name(wanted)
    if asked is None:
        return []
    readings = [(i, read_name(part.name)) for i, part in enumerate(parts)]
    return [
        i
        for i, reading in readings
        if reading is not None
        and set(asked.candidates) & set(reading.candidates)
        and (not asked.numbers or asked.numbers == reading.numbers)
    ]
