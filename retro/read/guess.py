"""Guesses who plays each track, from its name, else its program; settings go before both."""

import difflib
import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from itertools import count

from retro.errors import SettingsError
from retro.model.findings import FindingKind
from retro.model.instruments import Family, Instrument, Player, Sound
from retro.model.orchestra import INSTRUMENTS, NEUTRAL, PIZZICATO_PROGRAM, by_id, for_program
from retro.model.performance import Finding, Severity
from retro.model.phrase import PERCUSSION_CHANNEL, Part, Phrase
from retro.model.settings import Landing, PartSettings, Settings
from retro.read.trackname import ROMANS, NameReading, plain, read_name

PLUCKED_BASS_PROGRAMS = range(32, 38)
"""Plucked basses, counted from 0 (General MIDI Level 1)."""

UPPER_VOICES = frozenset(("soprano", "tenor"))
"""A choir of these lacks its bass more surely than strings without cellos have one (our own
choice)."""

_LEADING_NUMBER = re.compile(r"^\s*(\d+)\W+")

_ID = re.compile("[a-z]+(-[a-z]+)+")

_IN_KEY = {
    ("clarinet-in-b-flat", "a"): "clarinet-in-a",
    ("clarinet-in-b-flat", "e-flat"): "clarinet-in-e-flat",
    ("clarinet-in-b-flat", "f"): "basset-horn",
    ("trumpet-in-b-flat", "c"): "trumpet-in-c",
    ("flute", "g"): "alto-flute",
}


def _choose(candidates: tuple[str, ...], program: int | None, company: frozenset[str]) -> str:
    """Choose between two meanings of a name by the program, else by the other tracks."""
    usual, *others = candidates
    sounding = None if program is None else for_program(program)
    sounds_as = None if sounding is None else sounding.family
    for other in others:
        if program is not None and program in by_id(other).programs:
            return other
        if program is not None and program in by_id(usual).programs:
            continue
        if sounds_as is by_id(other).family and sounds_as is not by_id(usual).family:
            return other
        if program in PLUCKED_BASS_PROGRAMS and usual == "double-basses":
            continue
        families = {by_id(id_).family for id_ in company}
        at_home = by_id(other).family in families and by_id(usual).family not in families
        lacks = other == "bass" and company >= UPPER_VOICES and "cellos" not in company
        if other not in company and (at_home or lacks or usual in company):
            return other
    return usual


def _refine(id_: str, reading: NameReading, program: int | None) -> Instrument:
    """Apply key, solo and plucking to the instrument that a name means."""
    id_ = _IN_KEY.get((id_, reading.key or ""), id_)
    instrument = by_id(id_)
    if instrument.family is not Family.STRINGS:
        return instrument
    if reading.is_solo and instrument.section and instrument.id != "strings":
        instrument = next(
            i for i in INSTRUMENTS if i.name == f"Solo {instrument.name}" and not i.section
        )
    if reading.is_plucked or program == PIZZICATO_PROGRAM:
        instrument = by_id(f"{instrument.id}-pizzicato")
    return instrument


def _seats(reading: NameReading, instrument: Instrument) -> tuple[int, ...]:
    """Numbers of the players: "3 Horns" are 1, 2 and 3; "12 Violins" are a section."""
    if not reading.counts_players:
        return reading.numbers
    return () if instrument.section else tuple(range(1, reading.numbers[-1] + 1))


def _printed(instrument: Instrument, numbers: tuple[int, ...], division: str) -> str:
    """Name as printed on the part: "Horn in F 1.2", "Violin II div. a", "Cello pizz."."""
    words = [instrument.name]
    if numbers and instrument.id.startswith("violins"):
        words.append("+".join(ROMANS.get(number, str(number)) for number in numbers))
    elif numbers:
        words.append(".".join(str(number) for number in numbers))
    if division:
        words.append(division)
    if instrument.id.endswith("-pizzicato"):
        words.append("pizz.")
    return " ".join(words)


