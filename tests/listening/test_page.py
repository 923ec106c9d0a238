"""The listening page in headless Chromium."""

import hashlib
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from axe_core_python.selenium import Axe
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from retro.cli.draft import draft
from retro.listening.desk import Desk
from retro.listening.server import ListeningServer, serving
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from retro.read.settings import load_settings, read_settings
from tests.example import TARGET
from tests.listening.conftest import READY, wait_until
from tests.sheet.conftest import narrow, requests_of, severe

# A file has no negative zero: hence the + 0.
SHA = """
const done = arguments[arguments.length - 1], sound = audio.held[arguments[0]];
const both = new Float32Array(2 * sound.length);
for (const c of [0, 1]) {
  const one = sound.buffer.getChannelData(c).subarray(sound.start, sound.start + sound.length);
  for (let i = 0; i < sound.length; i += 1) both[2 * i + c] = one[i] + 0;
}
crypto.subtle.digest("SHA-256", both).then((hash) =>
  done([...new Uint8Array(hash)].map((b) => b.toString(16).padStart(2, "0")).join("")));
"""


def sha_in_the_page(page: webdriver.Chrome, name: str) -> str:
    return page.execute_async_script(SHA, name)


def sha_of_the_file(path: Path) -> str:
    sound, _ = soundfile.read(path, dtype="float32", always_2d=True)
    return hashlib.sha256(np.ascontiguousarray(sound, dtype="<f4").tobytes()).hexdigest()


def test_the_page_opens_without_an_error_and_asks_nobody_else(
    page: webdriver.Chrome, server: ListeningServer
) -> None:
    assert severe(page) == []
    inward = ("data:", "blob:", "chrome:", "about:")
    asked = {url for url in requests_of(page) if not url.startswith(inward)}
    assert server.address in asked
    assert all(url.startswith(server.address) for url in asked), asked


def test_listening_starts_quiet_and_switches_without_a_gap(page: webdriver.Chrome) -> None:
    page.find_element(By.CSS_SELECTOR, "[data-sound=flipped]").click()
    wait_until(page, "return audio.deck !== null && at() > 0")
    assert page.execute_script("return audio.master.gain.value") == pytest.approx(10 ** (-24 / 20))
    page.execute_script("window.oldDeck = audio.deck")
    before = page.execute_script("return at()")
    page.find_element(By.CSS_SELECTOR, "[data-sound=plain]").click()
    time.sleep(0.2)
    assert page.execute_script("return audio.deck === window.oldDeck")
    assert page.execute_script("return at()") != before
    gains = page.execute_script(
        "return Object.fromEntries("
        "Object.entries(audio.deck.gains).map(([name, { gain }]) => [name, gain.value]))"
    )
    assert gains["flipped"] == gains["target"] == gains["click"] == 0
    assert gains["plain"] > 0.1
    page.find_element(By.CSS_SELECTOR, "[data-sound=plain]").click()
    assert page.execute_script("return audio.deck === null")
    assert severe(page) == []


def test_ten_quick_moves_end_in_the_last_state(page: webdriver.Chrome, target: Path) -> None:
    slider = page.find_element(By.ID, "reverberation_s")
    for _ in range(10):
        slider.send_keys(Keys.ARROW_RIGHT)
    wait_until(page, READY)
    assert page.execute_script("return view.settings.reverberation_s") == pytest.approx(2.1)
    settings = load_settings(target.with_suffix(".toml"), {"reverberation_s": 2.1})
    samples = plan_file(target, settings).placement.clip_start_samples
    shown = page.find_element(By.ID, "clip-start").text.replace(" ", "")
    assert shown == f"{samples}samples"
    assert page.find_element(By.ID, "said").text == "Numbers and sound as set."


