"""The day's sheet: one self-contained page that opens offline and prints."""

from collections.abc import Iterator, Sequence

from retro.day.compose import Day
from retro.day.documents import DayDocument, DayInsertDocument
from retro.day.folders import PrintLine
from retro.day.order import ASSUMPTIONS
from retro.day.patterns import SLOT_S
from retro.day.people import Turn
from retro.sheet.look import policy, resource, sheet_css, template
from retro.units import seconds_to_ms, speed_of_sound_m_s
from retro.version import VERSION

OWN = "retro.day"
TAKE_LINES = 4
"""Rows for handwriting under each insert."""

LEFT_TO_PEOPLE = (
    "whether a take is musical, and which one moves",
    "intonation inside a chord, and balance",
    "whether a small noise matters",
    "how loud headphones are: as quiet as the work allows, and local rules on sound exposure first",
    "breaks, rest of lips and arms, and labour rules: the figures here only help to keep them",
)


def sheet_html(day: Day, document: DayDocument, printed: Sequence[PrintLine]) -> bytes:
    """Return the whole page."""
    style = sheet_css() + resource(OWN, "day.css")
    page = template(OWN, "day.html.j2").render(
        day=day,
        policy=policy(script="", style=style),
        style=style,
        songs=tuple(day.songs()),
        rows=tuple(_rows(day, document)),
        people=tuple(zip(day.people, day.turns, strict=True)),
        proposal=day.proposal,
        proposed=[day.inserts[index].letter for index in day.proposal.order],
        assumptions=ASSUMPTIONS,
        microphones=tuple(_microphones(day)),
        runs=tuple(day.brass_runs()),
        printed=printed,
        take_lines=TAKE_LINES,
        left_to_people=LEFT_TO_PEOPLE,
        grouped=lambda number: f"{number:,}".replace(",", " "),
        version=VERSION,
    )
    return page.encode()


def _rows(day: Day, document: DayDocument) -> Iterator[dict[str, object]]:
    """Yield what the page shows of each insert, in day order."""
    whole = zip(day.inserts, document.inserts, day.patterns, day.due, strict=True)
    for place, (insert, written, pattern, due) in enumerate(whole):
        own = [turns[place] for turns in day.turns]
        placement = insert.plan.placement
        yield {
            "place": place + 1,
            "insert": insert,
            "due": due,
            "length_s": float(insert.plan.insert_tempo.length_s),
            "count_in_s": _count_in_s(written),
            "placement": placement,
            "own": placement.timecodes[placement.frame_rate],
            "click": written.click,
            "ticks_ms": ", ".join(f"{seconds_to_ms(slot * SLOT_S):.0f}" for slot in pattern),
            "playing": _named(day, own, is_tacet=False),
            "tacet": _named(day, own, is_tacet=True),
        }


def _count_in_s(written: DayInsertDocument) -> float:
    return (written.phrase_start_frame - written.count_in_frame) / written.rate


def _named(day: Day, own: Sequence[Turn], *, is_tacet: bool) -> list[tuple[str, Turn]]:
    return [
        (person.name, turn)
        for person, turn in zip(day.people, own, strict=True)
        if turn.is_tacet == is_tacet
    ]


def _microphones(day: Day) -> Iterator[tuple[str, str, str, str]]:
    speed_m_s = speed_of_sound_m_s(day.inserts[0].plan.settings.temperature_c)
    for entry in day.file.microphone:
        distance = "not stated" if entry.distance_m is None else f"{entry.distance_m:g} m"
        flight = (
            "not known"
            if entry.distance_m is None
            else f"{seconds_to_ms(entry.distance_m / speed_m_s):.1f} ms"
        )
        yield entry.name, entry.section or "everybody", distance, flight
