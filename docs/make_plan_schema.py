"""Write docs/plan.schema.json from the classes that state it; descriptions are their docstrings."""

import inspect
import json
import re
from dataclasses import fields, is_dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import msgspec

from retro.model import performance, placement, plan_document, settings, sound

SCHEMA = Path(__file__).parent / "plan.schema.json"
MODULES = (plan_document, performance, placement, settings, sound)

_PARAMETER = re.compile(r"^(\w+(?:, \w+)*)\n((?: {4}.*\n?)+)", re.MULTILINE)


def schema_text() -> str:
    """Return the text of the file."""
    (root,), named = msgspec.json.schema_components(
        [plan_document.PlanDocument], schema_hook=_number, ref_template="#/$defs/{name}"
    )
    classes = {
        name: each
        for module in MODULES
        for name, each in vars(module).items()
        if inspect.isclass(each) and is_dataclass(each)
    }
    for name, part in named.items():
        if name in classes:
            _describe(part, classes[name])
    top = named.pop(root["$ref"].rsplit("/", 1)[1])
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "retro plan, version 1",
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
    part["required"] = [field.name for field in fields(kind)]
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
        words = " ".join(text.split())
        found |= dict.fromkeys(names.split(", "), words)
    return found


if __name__ == "__main__":
    SCHEMA.write_text(schema_text(), encoding="utf-8")
