"""The shipped example, planned as `retro build` would."""

from dataclasses import replace
from functools import cache
from pathlib import Path

from retro.model.settings import Settings
from retro.plan.compose import Plan, plan_file
from retro.read.settings import read_settings

EXAMPLES = Path(__file__).parent.parent / "examples"
TARGET = EXAMPLES / "harbour_pageant.mid"


@cache
def example_plan(**changes: object) -> Plan:
    """Plan the example, with some settings changed."""
    settings: Settings = read_settings(TARGET.with_suffix(".toml"))
    return plan_file(TARGET, replace(settings, **changes))
