"""The engraved score on the sheet: cursor, highlight, parts, findings, and the way to each note."""

import re
import time
from fractions import Fraction
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from retro.engraving.fonts import TEMPO_MARKS_FAMILY
from retro.model.settings import Settings
from retro.pack.copyist import copy_out, lay_out_music, sheet_scores
from retro.plan.compose import plan_file
from retro.render.picture import picture_svg
from retro.render.preview import render_preview
from retro.sheet.data import SheetScore
from retro.sheet.page import sheet_html
from retro.sheet.sound import sheet_audio
from tests.example import EXAMPLES, example_plan
from tests.notation.stands import chords_of
from tests.sheet.conftest import open_page, severe

LIT = "return [...document.querySelectorAll('#score .sounding')].map((each) => each.id)"
CURSOR = (
    "const box = scoreCursor.getBoundingClientRect();"
    "const systems = [...document.querySelectorAll('#score .music-line')];"
    "return [systems.indexOf(scoreCursor.parentNode), box.left, Number(scoreCursor.dataset.beats)]"
)


def at(sheet: webdriver.Chrome, insert_s: float) -> None:
    """Go to a moment of the insert."""
    sheet.execute_script("go(length_s - arguments[0] + page.window_at_s)", insert_s)


def open_score(sheet: webdriver.Chrome, name: str) -> None:
    Select(sheet.find_element(By.ID, "which-score")).select_by_visible_text(name)
    label = "return byId('score').getAttribute('aria-label')"
    WebDriverWait(sheet, 10, 0.05).until(
        lambda driver: driver.execute_script(label).startswith(f"{name}; ")
    )


def moments(score: SheetScore) -> dict[float, set[str]]:
    """Return what sounds from each moment on."""
    sounding: set[str] = set()
    found = {}
    for beats, on, off in score.moments:
        sounding = (sounding - set(off)) | set(on)
        found[float(beats)] = set(sounding)
    return found


def test_what_lights_up_is_what_sounds_at_every_moment_of_the_insert(
    sheet: webdriver.Chrome, shown_scores: tuple[SheetScore, ...]
) -> None:
    plan = example_plan()
    tempo = plan.performance.insert.tempo
    compared = 0
    for beats, sounding in moments(shown_scores[0]).items():
        insert_beats = Fraction(beats) - plan.count_in_beats
        if not 0 <= insert_beats < plan.performance.insert.length_beats:
            continue
        at(sheet, float(tempo.seconds_at(insert_beats)) + 0.005)
        assert set(sheet.execute_script(LIT)) == sounding, beats
        compared += 1
    assert compared > 20


def test_flipped_runs_through_the_score_backwards_and_played_forwards(
    sheet: webdriver.Chrome,
) -> None:
    for name, is_forwards in (("flipped", False), ("played", True)):
        at(sheet, 8.0)
        sheet.find_element(By.CSS_SELECTOR, f"button[data-sound={name}]").click()
        WebDriverWait(sheet, 20, 0.05).until(
            lambda driver: driver.execute_script("return playing !== null")
        )
        system, before_x, before = sheet.execute_script(CURSOR)
        time.sleep(0.5)
        system_after, after_x, after = sheet.execute_script(CURSOR)
        sheet.execute_script("stop()")
        assert system == system_after == 0
        assert (after > before) == (after_x > before_x) == is_forwards
        assert 0.2 < abs(after - before) < 3.0
    assert severe(sheet) == []


def test_the_cursor_stands_on_the_notes_that_begin(sheet: webdriver.Chrome) -> None:
    at(sheet, float(example_plan().performance.insert.tempo.seconds_at(4)) + 0.001)
    distance = sheet.execute_script(
        "const heads = [...document.querySelectorAll('#score .sounding .notehead')]"
        ".filter((head) => !head.closest('.note').id.includes('-'))"
        ".map((head) => head.getBoundingClientRect());"
        "const x = scoreCursor.getBoundingClientRect().left;"
        "return Math.min(...heads.map((box) => Math.abs(box.left + box.width / 2 - x)));"
    )
    assert distance < 3


def test_the_cursor_goes_through_every_system_and_stays_in_sight(sheet: webdriver.Chrome) -> None:
    places = []
    for insert_s in (0.5, 9.0, 17.0, 26.0):
        at(sheet, insert_s)
        places.append(sheet.execute_script(CURSOR))
        visible = sheet.execute_script(
            "const box = scoreCursor.getBoundingClientRect();"
            "const panel = score.panel.getBoundingClientRect();"
            "return box.left >= panel.left && box.left <= panel.right"
            " && box.top < panel.bottom && box.bottom > panel.top"
        )
        assert visible, insert_s
    assert [place[0] for place in places] == sorted(place[0] for place in places)
    assert places[-1][0] == len(sheet.find_elements(By.CSS_SELECTOR, "#score .music-line")) - 1


