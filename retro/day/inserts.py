"""The inserts of a day, read out of their packs: who has what to play, and when.

Times are insert time in seconds. What a written part plays is known by the notes that its MusicXML
names; a part whose file names none is silent in the insert.
"""

import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from lxml import etree

from retro.day.day_file import DayFile, PackEntry
from retro.errors import PlanError, ReadError, SettingsError
from retro.model.encoding import decoded
from retro.model.instruments import Family, Instrument
from retro.model.orchestra import by_id
from retro.model.plan_document import WindowDocument
from retro.model.time import printed_number
from retro.pack.manifest import read_pack_manifest
from retro.read.plan_file import PlanFile, parse_plan

BLOWN = frozenset([Family.WOODWIND, Family.BRASS])
MAX_PART_BYTES = 64_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounding:
    """A note as it is written: from when to when in seconds of insert time."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPart:
    """A written part of one insert.

    Parameters
    ----------
    name
        As printed.
    instrument
        What it is written for; None where the part is silent, since nothing tells then.
    sounding
        Its notes in order; none where it is silent.
    pdf
        Its page.
    """

    name: str
    instrument: Instrument | None
    sounding: tuple[Sounding, ...]
    pdf: Path

    @property
    def blown_s(self) -> float:
        """Seconds for which a wind player blows; 0 for all others."""
        if self.instrument is None or self.instrument.family not in BLOWN:
            return 0.0
        blown_s = reached_s = 0.0
        for note in self.sounding:
            blown_s += max(0.0, note.end_s - max(note.start_s, reached_s))
            reached_s = max(reached_s, note.end_s)
        return blown_s

    @property
    def is_brass(self) -> bool:
        """Whether it is written for a brass instrument."""
        return self.instrument is not None and self.instrument.family is Family.BRASS


@dataclass(frozen=True, slots=True, kw_only=True)
class DayInsert:
    """One insert of the day.

    Parameters
    ----------
    folder
        As day.toml names it.
    pack
        The folder itself.
    plan, plan_sha256
        What its plan.json says, and the hash of that file.
    bars
        The bars that it replaces, as printed.
    minutes
        What it is given.
    parts
        In score order.
    score
        Its score; None where the pack has none.
    notices
        Its notices: the score's, then every player's.
    """

    folder: str
    pack: Path
    plan: PlanFile
    plan_sha256: str
    bars: str
    minutes: float
    parts: tuple[DayPart, ...]
    score: Path | None
    notices: tuple[Path, ...]

    @property
    def letter(self) -> str:
        """Letter of the insert."""
        return self.plan.letter

    @property
    def song(self) -> str:
        """Title of the song."""
        return self.plan.title

    @property
    def click(self) -> Path:
        """The click of the pack."""
        return self.pack / "engineer" / "click.wav"


def read_inserts(day: DayFile, base: Path) -> tuple[DayInsert, ...]:
    """Return the inserts of the packs of a day, which are named from the folder `base`.

    Raises
    ------
    ReadError
        If a pack lacks something, or was changed after it was built.
    SettingsError
        If a pack is named twice, or two inserts have one letter.
    """
    packs = [_pack_at(entry.folder, base) for entry in day.pack]
    _refuse_twice(day.pack, packs)
    inserts = tuple(
        _read_insert(entry, pack, day.minutes_each)
        for entry, pack in zip(day.pack, packs, strict=True)
    )
    holders: dict[str, str] = {}
    for insert in inserts:
        other = holders.setdefault(insert.letter, insert.folder)
        if other != insert.folder:
            raise SettingsError(
                f"{other} and {insert.folder} are both Insert {insert.letter}",
                advice="build one again with another --letter; letters run through the day",
            )
    return inserts


def _pack_at(folder: str, base: Path) -> Path:
    """Return a folder without the ``..`` of its name; where one leaves a link, without the link."""
    named = base / folder
    plain = Path(os.path.normpath(named))
    is_same = named.exists() and plain.exists() and plain.samefile(named)
    return plain if is_same or not named.exists() else named.resolve()


def _refuse_twice(entries: Sequence[PackEntry], packs: Sequence[Path]) -> None:
    """Refuse a pack that is named twice, spelled in whichever way."""
    seen: dict[tuple[int, int], str] = {}
    for entry, pack in zip(entries, packs, strict=True):
        if not pack.exists():
            continue  # the reading says so
        status = pack.stat()
        other = seen.setdefault((status.st_dev, status.st_ino), entry.folder)
        if other != entry.folder:
            raise SettingsError(
                f"{other} and {entry.folder} are one pack", advice="name it once in day.toml"
            )


def read_plan_of(pack: Path) -> tuple[PlanFile, str, bytes]:
    """Return the plan of a pack, its hash and its bytes.

    Raises
    ------
    ReadError
        If the folder is no pack, or the plan is not the one that was built.
    """
    listed = {entry.path: entry.sha256 for entry in read_pack_manifest(pack).files}
    path = pack / "plan.json"
    if "plan.json" not in listed or not path.is_file():
        raise PlanError("the pack has no plan.json", where=pack, advice="build it again")
    data = path.read_bytes()
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != listed["plan.json"]:
        raise PlanError("was changed after the pack was built", where=path, advice="build it again")
    return parse_plan(data, where=str(path)), sha256, data


@dataclass(frozen=True, slots=True, kw_only=True)
class _Windowed:
    """What is read of a plan beside `PlanFile`."""

    window: WindowDocument


def _read_insert(entry: PackEntry, pack: Path, minutes_each: float) -> DayInsert:
    plan, sha256, data = read_plan_of(pack)
    window = decoded(data, _Windowed, where=pack, refusal=PlanError).window
    numbers = [printed_number(plan.song_bars, bar) for bar in (window.start_bar, window.end_bar)]
    first, last = numbers
    _refuse_missing_pages(pack)
    copyist = pack / "copyist"
    parts = tuple(_parts(copyist / "parts", plan))
    if not parts:
        raise ReadError(
            "the pack has no parts in copyist/parts",
            where=pack,
            advice="build it again with its copyist section",
        )
    score = copyist / "score.pdf"
    notices = (copyist / "notice.pdf", *sorted((copyist / "notices").glob("*.pdf")))
    return DayInsert(
        folder=entry.folder,
        pack=pack,
        plan=plan,
        plan_sha256=sha256,
        bars=f"bar {first}" if first == last else f"bars {first}–{last}",
        minutes=entry.minutes or minutes_each,
        parts=parts,
        score=score if score.is_file() else None,
        notices=tuple(path for path in notices if path.is_file()),
    )


def _refuse_missing_pages(pack: Path) -> None:
    """Refuse a pack that lost a page of its own: it would be missing on a stand, untold."""
    for entry in read_pack_manifest(pack).files:
        if entry.path.startswith("copyist/") and not (pack / entry.path).is_file():
            raise ReadError(
                "the pack lists this file, and it is not there",
                where=pack / entry.path,
                advice="put it back, or build the pack again",
            )


def _parts(folder: Path, plan: PlanFile) -> Iterator[DayPart]:
    for pdf in sorted(folder.glob("*.pdf")):
        music = pdf.with_suffix(".musicxml")
        if not music.is_file():
            raise ReadError("no MusicXML stands beside this part", where=pdf)
        name, heads, has_tones = _name_and_notes(music)
        if has_tones and not heads:
            raise ReadError(
                "does not say which notes of the plan it shows, so nobody can tell who plays",
                where=music,
                advice="put back the file that the build made; the PDF beside it may be changed",
            )
        notes = [plan.notes[head] for head in sorted(heads) if head < len(plan.notes)]
        played_by = {plan.parts[note.part].instrument for note in notes}
        seconds_at = plan.insert_tempo.seconds_at
        sounding = [
            Sounding(
                start_s=float(seconds_at(note.written_on_beats)),
                end_s=float(seconds_at(note.written_off_beats)),
            )
            for note in notes
        ]
        yield DayPart(
            name=name,
            instrument=by_id(min(played_by)) if played_by else None,
            sounding=tuple(sorted(sounding, key=lambda each: (each.start_s, each.end_s))),
            pdf=pdf,
        )


def _name_and_notes(path: Path) -> tuple[str, set[int], bool]:
    """Return the name of a part, the numbers of the plan's notes in it, and if it has any tone."""
    data = path.read_bytes()
    if len(data) > MAX_PART_BYTES:
        raise ReadError(f"more than {MAX_PART_BYTES} bytes are no part", where=path)
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as fault:
        raise ReadError(f"is no MusicXML: {fault}", where=path) from None
    name = (root.findtext(".//part-name") or "").strip()
    if not name:
        raise ReadError("names no part", where=path)
    ids = (note.get("id", "") for note in root.iter("note"))
    heads = {int(id_[1:]) for id_ in ids if re.fullmatch("n[0-9]{1,9}", id_)}
    has_tones = root.find(".//note/pitch") is not None or root.find(".//unpitched") is not None
    return name, heads, has_tones
