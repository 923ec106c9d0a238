"""retro: what an orchestra plays so that its recording, turned round, is the wanted phrase.

The public names are loaded when they are first asked for, so that the command line starts at once.

>>> from pathlib import Path
>>> from retro import load_settings, plan_file, write_pack
>>> plan = plan_file(Path("song.mid"), load_settings(None, {"bars": "33-36"}))  # doctest: +SKIP
>>> write_pack(plan, Path("pack"))  # doctest: +SKIP
"""

from importlib import import_module
from typing import TYPE_CHECKING

from retro.version import VERSION

if TYPE_CHECKING:
    from retro.errors import RetroError
    from retro.model.performance import Finding, Performance, PlayedNote, Window
    from retro.model.phrase import Note, Part, Phrase
    from retro.model.placement import Placement
    from retro.model.settings import Settings
    from retro.model.sound import Room
    from retro.pack.write import write_pack
    from retro.plan.compose import Plan, plan_file, plan_song
    from retro.plan.document import plan_document
    from retro.read.settings import load_settings
    from retro.read.song import Song
    from retro.read.target import read_song
    from retro.render.preview import Preview, render_preview
    from retro.reversal.compensate import perform
    from retro.reversal.mirror import mirror
    from retro.takes.common_range import open_take
    from retro.takes.flip import FlipSettings, flip_take

__version__ = VERSION

_HOMES = {
    "Finding": "retro.model.performance",
    "FlipSettings": "retro.takes.flip",
    "Note": "retro.model.phrase",
    "Part": "retro.model.phrase",
    "Performance": "retro.model.performance",
    "Phrase": "retro.model.phrase",
    "Placement": "retro.model.placement",
    "Plan": "retro.plan.compose",
    "PlayedNote": "retro.model.performance",
    "Preview": "retro.render.preview",
    "RetroError": "retro.errors",
    "Room": "retro.model.sound",
    "Settings": "retro.model.settings",
    "Song": "retro.read.song",
    "Window": "retro.model.performance",
    "flip_take": "retro.takes.flip",
    "load_settings": "retro.read.settings",
    "mirror": "retro.reversal.mirror",
    "open_take": "retro.takes.common_range",
    "perform": "retro.reversal.compensate",
    "plan_document": "retro.plan.document",
    "plan_file": "retro.plan.compose",
    "plan_song": "retro.plan.compose",
    "read_song": "retro.read.target",
    "render_preview": "retro.render.preview",
    "write_pack": "retro.pack.write",
}

__all__ = [
    "Finding",
    "FlipSettings",
    "Note",
    "Part",
    "Performance",
    "Phrase",
    "Placement",
    "Plan",
    "PlayedNote",
    "Preview",
    "RetroError",
    "Room",
    "Settings",
    "Song",
    "Window",
    "flip_take",
    "load_settings",
    "mirror",
    "open_take",
    "perform",
    "plan_document",
    "plan_file",
    "plan_song",
    "read_song",
    "render_preview",
    "write_pack",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'retro' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
