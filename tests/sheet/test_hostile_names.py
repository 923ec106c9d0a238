"""Titles and names are data: whatever they hold is shown as text."""

from dataclasses import replace
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from retro.model.settings import Settings
from retro.plan.compose import Plan, plan_file
from retro.render.picture import picture_svg
from retro.render.preview import render_preview
from retro.sheet.page import sheet_html
from retro.sheet.sound import sheet_audio
from tests.example import TARGET
from tests.sheet.conftest import narrow, open_page, requests_of, scores_of, severe

NAMES = (
    "<img src=x onerror=window.caught=1>",
    "</script><script>window.caught=2</script>",
    "]]><svg onload=window.caught=3>&amp;",
    "\u05e7\u05e8\u05df \u202e desrever",
    "Contrabassophone" * 12,
    "",
)
TITLE = "</style></title></h1><img src=x onerror=window.caught=4> '\"--><!-- ${window.caught=5}"


def hostile_plan() -> Plan:
    """Plan one bar of the example with the names of a joker."""
    plan = plan_file(TARGET, Settings(bars="27", title=TITLE))
    performance = plan.performance
    kept = range(len(NAMES))
    names = dict(zip(kept, NAMES, strict=True))
    players = tuple(
        replace(player, name=names.get(i, player.name))
        for i, player in enumerate(performance.players)
    )
    findings = tuple(
        replace(finding, player=NAMES[i % len(NAMES)], bar=1, what=f"{NAMES[0]} {i}")
        for i, finding in enumerate(plan.findings * 3)
    )
    return replace(
        plan,
        song=replace(plan.song, name=f"{NAMES[1]}.mid"),
        performance=replace(performance, players=players),
        findings=findings,
        silent=tuple(replace(players[0], name=name) for name in NAMES),
    )


@pytest.fixture(scope="module")
def hostile_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    plan = hostile_plan()
    audio = sheet_audio(render_preview(plan.performance))
    path = tmp_path_factory.mktemp("hostile") / "sheet.html"
    path.write_bytes(
        sheet_html(plan, picture=picture_svg(plan.performance), audio=audio, scores=scores_of(plan))
    )
    return path


@pytest.fixture(scope="module")
def hostile(browser: webdriver.Chrome, hostile_path: Path) -> webdriver.Chrome:
    open_page(browser, hostile_path)
    return browser


def test_no_name_runs_or_loads_anything(hostile: webdriver.Chrome, hostile_path: Path) -> None:
    hostile.execute_script("byId('notes').open = true")
    count = len(hostile.find_elements(By.CSS_SELECTOR, "#which-score option"))
    for index in range(count):
        hostile.execute_async_script("openScore(arguments[0]).then(arguments[1])", index)
    for button in hostile.find_elements(By.CSS_SELECTOR, "button[data-finding]"):
        hostile.execute_script("arguments[0].click()", button)
    assert hostile.execute_script("return window.caught === undefined")
    assert hostile.execute_script("return document.querySelectorAll('img').length") == 0
    assert len(hostile.find_elements(By.TAG_NAME, "script")) == 2
    asked = {url for url in requests_of(hostile) if not url.startswith(("data:", "blob:"))}
    assert asked == {hostile_path.as_uri()}
    assert severe(hostile) == []


def test_every_name_is_shown_as_it_is(hostile: webdriver.Chrome) -> None:
    text = "return document.querySelector(arguments[0]).textContent"
    assert hostile.execute_script(text, "h1") == TITLE
    assert hostile.execute_script("return document.title") == f"Insert A: {TITLE}"
    facts = hostile.execute_script(text, "dl.facts")
    assert all(name in facts for name in NAMES)
    assert NAMES[1] in hostile.execute_script(text, "footer")
    hostile.execute_script("tell(0)")
    assert hostile.execute_script("return plan.parts[plan.notes[0].part].name") == NAMES[0]
    assert hostile.find_element(By.ID, "note-says").text.startswith(NAMES[0])


@pytest.mark.parametrize("width", [320, 1280])
def test_long_names_do_not_widen_the_page(hostile: webdriver.Chrome, width: int) -> None:
    narrow(hostile, width)
    beyond = hostile.execute_script(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    hostile.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert beyond[0] <= beyond[1]
