"""The copyist's folder: score, notice and parts, as MusicXML and as PDF."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING

from retro.engraving.engrave import LaidOut, Sheet, engrave_pdf, lay_out
from retro.engraving.layout import MARGIN_MM, MAX_TEXT, Kind
from retro.model.phrase import Phrase
from retro.model.settings import ScoreIn, Section
from retro.musicxml.document import InsertXml, insert_musicxml, score_name
from retro.musicxml.heading import Heading
from retro.musicxml.moments import moments
from retro.musicxml.notice import NoticeReader, notice_musicxml, to_do
from retro.musicxml.page_layout import PageLayout, with_layout
from retro.notation.concert import concert_parts
from retro.notation.cue import cue_of, written_cues
from retro.notation.lines import write_parts
from retro.notation.names import page_name
from retro.notation.score import WrittenPart
from retro.notation.silent import tacet_parts
from retro.notation.swing import is_straight
from retro.notation.unpitched import GOES_ON
from retro.notation.words import AFTERWARDS
from retro.pack.names import part_file_names
from retro.plan.compose import Plan
from retro.sheet.data import SheetScore

if TYPE_CHECKING:
    from retro.musicxml.main_score import MainScore

EASE_LETTERS = 12
"""How much longer than the mean a row of words may be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """The written insert of a plan, before it is engraved; `silent` players have no notes.

    `main` is the song's score with the insert, where the settings name one.
    """

    parts: tuple[WrittenPart, ...]
    silent: tuple[WrittenPart, ...]
    heading: Heading
    xml: InsertXml
    notice: bytes
    notices: tuple[tuple[str, bytes], ...]
    main: "MainScore | None"


def copy_out(plan: Plan) -> Copy:
    """Write the insert of a plan.

    Raises
    ------
    RetroError
        See `retro.pack.main_score.into_score`, where the settings name a main score.
    """
    performance = plan.performance
    window = plan.window
    feel = is_straight(plan.song.phrase, window.start_beats, window.end_beats, performance.target)
    parts = write_parts(performance, is_straight=feel)
    heading = Heading(
        song=performance.target.title,
        letter=performance.settings.letter,
        bars=plan.window.printed_bars,
        creators=plan.song.creators,
    )
    into = performance.settings.into if Section.COPYIST in performance.settings.only else None
    main = None if into is None else _into_score(plan, Path(into), heading)
    silent = tacet_parts(plan.silent, performance.insert)
    is_in_c = performance.settings.score_in is ScoreIn.C
    xml = insert_musicxml(
        parts,
        heading=heading,
        insert=performance.insert,
        settings=performance.settings,
        silent=silent,
        in_score=concert_parts(performance, parts) if is_in_c else (),
    )
    bars_alone = replace(plan.song.phrase, parts=())
    replaced = bars_alone.cut(plan.window.start_beats, plan.window.end_beats)
    notice = notice_musicxml(replaced, heading=heading, window=plan.window)
    return Copy(
        parts=parts,
        silent=silent,
        heading=heading,
        xml=xml,
        notice=notice,
        notices=tuple(_notices(plan, replaced, heading)),
        main=main,
    )


def _into_score(plan: Plan, path: Path, heading: Heading) -> "MainScore":
    # What reads MusicXML is slow to import, and few builds do.
    from retro.pack.main_score import into_score  # noqa: PLC0415

    return into_score(plan, path, heading)


def _notices(plan: Plan, replaced: Phrase, heading: Heading) -> Iterator[tuple[str, bytes]]:
    """Yield the name and the notice of every player of the song, silent ones too."""
    performance = plan.performance
    grid_beats = performance.settings.grid_beats
    cue = cue_of(performance.target, performance.players, grid_beats=grid_beats)
    sounding = replace(performance.target, bars=replaced.bars, keys=replaced.keys)
    players = sorted((*performance.players, *plan.silent), key=lambda p: p.instrument.score_order)
    others = [player for player in players if cue is not None and cue.name != player.name]
    cues = iter(written_cues(cue, sounding, others, grid_beats=grid_beats) if cue else ())
    for player in players:
        written = next(cues) if player in others else None
        reader = NoticeReader(
            name=page_name(player.name, player.instrument),
            instrument=player.instrument,
            cue=written,
            cue_name=cue.name if cue else "",
        )
        document = notice_musicxml(replaced, heading=heading, window=plan.window, reader=reader)
        yield reader.name, document


def write_copyist(
    plan: Plan, copy: Copy, folder: Path, say: Callable[[str], None]
) -> tuple[LaidOut, ...]:
    """Write score, notice and parts as MusicXML and PDF; return the pages of all who have notes."""
    (folder / "parts").mkdir(parents=True)
    (folder / "notices").mkdir()
    if copy.main is not None:
        _write_main_score(copy.main, copy.heading.bars, folder, say)
    laid_out = []
    for stem, sheet in sheets(plan, copy):
        say(f"engraving {sheet.player}")
        path = folder / stem
        laid = lay_out(sheet)
        path.with_suffix(".musicxml").write_bytes(with_layout(sheet.musicxml, _layout(sheet, laid)))
        path.with_suffix(".pdf").write_bytes(engrave_pdf(sheet, laid))
        if sheet.kind is not Kind.NOTICE:
            laid_out.append(laid)
    return tuple(laid_out[: 1 + len(copy.parts)])


def lay_out_music(plan: Plan, copy: Copy, say: Callable[[str], None]) -> tuple[LaidOut, ...]:
    """Return the pages of the score and of each player who has notes, and write nothing."""
    music = (sheet for _, sheet in sheets(plan, copy) if sheet.kind is not Kind.NOTICE)
    laid_out = []
    for sheet in islice(music, 1 + len(copy.parts)):
        say(f"engraving {sheet.player}")
        laid_out.append(lay_out(sheet))
    return tuple(laid_out)


