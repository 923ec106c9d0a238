"""The session sheet in headless Chromium."""

import base64
import random
import re
import time
from pathlib import Path

import pytest
from axe_core_python.selenium import Axe
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from retro.errors import RetroError
from retro.model.encoding import plain
from retro.model.placement import Placement
from retro.placement.inputs import Session, TakeRange
from retro.placement.place import place_plan
from retro.placement.table import placement_rows
from retro.plan.document import plan_json
from retro.read.plan_file import PlanFile, read_plan
from retro.units import ms_to_seconds
from retro.units.timecode import FRAME_RATES
from tests.example import example_plan
from tests.sheet.conftest import narrow, requests_of, severe


def test_the_page_opens_without_an_error_and_asks_for_nothing(
    sheet: webdriver.Chrome, sheet_path: Path
) -> None:
    assert severe(sheet) == []
    # The browser's own start page may still be asking for its parts.
    inward = ("data:", "blob:", "chrome:")
    assert {url for url in requests_of(sheet) if not url.startswith(inward)} == {
        sheet_path.as_uri()
    }


def test_the_page_stays_within_five_megabytes(sheet_path: Path) -> None:
    assert sheet_path.stat().st_size < 5_000_000


@pytest.mark.parametrize("name", ["target", "played", "flipped", "clicked"])
def test_each_sound_plays_and_moves_the_cursor(sheet: webdriver.Chrome, name: str) -> None:
    sheet.find_element(By.CSS_SELECTOR, f"button[data-sound={name}]").click()
    position = "return document.getElementById('picture-cursor').dataset.at"
    WebDriverWait(sheet, 20, 0.05).until(lambda driver: driver.execute_script(position))
    first = float(sheet.execute_script(position))
    time.sleep(0.6)
    moved = float(sheet.execute_script(position)) - first
    assert 0.2 < (-moved if name == "played" else moved) < 3.0
    sheet.find_element(By.CSS_SELECTOR, f"button[data-sound={name}]").click()
    hidden = "return document.getElementById('picture-cursor').style.visibility"
    assert sheet.execute_script(hidden) == "hidden"
    assert severe(sheet) == []


def test_listening_starts_quiet(sheet: webdriver.Chrome) -> None:
    sheet.find_element(By.CSS_SELECTOR, "button[data-sound=flipped]").click()
    WebDriverWait(sheet, 20, 0.05).until(
        lambda driver: driver.execute_script("return playing !== null")
    )
    assert sheet.execute_script("return loudness.gain.value") == pytest.approx(10 ** (-24 / 20))
    sheet.execute_script("stop()")


def test_played_is_flipped_turned_round_to_the_sample(sheet: webdriver.Chrome) -> None:
    sheet.find_element(By.CSS_SELECTOR, "button[data-sound=played]").click()
    WebDriverWait(sheet, 20, 0.05).until(
        lambda driver: driver.execute_script("return playing !== null")
    )
    differences = sheet.execute_script(
        "stop(); const a = sounds.played.getChannelData(0), b = sounds.flipped.getChannelData(0);"
        "let n = 0; for (let i = 0; i < a.length; i += 1) n += a[i] !== b[a.length - 1 - i];"
        "return [n, a.length]"
    )
    assert differences[0] == 0
    assert differences[1] > 100_000


def test_a_number_is_copied(sheet: webdriver.Chrome) -> None:
    sheet.execute_cdp_cmd(
        "Browser.grantPermissions",
        {"permissions": ["clipboardReadWrite", "clipboardSanitizedWrite"]},
    )
    sheet.find_element(By.CSS_SELECTOR, "button[data-copy=clip-start]").click()
    WebDriverWait(sheet, 5, 0.05).until(
        lambda driver: driver.find_element(By.ID, "said").text == "Copied."
    )
    copied = sheet.execute_async_script(
        "const done = arguments[0];"
        "navigator.clipboard.readText().then(done, (fault) => done(String(fault)))"
    )
    assert copied == str(example_plan().placement.clip_start_samples)


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> PlanFile:
    path = tmp_path_factory.mktemp("plan") / "plan.json"
    path.write_bytes(plan_json(example_plan()))
    return read_plan(path)


