"""Listens to one take: its place, lateness, level, pitches, tail, roll and release.

What a take is compared in with others (tuning, doubtful notes, level) is only heard here; it is
compared in `retro.day.judge`.
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import soundfile

from retro.day.choose import OpenedTake
from retro.day.day_file import MicrophoneEntry
from retro.day.inserts import DayInsert
from retro.errors import SettingsError, TakeError
from retro.measuring.ending import ending, held_together_s
from retro.measuring.identify import ExpectedAttack
from retro.measuring.lateness import Lateness, is_among
from retro.measuring.listen import HeardTake, hear_take, undecodable
from retro.measuring.microphones import (
    Microphone,
    attacks_of_others,
    lateness_of,
    parts_named,
)
from retro.measuring.noise import Where, clearest
from retro.measuring.pitches import HeardNote, heard_notes
from retro.measuring.played_noise import AFTER_S, levels_db, rest_noises
from retro.measuring.release import early_by_s, held_end_s
from retro.measuring.tail_noise import tail_noises
from retro.measuring.verify import Verdict, verify_insert
from retro.model.orchestra import by_id
from retro.model.sound import FloatArray
from retro.read.plan_file import PlanFile
from retro.units import (
    amplitude_to_db,
    flight_s,
    samples_to_seconds,
    seconds_to_ms,
    seconds_to_samples,
)

MAX_SECTIONS = 8
"""Sections that are listened to; the closest microphones first."""

SEARCH_S = 60.0
"""How far from its stated place a take is looked for: what lies further is another take."""

MAX_TAILS = 3
"""Microphones in which the tail is listened to."""

MAX_PLAYED = 6
"""Microphones in which noises are listened for while people play, and in rests."""

CLEAR_ERROR_S, CLEAR_SHARE, UNCLEAR_SECTION_S = 0.02, 0.7, 0.1
"""Up to which deviation a group is clear, what share of a section's groups should be, and how far
its lateness may be off where none is: by a made orchestra, `tests.evidence.made_recording_day`."""

CROWD, CROWDED_SECTION_S = 4.0, 0.03
"""How many times a group's energy others have who begin with it, and how far the lateness of a
section may be off that always begins so."""

BLED_SECTION_S = 0.04
"""How far the lateness of a section may be off whose microphone hears nothing but others."""

BLOCK_FRAMES = 1 << 18
ROLL_DOUBT_S = 0.01
"""A roll that is shorter by less is no fault."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardSection:
    """What a section's own microphone says.

    Parameters
    ----------
    section, microphone
        Names.
    lateness_s, uncertainty_s
        The flight taken off; None where it cannot be told.
    notes
        Its long notes.
    """

    section: str
    microphone: str
    lateness_s: float | None
    uncertainty_s: float | None
    notes: tuple[HeardNote, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardInTake:
    """All that was heard in one take.

    Parameters
    ----------
    opened
        The take.
    verdict
        Whether the insert lies there; None where it does not.
    place
        In words.
    lateness
        Of all players; None where it cannot be told.
    sections
        Those with a microphone of their own.
    peak_dbfs, level_dbfs
        Of the phrase; None where it is silent.
    late_s
        How late all players are, as sure as it can be told; 0 where it cannot.
    release_s
        Insert time of the last release as it is heard.
    noises
        In the tail, each with its microphone.
    rest_noises
        The same where nobody plays.
    played_db, played_in
        Levels from the insert's beginning, as late as players are, to shortly after the last
        release; and the names of the microphones. There are no frames where the insert is not.
    roll_short_s, short_in
        How much too early the recording ends, and in which microphones where not in all alike.
    released_s
        How much too early each microphone hears the players let go.
    endings
        The spectrum of each before the last release; empty where nobody holds a tone there.
    """

    opened: OpenedTake
    verdict: Verdict | None
    place: str
    lateness: Lateness | None
    sections: tuple[HeardSection, ...]
    peak_dbfs: float | None
    level_dbfs: float | None
    late_s: float
    release_s: float
    noises: tuple[Where, ...]
    rest_noises: tuple[Where, ...]
    played_db: FloatArray
    played_in: tuple[str, ...]
    roll_short_s: float
    short_in: tuple[str, ...]
    released_s: Mapping[str, float]
    endings: Mapping[str, FloatArray]


def hear(insert: DayInsert, opened: OpenedTake, entries: Sequence[MicrophoneEntry]) -> HeardInTake:
    """Return what is heard in a take.

    Memory does not grow with the files, nor does the time: what is read lies within the take.

    Raises
    ------
    AudioError
        If a file cannot be decoded.
    """
    plan = insert.plan
    tracks = _tracks(opened)
    verdict, place = _place(plan, tracks)
    coarse_s = verdict.match.late_s if verdict is not None and verdict.match is not None else 0.0
    own = list(_sectioned(plan, tracks, entries))
    close = [name for name, *_ in own]
    far = [name for name in tracks if name not in close]
    mains = [tracks[name] for name in far or close]
    lateness = lateness_of(mains[0], plan, coarse_s=coarse_s) if verdict is not None else None
    late_s = coarse_s if lateness is None else lateness.common_s
    sections = tuple(_section(one, plan, coarse_s, tracks[far[0]] if far else None) for one in own)
    release_s = plan.placement.last_release_s + late_s
    roll_short_s, short_in = _roll_short(opened, plan)
    peak, level = _levels([*mains[:MAX_TAILS], *(take for _, take, *_ in own)], plan)
    listened = [*far[:MAX_TAILS], *close][:MAX_PLAYED]
    tails = {name: tracks[name] for name in listened[:MAX_TAILS]}
    releasing = {name: tracks[name] for name in (*far[:MAX_TAILS], *close)}
    inside_s = float(samples_to_seconds(opened.inside.end, opened.take.rate))
    played_s = min(release_s + AFTER_S, inside_s) if verdict is not None else late_s
    return HeardInTake(
        opened=opened,
        verdict=verdict,
        place=place,
        lateness=lateness,
        sections=sections,
        peak_dbfs=peak,
        level_dbfs=level,
        late_s=late_s,
        release_s=release_s,
        noises=_noises(
            tails, min(float(plan.length_s + plan.placement.roll_s), inside_s), release_s
        ),
        rest_noises=_rest_noises({name: tracks[name] for name in listened}, plan, late_s, inside_s)
        if verdict is not None
        else (),
        played_db=levels_db(
            [tracks[name] for name in listened],
            late_s,
            max(played_s, late_s),
            release_s=release_s,
        ),
        played_in=tuple(listened),
        roll_short_s=roll_short_s,
        short_in=short_in,
        released_s=_released_s(plan, releasing, own, late_s),
        endings=_endings(plan, releasing, late_s),
    )


_Own = tuple[str, HeardTake, tuple[int, ...], MicrophoneEntry]


def _tracks(opened: OpenedTake) -> dict[str, HeardTake]:
    """Return the files of a take by their microphones."""
    names = [file.microphone for file in opened.document.files]
    return {
        name: hear_take(file.path, phrase_start_samples=opened.phrase_start - start)
        for name, file, start in zip(names, opened.take.files, opened.take.starts, strict=True)
    }


def _place(plan: PlanFile, tracks: dict[str, HeardTake]) -> tuple[Verdict | None, str]:
    microphones = [
        Microphone(path=take.path, phrase_start_samples=take.phrase_start_samples)
        for take in tracks.values()
    ]
    try:
        verdict = verify_insert(microphones, plan, search_s=SEARCH_S)
    except TakeError as refusal:
        return None, str(refusal)
    if verdict.doubt is not None:
        return verdict, verdict.doubt
    return verdict, f"the insert lies there, by its music in {verdict.microphone}"


def _sectioned(
    plan: PlanFile, tracks: dict[str, HeardTake], entries: Sequence[MicrophoneEntry]
) -> Iterator[_Own]:
    """Yield the microphones of sections that play in the insert, the closest first."""
    near = sorted(
        (entry for entry in entries if entry.section is not None and entry.name in tracks),
        key=lambda entry: np.inf if entry.distance_m is None else entry.distance_m,
    )
    found = 0
    for entry in near:
        try:
            parts = section_parts(entry.section or "", plan)
        except SettingsError:
            continue
        found += 1
        if found <= MAX_SECTIONS:
            yield entry.name, tracks[entry.name], parts, entry


def section_parts(name: str, plan: PlanFile) -> tuple[int, ...]:
    """Return the parts of a section: those that are called so, else those of a family.

    Raises
    ------
    SettingsError
        If there are none.
    """
    try:
        return parts_named(name, plan)
    except SettingsError:
        family = name.strip().casefold().removesuffix("s")
        own = tuple(
            part.index
            for part in plan.parts
            if by_id(part.instrument).family.value.removesuffix("s") == family
        )
        if own:
            return own
        raise


def _section(
    own: "_Own", plan: PlanFile, coarse_s: float, all_players: HeardTake | None
) -> HeardSection:
    name, take, parts, entry = own
    lateness = lateness_of(take, plan, parts, coarse_s=coarse_s, everyone=all_players)
    away_s = flight_s(entry.distance_m or 0.0, plan.settings.temperature_c)
    late_s = coarse_s if lateness is None else lateness.common_s
    return HeardSection(
        section=entry.section or "",
        microphone=name,
        lateness_s=None if lateness is None else lateness.common_s - away_s,
        uncertainty_s=None
        if lateness is None
        else _uncertainty_s(lateness, attacks_of_others(take, plan, parts)),
        notes=heard_notes(take, plan, parts, lateness_s=late_s, all_players=all_players),
    )


def _uncertainty_s(lateness: Lateness, others: Sequence[ExpectedAttack]) -> float:
    """Return how far a section's lateness may be off.

    That is more, the fewer of its groups are clear, the more of them begin in a crowd, and the more
    of what they seem to reach is bled in.
    """
    groups = [*(one.group for one in lateness.heard), *lateness.unheard]
    every = sum(group.amplitude for group in groups)
    clear = sum(
        one.group.amplitude / (1.0 + (one.error_s / CLEAR_ERROR_S) ** 2) for one in lateness.heard
    )
    crowded = sum(group.amplitude for group in groups if is_among(group, others, share=CROWD))
    missing = max(0.0, CLEAR_SHARE - clear / every)
    unclear_s = (
        UNCLEAR_SECTION_S * missing,
        CROWDED_SECTION_S * crowded / every,
        BLED_SECTION_S * (1.0 - lateness.own_share),
    )
    return float(np.linalg.norm((lateness.uncertainty_s, *unclear_s)))


def _levels(takes: Sequence[HeardTake], plan: PlanFile) -> tuple[float | None, float | None]:
    """Return the peak of the phrase in all microphones, and the level in the first."""
    peak, level = 0.0, 0.0
    for index, take in enumerate(takes):
        length = seconds_to_samples(plan.length_s, take.rate)
        energy = frames = 0.0
        try:
            with soundfile.SoundFile(os.fsencode(take.path)) as file:
                first = min(max(take.phrase_start_samples, 0), file.frames)
                file.seek(first)
                for block in file.blocks(
                    BLOCK_FRAMES, frames=min(length, file.frames - first), always_2d=True
                ):
                    peak = max(peak, float(np.abs(block).max(initial=0.0)))
                    energy += float(np.sum(block.mean(axis=1) ** 2))
                    frames += len(block)
        except (soundfile.LibsndfileError, RuntimeError) as fault:
            raise undecodable(take.path, fault) from fault
        if index == 0 and frames:
            level = float(np.sqrt(energy / frames))
    return (
        amplitude_to_db(peak) if peak > 0.0 else None,
        amplitude_to_db(level) if level > 0.0 else None,
    )


def _noises(tails: Mapping[str, HeardTake], end_s: float, release_s: float) -> tuple[Where, ...]:
    """Return the noises of the tail that a clip keeps, each where it stands out most."""
    return clearest(
        (noise, name)
        for name, take in tails.items()
        for noise in tail_noises(take, release_s)
        if noise.at_s < end_s
    )


def _rest_noises(
    tracks: Mapping[str, HeardTake], plan: PlanFile, late_s: float, end_s: float
) -> tuple[Where, ...]:
    """Return the noises where nobody plays that two microphones hear, each where it is clearest."""
    heard = [
        (noise, name)
        for name, take in tracks.items()
        for noise in rest_noises(take, plan, late_s)
        if noise.at_s < end_s
    ]
    return clearest(
        (noise, name)
        for noise, name in heard
        if len(tracks) == 1
        or any(
            other != name and one.at_s <= noise.end_s and noise.at_s <= one.end_s
            for one, other in heard
        )
    )


def _roll_short(opened: OpenedTake, plan: PlanFile) -> tuple[float, tuple[str, ...]]:
    """Return how much too early a take ends for the tail that the plan keeps, and in which files.

    The microphones are named where they do not all end alike.
    """
    take = opened.take
    needed = seconds_to_samples(plan.length_s + plan.placement.roll_s, take.rate)
    short = needed - opened.inside.end
    if short <= ROLL_DOUBT_S * take.rate:
        return 0.0, ()
    told = opened.document.end_frame
    ends = [start + file.frames for file, start in zip(take.files, take.starts, strict=True)]
    ends = [min(end, end if told is None else told) - opened.phrase_start for end in ends]
    own = tuple(
        file.microphone
        for file, end in zip(opened.document.files, ends, strict=True)
        if needed - end > ROLL_DOUBT_S * take.rate
    )
    return float(samples_to_seconds(short, take.rate)), own if len(set(ends)) > 1 else ()


def _released_s(
    plan: PlanFile, tracks: Mapping[str, HeardTake], own: Sequence[_Own], late_s: float
) -> dict[str, float]:
    """Return how much too early each microphone hears the players let go."""
    sections = {name: parts for name, _, parts, _ in own}
    heard_s = {}
    for name, take in tracks.items():
        end_s = held_end_s(plan, sections.get(name, ()))
        by_s = None if end_s is None else early_by_s(take, end_s, lateness_s=late_s)
        if by_s is not None:
            heard_s[name] = by_s
    return heard_s


def _endings(
    plan: PlanFile, tracks: Mapping[str, HeardTake], late_s: float
) -> dict[str, FloatArray]:
    end_s = held_together_s(plan)
    if end_s is None:
        return {}
    return {
        name: ending(take, end_s, lateness_s=late_s)
        for name, take in tracks.items()
        if take.end_s >= end_s + late_s
    }


def lateness_ms(lateness: Lateness | None) -> tuple[float | None, float | None]:
    """Return lateness and its uncertainty in milliseconds, None for both where there is none."""
    if lateness is None:
        return None, None
    return seconds_to_ms(lateness.common_s), seconds_to_ms(lateness.uncertainty_s)