def _meant(part: Part) -> NameReading | None:
    """Read the name of a part; of two instruments in it, the one that the program sounds as.

    A track called "Trumpet and Trombone" holds a channel of each.
    """
    reading = read_name(part.name)
    if reading is None or part.program is None or not reading.unexplained:
        return reading
    other = read_name(reading.unexplained)
    if other is None or _may_sound_as(reading, part.program):
        return reading
    return other if _may_sound_as(other, part.program) else reading


def _may_sound_as(reading: NameReading, program: int) -> bool:
    return any(program in by_id(id_).programs for id_ in reading.candidates)


def _from_name(part: Part, company: frozenset[str]) -> Player | None:
    reading = _meant(part)
    if reading is None:
        return None
    id_ = _choose(reading.candidates, part.program, company)
    if id_ == NEUTRAL.id:
        return None
    instrument = _refine(id_, reading, part.program)
    numbers = _seats(reading, instrument)
    return Player(
        name=_printed(instrument, numbers, reading.division),
        instrument=instrument,
        guessed_from="track name",
        numbers=numbers,
    )


def _from_program(part: Part) -> Player | None:
    if part.channel == PERCUSSION_CHANNEL:
        instrument: Instrument | None = by_id("percussion")
    elif part.program in PLUCKED_BASS_PROGRAMS:
        instrument = by_id("double-basses-pizzicato")
    else:
        instrument = None if part.program is None else for_program(part.program)
    if instrument is None:
        return None
    name = " ".join(part.name.split())
    return Player(
        name=name if _is_in_another_script(name) else _printed(instrument, (), ""),
        instrument=instrument,
        guessed_from="program",
    )


def _is_in_another_script(name: str) -> bool:
    """Whether a name has letters that are not Latin: then it is printed as it is."""
    return any(c.isalpha() and not unicodedata.name(c, "LATIN").startswith("LATIN") for c in name)


def guess_player(
    part: Part, *, number: int = 1, company: frozenset[str] = frozenset()
) -> tuple[Player, Finding | None]:
    """Return who is guessed to play a part, and a finding where less than its name tells.

    `number` is its place in the file, from 1, for what is said about it; `company` holds the ids of
    the instruments of the other tracks, for names that mean two things ("Alto").
    """
    track = f"track {number} '{part.name}'" if part.name else f"track {number} without a name"
    match = part.name or str(number)
    advice = f'say who plays it in the settings: [[part]] match = "{match}", instrument = "…"'
    reading = _meant(part)
    named = _from_name(part, company)
    if reading is not None and named is not None:
        return _weighed(named, part, reading, track, advice)
    means_nobody = reading is not None
    player = None if means_nobody else _from_program(part)
    if player is not None:
        source = (
            "its percussion channel"
            if part.channel == PERCUSSION_CHANNEL
            else f"its program {part.program or 0} (of 0-127)"
        )
        what = f"{track} is taken for {player.instrument.name} by {source}"
        return player, _finding(Severity.NOTE, player.name, what, advice)
    neutral = Player(
        name=" ".join(part.name.split()) or f"Player {number}",
        instrument=NEUTRAL,
        guessed_from="nothing",
    )
    what = f"nothing tells who plays {track}; a neutral player stands in for it"
    return neutral, _finding(Severity.WARN, neutral.name, what, advice)


def instrument_called(name: str) -> Instrument:
    """Return the instrument of an id such as ``horn-in-f``, or of a name as tracks have it.

    Raises
    ------
    RetroError
        If there is none; names the nearest ids.
    """
    id_ = name.strip().casefold()
    guessed, _ = guess_player(Part(name=name, channel=0, program=None, notes=()))
    reading = read_name(name)
    _, keyed, key = guessed.instrument.id.partition("-in-")
    is_in_another_key = bool(keyed and reading and reading.key and reading.key != key)
    if _ID.fullmatch(name.strip()) or is_in_another_key or guessed.instrument == NEUTRAL:
        return by_id(id_)
    return guessed.instrument


