"""Writes what is handed over: for each song its clips, alternates, one page, and hashes.

NN-song/index.html           what, why, measured, placed, open doubts; offline
NN-song/deliver.json         the same for programs
NN-song/placement.csv        one line a file
NN-song/sha256.txt           hashes, as sha256sum reads them; none where there are no clips
NN-song/clips/               what goes into the song
NN-song/alternates/          other takes
"""

import csv
import io
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from retro.day.compose import Day
from retro.day.deliver_page import page_html
from retro.day.delivery import FlippedTake, delivered, read_flipped
from retro.day.delivery_document import Clip, DeliveryDocument
from retro.day.inserts import DayInsert
from retro.day.own_folder import refuse_other
from retro.errors import TakeError, WriteError
from retro.files.hashes import file_sha256
from retro.model.encoding import encoded
from retro.pack.folder import NewPack, new_pack
from retro.pack.names import part_file_names

HEADS = (
    *("file", "insert", "take", "use", "rate", "clip start (frames of the song)"),
    *("TimeReference", "timecode", "timecode rate", "frames beyond", "frames"),
)


def deliver(
    day: Day,
    clips: Sequence[Path],
    out: Path,
    *,
    alternates: Sequence[Path] = (),
    overwrite: bool = False,
) -> NewPack:
    """Write what is handed over to a new folder, which appears whole or not at all.

    `clips` are folders with a flip.json, one for each insert that is handed over, `alternates`
    those of other takes.

    Raises
    ------
    TakeError
        If a folder is not what it should be (see `retro.day.delivery.read_flipped`), or two are
        clips of one insert.
    WriteError
        If the folder exists and may not be renewed, or two files have one name.
    """
    refuse_other(out, "*/deliver.json", what="a delivery")
    chosen: dict[str, FlippedTake] = {}
    for flipped in (read_flipped(day, folder) for folder in clips):
        other = chosen.setdefault(flipped.of.letter, flipped)
        if other is not flipped:
            raise TakeError(
                f"{other.folder} and {flipped.folder} are both clips of Insert {flipped.of.letter}",
                advice="give one of them as --alternates",
            )
    others = [read_flipped(day, folder) for folder in alternates]
    inputs = [day.path, *(insert.pack for insert in day.inserts), *clips, *alternates]
    songs = tuple(day.songs())
    names = part_file_names([title for title, _ in songs])
    with new_pack(out, overwrite=overwrite, inputs=inputs) as made:
        for (title, inserts), name in zip(songs, names, strict=True):
            _write_song(made.folder / name, title, inserts, chosen, others)
    return made


def _write_song(
    folder: Path,
    title: str,
    inserts: Sequence[DayInsert],
    chosen: Mapping[str, FlippedTake],
    others: Sequence[FlippedTake],
) -> None:
    letters = [insert.letter for insert in inserts]
    own = [chosen[letter] for letter in letters if letter in chosen]
    further = [each for each in others if each.of.letter in letters]
    folder.mkdir()
    names = {**_copied(own, folder, "clips"), **_copied(further, folder, "alternates")}
    document = DeliveryDocument(
        song=title,
        session_start=inserts[0].plan.settings.session_start,
        inserts=tuple(
            delivered(
                insert,
                chosen.get(insert.letter),
                [each for each in further if each.of.letter == insert.letter],
                names,
            )
            for insert in inserts
        ),
    )
    (folder / "deliver.json").write_bytes(encoded(document))
    (folder / "placement.csv").write_text(_csv(document), encoding="utf-8", newline="")
    (folder / "index.html").write_bytes(page_html(document))
    hashes = "".join(
        f"{file.sha256}  {file.path}\n" for _, _, clip in clips_of(document) for file in clip.files
    )
    if hashes:
        (folder / "sha256.txt").write_text(hashes, encoding="utf-8", newline="\n")


def clips_of(document: DeliveryDocument) -> Iterator[tuple[str, str, Clip]]:
    """Yield letter, use and clip of everything that is handed over."""
    for insert in document.inserts:
        if insert.clip is not None:
            yield insert.letter, "clip", insert.clip
        for clip in insert.alternates:
            yield insert.letter, "alternate", clip


def _copied(takes: Sequence[FlippedTake], folder: Path, kind: str) -> dict[Path, str]:
    """Copy files; return where each lies now, from the song's folder."""
    found: dict[Path, str] = {}
    taken: set[str] = set()
    for take in takes:
        (folder / kind).mkdir(exist_ok=True)
        for file in take.manifest.files:
            path = f"{kind}/{file.output}"
            if path.casefold() in taken:
                raise WriteError(
                    f"two files would both become {path}",
                    where=take.folder,
                    advice="flip one of the takes with other --names",
                )
            taken.add(path.casefold())
            shutil.copyfile(take.folder / file.output, folder / path)
            if file_sha256(folder / path) != file.output_sha256:
                raise TakeError("changed while it was copied", where=take.folder / file.output)
            found[take.folder / file.output] = path
    return found


def _csv(document: DeliveryDocument) -> str:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(HEADS)
    for letter, use, clip in clips_of(document):
        for file in clip.files:
            writer.writerow(
                [
                    *(file.path, letter, clip.take, use, clip.rate, clip.clip_start_samples),
                    "" if clip.time_reference is None else clip.time_reference,
                    *(clip.timecode, clip.timecode_rate, f"{clip.subframe_samples:g}"),
                    file.frames,
                ]
            )
    return text.getvalue()
