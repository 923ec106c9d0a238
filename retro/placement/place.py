"""Where the flipped clip belongs in the song, how long to roll, and how sure that is.

The arithmetic, so that it can be done again by hand or by another program. All in frames at one
rate; `nearest` rounds halves upwards, and each line rounds once::

    phrase_end    = phrase_start + nearest(length_s * rate)
    export_end    = phrase_end + tail_kept
    tail_kept     = nearest(roll_s * rate), or take_end - phrase_end where the take says
    T0            = nearest(start_s * rate)
    shift         = nearest(shift_ms / 1000 * rate)
    clip_start    = T0 - tail_kept + shift
    export_start  = phrase_start + nearest(first_attack_s * rate)
    clip_length   = export_end - export_start
    TimeReference = nearest((session_start_s * rate) + clip_start), counted within the day

`shift_ms` is minus the weighted median of the anchor's landing errors on paper, weighted by the
fourth power of the velocity (as energy goes); and the lateness, where one is known, is added.
The anchor is the last landing of the phrase, or the one that `lands_on` names, with what lands
together with it on paper. The weighted median
is the smallest value at which the weights up to it reach half of all; where they reach exactly
half, the mean of it and the next.

Conventions
-----------
Song time counts from the song's first frame, window and insert time as in
`retro.model.performance`. Later is positive. Bars below 1 lie before the song.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from retro.errors import SettingsError, TakeError
from retro.model.findings import FindingKind
from retro.model.performance import Finding, Performance, Severity, Window
from retro.model.phrase import Phrase
from retro.model.placement import Anchor, Microphone, Placement, RatePlace, ShiftFrom, SongPlace
from retro.model.time import Bar, TempoMap, printed_place
from retro.placement.anchor import Group, group_at
from retro.placement.inputs import (
    ENSEMBLE_SPREAD_MS,
    PlacementInput,
    Session,
    TakeRange,
    input_of_performance,
    input_of_plan,
    validate,
)
from retro.read.plan_file import PlanFile
from retro.units import (
    ms_to_seconds,
    nearest,
    rounded_to_ns,
    rounded_to_us,
    samples_to_seconds,
    seconds_to_ms,
    seconds_to_samples,
    speed_of_sound_m_s,
)
from retro.units.timecode import FRAME_RATES, frame_rate, is_label, label_seconds, timecode_at

MICROPHONE_DISTANCES_M = (1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 16.0, 20.0)

SAME_BEAT = Fraction(1, 8)
"""A landing so near the beat that `lands_on` names is the one that is meant."""

ANCHOR_UNITS = 960
"""Parts of a quarter note to which the anchor's place is rounded: triplets and 64ths are exact."""

TABLE_DECIMALS = 4
"""Decimals of a beat in the placement table (`retro.placement.table`, `calculator.js`)."""

MAX_QUIET_SHIFT_MS = 20.0
"""Above this the order of two onsets is heard (Hirsh 1959, S), so a shift is a finding."""


def song_place(seconds: Fraction, rate: int, tempo: TempoMap, bars: Sequence[Bar]) -> SongPlace:
    """Return the bar and beat of a time in the song; the end bars go on beyond its ends."""
    at = printed_place(bars, tempo.beats_at(seconds), decimals=TABLE_DECIMALS)
    return SongPlace(
        seconds=seconds,
        samples=seconds_to_samples(seconds, rate),
        bar=at.bar,
        beat=at.beat,
    )


