"""What the pages of retro share: their style, and the policy that each states."""

from base64 import b64encode
from functools import cache
from hashlib import sha256
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from retro.render.picture import STYLE

QUIET_START_DB = -24
"""Where the level of a page starts: a flipped swell stops at full level."""

NOTHING_ELSE = {
    "default-src": "'none'",
    "font-src": "data:",
    "img-src": "data:",
    "base-uri": "'none'",
    "form-action": "'none'",
}
"""What every page states (Content Security Policy, W3C, Level 3)."""


@cache
def template(package: str, name: str) -> Template:
    """Return a page's template, which escapes everything that comes from outside."""
    environment = Environment(
        loader=PackageLoader(package, "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def resource(package: str, name: str) -> str:
    """Return a text that lies beside a page's code."""
    return (files(package) / name).read_text(encoding="utf-8")


def sheet_css() -> str:
    """Return the style of all pages."""
    return resource("retro.sheet", "sheet.css")


def policy(*, script: str, style: str, **others: str) -> str:
    """Return a policy: what is not named in it neither runs nor loads.

    The only `script` and `style` that run are named by their SHA-256; `others` are further
    directives, with ``_`` for ``-``, and what they allow.
    """
    allowed = {
        **NOTHING_ELSE,
        "script-src": _source_hash(script),
        "style-src": _source_hash(style),
        **{name.replace("_", "-"): sources for name, sources in others.items()},
    }
    return "; ".join(f"{directive} {sources}" for directive, sources in allowed.items())


def _source_hash(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"


def without_style(picture: str) -> str:
    """Return the time picture without its style, which the page carries."""
    return picture.replace(f"<style>{STYLE}</style>", "")


def picture_css() -> str:
    """Return the style of the picture, kept from reaching out of it."""
    return "".join(f"#picture {rule}\n" for rule in STYLE.splitlines() if rule)
