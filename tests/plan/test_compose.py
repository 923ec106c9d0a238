from tests.example import example_plan


def test_a_tone_that_begins_before_the_count_in_is_told() -> None:
    kinds = [finding.kind for finding in example_plan(count_in_bars=0).findings]
    assert kinds.count("count-in") == 1
    assert "count-in" not in [finding.kind for finding in example_plan().findings]


def test_what_the_placement_finds_is_in_the_plan() -> None:
    plan = example_plan(bars="1-2", session_start="00:00:00:00")
    assert set(plan.placement.findings) <= set(plan.findings)
    assert plan.placement.findings


def test_findings_come_gravest_first() -> None:
    order = ["stop", "warn", "note"]
    found = [order.index(finding.severity) for finding in example_plan(bars="1-20").findings]
    assert found == sorted(found)
    assert len(set(found)) > 1
