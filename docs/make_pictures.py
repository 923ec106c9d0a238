"""Draws docs/pictures from the shipped example.

Run: ``python docs/make_pictures.py``. Needs poppler's ``pdftoppm`` for the printed pages and
Chromium with its driver for the session sheet; the other tests do not look at the pixels.
"""

import shutil
import subprocess
import tempfile
from pathlib import Path

from selenium import webdriver

from retro.notate.engrave import Sheet, engrave_pdf
from retro.notate.layout import Kind
from retro.pack.copyist import Copy, copy_out, screen_scores
from retro.plan.compose import Plan, plan_file
from retro.read.settings import read_settings
from retro.render.picture import picture_png, picture_svg
from retro.render.preview import render_preview
from retro.sheet.page import sheet_html
from retro.sheet.sound import sheet_audio

ROOT = Path(__file__).parent.parent
PICTURES = ROOT / "docs" / "pictures"
TARGET = ROOT / "examples" / "harbour_pageant.mid"
PART = "Horn in F 1"
AT_S = 12.0
"""Insert time at which the sheet is shown."""


def main() -> None:
    """Draw them all."""
    PICTURES.mkdir(exist_ok=True)
    plan = plan_file(TARGET, read_settings(TARGET.with_suffix(".toml")))
    copy = copy_out(plan)
    svg = picture_svg(plan.performance, first_bar=plan.window.start_bar)
    (PICTURES / "time.png").write_bytes(picture_png(svg, dots_per_inch=96))
    horn = next(i for i, part in enumerate(copy.parts) if part.name == PART)
    _draw_page(_pdf(plan, copy, Kind.PART, PART, copy.xml.parts[horn]), "part.png", 75)
    _draw_page(_pdf(plan, copy, Kind.SCORE, "Score", copy.xml.score), "score.png", 80)
    _draw_page(_pdf(plan, copy, Kind.NOTICE, "Notice", copy.notice), "notice.png", 60)
    page = sheet_html(
        plan,
        audio=sheet_audio(render_preview(plan.performance)),
        scores=tuple(screen_scores(copy)),
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.html"
        path.write_bytes(page)
        _draw_sheet(path)


def _pdf(plan: Plan, copy: Copy, kind: Kind, player: str, musicxml: bytes) -> bytes:
    return engrave_pdf(
        Sheet(
            musicxml=musicxml,
            kind=kind,
            paper=plan.performance.settings.paper,
            song=copy.heading.song,
            insert=copy.heading.insert,
            player=player,
            replaces=copy.heading.subtitle,
        )
    )


def _draw_page(pdf: bytes, name: str, dots_per_inch: int) -> None:
    command = ["pdftoppm", "-gray", "-png", "-singlefile", "-r", str(dots_per_inch)]
    drawn = subprocess.run([*command, "-"], input=pdf, capture_output=True, check=True)  # noqa: S603 - a fixed command
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
