"""Judges the takes of a day: what is against each, and in which order they come.

A take is judged by what can be heard without taste: whether the insert lies there, whether the
recording is long enough, whether something disturbs its tail, whether the players let go early,
notes to listen to, tuning and level against the other takes. What moves stays with people.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from retro.day.choose import OpenedTake, insert_of, open_takes, refuse_other_plan
from retro.day.compose import Day
from retro.day.hear_take import HeardInTake, HeardSection, hear, lateness_ms
from retro.day.inserts import DayInsert
from retro.day.judged_document import (
    DoubtfulNote,
    JudgedDocument,
    JudgedNoise,
    JudgedSection,
    JudgedTake,
    PlayedNoiseDocument,
)
from retro.day.takes_document import BY_TICKS, TakeDocument, TakesDocument
from retro.measuring.ending import missing_early_s
from retro.measuring.noise import Noise, Where, clearest
from retro.measuring.pitches import (
    Doubtful,
    HeardNote,
    doubtful_notes,
    section_cents,
    without_bleed,
)
from retro.measuring.played_noise import played_noises
from retro.measuring.release import early_together_s
from retro.model.time import locate
from retro.units import seconds_to_ms, seconds_to_samples

MIN_CENTS = 10.0
"""How far a section is from the other takes before it is told."""

MIN_LEVEL_DB = 3.0
"""The same for the level of a take."""

MAX_PLACES = 2
"""Places of a section, and noises, that remarks name; the page lists all."""

RINGING_S = 0.5
"""How long a noise rings on in the room, so that it may be what stands out in a note's place."""

ALONE = "no other take to compare: wrong notes, tuning, noises while people play are not told"
UNLIKE = "unlike the other takes in much of its time: noises while people play are not told"
"""What is said of a take in which something could not be listened for."""

FULL_DBFS = -0.1
"""A peak above this was clipped, or nearly."""


def judge(
    day: Day, takes: TakesDocument, *, base: Path, say: Callable[[str], None] = lambda _: None
) -> JudgedDocument:
    """Return what is heard in the takes of a day, whose files are named from the folder `base`.

    `say` is called with a few words before each take.

    Raises
    ------
    TakeError
        If the takes of one insert have different microphones, or one was played from another plan.
    SettingsError
        If a take is of an insert that the day has not.
    AudioError
        If a file is not there, or no sound.
    """
    for take in takes.takes:
        refuse_other_plan(insert_of(day, take.letter), take)
    documents = [
        [take for take in takes.takes if take.letter == insert.letter] for insert in day.inserts
    ]
    opened = [open_takes(own, base) if own else {} for own in documents]
    judged: list[JudgedTake] = []
    for insert, own in zip(day.inserts, opened, strict=True):
        heard = []
        for number, one in own.items():
            say(f"listening to take {number} of Insert {insert.letter}")
            heard.append(hear(insert, one, day.file.microphone))
        judged += _ranked(list(_all_judged(insert, heard)))
    return JudgedDocument(takes=tuple(judged))


def with_remarks(takes: TakesDocument, judged: JudgedDocument) -> TakesDocument:
    """Return the takes with what was heard in them: lateness and remarks, for a choice."""
    by_name = {(one.letter, one.number): one for one in judged.takes}

    def remarked(take: TakeDocument) -> TakeDocument:
        one = by_name.get((take.letter, take.number))
        if one is None:
            return take
        late_ms = take.lateness_ms if one.lateness_ms is None else one.lateness_ms
        remarks = tuple(dict.fromkeys([*take.remarks, *one.remarks]))
        return replace(take, lateness_ms=late_ms, remarks=remarks)

    return replace(takes, takes=tuple(remarked(take) for take in takes.takes))


def _all_judged(insert: DayInsert, heard: Sequence[HeardInTake]) -> Iterator[JudgedTake]:
    names = heard[0].played_in if heard else ()
    noises = played_noises([one.played_db for one in heard], [one.late_s for one in heard], names)
    for one, against_others in zip(heard, noises, strict=True):
        yield _judged(insert, one, heard, against_others)