def place(
    music: PlacementInput,
    *,
    tempo: TempoMap,
    bars: Sequence[Bar],
    session: Session,
    take: TakeRange | None = None,
) -> Placement:
    """Return where the flipped clip goes; the module's opening states the arithmetic.

    Tempo and bars are those of the whole song; `take` says where the phrase lies in the take, and
    has the measured lateness.

    Raises
    ------
    LimitError
        If the rate is none that audio has.
    SettingsError
        If the session's start or timecode rate means nothing.
    TakeError
        If the take ends before the phrase.
    """
    take = take or TakeRange()
    validate(session, take)
    rate = session.rate
    length_samples = seconds_to_samples(music.length_s, rate)
    phrase_end = take.phrase_start_samples + length_samples
    roll_bars = _bars_to_roll(music)
    roll_s = roll_bars * music.bar_s
    roll_samples = seconds_to_samples(roll_s, rate)
    tail_kept = _tail_kept(take, phrase_end, roll_samples)
    group = anchor_group(music, session.lands_on, tempo=tempo, bars=bars)
    shift_ms, spread_ms = _shift_and_spread(music, take, group)
    shift_samples = seconds_to_samples(ms_to_seconds(shift_ms), rate)
    window_start = seconds_to_samples(music.start_s, rate)
    clip_start = window_start - tail_kept + shift_samples
    first_attack = seconds_to_samples(music.first_attack_s, rate)
    export_start = take.phrase_start_samples + first_attack
    shift_s = samples_to_seconds(shift_samples, rate)
    swell_s = music.start_s + Fraction(music.audible_from_s) + shift_s
    timecodes = {name: _at_rate(name, clip_start, session) for name in FRAME_RATES}
    own_rate = frame_rate(session.frame_rate)
    label_seconds(session.start, own_rate)
    reference = timecodes[own_rate.name].time_reference_samples
    return Placement(
        rate=rate,
        length_samples=length_samples,
        roll_s=roll_s,
        roll_bars=roll_bars,
        roll_samples=roll_samples,
        tail_kept_samples=tail_kept,
        window_start_samples=window_start,
        shift_samples=shift_samples,
        shift_ms=shift_ms,
        anchor=None if group is None else _anchor(music, group, tempo, bars),
        shift_from=ShiftFrom.WRITTEN if take.lateness_s is None else ShiftFrom.MEASURED,
        spread_ms=spread_ms,
        clip_start_samples=clip_start,
        clip_start_ms=seconds_to_ms(samples_to_seconds(clip_start, rate)),
        clip_start=song_place(samples_to_seconds(clip_start, rate), rate, tempo, bars),
        clip_length_samples=phrase_end + tail_kept - export_start,
        pre_roll_samples=max(-first_attack, 0),
        first_attack_s=music.first_attack_s,
        last_release_s=music.last_release_s,
        silent_s=music.silent_s,
        audible_from_s=music.audible_from_s,
        attack_doubt_ms=music.attack_doubt_ms,
        phrase_start_samples=take.phrase_start_samples,
        phrase_end_samples=phrase_end,
        export_start_samples=export_start,
        export_end_samples=phrase_end + tail_kept,
        first_attack_samples=first_attack,
        last_release_samples=seconds_to_samples(music.last_release_s, rate),
        swell_audible_from=song_place(swell_s, rate, tempo, bars),
        session_start=session.start,
        frame_rate=own_rate.name,
        timecodes=timecodes,
        time_reference_samples=reference,
        microphones=microphones(rate, session.temperature_c),
        findings=(
            *_findings(music, rate=rate, tail_kept=tail_kept, time_reference=reference),
            *_shifted(group),
        ),
    )


def place_performance(
    performance: Performance, *, window: Window, song: Phrase, take: TakeRange | None = None
) -> Placement:
    """Place a performance by its own settings; a measured lateness in them counts."""
    settings = performance.settings
    return place(
        input_of_performance(performance, window),
        tempo=song.tempo,
        bars=song.bars,
        session=Session.of(settings),
        take=take or TakeRange(lateness_s=settings.lateness_s),
    )


def place_plan(plan: PlanFile, *, session: Session, take: TakeRange | None = None) -> Placement:
    """Place the insert of a plan file anew, for a session's own rate, start and take."""
    if session.lands_on is None:
        session = replace(session, lands_on=plan.settings.lands_on)
    return place(
        input_of_plan(plan), tempo=plan.song_tempo, bars=plan.song_bars, session=session, take=take
    )


def microphones(rate: int, temperature_c: float) -> tuple[Microphone, ...]:
    """Tabulate the delay of a microphone by its distance: 2.914 ms a metre at 20 C."""
    speed = speed_of_sound_m_s(temperature_c)
    return tuple(
        Microphone(metres, seconds_to_ms(metres / speed), metres / speed * rate)
        for metres in MICROPHONE_DISTANCES_M
    )


def time_reference(clip_start_samples: int, session: Session) -> int | None:
    """Return the BWF TimeReference of a clip in a session; None before the session's midnight."""
    own_rate = frame_rate(session.frame_rate).name
    return _at_rate(own_rate, clip_start_samples, session).time_reference_samples


def _bars_to_roll(music: PlacementInput) -> int:
    """Whole bars from the insert's end until everything is silent, at least one."""
    ringing_s = Fraction(music.silent_s) - music.length_s
    return max(math.ceil(ringing_s / music.bar_s), 1)


def _tail_kept(take: TakeRange, phrase_end: int, roll_samples: int) -> int:
    if take.take_end_samples is None:
        return roll_samples
    if take.take_end_samples < phrase_end:
        missing = phrase_end - take.take_end_samples
        raise TakeError(
            f"the take ends {missing} frames before the phrase does",
            where=f"frame {take.take_end_samples}",
            advice="check the phrase start, or that this is the whole take",
        )
    return take.take_end_samples - phrase_end


