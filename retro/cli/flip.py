"""`retro flip`: turns the files of a take round and stamps them with their place."""

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from retro.cli.flip_insert import InsertFlags, planned_insert, refuse_contradictions
from retro.cli.options import FrameRate, LateMs, Mic, SessionStart
from retro.cli.tables import print_lines, print_table, tell
from retro.errors import SettingsError, TakeError, WriteError

if TYPE_CHECKING:
    from retro.model.placement import Placement
    from retro.takes.flip_file import Progress
    from retro.takes.flip_range import PlannedFlip
    from retro.takes.manifest import FlippedFile, Manifest

DEFAULT_NAMES = "{stem}_flipped{suffix}"


def flip(
    out: Annotated[Path, typer.Option(help="Folder for the flipped files.")],
    files: Annotated[
        list[Path] | None, typer.Argument(help="The take's files, or folders of them.")
    ] = None,
    choice: Annotated[
        Path | None,
        typer.Option(help="choice.json of `retro day choose`: gives files, range, place, names."),
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(help="plan.json of the pack: gives the range and the place.")
    ] = None,
    phrase_start: Annotated[
        int | None,
        typer.Option(help="Frame of the first file at the insert's bar 1 beat 1; needs --plan."),
    ] = None,
    frames: Annotated[
        str | None,
        typer.Option(
            "--range", help="IN-OUT: frames of the first file, OUT not included; 960- to the end."
        ),
    ] = None,
    stamp: Annotated[
        int | None, typer.Option(help="TimeReference of the clips, in frames since midnight.")
    ] = None,
    session_start: SessionStart = None,
    frame_rate: FrameRate = None,
    late_ms: LateMs = None,
    measure: Annotated[
        bool, typer.Option("--measure", help="Measure the lateness and lay the clips by it.")
    ] = False,
    mic: Mic = None,
    mock_up: Annotated[
        bool,
        typer.Option(
            "--mock-up",
            help="The files are bounces of played.mid, played-2.mid ... from their beginning.",
        ),
    ] = False,
    unheard: Annotated[
        bool,
        typer.Option("--unheard", help="Do not listen whether the insert lies where it is told."),
    ] = False,
    take_name: Annotated[
        str | None,
        typer.Option("--take", help="Which take it is, for what the clips say of themselves."),
    ] = None,
    trim: Annotated[
        bool, typer.Option("--trim", help="End the clips at the landing; cuts sound off.")
    ] = False,
    fade_out: Annotated[
        float, typer.Option(help="Fade at the clips' end in milliseconds; changes samples.")
    ] = 0.0,
    names: Annotated[
        str,
        typer.Option(help="Pattern of {stem} {suffix} {n} {folder} {insert} {take} {microphone}."),
    ] = DEFAULT_NAMES,
    starts_together: Annotated[
        bool,
        typer.Option("--starts-together", help="All files begin at one moment, stamps or not."),
    ] = False,
    no_new_stamp: Annotated[
        bool, typer.Option("--no-new-stamp", help="Add no bext chunk where there is none.")
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace files that are there.")
    ] = False,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on: keep what is done and right.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Show no progress.")] = False,
) -> None:
    """Turn the files of a take round over one common range, sample for sample.

    The sources are only read. Each output is a whole file or none, with its time-stamp set to where
    the clip belongs; flip.json beside them lists hashes, ranges and places.
    """
    from retro.takes.common_range import open_take, whole_range
    from retro.takes.flip import FlipSettings, flip_take
    from retro.takes.marks import FrameSpan
    from retro.takes.naming import Naming

    if choice is not None:
        given = (plan, phrase_start, frames, stamp, session_start, frame_rate, late_ms, mic)
        set_flags = (measure, mock_up, unheard, trim, starts_together, no_new_stamp)
        _refuse_beside_choice(files, (*given, take_name), set_flags)
        pattern = None if names == DEFAULT_NAMES else names
        _flip_chosen(
            choice, out, pattern, fade_out, overwrite=overwrite, resume=resume, quiet=quiet
        )
        return
    if not files:
        raise SettingsError("there is no file to flip", advice="name the take's files")
    refuse_contradictions(
        plan,
        phrase_start,
        needs_plan=trim or unheard or take_name is not None,
        mock_up=mock_up,
        is_late=measure or late_ms is not None,
    )
    _refuse_two_latenesses(late_ms, measure=measure, mic=mic)
    _refuse_mixing(files, out)
    with _telling_differences():
        take = open_take(files, starts_together=starts_together)
        first, last = _frames(frames) if frames is not None else (None, None)
        planned, clip_of = None, None
        if plan is not None:
            flags = InsertFlags(
                plan=plan,
                phrase_start=phrase_start,
                take_name=take_name or _name_of(files),
                late_ms=late_ms,
                microphones=(mic or []) if measure else None,
                unheard=unheard,
                ends=(first, last),
                session=(session_start, frame_rate),
                trim=trim,
            )
            planned, clip_of = planned_insert(take, flags)
            span = planned.span
        elif first is not None:
            span = FrameSpan(first, take.common.end if last is None else last)
        else:
            span = whole_range(take)
        settings = FlipSettings(
            naming=Naming(
                pattern=names,
                insert=planned.letter if planned else "",
                take=take_name or "",
            ),
            time_reference_samples=_stamp(stamp, planned),
            clip_start_samples=planned.placement.clip_start_samples if planned else None,
            notices=planned.notices if planned else (),
            insert=clip_of,
            adds_stamp=not no_new_stamp,
            fade_out_ms=fade_out,
            overwrite=overwrite,
            resume=resume,
        )
        with _progress(quiet=quiet) as progress:
            manifest = flip_take(
                take,
                out,
                start_frame=span.start,
                end_frame=span.end,
                settings=settings,
                progress=progress,
            )
    _report(manifest, planned.placement if planned else None)


