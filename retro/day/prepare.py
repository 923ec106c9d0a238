"""Writes what a day needs: folders, notices, clicks, the print list and the sheet.

day.json                     what was prepared, for programs
day-sheet.html               the day's sheet
print-list.csv               what to print, and how often
folders/00-scores.pdf        for who conducts, in day order
folders/NN-name.pdf          one a person, in day order
notices/NN-song.pdf          one a song, with all its inserts
clicks/NN-insert-a.wav       one an insert, with its own tick pattern
"""

import csv
import io
from collections.abc import Callable, Iterator
from itertools import takewhile
from pathlib import Path

from retro.day.clicks import TICK_DBFS, TICK_HZ, TICK_S, patterned_click
from retro.day.compose import Day
from retro.day.documents import DayDocument, DayInsertDocument
from retro.day.folders import Cover, Leaf, PageCounts, PrintLine, folder_pdf
from retro.day.notices import notice_leaves
from retro.day.own_folder import refuse_other
from retro.day.people import Person, Turn
from retro.day.sheet import sheet_html
from retro.model.encoding import encoded
from retro.pack.folder import NewPack, new_pack
from retro.pack.names import part_file_names
from retro.render.wav import write_audio

Say = Callable[[str], None]

FOR_PLAYERS = (
    "A short rattle of ticks comes before each count-in; it is no beat. Wait for the count-in.",
    "Stop exactly where written and stay silent until the recording stops: it is played backwards.",
)


def prepare(day: Day, out: Path, *, overwrite: bool, say: Say = lambda _: None) -> NewPack:
    """Write what a day needs to a new folder; the same packs give the same bytes.

    It appears whole or not at all. In an older one that is renewed, what a person has changed is
    left alone. `say` is called with a few words before each step.

    Raises
    ------
    WriteError
        If the folder exists and may not be renewed, or cannot be written.
    ReadError
        If a page of a pack is no PDF, or its click no sound.
    """
    inputs = [day.path, *(insert.pack for insert in day.inserts)]
    refuse_other(out, "day.json", what="a prepared day")
    counts = PageCounts()
    with new_pack(out, overwrite=overwrite, inputs=inputs) as made:
        document = DayDocument(
            title=day.file.title,
            inserts=tuple(_write_clicks(day, made.folder, say)),
            tick_s=TICK_S,
            tick_hz=TICK_HZ,
            tick_dbfs=TICK_DBFS,
        )
        (made.folder / "day.json").write_bytes(encoded(document))
        (made.folder / "folders").mkdir()
        lines = [
            *_write_scores(day, made.folder, counts, say),
            *_write_folders(day, made.folder, counts, say),
            *_write_notices(day, made.folder, counts, say),
        ]
        (made.folder / "print-list.csv").write_text(_csv(lines), encoding="utf-8", newline="")
        page = sheet_html(day, document, lines)
        (made.folder / "day-sheet.html").write_bytes(page)
    return made


def _write_clicks(day: Day, folder: Path, say: Say) -> Iterator[DayInsertDocument]:
    (folder / "clicks").mkdir()
    names = part_file_names([f"Insert {insert.letter}" for insert in day.inserts])
    for insert, pattern, name in zip(day.inserts, day.patterns, names, strict=True):
        say(f"click of Insert {insert.letter}")
        click = patterned_click(insert, pattern)
        path = f"clicks/{name}.wav"
        write_audio(folder / path, click.sound, click.rate)
        yield DayInsertDocument(
            letter=insert.letter,
            song=insert.song,
            bars=insert.bars,
            folder=insert.folder,
            plan_sha256=insert.plan_sha256,
            click=path,
            rate=click.rate,
            tick_frames=click.tick_frames,
            count_in_frame=click.count_in_frame,
            phrase_start_frame=click.phrase_start_frame,
        )


def _write_scores(day: Day, folder: Path, counts: PageCounts, say: Say) -> Iterator[PrintLine]:
    """Write the scores of all inserts as one document."""
    leaves, rows = [], []
    page = 2
    for place, insert in enumerate(day.inserts, start=1):
        at = "–"
        if insert.score is not None:
            leaves.append(Leaf(pdf=insert.score, foot=f"{place}. Insert {insert.letter}"))
            at = str(page)
            page += counts.of(insert.score)
        playing = sum(not own[place - 1].is_tacet for own in day.turns)
        replaces = f"{insert.song}, {insert.bars}"
        rows.append((f"{place}. Insert {insert.letter}", replaces, f"{playing} folders", at))
    if not leaves:
        return
    say("scores")
    cover = Cover(
        title="Scores",
        under=_under(day),
        heads=("insert", "replaces", "play", "page"),
        rows=tuple(rows),
        lines=FOR_PLAYERS,
    )
    paper = day.inserts[0].plan.settings.paper
    path = "folders/00-scores.pdf"
    (folder / path).write_bytes(folder_pdf(cover, leaves, counts, paper=paper))
    yield PrintLine(path, "who conducts", "the scores", page - 1, 1)