def anchor_group(
    music: PlacementInput, lands_on: str | None, *, tempo: TempoMap, bars: Sequence[Bar]
) -> Group | None:
    """Return the landings that the clip is anchored on.

    Raises
    ------
    SettingsError
        If no tone lands at the bar and beat that `lands_on` names.
    """
    if lands_on is None:
        return group_at(music.landings)
    places = {}
    for wanted_s in sorted({landing.wanted_s for landing in music.landings}):
        seconds = music.start_s + Fraction(wanted_s)
        at = printed_place(bars, tempo.beats_at(seconds))
        places[wanted_s] = (at.bar, at.beat)
    number, _, beat = lands_on.partition(".")
    wanted = (int(number), Fraction(beat or "1"))
    for wanted_s, (bar, at_beat) in places.items():
        near_beat = nearest(at_beat * 16)
        if bar == wanted[0] and abs(Fraction(near_beat, 16) - wanted[1]) <= SAME_BEAT:
            return group_at(music.landings, wanted_s)
    near = sorted(places.values(), key=lambda place: abs(place[0] - wanted[0]))[:3]
    said = ", ".join(f"{bar}.{float(at_beat):.3g}" for bar, at_beat in near) or "nowhere"
    raise SettingsError(f"no tone lands at {lands_on}", advice=f"the nearest landings: {said}")


def _anchor(music: PlacementInput, group: Group, tempo: TempoMap, bars: Sequence[Bar]) -> Anchor:
    at_s = rounded_to_ns(group.at_s)
    beats = tempo.beats_at(music.start_s + Fraction(at_s))
    # Rounded before it is looked up: a nanosecond before a bar line is not the bar before.
    at = printed_place(bars, Fraction(nearest(beats * ANCHOR_UNITS), ANCHOR_UNITS))
    return Anchor(
        bar=at.bar,
        beat=at.beat,
        at_s=at_s,
        players=group.players,
        apart_ms={name: rounded_to_us(ms) for name, ms in group.apart_ms.items()},
    )


def _shifted(group: Group | None) -> list[Finding]:
    """Say who causes a shift that is heard."""
    if group is None or abs(group.shift_ms) <= MAX_QUIET_SHIFT_MS:
        return []
    names = ", ".join(group.players)
    lands = f"{names} land{'s' if len(group.players) == 1 else ''}"
    if not names:
        lands = f"the middle of {', '.join(group.apart_ms)}, who land apart, is"
    size_ms = abs(group.shift_ms)
    moved, off = ("later", "early") if group.shift_ms > 0 else ("earlier", "late")
    return [
        Finding(
            severity=Severity.WARN,
            kind=FindingKind.SHIFT,
            what=f"the clip is moved {size_ms:.0f} ms {moved}: as written, {lands} that much {off} "
            "at the anchor",
            advice="move those notes of the target to the grid, or name another landing: lands_on",
        )
    ]


def _shift_and_spread(
    music: PlacementInput, take: TakeRange, group: Group | None
) -> tuple[float, float]:
    """Return the shift and its honest spread, both in ms.

    Independent spreads add as squares: that of the notes about the shift, that of people
    playing together, and the doubt in the attack figures.
    """
    shift_ms = 0.0 if group is None else group.shift_ms
    weights = [landing.weight for landing in music.landings]
    squares = [each.weight * (each.error_ms + shift_ms) ** 2 for each in music.landings]
    notes_ms = math.sqrt(sum(squares) / sum(weights)) if weights else 0.0
    if take.lateness_s is not None:
        return shift_ms + seconds_to_ms(take.lateness_s), take.lateness_spread_ms
    return shift_ms, math.hypot(notes_ms, ENSEMBLE_SPREAD_MS, music.attack_doubt_ms)


def _at_rate(name: str, clip_start: int, session: Session) -> RatePlace:
    """Tell the clip's start at one timecode rate, for a session of that rate and start label."""
    rate = frame_rate(name)
    frame_samples = session.rate / rate.fps
    label = session.start if rate.drops else session.start.replace(";", ":")
    if not is_label(label, rate):
        return RatePlace(
            timecode=None,
            subframe_samples=None,
            frame_samples=frame_samples,
            time_reference_samples=None,
        )
    clip_start_s = samples_to_seconds(clip_start, session.rate)
    at = timecode_at(clip_start_s, rate, sample_rate=session.rate, start=label)
    since_midnight_s = label_seconds(label, rate) + clip_start_s
    is_before = since_midnight_s < 0
    return RatePlace(
        timecode=at.label,
        subframe_samples=at.remainder_samples,
        frame_samples=frame_samples,
        time_reference_samples=(
            None if is_before else nearest(since_midnight_s % rate.day_s * session.rate)
        ),
    )


def _findings(
    music: PlacementInput, *, rate: int, tail_kept: int, time_reference: int | None
) -> list[Finding]:
    findings = []
    ringing = seconds_to_samples(Fraction(music.silent_s) - music.length_s, rate)
    if tail_kept < ringing:
        missing_s = float(samples_to_seconds(ringing - tail_kept, rate))
        findings.append(
            Finding(
                severity=Severity.WARN,
                kind=FindingKind.TAIL,
                what=f"the tail is cut {missing_s:.2f} s before it has fallen by 60 dB",
                advice="export more of the take, or fade the flipped clip in",
            )
        )
    if time_reference is None:
        findings.append(
            Finding(
                severity=Severity.WARN,
                kind=FindingKind.MIDNIGHT,
                what="the clip begins before the session's midnight, so no file can carry its time",
                advice="begin the session at 01:00:00:00 and move the song with it",
            )
        )
    return findings
