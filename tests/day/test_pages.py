"""The pages of a day in a real browser: offline, readable, narrow enough for a phone."""

from pathlib import Path

import pytest
from axe_core_python.selenium import Axe
from selenium import webdriver

from retro.day.compose import Day
from retro.day.deliver_page import page_html
from retro.day.delivery_document import Clip, ClipFile, DeliveredInsert, DeliveryDocument
from retro.day.prepare import prepare
from tests.sheet.conftest import browser, narrow, requests_of, severe

__all__ = ["browser"]


def delivery() -> DeliveryDocument:
    """Return what is handed over for a song of two inserts, of which one lacks."""
    file = ClipFile(
        path="clips/A_take-3+1_Main-with-a-long-name.wav",
        sha256="0" * 64,
        bytes=1_000,
        frames=480_000,
        channels=2,
        samples="24-bit integer",
        time_reference=172_800_000,
        source="a-long-recording-of-the-morning.wav",
    )
    clip = Clip(
        take="3:1-3, 1:4",
        why="take 3 is warmer, 1 has the <better> fourth bar",
        rate=48_000,
        clip_start_samples=3_000_000,
        time_reference=175_800_000,
        timecode="01:01:02:12",
        timecode_rate="25",
        subframe_samples=960.0,
        lateness_ms=None,
        lands_at="bar 9 beat 1",
        spread_ms=40.0,
        crossfades=((1_000, 2_440),),
        doubts=("take 3: a <cough> in the tail",),
        files=(file, file),
    )
    inserts = tuple(
        DeliveredInsert(
            letter=letter,
            bars=f"bars {bar}–{bar + 3}",
            plan_sha256="0" * 64,
            window_start_samples=3_000_000,
            length_samples=400_000,
            clip=clip if letter == "A" else None,
            alternates=(clip,),
        )
        for letter, bar in (("A", 5), ("B", 21))
    )
    return DeliveryDocument(
        song="A <b>song</b> with a long name", session_start="01:00:00:00", inserts=inserts
    )


@pytest.fixture(scope="module")
def pages(day: Day, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    prepare(day, folder / "day", overwrite=False)
    (folder / "index.html").write_bytes(page_html(delivery()))
    return {"day": folder / "day" / "day-sheet.html", "deliver": folder / "index.html"}


@pytest.mark.parametrize("name", ["day", "deliver"])
def test_a_page_is_offline_readable_and_fits_a_phone(
    pages: dict[str, Path],
    name: str,
    browser: webdriver.Chrome,
) -> None:
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(pages[name].as_uri())
    assert severe(browser) == []
    inward = ("data:", "blob:", "chrome:")
    asked = {url for url in requests_of(browser) if not url.startswith(inward)}
    assert asked == {pages[name].as_uri()}
    found = Axe().run(browser, options={"preload": 0, "resultTypes": ["violations"]})
    assert found["passes"]
    grave = [
        each["id"] for each in found["violations"] if each["impact"] in {"serious", "critical"}
    ]
    assert grave == []
    narrow(browser, 375)
    wide = browser.execute_script("return document.documentElement.scrollWidth")
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert wide <= 375
