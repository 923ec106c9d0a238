"""`retro day`: a recording day of several packs, from the folders to what is handed over."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from retro.cli.options import Quiet
from retro.cli.tables import print_lines, print_table, tell, teller

DayToml = Annotated[Path, typer.Argument(help="day.toml: the packs of the day in their order.")]

NewFolder = Annotated[Path, typer.Option(help="Folder to make.")]
Overwrite = Annotated[
    bool, typer.Option("--overwrite", help="Renew an older folder at the same place.")
]
Takes = Annotated[Path | None, typer.Option(help="The takes; else takes.json beside day.toml.")]

day = typer.Typer(
    name="day",
    help="A recording day: prepare it, find and judge its takes, choose, hand it over.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@day.command(short_help="Write folders, clicks, print list and the day's sheet.")
def prepare(
    day_toml: DayToml,
    out: NewFolder,
    overwrite: Overwrite = False,
    quiet: Quiet = False,
) -> None:
    """Write folders, notices, clicks with tick patterns, the print list and the day's sheet.

    The packs are only read.
    """
    from retro.day.compose import compose_day
    from retro.day.prepare import prepare as write
    from retro.pack.folder import refuse_to_replace

    refuse_to_replace(out, overwrite=overwrite, inputs=[day_toml])
    composed = compose_day(day_toml)
    made = write(composed, out, overwrite=overwrite, say=teller(quiet=quiet))
    _tell_left(out, made.left)
    if quiet:
        return
    letters = ", ".join(insert.letter for insert in composed.inserts)
    proposed = ", ".join(composed.inserts[index].letter for index in composed.proposal.order)
    if composed.proposal.cost != composed.proposal.given_cost:
        tell(f"the order {proposed} would cost less; day-sheet.html says why")
    word = "insert" if len(composed.inserts) == 1 else "inserts"
    tell(f"{out}: {_counted(len(composed.people), 'folder')}, {word} {letters}")


@day.command(short_help="Find the takes in long recordings.")
def find(
    day_toml: DayToml,
    files: Annotated[
        list[Path], typer.Argument(help="What was recorded: sound files, or folders of them.")
    ],
    out: Annotated[Path, typer.Option(help="File to write: takes.json.")],
    through: Annotated[
        list[str] | None,
        typer.Option(help="Microphone to listen to; repeatable. Else the click, or the closest."),
    ] = None,
    music: Annotated[
        list[str] | None,
        typer.Option(
            help="Letter of an insert that some takes of have no ticks: look for its music, too; "
            "repeatable."
        ),
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Find the takes in long recordings, by the ticks before the count-in, else by the music.

    The recordings are only read. A person can correct takes.json.
    """
    from retro.cli.new_file import refuse_old, write_new
    from retro.day.compose import compose_day
    from retro.day.find import find as found_in
    from retro.day.find import found_rows, takes_from
    from retro.model.encoding import encoded
    from retro.takes.common_range import take_paths

    refuse_old(out)
    composed = compose_day(day_toml)
    takes, found = found_in(
        composed,
        take_paths(files),
        through=through or (),
        music=music or (),
        say=teller(quiet=quiet),
    )
    write_new(out, encoded(takes_from(takes, out.absolute().parent)))
    print_table(found_rows(takes, found))
    letters = {take.letter for take in takes.takes}
    for insert in composed.inserts:
        if insert.letter not in letters:
            tell(f"no take of Insert {insert.letter} was heard")


@day.command(short_help="Judge takes by what can be heard without taste.")
def judge(
    day_toml: DayToml,
    out: NewFolder,
    takes: Takes = None,
    overwrite: Overwrite = False,
    quiet: Quiet = False,
) -> None:
    """Judge takes by what can be heard without taste, and order them by what is against each.

    The takes are only read. The folder's takes.json holds lateness and remarks for a choice.
    """
    from retro.day.compose import compose_day
    from retro.day.judge import judge as judged
    from retro.day.judge_page import ranking_rows, write_judged
    from retro.day.takes_document import read_takes
    from retro.pack.folder import refuse_to_replace

    path = takes or _takes_beside(day_toml)
    refuse_to_replace(out, overwrite=overwrite, inputs=[day_toml, path])
    composed = compose_day(day_toml)
    known = read_takes(path)
    base = path.absolute().parent
    document = judged(composed, known, base=base, say=teller(quiet=quiet))
    made = write_judged(composed, document, known, out, base=base, overwrite=overwrite)
    _tell_left(out, made.left)
    print_table(ranking_rows(document))


@day.command(short_help="Say which bars of which takes a clip is made of.")
def choose(
    day_toml: DayToml,
    words: Annotated[
        str, typer.Argument(help="Takes and bars: 'A = 3:1-3, 1:4, 3:5-8, tail 2', or 'A = 3'.")
    ],
    out: Annotated[Path, typer.Option(help="File to write: choice.json.")],
    takes: Takes = None,
    why: Annotated[str, typer.Option(help="Why it is chosen, in words for the mix engineer.")] = "",
    crossfade_ms: Annotated[
        float, typer.Option(help="Length of the crossfades in milliseconds.")
    ] = 30.0,
    unheard: Annotated[
        bool,
        typer.Option("--unheard", help="Do not listen to takes whose place a person states."),
    ] = False,
) -> None:
    """Check a choice among the takes of an insert, and write it for `retro flip --choice`.

    One take gives way to the next on a rest or on a steady tone, in all microphones alike. The
    takes are only read.
    """
    from retro.cli.new_file import refuse_old, write_new
    from retro.day.choose import choice_words, placed_in
    from retro.day.choose import choose as chosen
    from retro.day.compose import compose_day
    from retro.day.takes_document import read_takes
    from retro.model.encoding import encoded

    refuse_old(out)
    path = takes or _takes_beside(day_toml)
    composed = compose_day(day_toml)
    choice = chosen(
        composed,
        words,
        read_takes(path),
        base=path.absolute().parent,
        why=why,
        fade_ms=crossfade_ms,
        unheard=unheard,
    )
    write_new(out, encoded(placed_in(choice, out.absolute().parent)))
    print_lines(choice_words(choice))
    for notice in choice.notices:
        tell(notice)


@day.command(short_help="Hand over clips and alternates, song by song.")
def deliver(
    day_toml: DayToml,
    clips: Annotated[
        list[Path], typer.Option(help="Folder of flipped clips, one an insert; repeatable.")
    ],
    out: NewFolder,
    alternates: Annotated[
        list[Path] | None,
        typer.Option(help="Folder of flipped clips of another take; repeatable."),
    ] = None,
    overwrite: Overwrite = False,
) -> None:
    """Hand over clips and alternates song by song, with one page for the mix engineer and hashes.

    Every clip is checked against its flip.json and copied; its place is worked out again.
    """
    from retro.day.compose import compose_day
    from retro.day.deliver import deliver as write
    from retro.pack.folder import refuse_to_replace

    refuse_to_replace(out, overwrite=overwrite, inputs=[day_toml])
    composed = compose_day(day_toml)
    made = write(composed, clips, out, alternates=alternates or (), overwrite=overwrite)
    _tell_left(out, made.left)
    inserts = _counted(len(composed.inserts), "insert")
    songs = _counted(len(tuple(composed.songs())), "song")
    tell(f"{out}: {len(clips)} of {inserts}, {songs}")


def _takes_beside(day_toml: Path) -> Path:
    return day_toml.absolute().parent / "takes.json"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _tell_left(out: Path, left: Sequence[str]) -> None:
    if left:
        tell(f"{out}: left alone, not made here or changed: {', '.join(left)}")
