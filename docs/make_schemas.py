"""Write the schemas of the JSON files from the classes that state them.

Run: ``python docs/make_schemas.py``. Descriptions are the classes' docstrings. A test fails if a
file is not what this gives.
"""

import inspect
import json
import re
from dataclasses import MISSING, fields, is_dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import msgspec

from retro.day import delivery_document, judged_document, takes_document
from retro.day import documents as day_documents
from retro.model import performance, placement, plan_document, settings, sound
from retro.pack import manifest as pack_manifest
from retro.takes import clip_of
from retro.takes import manifest as flip_manifest

HERE = Path(__file__).parent
MODULES = (
    plan_document,
    performance,
    placement,
    settings,
    sound,
    pack_manifest,
    flip_manifest,
    clip_of,
    day_documents,
    takes_document,
    judged_document,
    delivery_document,
)
ROOTS: dict[str, tuple[type, str]] = {
    "plan": (plan_document.PlanDocument, "retro plan, version 1"),
    "placement": (placement.Placement, "retro placement: placement.json, and the same in a plan"),
    "flip": (flip_manifest.Manifest, "retro flip, version 1: flip.json beside the clips"),
    "choice": (takes_document.ChoiceDocument, "retro choice, version 1: choice.json"),
    "takes": (takes_document.TakesDocument, "retro takes, version 1: takes.json"),
    "judged": (judged_document.JudgedDocument, "retro judged, version 1: judged.json"),
    "deliver": (delivery_document.DeliveryDocument, "retro delivery, version 1: deliver.json"),
    "day": (day_documents.DayDocument, "retro day, version 1: day.json of a prepared day"),
    "pack": (pack_manifest.PackManifest, "retro pack, version 1: pack.json of a pack"),
}
"""What each schema describes, and its title."""

WRITTEN_BY_PEOPLE = (takes_document.TakesDocument, takes_document.TakeDocument)
"""Classes whose keys may be left out where they have a default."""

_PARAMETER = re.compile(r"^(\w+(?:, \w+)*)\n((?: {4}.*\n?)+)", re.MULTILINE)


def path_of(name: str) -> Path:
    """Return where a schema stands."""
    return HERE / f"{name}.schema.json"


def schema_text(name: str) -> str:
    """Return the text of one schema."""
    kind, title = ROOTS[name]
    (root,), named = msgspec.json.schema_components(
        [kind], schema_hook=_number, ref_template="#/$defs/{name}"
    )
    classes = {
        each.__name__: each
        for module in MODULES
        for each in vars(module).values()
        if inspect.isclass(each) and is_dataclass(each)
    }
    for label, part in named.items():
        if label in classes:
            _describe(part, classes[label])
        elif "description" in part:  # from Python 3.13 on, docstrings come without indentation
            part["description"] = inspect.cleandoc(part["description"])
    top = named.pop(root["$ref"].rsplit("/", 1)[1])
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
    }
    text = json.dumps(head | top | {"$defs": dict(sorted(named.items()))}, indent=1)
    return f"{text}\n"


def _number(kind: type) -> dict[str, Any]:
    if kind is not Fraction:
        raise NotImplementedError
    return {"type": "number", "description": "The nearest double of a fraction."}


def _describe(part: dict[str, Any], kind: type) -> None:
    """Say what every key is; the file has all keys of its version and no other."""
    documented = {}
    for each in reversed(kind.__mro__):
        documented |= _parameters(inspect.cleandoc(each.__doc__ or ""))
    part["description"] = inspect.cleandoc(kind.__doc__ or "").split("\n\n")[0].replace("\n", " ")
    part.pop("title", None)
    part["required"] = [
        field.name
        for field in fields(kind)
        if kind not in WRITTEN_BY_PEOPLE or field.default is MISSING
    ]
    part["additionalProperties"] = False
    for name, value in part["properties"].items():
        value.pop("default", None)
        if name in documented:
            part["properties"][name] = value | {"description": documented[name]}


def _parameters(doc: str) -> dict[str, str]:
    """Return the description of every parameter of a numpydoc docstring."""
    _, _, after = doc.partition("Parameters\n----------\n")
    found = {}
    for names, text in _PARAMETER.findall(after):
        words = " ".join(text.split()).replace("None", "null")
        found |= dict.fromkeys(names.split(", "), words)
    return found


if __name__ == "__main__":
    for each in ROOTS:
        path_of(each).write_text(schema_text(each), encoding="utf-8")
