"""Checks a choice among takes, and says where each take gives way to the next."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from retro.day.choice_words import AskedChoice, read_words
from retro.day.compose import Day
from retro.day.inserts import DayInsert
from retro.day.joins import FADE_MS, LATE_S, MAX_FADE_MS, JoinPlace, Joins
from retro.day.takes_document import (
    ChoiceDocument,
    JoinDocument,
    MicrophoneFile,
    StretchDocument,
    TakeDocument,
    TakesDocument,
    files_from,
    path_at,
    path_from,
)
from retro.errors import SettingsError, TakeError
from retro.measuring.microphones import microphones_of
from retro.measuring.verify import verify_insert
from retro.model.placement import Placement
from retro.model.time import locate
from retro.placement.inputs import Session, TakeRange
from retro.placement.place import place_plan
from retro.read.plan_file import PlanFile
from retro.takes.assemble import Stretch, refuse_unlike, spans_read
from retro.takes.common_range import Take, open_take
from retro.takes.frame_hash import frames_sha256
from retro.takes.marks import FrameSpan
from retro.units import ms_to_seconds, samples_to_seconds, seconds_to_ms, seconds_to_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedTake:
    """A take whose files, in the order of the first take's microphones, were looked at."""

    document: TakeDocument
    take: Take

    @property
    def phrase_start(self) -> int:
        """Frame of the take at the insert's bar 1 beat 1."""
        return self.document.phrase_start_frame

    @property
    def inside(self) -> FrameSpan:
        """Insert frames that are of this take, in every file."""
        shared = self.take.common
        ends = [each for each in (self.document.end_frame, shared.end) if each is not None]
        return FrameSpan(shared.start - self.phrase_start, min(ends) - self.phrase_start)


def choose(
    day: Day,
    words: str,
    takes: TakesDocument,
    *,
    base: Path,
    why: str = "",
    fade_ms: float = FADE_MS,
    unheard: bool = False,
) -> ChoiceDocument:
    """Return a checked choice; its paths are absolute, see `placed_in`.

    `words` are as typed (`retro.day.choice_words`), `base` is the folder that the takes' paths are
    from. `why` it is chosen stands in a person's words. With `unheard`, takes whose place a person
    states are not listened to.

    Raises
    ------
    RetroError
        If the words mean nothing, an insert does not lie where a person states it, a take is not
        there, is of another plan, lacks a microphone or is too short, or if takes cannot be joined
        where it is asked for.
    """
    if not 0 < fade_ms <= MAX_FADE_MS:
        raise SettingsError(f"a crossfade of {fade_ms:g} ms", advice=f"want up to {MAX_FADE_MS:g}")
    insert = insert_of(day, read_words(words).letter)
    asked = read_words(words, bars=len(insert.plan.insert_bars))
    opened = open_takes(_chosen(asked, insert, takes), base)
    rate = opened[asked.stretches[0].take].take.rate
    joins = _joins(asked, insert.plan, opened, fade_ms)
    fade_frames = 2 * seconds_to_samples(ms_to_seconds(fade_ms) / 2, rate)
    placing = _placing_take(asked, insert.plan, joins)
    lateness_ms = opened[placing].document.lateness_ms
    start, end, notices = _range(asked, insert.plan, opened, lateness_ms)
    edges = [start, *(seconds_to_samples(place.at_s, rate) for _, place in joins), end]
    _refuse_ended(opened[asked.tail_take], edges)
    stretches = tuple(_stretches(asked, edges))
    choice = ChoiceDocument(
        letter=insert.letter,
        song=insert.song,
        words=" ".join(words.split()),
        why=" ".join(why.split()),
        plan=str((insert.pack / "plan.json").absolute()),
        plan_sha256=insert.plan_sha256,
        rate=rate,
        takes=tuple(_absolute(each.document, base) for each in opened.values()),
        stretches=stretches,
        joins=tuple(
            _join(insert.plan, asked_s, place, rate, fade_frames) for asked_s, place in joins
        ),
        start_frame=start,
        end_frame=end,
        placing_take=placing,
        lateness_ms=lateness_ms,
        notices=(
            *notices,
            *_later(opened, placing, insert.plan.placement.spread_ms),
            *_heard(opened, insert.plan, unheard=unheard),
            *_remarks(opened),
        ),
    )
    _refuse_outside(choice, opened)
    rows = joined_stretches(choice, opened)
    for row in rows:
        refuse_unlike(row)
    hashed = zip(choice.stretches, frame_hashes(rows), strict=True)
    return replace(
        choice,
        stretches=tuple(replace(stretch, frames_sha256=hashes) for stretch, hashes in hashed),
    )


