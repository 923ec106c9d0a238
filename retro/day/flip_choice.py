"""Flips what was chosen: every microphone joined alike, placed by the plan, and told in full."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from anyascii import anyascii

from retro.day.choose import OpenedTake, frame_hashes, joined_stretches, open_takes, planned
from retro.day.inserts import read_plan_of
from retro.day.takes_document import ChoiceDocument, read_choice
from retro.errors import PlanError, TakeError, WriteError
from retro.model.placement import Placement
from retro.takes.clip_of import ClipOf
from retro.takes.flip import FlipSettings, flip_take
from retro.takes.flip_file import Progress
from retro.takes.manifest import Manifest
from retro.takes.naming import Naming

PATTERN = "{insert}_take-{take}_{microphone}{suffix}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlippedChoice:
    """What a choice became: the manifest beside the clips, and where they go."""

    choice: ChoiceDocument
    manifest: Manifest
    placement: Placement


def take_name(choice: ChoiceDocument) -> str:
    """Return the takes of a choice as they stand in names of files: 3+1+3+2."""
    numbers = [str(stretch.take) for stretch in choice.stretches]
    return "+".join(numbers)


def take_words(choice: ChoiceDocument) -> str:
    """Return the takes of a choice in words."""
    if len(choice.stretches) == 1:
        return str(choice.stretches[0].take)
    return choice.words.partition("=")[2].strip()


def flip_choice(
    path: Path,
    out: Path,
    *,
    settings: FlipSettings,
    pattern: str | None = None,
    progress: Progress = lambda _done, _total: None,
) -> FlippedChoice:
    """Flip what a choice.json says into the folder `out`; the takes are only read.

    `pattern` is that of the clips' names, None for `PATTERN`. `settings` say what does not follow
    from the choice: fade, overwrite, resume.

    Raises
    ------
    RetroError
        If the plan or a take is another by now, a file is gone or too short, or nothing can be
        written.
    """
    choice = read_choice(path)
    base = path.absolute().parent
    plan, sha256, _ = read_plan_of((base / choice.plan).parent)
    if sha256 != choice.plan_sha256:
        raise PlanError(
            "is another plan than the one that was chosen by",
            where=base / choice.plan,
            advice="choose again with retro day choose",
        )
    opened = open_takes(choice.takes, base)
    _refuse_among_takes(out, opened)
    rows = joined_stretches(choice, opened)
    _refuse_changed(choice, opened, frame_hashes(rows))
    first = opened[choice.stretches[0].take]
    placement = planned(plan, first, choice.end_frame, choice.lateness_ms)
    if placement.time_reference_samples is None:
        raise TakeError(
            "the clip would begin before midnight, and no time-stamp can say that",
            advice="build the pack with --session-start 01:00:00:00",
        )
    manifest = flip_take(
        first.take,
        out,
        start_frame=first.phrase_start + choice.start_frame,
        end_frame=first.phrase_start + choice.end_frame,
        settings=replace(
            settings,
            naming=_naming(choice, first, pattern or PATTERN),
            time_reference_samples=placement.time_reference_samples,
            clip_start_samples=placement.clip_start_samples,
            notices=choice.notices,
            why=choice.why,
            insert=ClipOf(
                song=choice.song,
                letter=choice.letter,
                take=take_words(choice),
                plan_sha256=choice.plan_sha256,
                phrase_start_frame=first.phrase_start,
                lateness_ms=choice.lateness_ms,
            ),
            joined=rows if len(choice.stretches) > 1 else (),
        ),
        progress=progress,
    )
    return FlippedChoice(choice=choice, manifest=manifest, placement=placement)


def _refuse_among_takes(out: Path, opened: Mapping[int, OpenedTake]) -> None:
    """Refuse a folder of takes: whoever looked for takes there would find the clips."""
    for one in opened.values():
        for file in one.take.files:
            if out.is_dir() and file.path.parent.samefile(out):
                raise WriteError(
                    "takes lie in this folder, and clips would be taken for some",
                    where=out,
                    advice="choose another --out",
                )


def _refuse_changed(
    choice: ChoiceDocument,
    opened: Mapping[int, OpenedTake],
    now_in: Sequence[Sequence[str]],
) -> None:
    """Refuse files that hold, where the clip is made of them, other frames than were chosen."""
    for stretch, hashes in zip(choice.stretches, now_in, strict=True):
        files = opened[stretch.take].take.files
        for file, was, now in zip(files, stretch.frames_sha256, hashes, strict=True):
            if was != now:
                raise TakeError(
                    f"take {stretch.take} was changed since it was chosen: other frames lie there",
                    where=file.path,
                    advice="listen to it, and choose again with retro day choose",
                )


def _naming(choice: ChoiceDocument, first: OpenedTake, pattern: str) -> Naming:
    return Naming(
        pattern=pattern,
        insert=choice.letter,
        take=take_name(choice),
        microphones=tuple(_plain(file.microphone) for file in first.document.files),
    )


def _plain(name: str) -> str:
    """Return a name in letters that every system stores."""
    return re.sub(r"[^A-Za-z0-9.-]+", "-", anyascii(name)).strip("-.") or "microphone"