def test_every_part_can_be_opened(
    sheet: webdriver.Chrome, shown_scores: tuple[SheetScore, ...]
) -> None:
    for score in shown_scores:
        open_score(sheet, score.name)
        lines = sum(map(len, score.pages))
        assert len(sheet.find_elements(By.CSS_SELECTOR, "#score svg svg")) == lines
        assert sheet.execute_script("return score.bars.length") == len(score.bars)
        plan = example_plan()
        count_in = plan.performance.settings.count_in_bars
        assert sum(score.bars) == count_in + len(plan.performance.insert.bars), score.name
        names = [each.text for each in sheet.find_elements(By.CSS_SELECTOR, "#score .page-name")]
        pages = len(score.pages)
        assert names == [f"page {n} of {pages}" for n in range(1, pages + 1) if pages > 1]
    assert severe(sheet) == []


def test_tempo_signs_have_their_font(sheet: webdriver.Chrome) -> None:
    used = sheet.execute_async_script(
        "const done = arguments[0];"
        f"document.fonts.load('20px \"{TEMPO_MARKS_FAMILY}\"', '\\ueca5')"
        ".then((found) => done(found.length));"
    )
    assert used == 1
    assert sheet.execute_script(
        "return [...document.querySelectorAll('#score [font-family]')]"
        f".some((each) => getComputedStyle(each).fontFamily.includes('{TEMPO_MARKS_FAMILY}'))"
    )


def test_larger_and_smaller_change_the_size_of_the_music(sheet: webdriver.Chrome) -> None:
    width = "return document.querySelector('#score .music-line').clientWidth"
    before = sheet.execute_script(width)
    sheet.find_element(By.CSS_SELECTOR, "button[data-size='1.25']").click()
    larger = sheet.execute_script(width)
    for _ in range(2):
        sheet.find_element(By.CSS_SELECTOR, "button[data-size='0.8']").click()
    assert before * 0.81 > sheet.execute_script(width)
    assert larger > before * 1.24


def test_a_finding_shows_itself_in_picture_and_part(sheet: webdriver.Chrome) -> None:
    plan = example_plan()
    buttons = sheet.find_elements(By.CSS_SELECTOR, "button[data-finding]")
    assert len(buttons) >= 4
    for button in buttons:
        finding = plan.findings[int(button.get_attribute("data-finding"))]
        sheet.execute_script("arguments[0].click()", button)
        base = re.sub(r" [0-9.]+$", "", finding.player)
        WebDriverWait(sheet, 10, 0.05).until(
            lambda driver, base=base: driver.execute_script(
                "return byId('which-score').selectedOptions[0].text.startsWith(arguments[0])"
                " && document.querySelectorAll('#picture .chosen').length === 1"
                " && document.querySelectorAll('#score .chosen').length > 0"
                " && !scoreCursor.hidden",
                base,
            )
        )
        words = sheet.find_element(By.ID, "note-says").text
        assert words.startswith(f"{finding.player}, "), finding


def test_a_note_of_the_picture_tells_its_values_and_is_marked_in_the_score(
    sheet: webdriver.Chrome,
) -> None:
    sheet.execute_script(
        "document.querySelector('#picture .note[data-note=\"0\"]')"
        ".dispatchEvent(new MouseEvent('click', {bubbles: true}))"
    )
    words = sheet.find_element(By.ID, "note-says").text
    assert words.startswith("Alto Flute, G4: read at A7 beat 2; wanted, s 4.74 to 5.53")
    marked = sheet.execute_script(
        "return [...document.querySelectorAll('#score .chosen')].map((each) => each.id)"
    )
    assert set(marked) == {"n0"}


def test_a_note_of_the_score_is_marked_in_the_picture(sheet: webdriver.Chrome) -> None:
    sheet.execute_script(
        "document.querySelector('#score #n5 .notehead use, #score #n5 .notehead')"
        ".dispatchEvent(new MouseEvent('click', {bubbles: true}))"
    )
    chosen = sheet.find_elements(By.CSS_SELECTOR, "#picture .chosen")
    assert [each.get_attribute("data-note") for each in chosen] == ["5"]