def random_settings(count: int) -> list[tuple[dict[str, object], dict[str, object]]]:
    chance = random.Random(1)
    chosen = []
    for _ in range(count):
        name = chance.choice(list(FRAME_RATES))
        session = {
            "rate": chance.choice([44_100, 48_000, 88_200, 96_000, 192_000]),
            "start": chance.choice(
                ["00:00:00:00", "01:00:00:00", "10:10:10:10", "23:59:59:20", "00:01:00:02"]
            ),
            "frame_rate": name,
        }
        start = chance.randrange(0, 50_000_000)
        take = {
            "phrase_start": str(start),
            "take_end": chance.choice([None, str(start + chance.randrange(0, 9_000_000))]),
            "late_ms": chance.choice([None, round(chance.uniform(-60, 90), 2)]),
        }
        chosen.append((session, take))
    return chosen


def test_the_calculator_equals_the_command_for_200_settings(
    sheet: webdriver.Chrome, plan_file: PlanFile
) -> None:
    compared, refused = 0, 0
    for session, take in random_settings(200):
        found = sheet.execute_script(
            "return placeClip(page.passage, arguments[0], arguments[1])", session, take
        )
        placement = placed(plan_file, session, take)
        if placement is None:
            assert "error" in found, (session, take)
            refused += 1
            continue
        wanted = plain(placement)
        compared += 1
        for name, value in found.items():
            if name in ("clip_start_s", "swell_s"):
                where = "clip_start" if name == "clip_start_s" else "swell_audible_from"
                assert value == pytest.approx(wanted[where]["seconds"], abs=1e-6)
            elif name == "spread_ms":  # the plan has it to a ten-thousandth
                assert value == pytest.approx(wanted[name], abs=1e-3)
            elif name == "timecodes":
                for rate, at in value.items():
                    for key, answer in at.items():
                        assert answer == pytest.approx(wanted["timecodes"][rate][key], abs=1e-6), (
                            session,
                            take,
                            rate,
                            key,
                        )
            else:
                assert value == pytest.approx(wanted[name], abs=1e-6), (session, take, name)
    assert compared > 100
    assert refused > 10


def placed(
    plan_file: PlanFile, session: dict[str, object], take: dict[str, object]
) -> Placement | None:
    late_ms, end = take["late_ms"], take["take_end"]
    try:
        return place_plan(
            plan_file,
            session=Session(
                rate=session["rate"], start=session["start"], frame_rate=session["frame_rate"]
            ),
            take=TakeRange(
                phrase_start_samples=int(take["phrase_start"]),
                take_end_samples=None if end is None else int(end),
                lateness_s=None if late_ms is None else ms_to_seconds(late_ms),
            ),
        )
    except RetroError:
        return None


def test_the_calculator_shows_every_row_of_the_table_that_a_take_changes(
    sheet: webdriver.Chrome, plan_file: PlanFile
) -> None:
    """What the form shows, row by row, against `retro place` for the same take."""
    changing, compared = set(), 0
    first = {row.key: row.cells for row in placement_rows(example_plan().placement)}
    for session, take in random_settings(60):
        placement = placed(plan_file, session, take)
        if placement is None:
            continue
        wanted = placement_rows(placement)
        changing |= {row.key for row in wanted if row.cells != first[row.key]}
        shown = sheet.execute_script(
            "const [session, take] = arguments;"
            "const set = (name, value) => { form[name].value = value ?? ''; };"
            "set('phrase_start', take.phrase_start); set('take_end', take.take_end);"
            "set('late', take.late_ms); set('rate', session.rate); set('start', session.start);"
            "set('frame_rate', session.frame_rate); recompute();"
            "return Object.fromEntries([...document.querySelectorAll('tr[data-row]')].map((row) =>"
            " [row.dataset.row, [...row.cells].map((cell) => cell.textContent)]));",
            session,
            take,
        )
        for row in wanted:
            if row.is_calculated:
                assert alike(shown[row.key], row.cells), (session, take, row)
                compared += 1
    assert compared > 400
    assert changing - set(shown) == set()
    assert {"clip_start", "swell", "timecode 25", "length"} <= changing


def alike(shown: list[str], wanted: tuple[str, ...]) -> bool:
    """Whether cells read the same; a beat may differ in its last decimal (doubles)."""
    if shown == list(wanted) or "/" not in wanted[1]:
        return shown == list(wanted)
    (bar, beat), (wanted_bar, wanted_beat) = shown[1].split("/"), wanted[1].split("/")
    return bar == wanted_bar and float(beat) == pytest.approx(float(wanted_beat), abs=1.5e-4)


