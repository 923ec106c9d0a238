"""Draws docs/pictures from the shipped example.

Run: ``python docs/make_pictures.py``. Needs poppler's ``pdftoppm`` for the printed pages and
Chromium with its driver for the session sheet; the other tests do not look at the pixels.
"""

import shutil
import subprocess
import tempfile
from pathlib import Path

from selenium import webdriver

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


def _draw_page(pdf: Path, name: str, dots_per_inch: int) -> None:
    command = ["pdftoppm", "-gray", "-png", "-singlefile", "-r", str(dots_per_inch), str(pdf)]
    drawn = subprocess.run(command, capture_output=True, check=True)  # noqa: S603 - a fixed command
    (PICTURES / name).write_bytes(drawn.stdout)


def _draw_sheet(path: Path) -> None:
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for argument in ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(argument)
    driver = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(shutil.which("chromedriver"))
    )
    try:
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
    finally:
        driver.quit()


def _resize(driver: webdriver.Chrome, width: int, height: int) -> None:
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )


if __name__ == "__main__":
    main()
