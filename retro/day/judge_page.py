"""Writes what was heard in the takes: a page, the same for programs, and takes with remarks.

judge.html                   every take, in order of what is against it; offline
judged.json                  the same for programs
takes.json                   the takes with lateness and remarks, for `retro day choose`
"""

from pathlib import Path

from retro.day.compose import Day
from retro.day.find import takes_from
from retro.day.judge import with_remarks
from retro.day.judged_document import JudgedDocument, JudgedTake
from retro.day.own_folder import refuse_other
from retro.day.sheet import OWN
from retro.day.takes_document import TakesDocument
from retro.model.encoding import encoded
from retro.pack.folder import NewPack, new_pack
from retro.sheet.look import policy, resource, sheet_css, template
from retro.version import VERSION

LEFT_TO_PEOPLE = (
    "whether a take is musical, and which one moves",
    "intonation inside a chord, balance, and whether a small noise matters",
    "noises over 20 dB softer than the whole phrase while it plays, and what every take has",
    "a third of the noises that are 20 dB softer, and one in five of those 15 dB softer",
    "short notes, sections that have no microphone of their own, and one wrong note in seven",
    "no figure is given for a player and a bar: such figures were tried and mostly false",
)


def write_judged(
    day: Day,
    document: JudgedDocument,
    takes: TakesDocument,
    out: Path,
    *,
    base: Path,
    overwrite: bool,
) -> NewPack:
    """Write what was heard to a new folder; takes are named from the folder `base`.

    Raises
    ------
    WriteError
        If the folder exists and may not be renewed, or holds something else.
    """
    refuse_other(out, "judged.json", what="a judged day")
    inputs = [day.path, *(insert.pack for insert in day.inserts)]
    remarked = takes_from(with_remarks(takes, document), out.absolute(), base=base)
    with new_pack(out, overwrite=overwrite, inputs=inputs) as made:
        (made.folder / "judged.json").write_bytes(encoded(document))
        (made.folder / "takes.json").write_bytes(encoded(remarked))
        (made.folder / "judge.html").write_bytes(page_html(day, document))
    return made


def page_html(day: Day, document: JudgedDocument) -> bytes:
    """Return the whole page."""
    style = sheet_css() + resource(OWN, "day.css")
    inserts = [
        (insert, [take for take in document.takes if take.letter == insert.letter])
        for insert in day.inserts
    ]
    page = template(OWN, "judge.html.j2").render(
        title=day.file.title,
        policy=policy(script="", style=style),
        style=style,
        inserts=inserts,
        late=late_words,
        signed=signed,
        left_to_people=LEFT_TO_PEOPLE,
        version=VERSION,
    )
    return page.encode()


def late_words(late_ms: float | None, within_ms: float | None) -> str:
    """Return a lateness as it is shown."""
    if late_ms is None or within_ms is None:
        return "not known"
    return f"{signed(late_ms)} ± {within_ms:.0f} ms"


def signed(value: float, places: int = 0) -> str:
    """Return a number with its sign, 0 without one."""
    rounded = round(value, places)
    return f"{rounded:+.{places}f}".replace("-", "−") if rounded else f"{0.0:.{places}f}"


def ranking_rows(document: JudgedDocument) -> list[tuple[str, ...]]:
    """Return a table of the takes, under headings."""
    rows: list[tuple[str, ...]] = [("insert", "rank", "take", "lateness", "against it")]
    for take in document.takes:
        late = late_words(take.lateness_ms, take.lateness_uncertainty_ms)
        rows.append((take.letter, str(take.rank), str(take.number), late, against_words(take)))
    return rows


def against_words(take: JudgedTake) -> str:
    """Return what is against a take, in one line."""
    first, *more = take.remarks or ("nothing",)
    return f"{first}, and {len(more)} more" if more else first
