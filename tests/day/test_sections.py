"""Whom a microphone is close to: parts by their name, or a family."""

import pytest

from retro.day.compose import Day
from retro.day.hear_take import section_parts
from retro.errors import SettingsError


def test_a_section_is_named_by_its_parts_or_by_its_family(day: Day) -> None:
    plan = day.inserts[0].plan
    names = {
        words: {plan.parts[index].name for index in section_parts(words, plan)}
        for words in ("Violins", "Strings", "Horns", "brass")
    }
    assert names["Violins"] == {"Violin I", "Violin II"}
    assert names["Strings"] == {"Violin I", "Violin II", "Viola", "Cello", "Double Bass"}
    assert names["Horns"] == names["brass"]
    with pytest.raises(SettingsError, match="no player of the plan is called 'Tubas'"):
        section_parts("Tubas", plan)