def _refuse_beside_choice(
    files: list[Path] | None, given: tuple[object, ...], flags: tuple[bool, ...]
) -> None:
    if files or any(flags) or any(each is not None for each in given):
        raise SettingsError(
            "--choice says which files are flipped, where they begin and where they go",
            advice="give --choice with --out, --fade-out, --overwrite, --resume and --quiet only",
        )


def _flip_chosen(
    path: Path,
    out: Path,
    pattern: str | None,
    fade_out_ms: float,
    *,
    overwrite: bool,
    resume: bool,
    quiet: bool,
) -> None:
    from retro.day.flip_choice import flip_choice
    from retro.takes.flip import FlipSettings

    settings = FlipSettings(fade_out_ms=fade_out_ms, overwrite=overwrite, resume=resume)
    with _progress(quiet=quiet) as progress:
        done = flip_choice(path, out, pattern=pattern, settings=settings, progress=progress)
    _report(done.manifest, done.placement)


def _refuse_two_latenesses(late_ms: float | None, *, measure: bool, mic: list[str] | None) -> None:
    if measure and late_ms is not None:
        raise SettingsError(
            "--late-ms states the lateness that --measure finds", advice="give one of the two"
        )
    if late_ms is not None:
        from retro.placement.inputs import refuse_lateness

        refuse_lateness(late_ms)
    if mic and not measure:
        raise SettingsError("--mic tells whom to measure", advice="give --measure too")


def _refuse_mixing(files: list[Path], out: Path) -> None:
    if any(path.is_dir() and out.is_dir() and path.samefile(out) for path in files):
        raise WriteError(
            "the flipped files would lie among the folder's sources",
            where=out,
            advice="choose another --out, or name the files",
        )


def _name_of(files: list[Path]) -> str:
    """Return the name of a take: its folder's, else its first file's without the ending."""
    return files[0].resolve().name if files[0].is_dir() else files[0].stem


def _frames(text: str) -> tuple[int, int | None]:
    """Read ``IN-OUT`` or ``IN-``."""
    found = re.fullmatch(r"([0-9]{1,18})-([0-9]{1,18})?", text)
    if found is None:
        raise SettingsError(f"--range {text!r} is no range", advice="write it as 480-96000")
    return int(found[1]), int(found[2]) if found[2] else None


def _stamp(stamp: int | None, planned: "PlannedFlip | None") -> int | None:
    if stamp is not None or planned is None:
        return stamp
    placement = planned.placement
    if placement.time_reference_samples is None:
        raise TakeError(
            f"the clip begins at frame {placement.clip_start_samples} of the song, which with a "
            f"session start of {placement.session_start} is before midnight, and no time-stamp "
            "can say that",
            advice="begin the session at --session-start 01:00:00:00, or set --stamp",
        )
    return placement.time_reference_samples


@contextmanager
def _telling_differences() -> Iterator[None]:
    """Print how files differ before refusing them."""
    from retro.takes.common_range import MixedTakeError

    try:
        yield
    except MixedTakeError as refusal:
        print_table(refusal.table, err=True)
        raise


def _is_terminal() -> bool:
    return sys.stderr.isatty()


@contextmanager
def _progress(*, quiet: bool) -> "Iterator[Progress]":
    """Show bytes, rate and time left on a terminal; nothing elsewhere."""
    if quiet or not _is_terminal():
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        Progress,
        TimeRemainingColumn,
        TransferSpeedColumn,
    )

    columns = (BarColumn(), DownloadColumn(), TransferSpeedColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task("", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _touched(file: "FlippedFile") -> str:
    """Say which samples of a clip are not those of its source."""
    said = []
    if file.stretches:
        fades = sum(each.fade_frames for each in file.stretches)
        said.append(f"joined of {len(file.stretches)}, {fades} crossfaded")
    if file.faded_frames:
        said.append(f"last {file.faded_frames} faded")
    return f"{file.samples}, {', '.join(said)}" if said else "untouched"


def _report(manifest: "Manifest", place: "Placement | None") -> None:
    rows = [("file", "frames", "of the source", "TimeReference", "samples")]
    rows += [
        (
            file.output,
            str(file.end_frame - file.start_frame),
            f"{file.start_frame}-{file.end_frame}",
            "none" if file.time_reference is None else str(file.time_reference),
            _touched(file),
        )
        for file in manifest.files
    ]
    print_table(rows)
    notices = list(manifest.notices)
    if manifest.insert is not None and manifest.insert.doubt is not None:
        notices.insert(0, manifest.insert.doubt)
    notices += [f"{file.output}: {notice}" for file in manifest.files for notice in file.notices]
    if place is not None:
        own = place.timecodes[place.frame_rate]
        said = (
            f"The clip begins at {own.timecode} and {float(own.subframe_samples or 0):g} samples "
            f"({place.frame_rate}), frame {place.clip_start_samples} of the song, bar "
            f"{place.clip_start.bar} beat {float(place.clip_start.beat):.3f}; "
            f"give or take {place.spread_ms:.0f} ms by the players."
        )
        print_lines([said])
        notices += ["; ".join(filter(None, (f.what, f.advice))) for f in place.findings]
    for notice in dict.fromkeys(notices):
        tell(f"note: {notice}")
