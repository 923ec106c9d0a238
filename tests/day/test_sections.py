"""Whom a microphone is close to: parts by their name, or a family."""

import pytest

from retro.day.compose import Day
from retro.day.hear_take import _uncertainty_s, section_parts
from retro.errors import SettingsError
from retro.measuring.groups import Group, HeardGroup
from retro.measuring.identify import ExpectedAttack
from retro.measuring.lateness import Lateness


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


def test_the_more_bleeds_into_a_sections_microphone_the_wider_are_the_bounds() -> None:
    attack = ExpectedAttack(at_s=0.0, pitch=60, weight=1.0, length_s=1.0)
    heard = HeardGroup(group=Group(at_s=0.0, attacks=(attack,)), late_s=0.0, error_s=0.001)
    bounds_s = [
        _uncertainty_s(
            Lateness(common_s=0.0, uncertainty_s=0.01, heard=(heard,), unheard=(), own_share=share),
            (),
        )
        for share in (1.0, 0.5)
    ]
    assert bounds_s == pytest.approx([0.01, (0.01**2 + 0.02**2) ** 0.5])
