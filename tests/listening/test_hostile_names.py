"""Whatever titles and tracks are called is shown as text, and kept as it is."""

from pathlib import Path

import mido
from selenium import webdriver
from selenium.webdriver.common.by import By

from retro.listening.desk import Desk
from retro.listening.server import ListeningServer, serving
from retro.plan.compose import plan_file
from retro.read.settings import read_settings
from tests.example import TARGET
from tests.listening.conftest import READY, wait_until
from tests.sheet.conftest import narrow, severe
from tests.sheet.test_hostile_names import NAMES, TITLE


def hostile_target(folder: Path) -> Path:
    """Write the example with the names of a joker."""
    song = mido.MidiFile(TARGET, charset="utf-8")
    names = iter(NAMES)
    for track in song.tracks[1:]:
        for message in track:
            if message.type == "track_name":
                message.name = next(names, message.name)
    path = folder / "song.mid"
    song.save(path)
    path.with_suffix(".toml").write_text(
        f"title = '''{TITLE}'''\n[window]\nbars = \"27\"\n", encoding="utf-8"
    )
    return path


def test_names_are_shown_as_text_and_nothing_of_them_runs(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    target = hostile_target(tmp_path)
    with ListeningServer(Desk(target)) as served:
        thread = serving(served)
        browser.get_log("browser")
        browser.get(served.address)
        wait_until(browser, READY)
        assert browser.find_element(By.ID, "title").text == " ".join(TITLE.split())
        narrow(browser, 390)
        assert browser.execute_script("return window.caught === undefined")
        assert browser.find_elements(By.CSS_SELECTOR, "img, svg [onload], script + script") == []
        too_wide = "return document.documentElement.scrollWidth > window.innerWidth"
        assert not browser.execute_script(too_wide)
        for box in browser.find_elements(By.CSS_SELECTOR, "#tracks input")[:5]:
            browser.execute_script("arguments[0].click()", box)
        wait_until(browser, READY)
        gone = browser.execute_script("return document.querySelectorAll('#tracks .out').length")
        browser.execute_script("byId('keep').click()")
        wait_until(browser, "return byId('kept').textContent !== ''")
        wait_until(browser, READY)
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        assert severe(browser) == []
        served.shutdown()
        thread.join()
    assert gone == 5
    before = plan_file(TARGET, read_settings(TARGET.with_suffix(".toml")))
    kept = plan_file(target, read_settings(target.with_suffix(".toml")))
    assert len(kept.performance.players) <= len(before.performance.players) - 1