def _weighed(
    named: Player, part: Part, reading: NameReading, track: str, advice: str
) -> tuple[Player, Finding | None]:
    """Hold what the name says against the program and against what the name leaves unexplained.

    Where they contradict each other the sound in the file is kept, and the player is asked for.
    """
    sounding = _contradicting(named.instrument, part, reading)
    if sounding is not None:
        player = replace(named, instrument=sounding, name=_printed(sounding, named.numbers, ""))
        what = (
            f"{track} says {named.instrument.name}, but its program {part.program or 0} (of 0-127) "
            f"sounds as {_printed(sounding, (), '')}; it is taken for what sounds"
        )
        return player, _finding(Severity.WARN, player.name, what, advice)
    if reading.unexplained:
        what = (
            f"{track} is taken for {named.instrument.name}, but its word "
            f"'{reading.unexplained}' stays unexplained"
        )
        return named, _finding(Severity.WARN, named.name, what, advice)
    return named, None


def _contradicting(instrument: Instrument, part: Part, reading: NameReading) -> Instrument | None:
    """Return the instrument that a program means where it cannot be the one that is named.

    The first program of a bank is also what files state that choose no sound: only
    "Voice 1" and the like yield to it. A score's name does not yield either.
    """
    if part.channel == PERCUSSION_CHANNEL or part.program is None:
        return None
    if part.program in PLUCKED_BASS_PROGRAMS and instrument.id == "double-basses":
        return by_id("double-basses-pizzicato")
    is_printed = part.signs is not None
    if (part.program == 0 or is_printed) and not _is_line(instrument, reading):
        return None
    sounding = for_program(part.program)
    if sounding is None or sounding.family is instrument.family:
        return None
    both_ring = Sound.SUSTAINED not in (sounding.sound, instrument.sound)
    return None if both_ring else sounding


def is_contradicted(name: str, program: int) -> bool:
    """Whether a General MIDI program cannot be the instrument that a printed name means.

    A plucked bass can: jazz writes no "pizz.".
    """
    part = Part(name=name, channel=0, program=program, notes=())
    reading, named = read_name(name), _from_name(part, frozenset())
    if reading is None or named is None or program in PLUCKED_BASS_PROGRAMS:
        return False
    return (
        not _is_line(named.instrument, reading)
        and _contradicting(named.instrument, part, reading) is not None
    )


def _is_line(instrument: Instrument, reading: NameReading) -> bool:
    """Whether a name means a line as often as a singer: "Voice 1"."""
    return instrument.id == "choir" and bool(reading.numbers)


def _finding(severity: Severity, player: str, what: str, advice: str) -> Finding:
    return Finding(
        severity=severity, kind=FindingKind.PLAYER, player=player, what=what, advice=advice
    )


def assign_players(
    phrase: Phrase, settings: Settings, *, left_out: Collection[int] = ()
) -> tuple[tuple[Player, ...], tuple[Finding, ...]]:
    """Say who plays each part of a phrase: what the settings say, else a guess.

    The phrase has all tracks of its file. There is one player per part that is played, each with a
    name of its own; the findings say what guesses rest on where that is not the track's name.
    Nobody plays the parts of the indexes `left_out`, and the others are named as if these were not
    there.

    Raises
    ------
    RetroError
        If the settings speak of a track or an instrument that does not exist.
    """
    said = part_overrides(phrase.parts, settings.parts)
    parts = _without_track_numbers(phrase.parts)
    company = sure_ids(part.name for i, part in enumerate(parts) if i not in left_out)
    players: list[Player] = []
    findings: list[Finding] = []
    for number, part in enumerate(parts, start=1):
        if number - 1 in left_out:
            continue
        player, finding = guess_player(part, number=number, company=company)
        about = said.get(number - 1)
        if about is not None and about.instrument is not None:
            finding = None
        player = _apply(about, player, settings.landing)
        players.append(player)
        if finding is not None:
            findings.append(replace(finding, player=player.name))
    return _with_names_of_their_own(players), tuple(findings)


def sure_ids(names: Iterable[str]) -> frozenset[str]:
    """Return the ids of the instruments whose names mean one thing only."""
    readings = map(read_name, names)
    return frozenset(r.candidates[0] for r in readings if r is not None and len(r.candidates) == 1)