def test_arrow_keys_go_from_note_to_note(sheet: webdriver.Chrome) -> None:
    paper = sheet.find_element(By.ID, "picture")
    said = []
    for key in (Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_DOWN, Keys.ARROW_UP):
        paper.send_keys(key)
        said.append(sheet.find_element(By.ID, "note-says").text)
    assert said[0] != said[1]
    assert [words.split(",")[0] for words in said] == [
        *("Alto Flute", "Alto Flute", "Flute 1.2", "Alto Flute")
    ]


def test_the_notes_stand_in_a_table_too(sheet: webdriver.Chrome) -> None:
    sheet.find_element(By.CSS_SELECTOR, "#notes summary").click()
    rows = "return document.querySelectorAll('#notes tbody tr').length"
    WebDriverWait(sheet, 10, 0.05).until(lambda driver: driver.execute_script(rows) > 0)
    assert sheet.execute_script(rows) == len(example_plan().performance.notes)
    open_score(sheet, "Harp")
    harp = [n for n in example_plan().performance.notes if n.part == harp_part()]
    WebDriverWait(sheet, 10, 0.05).until(lambda driver: driver.execute_script(rows) == len(harp))


def harp_part() -> int:
    return [player.name for player in example_plan().performance.players].index("Harp")


def test_the_style_of_the_picture_stays_in_the_picture(sheet: webdriver.Chrome) -> None:
    size = sheet.execute_script(
        "return getComputedStyle(document.querySelector('#score text')).fontSize"
    )
    assert size == "0px"


def test_the_place_can_be_chosen_with_the_keyboard(sheet: webdriver.Chrome) -> None:
    slider = sheet.find_element(By.ID, "place")
    slider.send_keys(Keys.END)
    assert "after the end of bar 28 of the song" in sheet.find_element(By.ID, "where").text
    slider.send_keys(Keys.HOME)
    assert "before bar 21 of the song" in slider.get_attribute("aria-valuetext")


def test_every_note_under_a_tremolo_or_trill_is_shown_on_its_head(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    plan = plan_file(EXAMPLES / "studies" / "shimmer.mid", Settings())
    copy = copy_out(plan)
    audio = sheet_audio(render_preview(plan.performance))
    page = tmp_path / "sheet.html"
    scores = sheet_scores(copy, lay_out_music(plan, copy, lambda _: None))
    page.write_bytes(
        sheet_html(plan, picture=picture_svg(plan.performance), audio=audio, scores=scores)
    )
    open_page(browser, page)
    strokes = [stroke for part in copy.parts for stroke in chords_of(part)]
    lands_on = {
        i: [f"n{head}"]
        for stroke in strokes
        if stroke.more
        for head, others in zip(stroke.notes, stroke.more, strict=True)
        for i in others
    }
    assert len(lands_on) > 300
    shown = browser.execute_script(
        "return arguments[0].map((index) => { tell(index);"
        " const chosen = [...document.querySelectorAll('#score .chosen')].map(({ id }) => id);"
        " return chosen.filter((id) => !id.includes('-')); });",
        list(lands_on),
    )
    assert shown == list(lands_on.values())
    assert severe(browser) == []


def test_the_cursor_crosses_a_multi_bar_rest(
    sheet: webdriver.Chrome, shown_scores: tuple[SheetScore, ...]
) -> None:
    performance = example_plan().performance
    (trumpet,) = (score for score in shown_scores if score.name == "Trumpet in C")
    assert trumpet.bars[-1] == 3
    open_score(sheet, "Trumpet in C")
    places = []
    for bar in performance.insert.bars[-3:]:
        at(sheet, float(performance.insert.tempo.seconds_at(bar.start_beats)) + 0.001)
        system, x, _ = sheet.execute_script(CURSOR)
        rest = sheet.execute_script(
            "const box = [...document.querySelectorAll('#score g.measure')].at(-1)"
            ".querySelector('g.staff path').getBoundingClientRect();"
            "return [box.left, box.right];"
        )
        assert system == len(trumpet.pages[-1]) - 1
        places.append((x - rest[0]) / (rest[1] - rest[0]))
    assert 0 <= places[0] < 0.2 < places[1] < places[2] < 0.9


def test_the_advice_stands_in_the_lines_in_which_it_is_printed(sheet: webdriver.Chrome) -> None:
    printed = sheet.execute_script(
        "return JSON.parse(document.getElementById('page-data').textContent).scores[0].advice"
    )
    open_score(sheet, "Score")
    shown = sheet.find_element(By.ID, "score-advice").text.splitlines()
    assert shown == printed
    assert len(printed) > 1
