"""Writes the pack: every file of a plan, laid out by who uses it.

pack.json                    the manifest
plan.json                    every number, for programs
sheet.html                   the session sheet
arranger/                    target, played and flipped sound, played.mid, the time picture
copyist/                     score, notice and parts
engineer/                    click and placement
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from retro.errors import WriteError
from retro.model.encoding import encoded
from retro.model.settings import Section, SoundFormat
from retro.pack.folder import NewPack, new_pack
from retro.pack.manifest import MANIFEST_NAME, read_pack_manifest
from retro.pack.names import part_file_names, played_midi_name
from retro.placement.inputs import Session
from retro.placement.place import time_reference
from retro.placement.table import placement_csv
from retro.plan.compose import Plan
from retro.plan.document import plan_json
from retro.plan.limits import refuse_too_much
from retro.render.click import click_track
from retro.render.click_file import click_midi
from retro.render.over import lay_over
from retro.render.picture import picture_png, picture_svg
from retro.render.played import performance_midi
from retro.render.preview import Preview
from retro.render.wav import RealArray, read_audio, refuse_unreadable, write_audio
from retro.sounds.renderer import Renderer
from retro.takes.stamping import stamp_wav

if TYPE_CHECKING:
    from retro.sheet.data import SheetScore

Progress = Callable[[str], None]
"""Called with a few words before each step."""


def write_pack(
    plan: Plan,
    out: Path,
    *,
    overwrite: bool = False,
    inputs: Collection[Path] = (),
    renderer: Renderer | None = None,
    progress: Progress = lambda _: None,
) -> NewPack:
    """Write the pack of a plan to a new folder, which appears whole or not at all.

    The plan's settings say which sections, formats and papers. With `overwrite` an older pack at
    the same place is renewed: the files of the wanted sections that nobody has changed. The folder
    may not be, hold or lie in one of the `inputs`, which the plan is made of. A `renderer` that
    knows what it made before has less to do.

    Raises
    ------
    WriteError
        If the folder exists and may not be renewed, or cannot be written.
    LimitError
        If the window or the bounce is too large; see `retro.plan.limits`.
    AudioError, BankError
        If the bounce is no audio file, or the bank of sounds cannot be played.
    """
    settings = plan.performance.settings
    wanted = settings.only
    length_s = plan.performance.target.length_s
    refuse_too_much(length_s, len(plan.performance.players), settings.rate)
    if settings.over is not None and Section.ARRANGER in wanted:
        refuse_unreadable(Path(settings.over))
    paths = (settings.over, settings.into, settings.soundfont, settings.sounds)
    everything = [*inputs, *(Path(path) for path in paths if path)]
    renderer = renderer if renderer is not None else Renderer()
    with new_pack(out, overwrite=overwrite, sections=wanted, inputs=everything) as pack:
        _refuse_other(out)
        folder = pack.folder
        (folder / "plan.json").write_bytes(plan_json(plan))
        if Section.ENGINEER in wanted:
            progress("click and placement")
            _write_engineer(plan, folder / "engineer")
        if Section.COPYIST in wanted or Section.SHEET in wanted:
            # What writes and engraves music is slow to import, and a run for the ears needs none.
            from retro.pack.copyist import (  # noqa: PLC0415
                copy_out,
                lay_out_music,
                sheet_scores,
                write_copyist,
            )

            progress("writing the insert")
            copy = copy_out(plan)
        if Section.ARRANGER in wanted or Section.SHEET in wanted:
            progress("preview")
            preview = renderer.preview(plan.performance)
            picture = picture_svg(plan.performance)
        if Section.ARRANGER in wanted:
            arranger = folder / "arranger"
            pack.played_files = _write_arranger(plan, renderer, preview, picture, arranger)
            pack.sounds_start_samples = preview.song_start_samples(plan.window.start_s)
        if Section.COPYIST in wanted:
            pages = write_copyist(plan, copy, folder / "copyist", progress)
        elif Section.SHEET in wanted:
            pages = lay_out_music(plan, copy, progress)
        if Section.SHEET in wanted:
            progress("session sheet")
            scores = sheet_scores(copy, pages)
            _write_sheet(plan, preview, picture, scores, folder / "sheet.html")
    return pack


def _refuse_other(out: Path) -> None:
    """Refuse a folder with a manifest of something else: a prepared day, or what is delivered."""
    if not (out / MANIFEST_NAME).is_file():
        return
    if all(entry.path != "plan.json" for entry in read_pack_manifest(out).files):
        raise WriteError(
            "is no pack of an insert, so it is left alone", where=out, advice="choose another --out"
        )


def _write_sheet(
    plan: Plan, preview: Preview, picture: str, scores: tuple["SheetScore", ...], path: Path
) -> None:
    from retro.sheet.page import sheet_html  # noqa: PLC0415 (as above)
    from retro.sheet.sound import sheet_audio  # noqa: PLC0415

    audio = sheet_audio(preview)
    path.write_bytes(sheet_html(plan, picture=picture, audio=audio, scores=scores))


def _write_arranger(
    plan: Plan, renderer: Renderer, preview: Preview, picture: str, folder: Path
) -> int:
    """Write what the arranger gets; return the number of played MIDI files."""
    performance = plan.performance
    settings = performance.settings
    folder.mkdir()
    suffix = settings.sound_format.value
    write_audio(folder / f"played.{suffix}", preview.played, preview.rate, settings.sound_format)
    stamp = _Stamp.of(plan, preview)
    for name, sound in (("target", preview.target), ("flipped", preview.flipped)):
        stamp.write(folder / f"{name}.{suffix}", sound, what=name)
    ticks = plan.song.ticks_per_quarter
    midis = performance_midi(performance, source_ticks_per_quarter=ticks)
    for number, midi in enumerate(midis, start=1):
        (folder / played_midi_name(number)).write_bytes(midi)
    (folder / "picture.svg").write_text(picture, encoding="utf-8")
    (folder / "picture.png").write_bytes(picture_png(picture))
    if settings.stems:
        _write_stems(plan, renderer, preview, folder / "stems", stamp)
    if settings.over is not None:
        song, song_rate = read_audio(Path(settings.over))
        mixed = lay_over(preview, song, song_rate, window_start_s=plan.window.start_s)
        write_audio(folder / f"over.{suffix}", mixed.sound, mixed.rate, settings.sound_format)
    return len(midis)


def _write_stems(
    plan: Plan, renderer: Renderer, preview: Preview, folder: Path, stamp: "_Stamp"
) -> None:
    folder.mkdir()
    suffix = plan.performance.settings.sound_format.value
    names = part_file_names([player.name for player in plan.performance.players])
    for stem in renderer.stems(plan.performance, preview):
        path = folder / f"{names[stem.part]}.{suffix}"
        stamp.write(path, stem.flipped, what=f"flipped; {stem.name}")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stamp:
    """Where the sounds of the preview begin; WAV files say so themselves."""

    rate: int
    sound_format: SoundFormat
    description: str
    time_reference_samples: int | None

    @classmethod
    def of(cls, plan: Plan, preview: Preview) -> "_Stamp":
        settings = plan.performance.settings
        start = preview.song_start_samples(plan.window.start_s)
        title = plan.performance.target.title
        return cls(
            rate=preview.rate,
            sound_format=settings.sound_format,
            description=f"{plan.heading} of {title}, {plan.window.bar_words}: preview",
            time_reference_samples=time_reference(start, Session.of(settings)),
        )

    def write(self, path: Path, sound: RealArray, *, what: str) -> None:
        write_audio(path, sound, self.rate, self.sound_format)
        if self.sound_format is SoundFormat.WAV and self.time_reference_samples is not None:
            stamp_wav(
                path,
                time_reference_samples=self.time_reference_samples,
                description=self.description,
                history=what,
            )


def _write_engineer(plan: Plan, folder: Path) -> None:
    folder.mkdir()
    click = click_track(plan.performance)
    write_audio(folder / "click.wav", click.sound, click.rate)
    ticks = plan.song.ticks_per_quarter
    (folder / "click.mid").write_bytes(click_midi(plan.performance, source_ticks_per_quarter=ticks))
    (folder / "placement.json").write_bytes(encoded(plan.placement))
    table = placement_csv(plan.placement)
    (folder / "placement.csv").write_text(table, encoding="utf-8", newline="")
