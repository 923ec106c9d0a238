"""Finds the takes of a day in long recordings: which insert, which take, where it begins.

A few microphones are listened to, one alone where it is the click itself. First for the tick
patterns of the day's clicks; an insert whose pattern nobody hears is looked for by its music, which
tells its place less finely. The recordings are only read.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from retro.day.choose import insert_of
from retro.day.clicks import patterned_click
from retro.day.compose import Day
from retro.day.day_file import MicrophoneEntry
from retro.day.inserts import DayInsert
from retro.day.reels import Reel, Track, reels_of
from retro.day.takes_document import (
    BY_TICKS,
    MicrophoneFile,
    TakeDocument,
    TakesDocument,
    files_from,
)
from retro.day.ticks import hear_patterns
from retro.errors import SettingsError, TakeError
from retro.measuring.bands import HOP_S
from retro.measuring.identify import NEAR_S, match_plan
from retro.measuring.listen import HeardTake, hear_take
from retro.measuring.microphones import expected_attacks, inside
from retro.measuring.octave import octaves_off
from retro.units import flight_s, samples_to_seconds, seconds_to_samples

MAX_LISTENED = 4
"""Microphones that are listened to where nobody says which."""

TICKS_WITHIN_FRAMES = 2
"""How sure a place is that the ticks tell; measured with noise as loud as the click."""

BY = {"ticks": BY_TICKS, "music": "the music"}

MAX_MUSIC_REACH_S = 60.0
"""How far music is looked for at once, on both sides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTake:
    """A take that was heard in a reel.

    Parameters
    ----------
    insert, reel
        Numbers of both.
    phrase_start_frame
        Frame of the reel.
    start_frame
        Where its click begins, else its phrase.
    within_frames
        How sure that is.
    heard_in
        Name of the microphone.
    by
        What was heard there: its ticks or its music.
    share
        How much of what was heard fits; of music, deviations over chance.
    """

    insert: int
    reel: int
    phrase_start_frame: int
    start_frame: int
    within_frames: int
    heard_in: str
    by: str
    share: float


def find(
    day: Day,
    paths: Sequence[Path],
    *,
    through: Sequence[str] = (),
    music: Sequence[str] = (),
    say: Callable[[str], None] = lambda _: None,
) -> tuple[TakesDocument, tuple[FoundTake, ...]]:
    """Return the takes of a day among files that were recorded, and how each was found.

    It listens to the microphones `through`; where none is named to the click track, else to the
    closest few. Inserts whose ticks nobody hears are looked for by their music, and those of the
    letters `music` too. `say` is called with a few words before each file.

    Raises
    ------
    AudioError
        If a file cannot be read.
    SettingsError
        If no file is of a microphone that is named, or no insert has a letter.
    TakeError
        If nothing of the day is heard.
    """
    reels = reels_of(paths, [entry.name for entry in day.file.microphone])
    _refuse_unknown(reels, through)
    named = {day.inserts.index(insert_of(day, letter)) for letter in music}
    listened = [_listened(reel, day.file.microphone, through) for reel in reels]
    leads_s = [
        _lead_s(insert, pattern) for insert, pattern in zip(day.inserts, day.patterns, strict=True)
    ]
    found = [
        take
        for number, (reel, tracks) in enumerate(zip(reels, listened, strict=True))
        for take in _by_ticks(day, reel, number, tracks, leads_s=leads_s, say=say)
    ]
    missed = set(range(len(day.inserts))) - {take.insert for take in found}
    missed |= named
    heard: list[FoundTake] = []
    for number, (reel, tracks) in enumerate(zip(reels, listened, strict=True)):
        players = [track for track in tracks if not track.is_click] or [
            track for track in reel.tracks if not track.is_click
        ]
        for insert in sorted(missed) if players else ():
            say(
                f"listening to {players[0].file.path.name} for the music of Insert "
                f"{day.inserts[insert].letter}"
            )
            heard += _by_music(day.inserts[insert], insert, reel, number, players[0])
    found += _elsewhere(
        heard, found, [float(insert.plan.length_s) for insert in day.inserts], reels
    )
    if not found:
        raise TakeError(
            "no take of the day is heard in these files",
            where=paths[0],
            advice="name the microphones that hear the click or the music with --through",
        )
    found.sort(key=lambda take: (take.reel, take.start_frame))
    return TakesDocument(takes=tuple(_documents(day, reels, found))), tuple(found)


