"""The page for the mix engineer: what is handed over, why, what was measured, where it goes."""

from retro.day.delivery_document import Clip, DeliveryDocument
from retro.sheet.look import policy, resource, sheet_css, template
from retro.units import samples_to_seconds
from retro.version import VERSION

OWN = "retro.day"

LEFT_TO_PEOPLE = (
    "whether the take is the right one: listen to the alternates in the song",
    "balance of the microphones, intonation inside chords, and whether a small noise matters",
    "the last milliseconds of the place: move all files of a clip together, never one to its peak",
    "the level: a flipped swell grows and stops at full level; begin quietly",
)


def page_html(document: DeliveryDocument) -> bytes:
    """Return the whole page."""
    style = sheet_css() + resource(OWN, "day.css")
    page = template(OWN, "deliver.html.j2").render(
        song=document,
        policy=policy(script="", style=style),
        style=style,
        missing=[each.letter for each in document.inserts if each.clip is None],
        has_clips=any(each.clip is not None or each.alternates for each in document.inserts),
        seconds=_seconds,
        grouped=lambda number: f"{number:,}".replace(",", " "),
        left_to_people=LEFT_TO_PEOPLE,
        version=VERSION,
    )
    return page.encode()


def _seconds(samples: int, clip: Clip) -> str:
    return f"{float(samples_to_seconds(samples, clip.rate)):.3f} s"
