"""Draws docs/pictures from the shipped example.

Run: ``python docs/make_pictures.py``. Needs poppler's ``pdftoppm`` for the printed pages and
Chromium with its driver for the two pages; the other tests do not look at the pixels.
"""

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from retro.listening.desk import Desk
from retro.listening.server import ListeningServer, serving
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from retro.read.settings import read_settings
from retro.render.picture import picture_png, picture_svg

ROOT = Path(__file__).parent.parent
PICTURES = ROOT / "docs" / "pictures"
TARGET = ROOT / "examples" / "harbour_pageant.mid"
PART = "*horn-in-f-1.pdf"
AT_S = 12.0
"""Insert time at which the sheet is shown."""


def main() -> None:
    """Draw them all, out of the example's pack."""
    PICTURES.mkdir(exist_ok=True)
    plan = plan_file(TARGET, read_settings(TARGET.with_suffix(".toml")))
    svg = picture_svg(plan.performance)
    (PICTURES / "time.png").write_bytes(picture_png(svg, dots_per_inch=96))
    with tempfile.TemporaryDirectory() as folder:
        pack = Path(folder) / "pack"
        write_pack(plan, pack)
        _draw_page(next((pack / "copyist" / "parts").glob(PART)), "part.png", 75)
        _draw_page(pack / "copyist" / "score.pdf", "score.png", 80)
        _draw_page(pack / "copyist" / "notice.pdf", "notice.png", 60)
        _draw_sheet(pack / "sheet.html")
        _draw_listening(Path(folder))


def _draw_page(pdf: Path, name: str, dots_per_inch: int) -> None:
    command = ["pdftoppm", "-gray", "-png", "-singlefile", "-r", str(dots_per_inch), str(pdf)]
    drawn = subprocess.run(command, capture_output=True, check=True)  # noqa: S603 - a fixed command
    (PICTURES / name).write_bytes(drawn.stdout)


def _draw_sheet(path: Path) -> None:
    with _browser() as driver:
        _resize(driver, 1000, 940)
        driver.get(path.as_uri())
        driver.set_script_timeout(60)
        driver.execute_async_script("openScore(0).then(arguments[0])")
        driver.save_screenshot(str(PICTURES / "sheet.png"))
        driver.execute_script(
            "go(length_s - arguments[0] + page.window_at_s);"
            "byId('which-score').scrollIntoView({block: 'start'})",
            AT_S,
        )
        driver.save_screenshot(str(PICTURES / "sheet-score.png"))
        _resize(driver, 390, 780)
        driver.execute_script("window.scrollTo(0, 0)")
        driver.save_screenshot(str(PICTURES / "sheet-phone.png"))


def _draw_listening(folder: Path) -> None:
    """Draw the listening page once something is moved and sounds."""
    target = folder / TARGET.name
    for path in (TARGET, TARGET.with_suffix(".toml")):
        shutil.copy(path, folder)
    with ListeningServer(Desk(target)) as server, _browser() as driver:
        serving(server)
        _resize(driver, 1000, 1080)
        driver.get(server.address)
        _wait(driver)
        driver.execute_script("move('reverberation_s', 2.1); movePart('Harp', {landing: 'start'})")
        _wait(driver)
        driver.find_element(By.CSS_SELECTOR, "[data-sound=flipped]").click()
        WebDriverWait(driver, 60).until(
            lambda _: driver.execute_script("return audio.deck !== null")
        )
        driver.execute_script("window.scrollTo(0, 0)")
        driver.save_screenshot(str(PICTURES / "listening.png"))
        driver.execute_script("byId('numbers').scrollIntoView({block: 'start'})")
        driver.save_screenshot(str(PICTURES / "listening-picture.png"))
        _resize(driver, 390, 780)
        driver.execute_script("byId('set').scrollIntoView({block: 'start'})")
        driver.save_screenshot(str(PICTURES / "listening-phone.png"))
        server.shutdown()


def _wait(driver: webdriver.Chrome) -> None:
    ready = "return view !== null && shown === asked && heard === asked"
    WebDriverWait(driver, 60).until(lambda _: driver.execute_script(ready))


@contextmanager
def _browser() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for argument in ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(argument)
    driver = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(shutil.which("chromedriver"))
    )
    try:
        yield driver
    finally:
        driver.quit()


def _resize(driver: webdriver.Chrome, width: int, height: int) -> None:
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )


if __name__ == "__main__":
    main()