def _refuse_unknown(reels: Sequence[Reel], through: Sequence[str]) -> None:
    known = sorted({track.microphone for reel in reels for track in reel.tracks})
    for name in through:
        if name.casefold() not in {each.casefold() for each in known}:
            raise SettingsError(
                f"no file is of the microphone {name!r}", advice=f"there are {', '.join(known)}"
            )


def _listened(
    reel: Reel, entries: Sequence[MicrophoneEntry], through: Sequence[str]
) -> list[Track]:
    """Return the tracks to listen to: those that are named, the click, or the closest few."""
    if through:
        wanted = {name.casefold() for name in through}
        return [track for track in reel.tracks if track.microphone.casefold() in wanted]
    clicks = [track for track in reel.tracks if track.is_click]
    if clicks:
        return clicks[:1]
    far = {
        entry.name: np.inf if entry.distance_m is None else entry.distance_m for entry in entries
    }
    tracks = sorted(reel.tracks, key=lambda track: far.get(track.microphone, np.inf))
    return tracks[:MAX_LISTENED]


def _by_ticks(
    day: Day,
    reel: Reel,
    number: int,
    tracks: Sequence[Track],
    *,
    leads_s: Sequence[Fraction],
    say: Callable[[str], None],
) -> list[FoundTake]:
    """Return the takes whose ticks are heard, each in the microphone that hears them best.

    Of those whose distance from the headphones is stated, where one of them hears them: what flies
    an unknown way comes later.

    `leads_s` says how long the phrase begins after the first tick of each insert.
    """
    metres = {entry.name: entry.click_m for entry in day.file.microphone}
    heard, stated = [], set()
    for track in tracks:
        say(f"listening to {track.file.path.name}")
        for hit in hear_patterns(track.file.path, day.patterns):
            away_m = 0.0 if track.is_click else metres.get(track.microphone)
            if away_m is not None:
                stated.add(track.microphone)
            temperature_c = day.inserts[hit.pattern].plan.settings.temperature_c
            flight = seconds_to_samples(flight_s(away_m or 0.0, temperature_c), reel.rate)
            start = reel.offset(track) + hit.first_tick_frame - flight
            heard.append(
                FoundTake(
                    insert=hit.pattern,
                    reel=number,
                    phrase_start_frame=start + seconds_to_samples(leads_s[hit.pattern], reel.rate),
                    start_frame=start,
                    within_frames=TICKS_WITHIN_FRAMES,
                    heard_in=track.microphone,
                    by="ticks",
                    share=hit.share,
                )
            )
    apart = seconds_to_samples(1, reel.rate)
    best = _best_of(heard, apart=apart)
    surer = sorted((one for one in heard if one.heard_in in stated), key=lambda one: -one.share)
    return [
        next((one for one in surer if _is_same_take(one, take, apart=apart)), take) for take in best
    ]


def _is_same_take(one: FoundTake, other: FoundTake, *, apart: int) -> bool:
    is_near = abs(one.start_frame - other.start_frame) <= apart
    return is_near and one.insert == other.insert


def _lead_s(insert: DayInsert, pattern: tuple[int, ...]) -> Fraction:
    click = patterned_click(insert, pattern)
    return samples_to_seconds(click.phrase_start_frame, click.rate)


def _by_music(
    insert: DayInsert, number: int, reel: Reel, reel_number: int, track: Track
) -> list[FoundTake]:
    """Return the takes whose music is heard in one microphone."""
    heard = hear_take(track.file.path)
    attacks = expected_attacks(insert.plan)
    if not attacks:
        return []
    length_s = float(insert.plan.length_s)
    found = []
    for place_s in _places_s(heard, length_s):
        own = replace(heard, phrase_start_samples=seconds_to_samples(place_s, reel.rate))
        match = match_plan(own, attacks, reach_s=min(length_s / 2.0, MAX_MUSIC_REACH_S))
        there_s = place_s + match.elsewhere_s
        own = replace(heard, phrase_start_samples=seconds_to_samples(there_s, reel.rate))
        sounding = inside(own, attacks)
        if len(sounding) < len(attacks):
            continue
        match = match_plan(own, attacks)
        if not match.is_this_insert or match.is_short or match.lies_elsewhere:
            continue
        if octaves_off(own, attacks, late_s=match.late_s):
            continue
        start = reel.offset(track) + own.phrase_start_samples
        start += seconds_to_samples(match.late_s, reel.rate)
        found.append(
            FoundTake(
                insert=number,
                reel=reel_number,
                phrase_start_frame=start,
                start_frame=start,
                within_frames=seconds_to_samples(NEAR_S, reel.rate),
                heard_in=track.microphone,
                by="music",
                share=match.over_chance,
            )
        )
    return _best_of(found, apart=seconds_to_samples(length_s / 2.0, reel.rate))


