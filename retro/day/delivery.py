"""Gathers what was flipped: which clips of which insert, whole and unchanged, and where they go."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from retro.day.compose import Day
from retro.day.delivery_document import Clip, ClipFile, DeliveredInsert
from retro.day.inserts import DayInsert
from retro.errors import TakeError
from retro.files.hashes import file_sha256
from retro.model.placement import Placement
from retro.model.time import beat_words
from retro.placement.inputs import Session, TakeRange
from retro.placement.place import place_plan
from retro.takes.clip_of import ClipOf
from retro.takes.manifest import MANIFEST_NAME, FlippedFile, Manifest, read_manifest
from retro.units import ms_to_seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class FlippedTake:
    """A folder of clips, checked.

    Parameters
    ----------
    folder
        Where the clips are.
    manifest, of
        Its flip.json, and what that says it is of.
    insert
        The insert of the day.
    placement
        Worked out again from the plan.
    """

    folder: Path
    manifest: Manifest
    of: ClipOf
    insert: DayInsert
    placement: Placement


def read_flipped(day: Day, folder: Path) -> FlippedTake:
    """Read a folder of clips.

    Raises
    ------
    TakeError
        If there is no flip.json, the flip was not ended, a clip was changed since, it is of another
        plan than the day's, or its place is not the one that the plan gives.
    """
    if not (folder / MANIFEST_NAME).is_file():
        raise TakeError(
            f"holds no {MANIFEST_NAME}, so it is no folder of clips",
            where=folder,
            advice="give the folder that retro flip wrote",
        )
    manifest = read_manifest(folder)
    if not manifest.is_complete or not manifest.files:
        raise TakeError("the flip was not ended", where=folder, advice="flip again with --resume")
    if manifest.insert is None:
        raise TakeError(
            "flip.json does not say which insert the clips are of",
            where=folder,
            advice="flip them with --choice",
        )
    insert = next((each for each in day.inserts if each.letter == manifest.insert.letter), None)
    if insert is None or insert.plan_sha256 != manifest.insert.plan_sha256:
        raise TakeError(
            f"the clips of Insert {manifest.insert.letter} are of a plan that is not of this day",
            where=folder,
            advice="flip them by the pack that day.toml names",
        )
    for file in manifest.files:
        _refuse_changed(folder, file)
    placement = _placement(insert, manifest, manifest.insert)
    if placement.clip_start_samples != manifest.clip_start_samples:
        raise TakeError(
            f"the clips were placed at frame {manifest.clip_start_samples}, and the plan gives "
            f"{placement.clip_start_samples}",
            where=folder,
            advice="flip them again by their choice",
        )
    return FlippedTake(
        folder=folder, manifest=manifest, of=manifest.insert, insert=insert, placement=placement
    )


def _refuse_changed(folder: Path, file: FlippedFile) -> None:
    path = folder / file.output
    is_there = path.is_file() and path.stat().st_size == file.output_bytes
    if not is_there or file_sha256(path) != file.output_sha256:
        raise TakeError("is gone, or was changed after it was flipped", where=path)


def _placement(insert: DayInsert, manifest: Manifest, of: ClipOf) -> Placement:
    settings = insert.plan.settings
    session = Session(
        rate=manifest.rate,
        start=settings.session_start,
        frame_rate=settings.frame_rate,
        temperature_c=settings.temperature_c,
    )
    take = TakeRange(
        phrase_start_samples=of.phrase_start_frame,
        lateness_s=None if of.lateness_ms is None else ms_to_seconds(of.lateness_ms),
        take_end_samples=manifest.end_frame,
    )
    return place_plan(insert.plan, session=session, take=take)


def delivered(
    day_insert: DayInsert,
    clip: FlippedTake | None,
    alternates: Sequence[FlippedTake],
    names: dict[Path, str],
) -> DeliveredInsert:
    """Return what is handed over for an insert; `names` says where each source file lies then."""
    placement = clip.placement if clip else day_insert.plan.placement
    return DeliveredInsert(
        letter=day_insert.letter,
        bars=day_insert.bars,
        plan_sha256=day_insert.plan_sha256,
        window_start_samples=placement.window_start_samples,
        length_samples=placement.length_samples,
        clip=_clip(clip, names) if clip else None,
        alternates=tuple(_clip(each, names) for each in alternates),
    )


def _clip(flipped: FlippedTake, names: dict[Path, str]) -> Clip:
    placement, manifest = flipped.placement, flipped.manifest
    own = placement.timecodes[placement.frame_rate]
    anchor = placement.anchor
    return Clip(
        take=flipped.of.take,
        why=manifest.why,
        rate=manifest.rate,
        clip_start_samples=placement.clip_start_samples,
        time_reference=placement.time_reference_samples,
        timecode=own.timecode,
        timecode_rate=placement.frame_rate,
        subframe_samples=float(own.subframe_samples or 0),
        lateness_ms=flipped.of.lateness_ms,
        lands_at=f"bar {anchor.bar} beat {beat_words(anchor.beat)}" if anchor else None,
        spread_ms=placement.spread_ms,
        crossfades=tuple(_crossfades(manifest.files[0])),
        doubts=tuple(dict.fromkeys(_doubts(flipped))),
        files=tuple(
            ClipFile(
                path=names[flipped.folder / file.output],
                sha256=file.output_sha256,
                bytes=file.output_bytes,
                frames=file.end_frame - file.start_frame,
                channels=file.channels,
                samples=file.samples,
                time_reference=file.time_reference,
                source=file.source,
            )
            for file in manifest.files
        ),
    )


def _crossfades(file: FlippedFile) -> Iterator[tuple[int, int]]:
    """Yield the frames of the clip that are mixed, the first first."""
    at = 0
    for after, before in pairwise(reversed(file.stretches)):
        at += after.end_frame - after.start_frame
        half = before.fade_frames // 2
        yield at - half, at + half


def _doubts(flipped: FlippedTake) -> Iterator[str]:
    """Yield what a person should look at."""
    if flipped.of.lateness_ms is None:
        yield "the lateness of the players was not measured: listen, and move all files together"
    yield from flipped.manifest.notices
    for file in flipped.manifest.files:
        for notice in file.notices:
            yield f"{file.output}: {notice}"
        if file.time_reference is None:
            yield f"{file.output} holds no time-stamp: place it by its number"
        elif file.time_reference != flipped.placement.time_reference_samples:
            yield f"{file.output}: its time-stamp is not its place; place it by its number"
    for finding in flipped.placement.findings:
        yield "; ".join(filter(None, (finding.what, finding.advice)))