def _layout(sheet: Sheet, laid: LaidOut) -> PageLayout:
    """Return how a sheet was laid out, for other programs."""
    return PageLayout(
        width_mm=laid.paper.width_mm,
        height_mm=laid.paper.height_mm,
        margin_mm=MARGIN_MM,
        staff_mm=laid.frame.staff_mm,
        title_mm=laid.paper.titled(len(sheet.advice)).title_mm,
        systems=laid.opens,
        pages=tuple(laid.opens[page.first] for page in laid.pages),
        advice=sheet.advice,
    )


def sheets(plan: Plan, copy: Copy) -> Iterator[tuple[str, Sheet]]:
    """Yield what is printed, each with its path in the copyist's folder but for the ending."""
    settings = plan.performance.settings
    parts, documents = (*copy.parts, *copy.silent), (*copy.xml.parts, *copy.xml.silent)
    in_order = sorted(parts, key=lambda part: part.instrument.score_order)
    numbered = dict(
        zip(map(id, in_order), part_file_names([p.name for p in in_order]), strict=True)
    )
    names = [numbered[id(part)] for part in parts]
    silence: dict[str, list[str]] = {to_do(plan.window): []}
    papers: list[tuple[str, str, Kind, bytes, dict[str, list[str]]]] = [
        (
            "score",
            score_name(copy.parts, settings),
            Kind.SCORE,
            copy.xml.score,
            _general_words(copy.parts),
        ),
        ("notice", "Notice", Kind.NOTICE, copy.notice, silence),
        *(
            (f"parts/{name}", part.name, Kind.PART, xml, _general_words([part]))
            for name, part, xml in zip(names, parts, documents, strict=True)
        ),
        *(
            (f"notices/{stem}", name, Kind.NOTICE, xml, silence)
            for stem, (name, xml) in zip(
                part_file_names([name for name, _ in copy.notices]), copy.notices, strict=True
            )
        ),
    ]
    for stem, player, kind, xml, words in papers:
        yield (
            stem,
            Sheet(
                musicxml=xml,
                kind=kind,
                paper=plan.performance.settings.paper,
                song=copy.heading.song,
                insert=copy.heading.insert,
                player=player,
                replaces=copy.heading.subtitle,
                advice=tuple(row for line in advice_lines(words) for row in _even(line)),
                elsewhere=tuple(words),
            ),
        )


def _even(line: str) -> list[str]:
    """Break a line that the page would cut into rows, about equally long."""
    rows = wrap(line, MAX_TEXT)
    return wrap(line, MAX_TEXT if len(rows) < 2 else len(line) // len(rows) + EASE_LETTERS)


def _write_main_score(
    made: "MainScore", bars: str, folder: Path, say: Callable[[str], None]
) -> None:
    (folder / "main-score.musicxml").write_bytes(made.score)
    if made.replaced is not None:
        (folder / "replaced-bars.musicxml").write_bytes(made.replaced)
    if made.bars != bars:
        say(f"main score: {bars} of the target are {made.bars} there")
    if made.added:
        say(f"main score: added, as the song does not have them: {', '.join(made.added)}")
    if made.ties:
        say(f"main score: ties that lead into the silent bars or out of them: {made.ties}")


def _general_words(parts: Iterable[WrittenPart]) -> dict[str, list[str]]:
    """Return the words for whole parts, and the short names of the parts that have them."""
    players: dict[str, list[str]] = {}
    for part in parts:
        for words in part.directions:
            if words.is_general:
                players.setdefault(words.text, []).append(part.abbreviation)
    return players


def advice_lines(words: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """Return the lines of playing advice over some parts: for whom, where the parts differ.

    `words` has the words for whole parts, and the short names of the parts that have them.
    """
    for_all = f"; {AFTERWARDS}"
    everyone = {name for names in words.values() for name in names}
    how = {text: names for text, names in words.items() if text.endswith(for_all)}
    more = [
        text
        if set(names) == everyone or text.startswith(GOES_ON)
        else f"{', '.join(names)}: {text}"
        for text, names in words.items()
        if text not in how
    ]
    if len(how) < 2:
        return (*how, *more)
    *few, (most, _) = sorted(how.items(), key=lambda item: len(item[1]))
    lines = [f"{', '.join(names)}: {text.removesuffix(for_all)}" for text, names in few]
    return (
        *lines,
        f"all others: {most.removesuffix(for_all)}",
        f"all: {AFTERWARDS}",
        *more,
    )


def sheet_scores(copy: Copy, pages: Sequence[LaidOut]) -> tuple[SheetScore, ...]:
    """Return score and parts for the session sheet, on the pages that are printed.

    These are those of `write_copyist`.
    """
    score, *parts = pages
    return (
        _shown("Score", None, copy.xml.score, copy.parts, score),
        *(
            _shown(part.name, part.part, xml, (part,), laid)
            for part, xml, laid in zip(copy.parts, copy.xml.parts, parts, strict=True)
        ),
    )


def _heads(part: WrittenPart) -> Iterator[tuple[int, int]]:
    for chord in part.chords:
        # A chord that stands for its own notes only has no others.
        for head, others in zip(chord.notes, chord.more, strict=False):
            yield from ((note, head) for note in others)


def _shown(
    name: str,
    index: int | None,
    musicxml: bytes,
    parts: tuple[WrittenPart, ...],
    laid: LaidOut,
) -> SheetScore:
    return SheetScore(
        name=name,
        part=index,
        advice=advice_lines(_general_words(parts)),
        pages=tuple(laid.pictures[page.first : page.end] for page in laid.pages),
        bars=laid.held,
        moments=moments(musicxml),
        heads=tuple(pair for part in parts for pair in _heads(part)),
    )
