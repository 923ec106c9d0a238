"""What one microphone says of a take: all players, or a spot microphone's own."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from retro.errors import SettingsError, TakeError
from retro.measuring.broken import TOGETHER_S, BreakOff, break_off
from retro.measuring.doubt import doubt_of
from retro.measuring.groups import Group, HeardGroup, groups_of
from retro.measuring.identify import NEAR_S, ExpectedAttack, Match, match_plan
from retro.measuring.lateness import Lateness, hear_lateness
from retro.measuring.listen import HeardTake
from retro.measuring.octave import OCTAVE
from retro.model.instruments import Family, Instrument
from retro.model.orchestra import INSTRUMENTS
from retro.read.plan_file import PlanFile
from retro.units import ms_to_seconds, seconds_to_ms, seconds_to_samples

JOINED_S = 0.005
"""Unisons this close are one attack."""

ANCHOR_S = 0.03
"""How far from the anchor a note is wanted that belongs to it."""

MIN_GOING_ON = 2.7
"""By how many deviations those are heard whose silence says that an insert breaks off. On made
ensembles: in false starts 3.3 or more (once 1.5, of four attacks), by a microphone that is close to
others 2.1 or less."""

Parts = tuple[int, ...]
"""Indexes of parts; none means all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Microphone:
    """A file of a take.

    Parameters
    ----------
    path
        WAV, RF64, W64, AIFF or FLAC.
    phrase_start_samples
        Its frame of the insert's bar 1 beat 1.
    parts
        Whom it is close to; empty where it hears all.
    """

    path: Path
    phrase_start_samples: int = 0
    parts: Parts = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MicrophoneLateness:
    """How late one microphone says that the take is; as in `retro.measuring.measure`.

    Parameters
    ----------
    name
        File name.
    players
        By whose attacks it is judged; empty where by everyone's.
    """

    name: str
    players: tuple[str, ...]
    lateness_ms: float
    lateness_uncertainty_ms: float
    anchor_lateness_ms: float | None
    anchor_lateness_uncertainty_ms: float | None
    attacks: int
    heard: int
    agreement: float
    over_chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What was heard through one microphone, why that may not be the insert, and what it says."""

    take: HeardTake
    attacks: int
    groups: tuple[HeardGroup, ...]
    unheard: tuple[Group, ...]
    anchor: HeardGroup | None
    doubt: str | None
    said: MicrophoneLateness


def expected_attacks(plan: PlanFile, parts: Parts = ()) -> tuple[ExpectedAttack, ...]:
    """Return the attacks of a plan as its written performance has them, unisons joined."""
    attacks: dict[tuple[int, int], ExpectedAttack] = {}
    instruments = [_instrument(part.instrument) for part in plan.parts]
    is_pitched = [one is None or not one.is_unpitched for one in instruments]
    is_harmonic = [one is None or _is_harmonic(one) for one in instruments]
    for note in plan.notes:
        errors_ms = (note.landing_error_ms, note.written_landing_error_ms)
        if note.lands_s is None or errors_ms[0] is None or errors_ms[1] is None:
            continue
        if parts and note.part not in parts:
            continue
        wanted_s = float(plan.length_s) - note.lands_s + ms_to_seconds(errors_ms[0])
        at_s = wanted_s - ms_to_seconds(errors_ms[1])
        length_s = max(note.played_off_s - note.played_on_s - note.attack_s, JOINED_S)
        key = (note.pitch, seconds_to_samples(at_s / JOINED_S, 1))
        weight = float(note.velocity**4)
        alone = is_harmonic[note.part]
        if key in attacks:
            alone &= attacks[key].is_harmonic
            weight += attacks[key].weight
            length_s = max(length_s, attacks[key].length_s)
        attacks[key] = ExpectedAttack(
            at_s=at_s,
            pitch=note.pitch,
            weight=weight,
            length_s=length_s,
            is_pitched=is_pitched[note.part],
            is_harmonic=alone,
        )
    return tuple(sorted(attacks.values(), key=lambda attack: (attack.at_s, attack.pitch)))


def _instrument(id_: str) -> Instrument | None:
    """Return a known instrument; None for one that another version knew."""
    return next((one for one in INSTRUMENTS if one.id == id_), None)


def _is_harmonic(instrument: Instrument) -> bool:
    return instrument.id != "organ" and instrument.family is not Family.PERCUSSION


def hear_microphone(take: HeardTake, plan: PlanFile, parts: Parts = ()) -> Heard:
    """Return what is heard through a microphone.

    Raises
    ------
    TakeError
        If it is not the insert of the plan, or no attack can be told apart.
    """
    own = inside(take, expected_attacks(plan, parts))
    match, doubt = _matched(take, plan, parts)
    lateness = lateness_of(take, plan, parts, coarse_s=match.late_s)
    if lateness is None:
        raise TakeError(
            "no attack stands out clearly enough to say how late it is",
            where=take.path.name,
            advice="measure a closer microphone",
        )
    anchor = _anchor(lateness.heard, plan)
    return Heard(
        take=take,
        attacks=len(own),
        groups=lateness.heard,
        unheard=lateness.unheard,
        anchor=anchor,
        doubt=doubt,
        said=MicrophoneLateness(
            name=take.path.name,
            players=tuple(plan.parts[part].name for part in parts),
            lateness_ms=seconds_to_ms(lateness.common_s),
            lateness_uncertainty_ms=seconds_to_ms(lateness.uncertainty_s),
            anchor_lateness_ms=seconds_to_ms(anchor.late_s) if anchor else None,
            anchor_lateness_uncertainty_ms=(
                seconds_to_ms(anchor.uncertainty_s) if anchor else None
            ),
            attacks=len(lateness.heard) + len(lateness.unheard),
            heard=len(lateness.heard),
            agreement=match.agreement,
            over_chance=match.over_chance,
        ),
    )


def lateness_of(
    take: HeardTake,
    plan: PlanFile,
    parts: Parts = (),
    *,
    coarse_s: float,
    everyone: HeardTake | None = None,
) -> Lateness | None:
    """Return how late players are in a take; None where none can be told apart.

    Parameters
    ----------
    parts
        Whose attacks count; everyone's where none are named.
    coarse_s
        About how late they are.
    everyone
        A microphone that hears all, where `take` is close to some.
    """
    attacks = inside(take, expected_attacks(plan, parts))
    if not attacks:
        return None
    return hear_lateness(
        take,
        groups_of(attacks),
        coarse_s=coarse_s,
        onset_db=plan.settings.onset_db,
        reverberation_s=plan.settings.room.reverberation_s,
        others=attacks_of_others(take, plan, parts),
        everyone=everyone,
    )


def attacks_of_others(take: HeardTake, plan: PlanFile, parts: Parts) -> tuple[ExpectedAttack, ...]:
    """Return the attacks of those who are not among some parts; none where these are all."""
    others = tuple(part.index for part in plan.parts if part.index not in parts)
    return inside(take, expected_attacks(plan, others)) if parts and others else ()


def parts_named(name: str, plan: PlanFile) -> Parts:
    """Return the parts that a name stands for: `Horns` for `Horn in F 1.2` and `Horn in F 3.4`.

    Raises
    ------
    SettingsError
        If no part is called so.
    """
    wanted = _words(name)
    exact = [part.index for part in plan.parts if _words(part.name) == wanted]
    found = exact or [
        part.index for part in plan.parts if wanted and _words(part.name)[: len(wanted)] == wanted
    ]
    if not found:
        players = ", ".join(part.name for part in plan.parts)
        raise SettingsError(f"no player of the plan is called {name!r}", advice=f"it has {players}")
    return tuple(found)


def guessed_parts(path: Path, plan: PlanFile) -> Parts:
    """Return whom a file is close to by its name, `take7_Horn_close.wav`; empty where nobody."""
    words = _words(path.stem)
    best: tuple[int, list[int]] = (0, [])
    for part in plan.parts:
        own = _words(part.name)
        shared = max(
            (
                length
                for length in range(1, len(own) + 1)
                for first in range(len(words) - length + 1)
                if words[first : first + length] == own[:length]
            ),
            default=0,
        )
        if shared > best[0]:
            best = (shared, [part.index])
        elif shared and shared == best[0]:
            best[1].append(part.index)
    return tuple(best[1])


def microphones_of(
    files: Sequence[tuple[Path, int]], plan: PlanFile, stated: Sequence[str] = ()
) -> tuple[Microphone, ...]:
    """Return the microphones that files are: whom each is close to as stated, else by its name.

    With each file stands its frame of the insert's bar 1 beat 1. Statements are like
    ``Horn.wav=Horns``; nothing behind the sign means that it hears all.

    Raises
    ------
    SettingsError
        If a statement names no file or no player.
    """
    parts: dict[str, Parts] = {}
    for text in stated:
        name, sign, players = text.rpartition("=")
        if not sign or name not in {path.name for path, _ in files}:
            known = ", ".join(path.name for path, _ in files)
            raise SettingsError(
                f"--mic {text!r} names none of the files",
                advice=f"write it as {known.split(', ')[0]}=Horns; the files are {known}",
            )
        parts[name] = parts_named(players, plan) if players.strip() else ()
    return tuple(
        Microphone(
            path=path,
            phrase_start_samples=start,
            parts=parts[path.name] if path.name in parts else guessed_parts(path, plan),
        )
        for path, start in files
    )


def _words(name: str) -> list[str]:
    """Return the words of a name without figures, cases and plurals."""
    words = re.findall(r"[^\W\d_]+", name.casefold())
    return [word.removesuffix("s") if len(word) > 3 else word for word in words]


def inside(take: HeardTake, attacks: Sequence[ExpectedAttack]) -> tuple[ExpectedAttack, ...]:
    """Return the attacks that lie in a take."""
    return tuple(one for one in attacks if take.start_s <= one.at_s < take.end_s)


def break_in(
    take: HeardTake, plan: PlanFile, parts: Parts = (), *, late_s: float
) -> BreakOff | None:
    """Return where the insert, or what some parts play of it, breaks off in a take.

    A microphone that nobody named may be close to players who rest from there on: then these are
    heard to their end, and who should go on was not heard before either.
    """
    found = break_off(take, inside(take, expected_attacks(plan, parts)), late_s=late_s)
    if found is None:
        return None
    going, resting = _going_and_resting(take, plan, parts, found.last_s + TOGETHER_S)
    if not resting or _hears(take, _alone(going, resting, found.last_s + TOGETHER_S), late_s):
        return found
    is_close = match_plan(take, resting, expected_s=late_s, reach_s=NEAR_S).is_this_insert
    return replace(found, may_be_rest=is_close)


def _going_and_resting(
    take: HeardTake, plan: PlanFile, parts: Parts, until_s: float
) -> tuple[list[ExpectedAttack], list[ExpectedAttack]]:
    """Return the attacks of those who play on behind a moment, and of those who rest from there."""
    going: list[ExpectedAttack] = []
    resting: list[ExpectedAttack] = []
    for part in parts or range(len(plan.parts)):
        own = inside(take, expected_attacks(plan, (part,)))
        (going if own and own[-1].at_s > until_s else resting).extend(own)
    return _in_order(going), _in_order(resting)


def _alone(
    going: Sequence[ExpectedAttack], resting: Sequence[ExpectedAttack], until_s: float
) -> list[ExpectedAttack]:
    """Return what some play up to a moment and do not double others, which would tell nothing."""
    doubled = {moment for attack in resting for moment in _moments(attack)}
    return [one for one in going if one.at_s <= until_s and doubled.isdisjoint(_moments(one))]


def _hears(take: HeardTake, attacks: Sequence[ExpectedAttack], late_s: float) -> bool:
    if not attacks:
        return False
    match = match_plan(take, attacks, expected_s=late_s, reach_s=NEAR_S)
    return match.over_chance >= MIN_GOING_ON


def _in_order(attacks: Iterable[ExpectedAttack]) -> list[ExpectedAttack]:
    return sorted(attacks, key=lambda attack: (attack.at_s, attack.pitch))


def _moments(attack: ExpectedAttack) -> tuple[tuple[int, int], ...]:
    """Return a pitch in any octave, and moments of which attacks together share one."""
    first = int(attack.at_s // TOGETHER_S)
    return ((attack.pitch % OCTAVE, first), (attack.pitch % OCTAVE, first + 1))


def _matched(take: HeardTake, plan: PlanFile, parts: Parts) -> tuple[Match, str | None]:
    """Return how the take fits the plan, or a spot microphone its own part, and what is doubtful.

    Raises
    ------
    TakeError
        If the insert does not lie there.
    """
    attacks = inside(take, expected_attacks(plan))
    own = inside(take, expected_attacks(plan, parts)) if parts else ()
    others: tuple[ExpectedAttack, ...] = ()
    match = match_plan(take, attacks)
    if own and not match.is_this_insert:
        of_own = match_plan(take, own)
        if of_own.is_this_insert:
            match, attacks, others = of_own, own, attacks
    heard = parts if own else ()
    found = break_in(take, plan, heard, late_s=match.late_s) if match.opens_here else None
    return match, doubt_of(take, plan, attacks, match, others=others, broken=found)


def _anchor(heard: Sequence[HeardGroup], plan: PlanFile) -> HeardGroup | None:
    """Return the group that lands on the clip's anchor."""
    anchor = plan.placement.anchor
    if anchor is None:
        return None
    wanted_s = float(plan.length_s) - anchor.at_s
    near = [one for one in heard if abs(one.group.at_s - wanted_s) <= _reach_s(plan)]
    return max(near, key=lambda one: one.group.amplitude, default=None)


def _reach_s(plan: PlanFile) -> float:
    """How far the anchor's attacks may lie from its place: what the paper misses there."""
    return (
        ANCHOR_S + abs(ms_to_seconds(plan.placement.shift_ms)) + (plan.settings.lateness_s or 0.0)
    )
