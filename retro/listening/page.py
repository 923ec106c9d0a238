"""The page itself: one document, whose script asks the server that it came from and nobody else."""

from functools import cache

from retro.sheet.look import QUIET_START_DB, picture_css, policy, resource, sheet_css, template
from retro.version import VERSION

OWN = "retro.listening"

_STYLE = f"{sheet_css()}\n{resource(OWN, 'listening.css')}\n{picture_css()}"
_SCRIPT = resource(OWN, "sounds.js") + resource(OWN, "listening.js")

PAGE_POLICY = policy(script=_SCRIPT, style=_STYLE, connect_src="'self'", frame_ancestors="'none'")
"""What the page may run and ask."""


@cache
def page_html() -> bytes:
    """Return the page, which holds nothing of any song."""
    page = template(OWN, "listening.html.j2").render(
        style=_STYLE, script=_SCRIPT, quiet_start_db=QUIET_START_DB, version=VERSION
    )
    return page.encode()