def _judged(
    insert: DayInsert,
    one: HeardInTake,
    heard: Sequence[HeardInTake],
    against_others: Sequence[Where] | None,
) -> JudgedTake:
    late_ms, uncertainty_ms = lateness_ms(one.lateness)
    judged = JudgedTake(
        letter=insert.letter,
        number=one.opened.document.number,
        rank=1,
        is_there=None,
        place=one.place,
        lateness_ms=late_ms,
        lateness_uncertainty_ms=uncertainty_ms,
        sections=(),
        peak_dbfs=one.peak_dbfs,
        level_dbfs=one.level_dbfs,
        level_over_others_db=None,
        noises=(),
        played_noises=(),
        roll_short_s=one.roll_short_s,
        short_in=one.short_in,
        early_s=None,
        not_heard=(),
        remarks=(),
    )
    if one.verdict is None:
        by_ticks = one.opened.document.found_by.startswith(BY_TICKS)
        words = f"a false start, or another insert: {one.place}" if by_ticks else one.place
        judged = replace(judged, is_there=False, place=words)
    else:
        others = [other for other in heard if other is not one and other.verdict is not None]
        judged = replace(judged, is_there=None if one.verdict.doubt else True)
        judged = _compared(judged, insert, one, others, [*(against_others or ()), *one.rest_noises])
        not_heard = () if others and against_others is not None else (UNLIKE if others else ALONE,)
        judged = replace(judged, not_heard=not_heard)
    return replace(judged, remarks=tuple(_remarks(judged)))


def _compared(
    judged: JudgedTake,
    insert: DayInsert,
    one: HeardInTake,
    others: Sequence[HeardInTake],
    noises: Sequence[Where],
) -> JudgedTake:
    """Return a take that holds the insert with all that is told of such, against the others."""
    played = clearest(each for each in noises if each[0].at_s < one.release_s)
    after = [each for each in noises if each[0].at_s >= one.release_s]
    doubtful = without_bleed(
        [
            tuple(
                doubt
                for doubt in doubtful_notes(section.notes, _same(section, others))
                if not _is_noise(insert, doubt, played, one.late_s)
            )
            for section in one.sections
        ],
        insert.plan,
    )
    levels = [other.level_dbfs for other in others if other.level_dbfs is not None]
    over_db = None
    if levels and one.level_dbfs is not None:
        over_db = one.level_dbfs - float(np.median(levels))
    return replace(
        judged,
        sections=tuple(
            _section(insert, one.opened, section, others, own)
            for section, own in zip(one.sections, doubtful, strict=True)
        ),
        level_over_others_db=over_db,
        noises=tuple(
            JudgedNoise(
                after_release_s=noise.at_s - one.release_s,
                length_s=noise.end_s - noise.at_s,
                over_db=noise.over_db,
                microphone=name,
            )
            for noise, name in clearest([*one.noises, *after])
        ),
        played_noises=tuple(_played_noise(insert, one, *each) for each in played),
        early_s=_early_s(one, others),
    )


def _early_s(one: HeardInTake, others: Sequence[HeardInTake]) -> float | None:
    """Return how much too early all let go, or else some; None where nobody is heard to."""
    together_s = early_together_s(one.released_s, [other.released_s for other in others])
    if together_s is not None:
        return together_s
    return missing_early_s(one.endings, [other.endings for other in others])


def _is_noise(insert: DayInsert, doubt: Doubtful, noises: Sequence[Where], late_s: float) -> bool:
    """Return whether a noise is heard while a doubtful note is: it may be all that stands out."""
    note = insert.plan.notes[doubt.note]
    begins_s, ends_s = note.played_on_s + late_s, note.played_off_s + late_s
    return any(noise.at_s < ends_s and begins_s < noise.end_s + RINGING_S for noise, _ in noises)


def _played_noise(
    insert: DayInsert, one: HeardInTake, noise: Noise, microphone: str
) -> PlayedNoiseDocument:
    plan = insert.plan
    place = locate(plan.insert_bars, plan.insert_tempo.beats_at(noise.at_s - one.late_s))
    return PlayedNoiseDocument(
        bar=place.bar,
        beat=float(place.beat),
        at_frame=one.opened.phrase_start + seconds_to_samples(noise.at_s, one.opened.take.rate),
        length_s=noise.end_s - noise.at_s,
        over_db=noise.over_db,
        microphone=microphone,
    )


def _same(section: HeardSection, others: Sequence[HeardInTake]) -> list[Mapping[int, HeardNote]]:
    """Return the notes of a section in every other take, by their index in the plan."""
    return [
        {note.note: note for note in other.notes}
        for take in others
        for other in take.sections
        if other.microphone == section.microphone
    ]