def _under(day: Day) -> str:
    date = f", {day.file.date}" if day.file.date else ""
    return f"{day.file.title}{date}: inserts in the order of the day"


def _write_folders(day: Day, folder: Path, counts: PageCounts, say: Say) -> Iterator[PrintLine]:
    names = part_file_names([person.name for person in day.people])
    for person, own, name in zip(day.people, day.turns, names, strict=True):
        say(f"folder of {person.name}")
        leaves = tuple(_leaves(day, person, own))
        pdf = folder_pdf(
            _cover(day, person, own, counts),
            leaves,
            counts,
            paper=day.inserts[0].plan.settings.paper,
        )
        path = f"folders/{name}.pdf"
        (folder / path).write_bytes(pdf)
        numbered = ", ".join(f"{day.numbers[part]:02} {part}" for part in person.parts)
        pages = 1 + sum(counts.of(leaf.pdf) for leaf in leaves)
        yield PrintLine(path, person.name, numbered, pages, person.desks)


def _cover(day: Day, person: Person, own: tuple[Turn, ...], counts: PageCounts) -> Cover:
    page = 2
    rows = []
    for place, turn in enumerate(own, start=1):
        pages = sum(counts.of(part.pdf) for part in turn.parts)
        at = str(page) if pages else "–"
        rows.append(
            (
                f"{place}. Insert {turn.insert.letter}",
                f"{turn.insert.song}, {turn.insert.bars}",
                ", ".join(part.name for part in turn.parts) or "tacet",
                "; ".join(turn.changes) or "–",
                at,
            )
        )
        page += pages
    return Cover(
        title=person.name,
        under=_under(day),
        heads=("insert", "replaces", "play", "change", "page"),
        rows=tuple(rows),
        lines=FOR_PLAYERS,
    )


def _leaves(day: Day, person: Person, own: tuple[Turn, ...]) -> Iterator[Leaf]:
    for place, turn in enumerate(own):
        following = own[place + 1 :]
        for index, part in enumerate(turn.parts):
            is_last = index == len(turn.parts) - 1
            yield Leaf(
                pdf=part.pdf,
                foot=f"{person.name} · {day.numbers[part.name]:02} {part.name}",
                last_foot=_next_words(following) if is_last else "",
            )


def _next_words(following: tuple[Turn, ...]) -> str:
    """Say what a player does after an insert: what is tacet, and what comes then."""
    tacet = [turn.insert.letter for turn in takewhile(lambda turn: turn.is_tacet, following)]
    words = [f"{', '.join(tacet)} tacet"] if tacet else []
    if len(tacet) < len(following):
        turn = following[len(tacet)]
        words.append("; ".join((f"Insert {turn.insert.letter}", *turn.changes)))
    return "next: " + ", then ".join(words) if words else "end of the day's inserts"


def _write_notices(day: Day, folder: Path, counts: PageCounts, say: Say) -> Iterator[PrintLine]:
    (folder / "notices").mkdir()
    songs = tuple(day.songs())
    for (title, inserts), name in zip(songs, part_file_names([t for t, _ in songs]), strict=True):
        leaves = notice_leaves(inserts, counts)
        if not leaves:
            continue
        say(f"notices of {title}")
        letters = ", ".join(insert.letter for insert in inserts)
        cover = Cover(
            title=title,
            under=f"{day.file.title}: what the song's own parts and score must say",
            heads=("insert", "replaces", "in the song"),
            rows=tuple(
                (f"Insert {insert.letter}", insert.bars, "tacet, the insert sounds backwards here")
                for insert in inserts
            ),
            lines=("The score's notices come first, then those of the players, insert by insert.",),
        )
        path = f"notices/{name}.pdf"
        paper = inserts[0].plan.settings.paper
        (folder / path).write_bytes(folder_pdf(cover, leaves, counts, paper=paper))
        pages = 1 + sum(counts.of(leaf.pdf) for leaf in leaves)
        yield PrintLine(
            path, f"{title}: score and parts of the song", f"Insert {letters}", pages, 1
        )


def _csv(lines: list[PrintLine]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["file", "for", "parts", "pages", "copies"])
    for line in lines:
        writer.writerow([line.file, line.for_whom, line.parts, line.pages, line.copies])
    return text.getvalue()
