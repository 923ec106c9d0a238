r"""The session sheet: one HTML file that opens on any laptop or tablet, offline, and prints.

Nothing leaves the file. Titles and names are data: the template escapes everything that comes from
outside, or it lies in a JSON block in which ``<`` is written as ``\\u003c``. A
Content-Security-Policy (W3C, Level 3) lets the one script and the one style run that it names by
their SHA-256, and nothing else.
"""

from retro.engraving.fonts import tempo_marks_css
from retro.placement.table import HEADS, placement_rows
from retro.plan.compose import Plan
from retro.sheet.data import SheetAudio, SheetScore, finding_place, page_data
from retro.sheet.look import (
    QUIET_START_DB,
    picture_css,
    policy,
    resource,
    sheet_css,
    template,
    without_style,
)
from retro.units import nearest, us_per_quarter_to_bpm
from retro.version import VERSION

OWN = "retro.sheet"

TAKE_LINES = 9
"""Rows for handwriting in print."""


def sheet_html(
    plan: Plan, *, picture: str, audio: SheetAudio, scores: tuple[SheetScore, ...]
) -> bytes:
    """Return the whole page; `picture` is the time picture of the plan as SVG."""
    placement, insert = plan.placement, plan.performance.insert
    style = f"{tempo_marks_css()}\n{sheet_css()}\n{picture_css()}{_page_foot(plan)}"
    script = resource(OWN, "calculator.js") + resource(OWN, "sheet.js")
    page = template(OWN, "sheet.html.j2").render(
        plan=plan,
        policy=policy(script=script, style=style, media_src="data: blob:"),
        style=style,
        script=script,
        data=page_data(plan, audio, scores),
        picture=without_style(picture),
        scores=scores,
        tempo=_tempo_words(plan),
        meters=dict.fromkeys(str(bar.meter) for bar in insert.bars),
        bar_range=plan.window.bar_words,
        own=placement.timecodes[placement.frame_rate],
        findings=[(each, finding_place(plan, each) is not None) for each in plan.findings],
        sounds_start_samples=placement.window_start_samples
        - nearest(audio.window_at_s * placement.rate),
        heads=HEADS,
        rows=placement_rows(placement),
        grouped=lambda number: f"{number:,}".replace(",", " "),
        quiet_start_db=QUIET_START_DB,
        take_lines=TAKE_LINES,
        version=VERSION,
    )
    return page.encode()


def _page_foot(plan: Plan) -> str:
    """Return the rule that prints song, insert and page number at the foot of every page."""
    words = f"{plan.performance.target.title}, {plan.heading}"
    plain = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in words)
    return (
        f'@page {{ @bottom-left {{ content: "{plain}"; font: 8pt serif; }} '
        '@bottom-right { content: counter(page) " of " counter(pages); font: 8pt serif; } }'
    )


def _tempo_words(plan: Plan) -> str:
    tempi = [
        us_per_quarter_to_bpm(us) for us in plan.performance.insert.tempo.us_per_quarter.values
    ]
    slowest, fastest = float(min(tempi)), float(max(tempi))
    if fastest - slowest < 0.5:
        return f"{slowest:.4g} quarters a minute"
    return f"{slowest:.4g} to {fastest:.4g} quarters a minute, with the click"