def test_the_policy_names_no_origin_and_allows_nothing_inline(sheet: webdriver.Chrome) -> None:
    policy = sheet.execute_script("return document.querySelector('meta[http-equiv]').content")
    directives = dict(part.split(" ", 1) for part in policy.split("; "))
    assert directives["default-src"] == "'none'"
    assert "unsafe" not in policy
    assert "http" not in policy
    for name in ("script-src", "style-src"):
        assert re.fullmatch(r"'sha256-[A-Za-z0-9+/]{43}='", directives[name])


@pytest.mark.parametrize(
    "inline",
    [
        "document.body.append(document.createElement('script')); document.scripts[2].text = '1'",
        "document.body.setAttribute('onclick', 'window.caught = 1'); document.body.click();",
        "const i = new Image(); i.src = 'https://example.com/x.png'; document.body.append(i);",
    ],
)
def test_what_the_policy_does_not_name_is_blocked(sheet: webdriver.Chrome, inline: str) -> None:
    sheet.execute_script(inline)
    assert sheet.execute_script("return window.caught === undefined")
    WebDriverWait(sheet, 5, 0.05).until(
        lambda driver: any("Content Security Policy" in e["message"] for e in severe(driver))
    )


def test_the_form_recomputes_as_it_is_filled_in(sheet: webdriver.Chrome) -> None:
    answer = "tr[data-row=export_start] td"
    before = sheet.find_element(By.CSS_SELECTOR, answer).text
    field = sheet.find_element(By.NAME, "phrase_start")
    field.clear()
    field.send_keys("480000")
    after = sheet.find_element(By.CSS_SELECTOR, answer).text
    assert int(after) - int(before) == 480_000
    field.clear()
    field.send_keys("soon")
    assert "no whole number" in sheet.find_element(By.ID, "calculator-says").text


# The drawings are pictures to a screen reader; the table of notes says the same in words.
SCANNED = {"include": ["body"], "exclude": ["#score .music-line", "#picture .note"]}


def serious_findings(sheet: webdriver.Chrome, **only: object) -> list[tuple[str, list[str]]]:
    found = Axe().run(sheet, SCANNED, {"preload": 0, "resultTypes": ["violations"], **only})
    assert found["passes"]
    return [
        (each["id"], [node["html"][:120] for node in each["nodes"]])
        for each in found["violations"]
        if each["impact"] in {"serious", "critical"}
    ]


def test_an_accessibility_scan_finds_nothing_serious(sheet: webdriver.Chrome) -> None:
    sheet.execute_script("byId('notes').open = true")
    sheet.execute_async_script("openScore(1).then(arguments[0])")
    assert serious_findings(sheet) == []


def test_dark_colours_have_contrast_enough(sheet: webdriver.Chrome) -> None:
    dark = {"features": [{"name": "prefers-color-scheme", "value": "dark"}]}
    sheet.execute_cdp_cmd("Emulation.setEmulatedMedia", dark)
    paper = "return getComputedStyle(document.body).backgroundColor"
    assert sheet.execute_script(paper) == "rgb(26, 26, 23)"
    found = serious_findings(sheet, runOnly=["color-contrast"])
    sheet.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    assert found == []


@pytest.mark.parametrize("width", [320, 390, 820])
def test_a_narrow_screen_has_nothing_beyond_its_edge(sheet: webdriver.Chrome, width: int) -> None:
    narrow(sheet, width)
    beyond = sheet.execute_script(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert beyond[0] <= beyond[1] <= width


def test_the_page_prints_to_a_few_tidy_pages(sheet: webdriver.Chrome) -> None:
    pdf = base64.b64decode(sheet.print_page())
    assert pdf.startswith(b"%PDF")
    assert 2 <= pdf.count(b"/Type /Page\n") <= 4


def test_the_calculator_counts_bars_as_the_song_prints_them(sheet: webdriver.Chrome) -> None:
    """A pick-up of one quarter is bar 0; a hair before a bar line the line is meant."""
    bars = [
        {"number": 0, "line": -3, "start": 0, "end": 1, "full": 4, "unit": 1},
        {"number": 1, "line": 1, "start": 1, "end": 5, "full": 4, "unit": 1},
    ]
    tempo = [{"at_beats": 0, "us_per_quarter": 1_000_000}]
    script = "const at = songPlace(...arguments); return [at.bar, at.beat];"
    places = {0.0: [0, 4], 2.5: [1, 2.5], 4.99999: [2, 1], 7.0: [2, 3], -3.5: [-1, 4.5]}
    for seconds, place in places.items():
        assert sheet.execute_script(script, seconds, tempo, bars) == pytest.approx(place, abs=1e-9)