def _elsewhere(
    heard: Sequence[FoundTake],
    found: Sequence[FoundTake],
    lengths_s: Sequence[float],
    reels: Sequence[Reel],
) -> list[FoundTake]:
    """Return what was heard by music and lies in no take that is surer.

    Inserts of one song are alike: one is heard in the other, less well.
    """

    def lies_in(one: FoundTake, other: FoundTake) -> bool:
        rate = reels[one.reel].rate
        own, its = (seconds_to_samples(lengths_s[each.insert], rate) for each in (one, other))
        starts = one.phrase_start_frame, other.phrase_start_frame
        shared = min(starts[0] + own, starts[1] + its) - max(starts)
        return one.reel == other.reel and shared > min(own, its) // 2

    kept: list[FoundTake] = []
    for one in sorted(heard, key=lambda each: -each.share):
        if not any(lies_in(one, other) for other in (*found, *kept)):
            kept.append(one)
    return kept


def _places_s(heard: HeardTake, length_s: float) -> Iterator[float]:
    """Yield the places of a file from which every other one is near enough to be heard."""
    reach_s = max(min(length_s / 2.0, MAX_MUSIC_REACH_S), HOP_S)
    place_s = min(reach_s, heard.end_s - length_s)
    while 0.0 <= place_s < heard.end_s - length_s + reach_s:
        yield place_s
        place_s += 2.0 * reach_s


def _best_of(heard: Sequence[FoundTake], *, apart: int) -> list[FoundTake]:
    best: list[FoundTake] = []
    for take in sorted(heard, key=lambda one: -one.share):
        if all(abs(take.start_frame - one.start_frame) > apart for one in best):
            best.append(take)
    return best


def _documents(
    day: Day, reels: Sequence[Reel], found: Sequence[FoundTake]
) -> Iterator[TakeDocument]:
    """Yield the takes numbered, each up to the beginning of the next."""
    numbers: dict[int, int] = {}
    for index, take in enumerate(found):
        reel, insert = reels[take.reel], day.inserts[take.insert]
        numbers[take.insert] = numbers.get(take.insert, 0) + 1
        after = [one.start_frame for one in found[index + 1 :] if one.reel == take.reel]
        yield TakeDocument(
            letter=insert.letter,
            number=numbers[take.insert],
            files=tuple(
                MicrophoneFile(microphone=track.microphone, path=str(track.file.path.absolute()))
                for track in reel.tracks
            ),
            phrase_start_frame=take.phrase_start_frame,
            end_frame=min([*after, reel.end_frame]),
            plan_sha256=insert.plan_sha256,
            found_by=f"{BY[take.by]} in {take.heard_in}",
            within_frames=float(take.within_frames),
        )


def takes_from(takes: TakesDocument, folder: Path, *, base: Path | None = None) -> TakesDocument:
    """Return takes whose paths are from a folder; those that are not whole come from `base`."""
    return replace(takes, takes=tuple(files_from(take, folder, base=base) for take in takes.takes))


def found_rows(takes: TakesDocument, found: Sequence[FoundTake]) -> list[tuple[str, ...]]:
    """Return a table of what was found, under headings."""
    rows: list[tuple[str, ...]] = [
        ("insert", "take", "phrase start", "within", "first file", "found by", "sure")
    ]
    for take, heard in zip(takes.takes, found, strict=True):
        sure = f"{heard.share:.0%}" if heard.by == "ticks" else f"{heard.share:.1f} over chance"
        rows.append(
            (
                take.letter,
                str(take.number),
                str(take.phrase_start_frame),
                f"{heard.within_frames} frames",
                Path(take.files[0].path).name,
                take.found_by,
                sure,
            )
        )
    return rows
