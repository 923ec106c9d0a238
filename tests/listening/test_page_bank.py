"""The listening page with a bank of sampled sounds, in headless Chromium, and its error states."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from retro.listening.desk import Desk
from retro.listening.server import ListeningServer, serving
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from retro.read.settings import read_settings
from retro.sounds.bank import Bank
from tests.listening.conftest import READY, wait_until
from tests.listening.test_page import sha_in_the_page, sha_of_the_file
from tests.listening.test_song import bounce
from tests.sheet.conftest import severe
from tests.sounds.conftest import bank

__all__ = ["bank"]


@pytest.fixture
def soundfont(bank: Bank, tmp_path: Path) -> Path:
    """A bank that may be moved away."""
    return Path(shutil.copy(bank.path, tmp_path))


@pytest.fixture
def page(browser: webdriver.Chrome, target: Path, soundfont: Path) -> Iterator[webdriver.Chrome]:
    flags = (("bars", "27-28"), ("soundfont", str(soundfont)), ("only", ["arranger"]))
    with ListeningServer(Desk(target, None, flags)) as served:
        thread = serving(served)
        browser.get_log("browser")
        browser.get(served.address)
        wait_until(browser, READY)
        yield browser
        browser.get("about:blank")
        served.shutdown()
        thread.join()


def test_what_a_bank_plays_on_the_page_is_what_a_build_writes_with_the_kept_settings(
    page: webdriver.Chrome, target: Path, tmp_path: Path
) -> None:
    assert page.find_element(By.ID, "heading").text.endswith("played by TimGM6mb.sf2.")
    page.find_element(By.ID, "reverberation_s").send_keys(*[Keys.ARROW_RIGHT] * 5)
    wait_until(page, READY)
    page.find_element(By.ID, "direct_to_reverberant_db").send_keys(*[Keys.ARROW_LEFT] * 3)
    wait_until(page, READY)
    page.find_element(By.CSS_SELECTOR, "[aria-label='Harp lands on']").send_keys("start")
    wait_until(page, READY)
    shas = {name: sha_in_the_page(page, name) for name in ("target", "flipped")}
    page.find_element(By.ID, "keep").send_keys(Keys.ENTER)
    wait_until(page, "return byId('kept').textContent !== ''")
    write_pack(plan_file(target, read_settings(target.with_suffix(".toml"))), tmp_path / "pack")
    for name, sha in shas.items():
        assert sha == sha_of_the_file(tmp_path / "pack" / "arranger" / f"{name}.wav")
    assert severe(page) == []


def test_where_the_bank_is_gone_the_page_says_so_and_goes_on_once_it_is_back(
    page: webdriver.Chrome, soundfont: Path
) -> None:
    wait_until(page, "return files !== null")
    away = soundfont.rename(soundfont.with_name("away.sf2"))
    wait_until(page, "return byId('said').classList.contains('refused')", 20)
    said = page.find_element(By.ID, "said").text
    assert "TimGM6mb.sf2: No such file" in said
    assert said.endswith("What you see and hear is from before.")
    away.rename(soundfont)
    wait_until(page, "return !byId('said').classList.contains('refused')", 20)
    wait_until(page, READY)
    assert page.find_element(By.ID, "said").text == "Numbers and sound as set."


def test_sounds_that_the_settings_name_later_are_watched_too(target: Path, tmp_path: Path) -> None:
    desk = Desk(target)
    settings = target.with_suffix(".toml")
    learned = tmp_path / "sounds.toml"
    learned.write_text(
        '[[player]]\nname = "Viola"\nattack_s = 0.1\ndecay_s = 0.4\n'
        "attack_spread_s = 0.0\ndecay_spread_s = 0.0\n"
    )
    settings.write_text(f'{settings.read_text()}\n[pack]\nsounds = "{learned}"\n')
    desk.plan(b"{}")
    before = desk.state(b"")
    assert desk.state(b"") == before
    learned.write_text(learned.read_text().replace("0.4", "0.5"))
    assert desk.state(b"") != before


def test_a_bounce_that_is_saved_anew_is_heard(tmp_path: Path, target: Path) -> None:
    path = bounce(tmp_path, seconds=60.0)
    desk = Desk(target, None, (("over", str(path)),))
    first, files = desk.song(b"{}"), desk.state(b"")
    assert desk.song(b"{}").tag == first.tag
    bounce(tmp_path, seconds=61.0)
    assert desk.state(b"") != files
    assert desk.song(b"{}").tag != first.tag


def test_a_rate_that_the_browser_does_not_play_is_said(
    browser: webdriver.Chrome, target: Path
) -> None:
    with ListeningServer(Desk(target, None, (("bars", "27-28"),))) as served:
        thread = serving(served)
        browser.get(served.address)
        wait_until(browser, READY)
        browser.execute_script("audio.rate = 5000000")
        browser.find_element(By.CSS_SELECTOR, "[data-sound=flipped]").send_keys(Keys.ENTER)
        wait_until(browser, "return byId('said').classList.contains('refused')")
        said = browser.find_element(By.ID, "said").text
        assert said.startswith("This browser does not play 5000000 frames a second")
        assert browser.execute_script("return audio.deck === null")
        served.shutdown()
        thread.join()
