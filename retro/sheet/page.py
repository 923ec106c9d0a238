r"""The session sheet: one HTML file that opens on any laptop or tablet, offline, and prints.

Nothing leaves the file. Titles and names are data: the template escapes everything that comes from
outside, or it lies in a JSON block in which ``<`` is written as ``\\u003c``. A
Content-Security-Policy (W3C, Level 3) lets the one script and the one style run that it names by
their SHA-256, and nothing else.
"""

from base64 import b64encode
from functools import cache
from hashlib import sha256
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from retro.engraving.fonts import tempo_marks_css
from retro.placement.table import HEADS, placement_rows
from retro.plan.compose import Plan
from retro.render.picture import STYLE, picture_svg
from retro.sheet.data import SheetAudio, SheetScore, finding_place, page_data
from retro.units import us_per_quarter_to_bpm
from retro.version import VERSION

QUIET_START_DB = -24
"""Where the level of the sheet starts: a flipped swell stops at full level."""

TAKE_LINES = 9
"""Rows for handwriting in print."""


def sheet_html(plan: Plan, *, audio: SheetAudio, scores: tuple[SheetScore, ...]) -> bytes:
    """Return the whole page."""
    placement, insert = plan.placement, plan.performance.insert
    style = f"{tempo_marks_css()}\n{_resource('sheet.css')}\n{_picture_css()}{_page_foot(plan)}"
    script = _resource("calculator.js") + _resource("sheet.js")
    page = _template().render(
        plan=plan,
        policy=_policy(script=script, style=style),
        style=style,
        script=script,
        data=page_data(plan, audio, scores),
        picture=_picture(plan),
        scores=scores,
        tempo=_tempo_words(plan),
        meters=dict.fromkeys(str(bar.meter) for bar in insert.bars),
        bar_range=plan.window.bar_words,
        own=placement.timecodes[placement.frame_rate],
        findings=[(each, finding_place(plan, each) is not None) for each in plan.findings],
        heads=HEADS,
        rows=placement_rows(placement),
        grouped=lambda number: f"{number:,}".replace(",", " "),
        quiet_start_db=QUIET_START_DB,
        take_lines=TAKE_LINES,
        version=VERSION,
    )
    return page.encode()


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("retro.sheet", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("sheet.html.j2")


def _resource(name: str) -> str:
    return (files("retro.sheet") / name).read_text(encoding="utf-8")


def _policy(*, script: str, style: str) -> str:
    """Return the policy: what is not named here neither runs nor loads."""
    allowed = {
        "default-src": "'none'",
        "script-src": _source_hash(script),
        "style-src": _source_hash(style),
        "font-src": "data:",
        "img-src": "data:",
        "media-src": "data: blob:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    return "; ".join(f"{directive} {source}" for directive, source in allowed.items())


def _source_hash(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"


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


def _picture(plan: Plan) -> str:
    """Return the picture without its style, which the page carries."""
    svg = picture_svg(plan.performance)
    return svg.replace(f"<style>{STYLE}</style>", "")


def _picture_css() -> str:
    """Return the style of the picture, kept from reaching out of it."""
    return "".join(f"#picture {rule}\n" for rule in STYLE.splitlines() if rule)