def open_takes(documents: Sequence[TakeDocument], base: Path) -> dict[int, OpenedTake]:
    """Look at the files of takes, each in the order of the first one's microphones.

    Raises
    ------
    TakeError
        If a take has other microphones or another rate than the first.
    AudioError
        If a file is not there, or no sound.
    """
    order = [file.microphone for file in documents[0].files]
    found: dict[int, OpenedTake] = {}
    for document in documents:
        paths = {file.microphone: path_at(file.path, base) for file in document.files}
        if set(paths) != set(order):
            odd = sorted(set(paths) ^ set(order))
            raise TakeError(
                f"takes {documents[0].number} and {document.number} of Insert {document.letter} "
                f"do not both have the microphone {odd[0]!r}",
                advice="all microphones of a clip are joined alike",
            )
        take = open_take([paths[name] for name in order], starts_together=document.starts_together)
        ordered = tuple(MicrophoneFile(microphone=name, path=str(paths[name])) for name in order)
        found[document.number] = OpenedTake(document=replace(document, files=ordered), take=take)
    rates = {each.take.rate for each in found.values()}
    if len(rates) > 1:
        raise TakeError(f"the takes have different rates: {', '.join(map(str, sorted(rates)))} Hz")
    return found


def joined_stretches(
    choice: ChoiceDocument, opened: Mapping[int, OpenedTake]
) -> tuple[tuple[Stretch, ...], ...]:
    """Return for each microphone the stretches of its files."""
    fades = [join.fade_frames for join in choice.joins] + [0]
    count = len(choice.takes[0].files)
    rows = []
    for microphone in range(count):
        row = []
        for stretch, fade_frames in zip(choice.stretches, fades, strict=True):
            own = opened[stretch.take]
            span = FrameSpan(
                own.phrase_start + stretch.start_frame, own.phrase_start + stretch.end_frame
            )
            row.append(
                Stretch(
                    file=own.take.files[microphone],
                    span=own.take.span_in(microphone, span),
                    fade_frames=fade_frames,
                )
            )
        rows.append(tuple(row))
    return tuple(rows)


def frame_hashes(rows: Sequence[Sequence[Stretch]]) -> tuple[tuple[str, ...], ...]:
    """Return for each stretch the hashes of what the clip takes of each of its files.

    Parameters
    ----------
    rows
        As `joined_stretches` gives them, one a microphone.

    Raises
    ------
    TakeError
        If a file becomes shorter meanwhile.
    """
    hashes = [
        [frames_sha256(file, span, lambda _count: None) for file, span in spans_read(row)]
        for row in rows
    ]
    return tuple(zip(*hashes, strict=True))


def placed_in(choice: ChoiceDocument, folder: Path) -> ChoiceDocument:
    """Return a choice whose paths are from a folder."""
    there = folder.absolute()
    takes = tuple(files_from(take, there) for take in choice.takes)
    return replace(choice, plan=path_from(choice.plan, there), takes=takes)


def insert_of(day: Day, letter: str) -> DayInsert:
    """Return the insert of a letter.

    Raises
    ------
    SettingsError
        If the day has none.
    """
    for insert in day.inserts:
        if insert.letter == letter:
            return insert
    letters = ", ".join(insert.letter for insert in day.inserts)
    raise SettingsError(f"the day has no Insert {letter}", advice=f"its inserts are {letters}")


def _chosen(
    asked: AskedChoice, insert: DayInsert, takes: TakesDocument
) -> tuple[TakeDocument, ...]:
    """Return the takes that are asked for, that of the first bars first."""
    own = {take.number: take for take in takes.takes if take.letter == insert.letter}
    numbers = dict.fromkeys([*(each.take for each in asked.stretches), asked.tail_take])
    for number in numbers:
        if number not in own:
            there = ", ".join(map(str, sorted(own))) or "none"
            raise TakeError(
                f"Insert {insert.letter} has no take {number}", advice=f"there are: {there}"
            )
        refuse_other_plan(insert, own[number])
    return tuple(own[number] for number in numbers)


