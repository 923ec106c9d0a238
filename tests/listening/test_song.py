"""The song's bounce lies under the phrase where the window is."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from retro.errors import AudioError, LimitError
from retro.listening import sound
from retro.listening.desk import Desk
from retro.listening.server import ListeningServer, serving
from retro.plan.compose import plan_file
from retro.read.settings import read_settings
from retro.units import seconds_to_samples
from tests.example import TARGET
from tests.listening.conftest import READY, wait_until
from tests.sheet.conftest import severe


def bounce(folder: Path, *, rate: int = 48_000, seconds: float = 95.0, channels: int = 1) -> Path:
    """Write a bounce that is quiet but for one loud frame where the example's window begins."""
    plan = plan_file(TARGET, read_settings(TARGET.with_suffix(".toml")))
    noise = np.random.default_rng(1).normal(0.0, 0.05, (int(seconds * rate), channels))
    start = seconds_to_samples(plan.window.start_s, rate)
    if start < len(noise):
        noise[start] = 0.9
    path = folder / "song.wav"
    soundfile.write(path, noise, rate, "PCM_24")
    return path


def test_the_song_sounds_under_the_phrase_at_its_place(
    browser: webdriver.Chrome, target: Path, tmp_path: Path
) -> None:
    with ListeningServer(Desk(target, None, (("over", str(bounce(tmp_path))),))) as served:
        thread = serving(served)
        browser.get_log("browser")
        browser.get(served.address)
        wait_until(browser, READY)
        loudest = browser.execute_script(
            "const one = audio.held.song.buffer.getChannelData(0);"
            "return one.reduce((best, v, i) => (v > one[best] ? i : best), 0) - audio.before"
        )
        assert loudest == 0
        browser.find_element(By.CSS_SELECTOR, "[data-sound=flipped]").click()
        wait_until(browser, "return audio.deck !== null")
        assert browser.execute_script("return audio.deck.gains.song.gain.value") == 0
        browser.find_element(By.ID, "with-song").send_keys(Keys.SPACE)
        wait_until(browser, "return audio.deck.gains.song.gain.value > 0")
        phrase, song = browser.execute_script(
            "const lufs = (name) => audio.held[name].lufs + 20 * Math.log10(gainOf(name));"
            "return [lufs('flipped'), lufs('song')]"
        )
        assert song - phrase == pytest.approx(-6.0, abs=0.01)
        browser.find_element(By.ID, "song-level").send_keys(Keys.HOME)
        wait_until(browser, "return byId('song-level-says').textContent === '-30 dB'")
        assert severe(browser) == []
        served.shutdown()
        thread.join()


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_a_bounce_of_another_rate_lies_at_the_same_place(tmp_path: Path, rate: int) -> None:
    desk = Desk(TARGET, None, (("over", str(bounce(tmp_path, rate=rate))),))
    under = desk.song(b"{}")
    assert under.rate == 48_000
    assert int(np.argmax(under.sound[:, 0])) == pytest.approx(under.window_start_sample, abs=1)
    assert under.window_start_sample == int(sound.SONG_BEFORE_S * 48_000)


def test_a_bounce_that_ends_early_is_heard_as_far_as_it_goes(tmp_path: Path) -> None:
    desk = Desk(TARGET, None, (("over", str(bounce(tmp_path, seconds=2.0))),))
    assert desk.song(b"{}").sound.shape[0] == 0


def test_a_bounce_of_six_channels_is_refused_before_anything_is_served(tmp_path: Path) -> None:
    path = bounce(tmp_path, seconds=1.0, channels=6)
    with pytest.raises(AudioError, match="6 channels"):
        Desk(TARGET, None, (("over", str(path)),))


def test_a_bounce_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="no such file"):
        Desk(TARGET, None, (("over", str(tmp_path / "none.wav")),))


def test_without_a_bounce_there_is_no_song() -> None:
    desk = Desk(TARGET)
    assert not desk.plan(b"{}")["has_song"]
    with pytest.raises(AudioError, match="no bounce of the song was named"):
        desk.song(b"{}")


def test_a_window_that_is_too_long_for_a_page_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "MAX_FRAMES", 48_000)
    with pytest.raises(LimitError, match="a page takes 1 s at 48000 frames a second"):
        Desk(TARGET)
