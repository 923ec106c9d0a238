"""The schemas of the JSON files are what the classes state, and what the program writes."""

import json
import runpy
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile

from retro import FlipSettings, flip_take, open_take
from retro.day.compose import compose_day
from retro.day.prepare import prepare
from retro.model.encoding import encoded
from retro.pack.write import write_pack
from tests.example import example_plan

DOCS = Path(__file__).parents[2] / "docs"
MAKER = runpy.run_path(str(DOCS / "make_schemas.py"))
CHOSEN = {"choice", "takes", "judged", "deliver"}
"""Written on a day; see `tests.day.test_choose`, `test_judge` and `test_deliver`."""

NAMES = sorted(MAKER["ROOTS"].keys() - CHOSEN)

RATE = 48_000


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One document of every kind, as the program wrote it."""
    folder = tmp_path_factory.mktemp("written")
    plan = example_plan()
    write_pack(plan, folder / "pack", overwrite=False)
    take = folder / "take"
    take.mkdir()
    soundfile.write(take / "close.wav", np.zeros(RATE), RATE, subtype="PCM_24")
    flip_take(
        open_take([take]),
        folder / "clips",
        start_frame=100,
        end_frame=RATE,
        settings=FlipSettings(time_reference_samples=172_900_000),
    )
    day_toml = folder / "day.toml"
    day_toml.write_text('[[pack]]\nfolder = "pack"\n')
    prepare(compose_day(day_toml), folder / "day", overwrite=False)
    paths = {
        "day": folder / "day" / "day.json",
        "plan": folder / "pack" / "plan.json",
        "placement": folder / "pack" / "engineer" / "placement.json",
        "flip": folder / "clips" / "flip.json",
        "pack": folder / "pack" / "pack.json",
    }
    return {name: json.loads(path.read_bytes()) for name, path in paths.items()}


def schema(name: str) -> Any:
    return json.loads((DOCS / f"{name}.schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", sorted(MAKER["ROOTS"]))
def test_a_schema_is_what_the_classes_state(name: str) -> None:
    text = (DOCS / f"{name}.schema.json").read_text(encoding="utf-8")
    assert text == MAKER["schema_text"](name), "run: python docs/make_schemas.py"


@pytest.mark.parametrize("name", NAMES)
def test_what_is_written_is_what_its_schema_says(name: str, written: dict[str, Any]) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(name))
    jsonschema.Draft202012Validator(schema(name)).validate(written[name])


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_wants_every_key_and_no_other(name: str, written: dict[str, Any]) -> None:
    judge = jsonschema.Draft202012Validator(schema(name))
    for key in written[name]:
        lacking = {other: value for other, value in written[name].items() if other != key}
        assert not judge.is_valid(lacking), key
    assert not judge.is_valid(written[name] | {"stranger": 1})


def test_the_placement_of_a_pack_is_that_of_its_plan(written: dict[str, Any]) -> None:
    assert written["placement"] == written["plan"]["placement"]
    assert written["placement"] == json.loads(encoded(example_plan().placement))


def test_every_key_of_a_manifest_is_explained() -> None:
    for name in ("flip", "pack"):
        for part in (schema(name), *schema(name)["$defs"].values()):
            for key, value in part.get("properties", {}).items():
                assert value.get("description"), f"{name}: {key}"