def _section(
    insert: DayInsert,
    opened: OpenedTake,
    section: HeardSection,
    others: Sequence[HeardInTake],
    doubtful: Sequence[Doubtful],
) -> JudgedSection:
    late_ms = None if section.lateness_s is None else seconds_to_ms(section.lateness_s)
    doubt_ms = None if section.uncertainty_s is None else seconds_to_ms(section.uncertainty_s)
    return JudgedSection(
        section=section.section,
        microphone=section.microphone,
        lateness_ms=late_ms,
        lateness_uncertainty_ms=doubt_ms,
        cents=section_cents(section.notes, _same(section, others)),
        doubtful=tuple(_doubtful(insert, opened, one.note, one.semitones) for one in doubtful),
    )


def _doubtful(insert: DayInsert, opened: OpenedTake, index: int, semitones: int) -> DoubtfulNote:
    plan = insert.plan
    note = plan.notes[index]
    place = locate(plan.insert_bars, note.written_on_beats)
    start_s = plan.insert_tempo.seconds_at(note.written_on_beats)
    return DoubtfulNote(
        note=index,
        bar=place.bar,
        beat=float(place.beat),
        at_frame=opened.phrase_start + seconds_to_samples(start_s, opened.take.rate),
        player=plan.parts[note.part].name,
        semitones=semitones,
    )


def _ranked(judged: Sequence[JudgedTake]) -> list[JudgedTake]:
    """Return the takes in order of the worst that is against them, then of how much is."""
    order = sorted(judged, key=lambda one: (_gravity(one), len(one.remarks), one.number))
    return [replace(one, rank=rank) for rank, one in enumerate(order, start=1)]


def _gravity(one: JudgedTake) -> int:
    """Return how bad the worst is; a fault in the tail begins the flipped clip, uncovered."""
    if one.is_there is False:
        return 4
    if one.roll_short_s > 0.0 or one.early_s is not None or one.noises:
        return 3
    if one.played_noises:
        return 2
    return 1 if one.remarks else 0


def _remarks(one: JudgedTake) -> Iterator[str]:
    """Yield what is against a take: what the rest hangs on, then the worst first."""
    if one.is_there is False:
        yield one.place
    elif one.is_there is None:
        yield f"its place is not sure: {one.place}"
    if one.roll_short_s > 0.0:
        where = f" in {', '.join(one.short_in)}" if one.short_in else ""
        yield f"the recording ends {one.roll_short_s:.2f} s too early{where}"
    if one.early_s is not None:
        yield f"the players let go {one.early_s:.2f} s early at the end"
    yield from _noise_remarks(one)
    for section in one.sections:
        yield from _section_remarks(section)
    if one.peak_dbfs is not None and one.peak_dbfs > FULL_DBFS:
        yield f"full level is reached ({one.peak_dbfs:.1f} dBFS)"
    if one.level_over_others_db is not None and abs(one.level_over_others_db) >= MIN_LEVEL_DB:
        side = "louder" if one.level_over_others_db > 0.0 else "softer"
        yield f"{abs(one.level_over_others_db):.0f} dB {side} than the other takes"
    yield from one.not_heard


def _noise_remarks(one: JudgedTake) -> Iterator[str]:
    for noise in one.noises:
        yield (
            f"a noise {noise.after_release_s:.1f} s after the last release, "
            f"{noise.over_db:.0f} dB over the tail in {noise.microphone}"
        )
    for played in one.played_noises[:MAX_PLACES]:
        yield (
            f"a noise at bar {played.bar} beat {played.beat:.1f} of the insert, "
            f"{played.over_db:.0f} dB over the other takes in {played.microphone}"
        )
    if len(one.played_noises) > MAX_PLACES:
        yield f"more noises while people play: {len(one.played_noises) - MAX_PLACES}"


def _section_remarks(section: JudgedSection) -> Iterator[str]:
    places = [f"{note.player} at bar {note.bar} beat {note.beat:g}" for note in section.doubtful]
    for place in list(dict.fromkeys(places))[:MAX_PLACES]:
        yield f"listen to {place} of the insert: another pitch stands out"
    if len(set(places)) > MAX_PLACES:
        yield f"listen to {len(set(places)) - MAX_PLACES} more places of {section.section}"
    if section.cents is not None and abs(section.cents) >= MIN_CENTS:
        side = "sharper" if section.cents > 0.0 else "flatter"
        yield f"{section.section} {abs(section.cents):.0f} cents {side} than in other takes"
