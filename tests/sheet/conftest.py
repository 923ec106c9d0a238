"""The session sheet of the example, opened in a real browser."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from retro.pack.copyist import copy_out, lay_out_music, sheet_scores
from retro.plan.compose import Plan
from retro.render.picture import picture_svg
from retro.render.preview import render_preview
from retro.sheet.data import SheetScore
from retro.sheet.page import sheet_html
from retro.sheet.sound import sheet_audio
from tests.example import example_plan

CHROMIUM = shutil.which("chromium")
DRIVER = shutil.which("chromedriver")
ARGUMENTS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    "--window-size=1280,900",
)


@pytest.fixture(scope="session")
def shown_scores() -> tuple[SheetScore, ...]:
    """Return the example's score and parts."""
    return scores_of(example_plan())


def scores_of(plan: Plan) -> tuple[SheetScore, ...]:
    """Return score and parts of a plan on their pages."""
    copy = copy_out(plan)
    return sheet_scores(copy, lay_out_music(plan, copy, lambda _: None))


@pytest.fixture(scope="session")
def sheet_path(
    tmp_path_factory: pytest.TempPathFactory, shown_scores: tuple[SheetScore, ...]
) -> Path:
    """Write the example's sheet."""
    plan = example_plan()
    audio = sheet_audio(render_preview(plan.performance))
    path = tmp_path_factory.mktemp("sheet") / "sheet.html"
    path.write_bytes(
        sheet_html(plan, picture=picture_svg(plan.performance), audio=audio, scores=shown_scores)
    )
    return path


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """Start headless Chromium."""
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("Chromium and its driver are not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for argument in (*ARGUMENTS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture
def sheet(browser: webdriver.Chrome, sheet_path: Path) -> Iterator[webdriver.Chrome]:
    """Open the sheet anew."""
    open_page(browser, sheet_path)
    yield browser
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def open_page(browser: webdriver.Chrome, path: Path) -> None:
    """Open a page with empty logs and wait until it has shown its score."""
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(path.as_uri())
    browser.execute_async_script(
        "const done = arguments[0];"
        "const look = () => document.querySelector('#score svg') || !page.scores.length"
        " ? done() : setTimeout(look, 20); look();"
    )


def narrow(browser: webdriver.Chrome, width: int, height: int = 800) -> None:
    """Make the window as wide as a device."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )


def severe(browser: webdriver.Chrome) -> list[dict]:
    """Return what the page complained about since the log was last read."""
    return [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]


def requests_of(browser: webdriver.Chrome) -> list[str]:
    """Return the addresses that the page asked for since the log was last read."""
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
    ]