def refuse_other_plan(insert: DayInsert, take: TakeDocument) -> None:
    """Refuse a take that was played from another plan than the day's.

    Raises
    ------
    TakeError
        If the take says so.
    """
    if take.plan_sha256 not in {None, insert.plan_sha256}:
        raise TakeError(
            f"take {take.number} of Insert {insert.letter} was played from another plan",
            advice="name in day.toml the pack that was played from",
        )


def _joins(
    asked: AskedChoice, plan: PlanFile, opened: Mapping[int, OpenedTake], fade_ms: float
) -> list[tuple[float, JoinPlace]]:
    """Return where it is asked for and where it may stand, of every join in order."""
    late_ms = [each.document.lateness_ms for each in opened.values()]
    late_s = max(LATE_S if late is None else ms_to_seconds(late) for late in late_ms)
    places = Joins(plan, fade_s=ms_to_seconds(fade_ms), late_s=late_s)
    found = [
        (places.bar_line_s(stretch.first_bar), places.at_bar(stretch.first_bar))
        for stretch in asked.stretches[1:]
    ]
    if asked.tail_take != asked.stretches[-1].take:
        found.append((places.last_release_s, places.before_tail()))
    return found


def _placing_take(
    asked: AskedChoice, plan: PlanFile, joins: Sequence[tuple[float, JoinPlace]]
) -> int:
    """Return the take whose tones the clip is anchored on."""
    anchor = plan.placement.anchor
    played_s = 0.0 if anchor is None else float(plan.length_s) - anchor.at_s
    takes = [*(stretch.take for stretch in asked.stretches), asked.tail_take]
    passed = sum(place.at_s <= played_s for _, place in joins)
    return takes[passed]


def _range(
    asked: AskedChoice,
    plan: PlanFile,
    opened: Mapping[int, OpenedTake],
    lateness_ms: float | None,
) -> tuple[int, int, tuple[str, ...]]:
    """Return which insert frames the clip is made of, and what is missing."""
    first, tail = opened[asked.stretches[0].take], opened[asked.tail_take]
    placement = planned(plan, first, None, lateness_ms)
    if first.inside.start > 0:
        raise TakeError(
            f"the files of take {first.document.number} begin {first.inside.start} frames after "
            "bar 1 beat 1",
            advice="choose another take for the first bars",
        )
    start = max(placement.export_start_samples - first.phrase_start, first.inside.start)
    wanted = placement.export_end_samples - first.phrase_start
    end = min(wanted, tail.inside.end)
    notices = []
    if end < wanted:
        missing_s = float(samples_to_seconds(wanted - end, first.take.rate))
        notices.append(
            f"take {tail.document.number} ends {missing_s:.2f} s before the tail should; the clip "
            "is that much shorter and begins later"
        )
    return start, end, tuple(notices)


def _refuse_ended(tail: OpenedTake, edges: Sequence[int]) -> None:
    """Refuse a take that ends before what is chosen of it begins, and name the file that does."""
    if edges[-1] > max(edges[-2], 0):
        return
    ends = [at + file.frames for at, file in zip(tail.take.starts, tail.take.files, strict=True)]
    shortest = ends.index(min(ends))
    is_files = tail.phrase_start + tail.inside.end == ends[shortest]
    raise TakeError(
        f"take {tail.document.number} ends at its frame {tail.phrase_start + tail.inside.end}, "
        "before what is chosen of it begins",
        where=tail.take.files[shortest].path if is_files else None,
        advice="choose another take there, or correct takes.json",
    )


def planned(
    plan: PlanFile, first: OpenedTake, end: int | None, lateness_ms: float | None
) -> Placement:
    """Return the placement of a clip that begins in a take and ends at an insert frame."""
    session = Session(
        rate=first.take.rate,
        start=plan.settings.session_start,
        frame_rate=plan.settings.frame_rate,
        temperature_c=plan.settings.temperature_c,
    )
    at = TakeRange(
        phrase_start_samples=first.phrase_start,
        lateness_s=None if lateness_ms is None else ms_to_seconds(lateness_ms),
        take_end_samples=None if end is None else first.phrase_start + end,
    )
    return place_plan(plan, session=session, take=at)