def test_what_is_heard_is_what_a_build_writes_with_the_kept_settings(
    page: webdriver.Chrome, target: Path, tmp_path: Path
) -> None:
    settings_path = target.with_suffix(".toml")
    before = settings_path.read_text()
    page.find_element(By.ID, "direct_to_reverberant_db").send_keys(*[Keys.ARROW_LEFT] * 4)
    page.find_element(By.CSS_SELECTOR, "[aria-label='Harp lands on']").send_keys("start")
    page.find_element(By.CSS_SELECTOR, "[aria-label='Trumpet in C plays']").send_keys(Keys.SPACE)
    wait_until(page, READY)
    assert settings_path.read_text() == before
    shas = {name: sha_in_the_page(page, name) for name in ("target", "flipped")}
    page.find_element(By.ID, "keep").send_keys(Keys.ENTER)
    wait_until(page, "return byId('kept').textContent !== ''")
    assert set(before.splitlines()) - set(settings_path.read_text().splitlines()) == {
        "direct_to_reverberant_db = 0"
    }
    plan = plan_file(target, read_settings(settings_path))
    write_pack(plan, tmp_path / "pack")
    for name, sha in shas.items():
        assert sha == sha_of_the_file(tmp_path / "pack" / "arranger" / f"{name}.wav")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_has_no_finding_of_the_accessibility_checker(
    page: webdriver.Chrome, scheme: str, width: int
) -> None:
    narrow(page, width)
    page.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
    )
    try:
        found = Axe().run(page)["violations"]
        assert [(each["id"], each["nodes"][0]["html"][:90]) for each in found] == []
        too_wide = "return document.documentElement.scrollWidth > window.innerWidth"
        assert not page.execute_script(too_wide)
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_where_retro_is_stopped_it_ends_as_tools_do_and_the_page_says_so(
    browser: webdriver.Chrome, target: Path
) -> None:
    command = [sys.executable, "-m", "retro", "listen", str(target), "--no-show"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        try:
            address = running.stdout.readline().decode().strip()
            assert address.startswith("http://127.0.0.1:")
            browser.get(address)
            wait_until(browser, READY)
            assert browser.find_element(By.ID, "gone").get_attribute("hidden")
            running.send_signal(signal.SIGINT)
            _, said = running.communicate(timeout=20)
            assert running.returncode == 130
            assert b"Traceback" not in said
        finally:
            running.kill()
    wait_until(browser, "return !byId('gone').hidden")
    assert "retro has ended" in browser.find_element(By.ID, "gone").text


def test_a_drafted_swell_is_made_longer_and_its_window_with_it(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    out = tmp_path / "swell.mid"
    draft(out, "Violins I, Celli", chord="Dm7", song=TARGET, bar=33, length_beats="6")
    with ListeningServer(Desk(out)) as served:
        thread = serving(served)
        browser.get(served.address)
        wait_until(browser, READY)
        exact = browser.find_element(By.CSS_SELECTOR, "[data-exact=swell_beats]")
        assert exact.get_attribute("value") == "6"
        exact.clear()
        exact.send_keys("10", Keys.ENTER)
        wait_until(browser, READY)
        assert "bars 30 to 32" in browser.find_element(By.ID, "heading").text
        browser.find_element(By.ID, "keep").click()
        wait_until(browser, "return byId('kept').textContent !== ''")
        plan = plan_file(out, read_settings(out.with_suffix(".toml")))
        assert (plan.window.start_bar, plan.window.end_bar) == (30, 32)
        served.shutdown()
        thread.join()


def test_two_pages_move_apart_and_each_keeps_its_own(
    page: webdriver.Chrome, server: ListeningServer, target: Path
) -> None:
    first = page.current_window_handle
    page.find_element(By.ID, "onset_db").send_keys(Keys.ARROW_RIGHT)
    page.switch_to.new_window("tab")
    try:
        page.get(server.address)
        wait_until(page, READY)
        assert page.execute_script("return view.settings.onset_db") == 10
        page.find_element(By.ID, "audible_db").send_keys(Keys.ARROW_RIGHT)
        wait_until(page, READY)
        page.find_element(By.ID, "keep").send_keys(Keys.ENTER)
        wait_until(page, "return byId('kept').textContent !== ''")
        assert read_settings(target.with_suffix(".toml")).audible_db == 41
        assert read_settings(target.with_suffix(".toml")).onset_db == 10
    finally:
        page.close()
        page.switch_to.window(first)
    # The first page takes the kept settings over, and its own moves stay before them.
    wait_until(page, "return view.settings.audible_db === 41 && view.settings.onset_db === 10.5")


def test_what_is_saved_elsewhere_is_read_anew(page: webdriver.Chrome, target: Path) -> None:
    wait_until(page, "return files !== null")
    settings = target.with_suffix(".toml")
    settings.write_text(settings.read_text().replace("= 1.6", "= 2.2"))
    wait_until(page, "return view.settings.reverberation_s === 2.2", 20)
    wait_until(page, READY)
    assert page.find_element(By.ID, "said").text == "Numbers and sound as set."


CONTROLS = "button:not([disabled]), input:not([disabled]), select:not([disabled]), [tabindex='0']"


def test_every_control_is_reached_and_worked_by_keyboard(page: webdriver.Chrome) -> None:
    names = (
        "[...document.querySelectorAll(arguments[0])].filter((e) => e.offsetParent !== null)"
        ".map((e, i) => (e.dataset.nth = String(i)))"
    )
    wanted = set(page.execute_script(f"return {names}", CONTROLS))
    assert len(wanted) > 30
    page.execute_script("document.activeElement.blur(); window.scrollTo(0, 0)")
    reached = set()
    for _ in range(len(wanted) + 1):
        page.switch_to.active_element.send_keys(Keys.TAB)
        nth = page.execute_script("return document.activeElement.dataset.nth ?? null")
        if nth is not None:
            reached.add(nth)
            outline = "return getComputedStyle(document.activeElement).outlineStyle"
            assert page.execute_script(outline) != "none", nth
    described = "return document.querySelector(`[data-nth='${arguments[0]}']`).outerHTML"
    missed = [page.execute_script(described, nth)[:99] for nth in sorted(wanted - reached)]
    assert missed == []


def test_sounds_lists_and_boxes_are_worked_by_keyboard(page: webdriver.Chrome) -> None:
    page.find_element(By.CSS_SELECTOR, "[data-sound=target]").send_keys(Keys.ENTER)
    wait_until(page, "return audio.deck !== null && audio.chosen === 'target'")
    page.find_element(By.CSS_SELECTOR, "[data-sound=plain]").send_keys(Keys.SPACE)
    assert page.execute_script("return audio.chosen") == "plain"
    page.find_element(By.ID, "with-click").send_keys(Keys.SPACE)
    wait_until(page, "return audio.deck.gains.click.gain.value === 1")
    loop = page.execute_script("return audio.deck.loop")
    page.find_element(By.ID, "loop").send_keys(Keys.ARROW_DOWN)
    wait_until(page, "return byId('loop').value === '4'")
    assert page.execute_script("return audio.deck.loop")[0] < loop[0]
    page.find_element(By.ID, "level").send_keys(Keys.ARROW_LEFT)
    assert page.find_element(By.ID, "level-says").text == "-25 dB"
    page.find_element(By.ID, "place").send_keys(Keys.HOME)
    assert page.execute_script("return at() >= audio.deck.loop[0]")
    page.find_element(By.ID, "lands_on").send_keys(Keys.ARROW_UP)
    wait_until(page, f"return moves.lands_on !== undefined && {READY.removeprefix('return ')}")
    assert page.execute_script("return view.anchor.place === moves.lands_on")
    page.find_element(By.ID, "back").send_keys(Keys.ENTER)
    wait_until(page, f"return moves.lands_on === undefined && {READY.removeprefix('return ')}")
    assert page.find_element(By.ID, "lands_on").get_attribute("value") == "29.1"
    page.find_element(By.CSS_SELECTOR, "[data-sound=plain]").send_keys(Keys.SPACE)
    assert page.execute_script("return audio.deck === null")
    assert severe(page) == []


def test_the_loop_begins_and_ends_on_bar_lines_around_the_landing(page: webdriver.Chrome) -> None:
    spans = {}
    for wanted in ("1", "2", "4", "all"):
        page.execute_script(f"byId('loop').value = '{wanted}'")
        spans[wanted] = page.execute_script(
            "return loopFrames().map((frame) => frame - audio.before)"
        )
    assert page.execute_script("byId('loop').value = 'none'; return loopFrames()") is None
    lines = [round(at_s * 48_000) for at_s in page.execute_script("return bars()")]
    end = round(page.execute_script("return view.length_s") * 48_000)
    assert end in lines
    after = lines[lines.index(end) + 1]
    for bars in (1, 2, 4):
        assert spans[str(bars)] == [lines[lines.index(end) - bars], after]
    assert spans["all"][0] < -48_000 * 0.9
    assert spans["all"][1] == after
