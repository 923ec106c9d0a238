import json
from pathlib import Path

import jsonschema
import pytest

from retro.errors import PlanError
from retro.model.encoding import decoded, encoded, plain
from retro.model.plan_document import PlanDocument
from retro.plan.document import plan_document, plan_json
from retro.read.plan_file import parse_plan, read_plan
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
    document = plain(plan_document(example_plan()))
    assert len(document["notes"]) > 100
    landings = [note["landing_error_ms"] for note in document["notes"]]
    known = [abs(error_ms) for error_ms in landings if error_ms is not None]
    assert len(known) > 0.9 * len(landings)
    assert max(known) < 1e-3


def test_players_with_nothing_in_the_window_are_named_and_left_out() -> None:
    plan = example_plan(bars="1-2")
    document = plain(plan_document(plan))
    names = {part["name"] for part in document["parts"]}
    assert document["silent"]
    assert not names & set(document["silent"])


def test_what_is_read_is_written_again_to_the_byte() -> None:
    written = plan_json(example_plan())
    assert encoded(decoded(written, PlanDocument, where="plan.json")) == written


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (("notes", 3, "pitch"), 128, "plan.json: notes[3].pitch: wanted a whole number <= 127"),
        (("notes", 0, "written_on_beats"), "x", "plan.json: notes[0].written_on_beats: wanted a"),
        (("notes", 0, "part"), 99, "plan.json: notes[0].part: there is no part 99"),
        (("settings", "habit"), "late", "plan.json: settings.habit: 'late' may not stand there"),
        (("song", "bars", 1, "groups"), [3], "plan.json: song: bars[1]: beat groups (3,)"),
        (("insert", "tempo", 0, "at_beats"), 1, "plan.json: insert: tempo: does not begin at 0"),
        (("placement", "timecodes", "25"), None, "plan.json: placement.timecodes[...]: wanted"),
    ],
)
def test_a_refusal_names_the_key(path: tuple[str | int, ...], value: object, says: str) -> None:
    document = json.loads(plan_json(example_plan()))
    inner = document
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    with pytest.raises(PlanError) as refused:
        parse_plan(json.dumps(document).encode(), where="plan.json")
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)