def _without_track_numbers(parts: tuple[Part, ...]) -> tuple[Part, ...]:
    """Take leading numbers off where they number the tracks: on every track, each once."""
    leading = [match[1] if (match := _LEADING_NUMBER.match(p.name)) else None for p in parts]
    if len(parts) < 3 or None in leading or len(set(leading)) < len(leading):
        return parts
    return tuple(replace(part, name=_LEADING_NUMBER.sub("", part.name)) for part in parts)


def part_overrides(
    parts: tuple[Part, ...], said: tuple[PartSettings, ...]
) -> dict[int, PartSettings]:
    """Return what the settings say of each part, by its index.

    A part is matched by its name, else by its number from 1.

    Raises
    ------
    SettingsError
        If no track is called so.
    """
    by_index: dict[int, PartSettings] = {}
    for about in said:
        indexes = tracks_called(about.match, parts)
        if not indexes:
            raise no_such_track(about.match, parts, where="part")
        by_index |= dict.fromkeys(indexes, about)
    return by_index


def tracks_called(text: str, parts: Sequence[Part]) -> list[int]:
    """Return the indexes of the tracks of a name, else that of a number from 1; none for none."""
    wanted = plain(text.strip())
    indexes = [i for i, part in enumerate(parts) if plain(part.name.strip()) == wanted]
    if not indexes and wanted.isdecimal() and 1 <= int(wanted) <= len(parts):
        return [int(wanted) - 1]
    return indexes


def no_such_track(text: str, parts: Sequence[Part], *, where: str) -> SettingsError:
    """Return the refusal of a text that no track of a file is called."""
    near = difflib.get_close_matches(text, [part.name for part in parts], n=2)
    advice = f"did you mean {' or '.join(map(repr, near))}?" if near else None
    return SettingsError(
        f"no track is called {text!r} among the {len(parts)} in the file",
        where=where,
        advice=advice or "`retro show` lists the tracks",
    )


def _lands_at_start(instrument: Instrument, landing: Landing) -> bool:
    """Return whether tones land on starts where the part does not say: drums always do."""
    if instrument.sound is not Sound.STRUCK:
        return False
    return instrument.is_unpitched or landing is Landing.START


def _apply(about: PartSettings | None, player: Player, landing: Landing) -> Player:
    """Put what a person says in place of what was guessed."""
    about = about or PartSettings(match="")
    if about.instrument is not None:
        instrument = by_id(about.instrument)
        is_kept = _is_in_another_script(player.name)
        player = replace(
            player,
            instrument=instrument,
            name=player.name if is_kept else _printed(instrument, player.numbers, ""),
            guessed_from="settings",
        )
    reading = read_name(about.name) if about.name else None
    return replace(
        player,
        name=about.name or player.name,
        numbers=(reading and _seats(reading, player.instrument)) or player.numbers,
        lands_at_start=about.landing is Landing.START
        if about.landing is not None
        else _lands_at_start(player.instrument, landing),
        attack_override_s=about.attack_s,
        sampler_attack_override_s=about.sampler_attack_s,
        sampler_decay_override_s=about.sampler_decay_s,
        decay_override_s=about.decay_s,
        bank=about.bank,
        program=about.program,
        key=about.key,
    )


def _with_names_of_their_own(players: Sequence[Player]) -> tuple[Player, ...]:
    """Make equal names distinct: unnumbered soloists get numbers, all others letters."""
    taken = Counter(player.name for player in players)
    used = {name for name, times in taken.items() if times == 1}
    told: list[Player] = []
    for player in players:
        if taken[player.name] == 1:
            told.append(player)
            continue
        by_number = not player.numbers and not player.instrument.section
        for number in count(1):
            name = f"{player.name} {number if by_number else _letters(number)}"
            if name not in used:
                break
        used.add(name)
        numbers = (number,) if by_number else player.numbers
        told.append(replace(player, name=name, numbers=numbers))
    return tuple(told)


def _letters(number: int) -> str:
    """Letters that count: a to z, then aa, ab ..."""
    letters = ""
    while number:
        number, digit = divmod(number - 1, 26)
        letters = chr(ord("a") + digit) + letters
    return letters
