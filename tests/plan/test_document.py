import json
from pathlib import Path

import jsonschema
import pytest

from retro.plan.document import plan_document, plan_json
from retro.read.plan_file import read_plan
from tests.example import example_plan

SCHEMA = Path(__file__).parent.parent.parent / "docs" / "plan.schema.json"


def test_the_examples_plan_is_what_the_schema_says() -> None:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(plan_json(example_plan())), schema)


def test_the_schema_refuses_a_plan_with_a_key_left_out() -> None:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    document = json.loads(plan_json(example_plan()))
    del document["notes"][0]["lands_s"]
    with pytest.raises(jsonschema.ValidationError, match="lands_s"):
        jsonschema.validate(document, schema)


def test_a_written_plan_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    path.write_bytes(plan_json(example_plan()))
    read = read_plan(path)
    plan = example_plan()
    assert read.start_s == plan.window.start_s
    assert read.length_s == plan.window.length_s
    assert len(read.notes) == len(plan.performance.notes)


def test_every_note_lands_on_its_target_within_a_nanosecond() -> None:
    document = plan_document(example_plan())
    assert len(document["notes"]) > 100
    assert max(abs(note["landing_error_ms"]) for note in document["notes"]) < 1e-3


def test_players_with_nothing_in_the_window_are_named_and_left_out() -> None:
    plan = example_plan(bars="1-2")
    document = plan_document(plan)
    names = {part["name"] for part in document["parts"]}
    assert document["silent"]
    assert not names & set(document["silent"])
