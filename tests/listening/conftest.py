"""The example on its listening page, served and opened in a real browser."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.support.ui import WebDriverWait

from retro.listening.desk import Desk
from retro.listening.server import ListeningServer, serving
from tests.example import TARGET
from tests.sheet.conftest import browser

__all__ = ["browser"]

READY = "return view !== null && shown === asked && heard === asked"


@pytest.fixture
def target(tmp_path: Path) -> Path:
    """Copy the example and its settings to where they may be changed."""
    for path in (TARGET, TARGET.with_suffix(".toml")):
        shutil.copy(path, tmp_path)
    return tmp_path / TARGET.name


@pytest.fixture
def server(target: Path) -> Iterator[ListeningServer]:
    """Serve it."""
    with ListeningServer(Desk(target)) as served:
        thread = serving(served)
        yield served
        served.shutdown()
        thread.join()


@pytest.fixture
def page(browser: webdriver.Chrome, server: ListeningServer) -> Iterator[webdriver.Chrome]:
    """Open it, with empty logs, and wait for its sound."""
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(server.address)
    wait_until(browser, READY)
    yield browser
    browser.get("about:blank")


def wait_until(driver: webdriver.Chrome, script: str, seconds: float = 60) -> None:
    """Wait until a script says so."""
    WebDriverWait(driver, seconds, 0.02).until(lambda _: driver.execute_script(script))