def _refuse_outside(choice: ChoiceDocument, opened: Mapping[int, OpenedTake]) -> None:
    """Refuse stretches that reach, with their crossfades, out of their takes."""
    halves = [0, *(join.fade_frames // 2 for join in choice.joins), 0]
    for index, stretch in enumerate(choice.stretches):
        inside = opened[stretch.take].inside
        start, end = stretch.start_frame - halves[index], stretch.end_frame + halves[index + 1]
        if start < inside.start or end > inside.end:
            raise TakeError(
                f"{stretch.words} of take {stretch.take} need the insert's frames {start} to {end}"
                f", and that take has {inside.start} to {inside.end}",
                advice="choose another take there",
            )


def _stretches(asked: AskedChoice, edges: Sequence[int]) -> Iterator[StretchDocument]:
    wanted = [(each.take, each.words) for each in asked.stretches]
    if len(edges) > len(wanted) + 1:
        wanted.append((asked.tail_take, "the tail"))
    for (take, words), start, end in zip(wanted, edges[:-1], edges[1:], strict=True):
        yield StretchDocument(
            take=take, words=words, start_frame=start, end_frame=end, frames_sha256=()
        )


def _join(
    plan: PlanFile, asked_s: float, place: JoinPlace, rate: int, fade_frames: int
) -> JoinDocument:
    at = locate(plan.insert_bars, plan.insert_tempo.beats_at(place.at_s))
    return JoinDocument(
        at_frame=seconds_to_samples(place.at_s, rate),
        fade_frames=fade_frames,
        on=place.on,
        bar=at.bar,
        beat=round(float(at.beat), 3),
        asked_frame=seconds_to_samples(asked_s, rate),
    )


def _heard(opened: Mapping[int, OpenedTake], plan: PlanFile, *, unheard: bool) -> Iterator[str]:
    """Listen whether the insert lies where a person states it; yield what is not sure."""
    for number, each in opened.items():
        if each.document.within_frames is not None:
            continue  # whoever measured that has listened
        if unheard:
            yield f"take {number}: nobody listened whether the insert lies there"
            continue
        files = [
            (file.path, each.phrase_start - start)
            for file, start in zip(each.take.files, each.take.starts, strict=True)
        ]
        expected_s = ms_to_seconds(each.document.lateness_ms or 0.0)
        try:
            verdict = verify_insert(microphones_of(files, plan), plan, expected_s=expected_s)
        except TakeError as fault:
            raise TakeError(
                f"take {number}: {fault.what}", where=fault.where, advice=fault.advice
            ) from fault
        if verdict.doubt is not None:
            yield f"take {number}: {verdict.doubt}"


def _later(opened: Mapping[int, OpenedTake], placing: int, spread_ms: float) -> Iterator[str]:
    """Yield which takes lie beside the one that the clip is placed by, by more than players do."""
    placed_ms = opened[placing].document.lateness_ms
    for number, each in opened.items():
        late_ms = each.document.lateness_ms
        if late_ms is None or placed_ms is None or abs(late_ms - placed_ms) <= spread_ms:
            continue
        beside_ms = abs(late_ms - placed_ms)
        played, heard = ("later", "early") if late_ms > placed_ms else ("earlier", "late")
        yield (
            f"take {number} was played {beside_ms:.0f} ms {played} than take {placing}, by which "
            f"the clip is placed: what is taken from it is heard that much {heard}"
        )


def _remarks(opened: Mapping[int, OpenedTake]) -> Iterator[str]:
    for number, each in opened.items():
        for remark in each.document.remarks:
            yield f"take {number}: {remark}"


def _absolute(document: TakeDocument, base: Path) -> TakeDocument:
    files = tuple(
        replace(file, path=str(path_at(file.path, base.absolute()))) for file in document.files
    )
    return replace(document, files=files)


def choice_words(choice: ChoiceDocument) -> list[str]:
    """Return a choice as lines for a person."""
    lines = []
    for stretch, join in zip(choice.stretches, (None, *choice.joins), strict=True):
        if join is None:
            lines.append(f"take {stretch.take}: {stretch.words}")
            continue
        moved_frames = join.at_frame - join.asked_frame
        moved_ms = seconds_to_ms(samples_to_seconds(abs(moved_frames), choice.rate))
        side = "before" if moved_frames < 0 else "after"
        what = "the last release" if stretch.words == "the tail" else "the bar line"
        lines.append(
            f"take {stretch.take}: {stretch.words}, from bar {choice.letter}{join.bar} beat "
            f"{join.beat:g} on, on a {join.on} {moved_ms:.0f} ms {side} {what}"
        )
    return lines
