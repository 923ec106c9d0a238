"""A made day of four inserts and thirty people, prepared."""

import csv
import html
import json
import re
import shutil
import subprocess
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from retro.cli import app
from retro.day.compose import Day, compose_day
from retro.day.day_file import read_day_file
from retro.day.folders import PageCounts
from retro.day.prepare import prepare
from retro.day.takes_document import read_takes
from retro.errors import ReadError, RetroError, SettingsError, WriteError
from retro.model.settings import Section, Settings
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from tests.day.made_day import DAY_TOML, FOLDERS, INSERTS, STANDS

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="the PDF is read back with poppler-utils"
)

DOCS = Path(__file__).parents[2] / "docs"
STUDY = Path(__file__).parents[2] / "examples" / "studies" / "violin_run.mid"


@pytest.fixture(scope="module")
def prepared(day: Day, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("prepared") / "out"
    prepare(day, out, overwrite=False)
    return out


def other_day(day_toml: Path, text: str) -> Day:
    """Compose the made day by another day.toml beside it."""
    path = day_toml.with_name("other.toml")
    path.write_text(text, encoding="utf-8")
    return compose_day(path)


def test_every_part_with_notes_reaches_exactly_one_folder(day: Day) -> None:
    played = Counter(
        (insert.letter, part.name)
        for insert in day.inserts
        for part in insert.parts
        if part.sounding
    )
    laid = Counter(
        (turn.insert.letter, part.name) for own in day.turns for turn in own for part in turn.parts
    )
    assert laid == played
    assert set(laid.values()) == {1}
    assert len(day.people) == FOLDERS
    assert sum(person.desks for person in day.people) == STANDS


@pytest.mark.parametrize("lost", ["parts/03-oboe.pdf", "parts/03-oboe.musicxml", "score.pdf"])
def test_a_page_that_a_pack_lost_is_told_before_it_is_missing_on_a_stand(
    day_toml: Path, tmp_path: Path, lost: str
) -> None:
    shutil.copytree(day_toml.parent / "B", tmp_path / "B")
    (tmp_path / "day.toml").write_text('[[pack]]\nfolder = "B"\n')
    assert compose_day(tmp_path / "day.toml").people
    own = tmp_path / "B" / "copyist" / lost
    assert own.is_file(), sorted(own.parent.iterdir())
    own.unlink()
    with pytest.raises(ReadError, match=r"lists this file.* put it back") as refusal:
        compose_day(tmp_path / "day.toml")
    assert own.name in str(refusal.value)


def test_a_part_keeps_its_number_through_the_day(day: Day, prepared: Path) -> None:
    assert sorted(day.numbers.values()) == list(range(1, len(day.numbers) + 1))
    assert day.numbers["Horn in F 1"] < day.numbers["Horn in F 2"] < day.numbers["Tuba"]
    with (prepared / "print-list.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    told = {
        name: int(number)
        for row in rows
        if row["file"].startswith("folders")
        for number, name in re.findall(r"([0-9]{2}) ([^,]+)", row["parts"])
    }
    assert told == day.numbers
    copies = sum(int(row["copies"]) for row in rows if row["file"].startswith("folders"))
    assert copies == STANDS + 1  # and the scores, once


def test_the_print_list_tells_every_file_and_its_pages(prepared: Path) -> None:
    with (prepared / "print-list.csv").open(encoding="utf-8") as file:
        rows = {row["file"]: int(row["pages"]) for row in csv.DictReader(file)}
    pdfs = {str(path.relative_to(prepared)): path for path in prepared.rglob("*.pdf")}
    counts = PageCounts()
    assert rows == {name: counts.of(path) for name, path in pdfs.items()}
    assert len([name for name in rows if name.startswith("notices")]) == 3


def test_changes_of_instrument_and_tacet_are_told(day: Day) -> None:
    own = dict(zip((person.name for person in day.people), day.turns, strict=True))
    piccolo = own["Flute 2 and Piccolo"]
    assert [turn.is_tacet for turn in piccolo] == [False, False, True, False]
    assert [turn.changes for turn in piccolo] == [(), (), (), ("take up Piccolo",)]
    assert own["Harp"][0].blown_s == 0.0
    # Two bars of 3/4 at 100: 3.6 s, less what the room takes at the end.
    assert 3.0 < own["Horn in F 1"][0].blown_s < 3.6


@needs_poppler
def test_two_short_notices_of_one_reader_share_a_page(prepared: Path) -> None:
    """The Lantern has two inserts of two bars each, so every reader's notice is one page."""
    pdf = prepared / "notices" / "01-the-lantern.pdf"
    text = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, check=True).stdout
    cover, *pages = text.decode().removesuffix("\f").split("\f")
    assert "Insert A" in cover
    assert len(pages) > 10
    for page in pages:
        assert "Insert A, bars 1–2; Insert D, bars 5–6" in page
        assert "see Insert A (reversed)" in page
        assert "see Insert D (reversed)" in page
    sizes = subprocess.run(["pdfinfo", "-f", "2", "-l", "2", pdf], capture_output=True, check=True)
    assert re.search(r"Page +2 size: +595\.\d+ x 841\.\d+ pts", sizes.stdout.decode())


@needs_poppler
def test_a_folder_says_on_paper_what_comes_when(prepared: Path) -> None:
    folder = next((prepared / "folders").glob("*piccolo.pdf"))
    text = subprocess.run(["pdftotext", folder, "-"], capture_output=True, check=True).stdout
    words = text.decode()
    assert "tacet" in words
    assert "take up Piccolo" in words
    assert "next: C tacet, then Insert D; take up Piccolo" in words
    assert words.index("Insert A") < words.index("Insert B") < words.index("Insert D")


def test_the_day_prepared_twice_is_the_same_to_the_byte(
    day: Day, prepared: Path, tmp_path: Path
) -> None:
    prepare(day, tmp_path / "again", overwrite=False)
    first = {p.relative_to(prepared): p.read_bytes() for p in prepared.rglob("*") if p.is_file()}
    again = tmp_path / "again"
    second = {p.relative_to(again): p.read_bytes() for p in again.rglob("*") if p.is_file()}
    assert first == second
    assert len(first) > FOLDERS


def test_the_click_of_the_pack_follows_its_pattern_sample_for_sample(
    day: Day, prepared: Path
) -> None:
    document = json.loads((prepared / "day.json").read_text())
    schema = json.loads((DOCS / "day.schema.json").read_text())
    Draft202012Validator(schema).validate(document)
    for insert, told in zip(day.inserts, document["inserts"], strict=True):
        sound, rate = soundfile.read(prepared / told["click"], dtype="int32")
        pack, pack_rate = soundfile.read(insert.click, dtype="int32")
        assert rate == pack_rate == told["rate"]
        assert np.array_equal(sound[told["count_in_frame"] :], pack)
        lead_s = -insert.plan.clicks_s[0]
        assert told["phrase_start_frame"] - told["count_in_frame"] == round(lead_s * rate)
        before = np.flatnonzero(sound[: told["count_in_frame"]])
        starts = [int(before[0]) - 1]
        for at, last in zip(before[1:], before, strict=False):
            if at - last > 0.02 * rate:
                starts.append(int(at) - 1)
        assert starts == list(told["tick_frames"])


def test_the_page_is_offline_and_says_what_is_left_to_people(prepared: Path) -> None:
    page = (prepared / "day-sheet.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in html.unescape(page)
    assert "<script" not in page
    assert re.search(r"https?://", page) is None
    assert "Left to people" in page
    assert all(f"Insert {letter}" in page for letter, _, _ in INSERTS)
    assert "11:10 break, 15 min" in page


def test_a_proposal_costs_less_and_says_what_it_assumes(day: Day) -> None:
    proposal = day.proposal
    assert sorted(proposal.order) == [0, 1, 2, 3]
    assert proposal.is_best
    assert proposal.cost.points < proposal.given_cost.points
    assert proposal.cost.returns == 0


def test_equal_letters_are_refused(day_toml: Path, tmp_path: Path) -> None:
    shutil.copytree(day_toml.parent / "A", tmp_path / "first")
    shutil.copytree(day_toml.parent / "A", tmp_path / "second")
    path = tmp_path / "day.toml"
    path.write_text('[[pack]]\nfolder = "first"\n[[pack]]\nfolder = "second"\n')
    with pytest.raises(SettingsError, match="first and second are both Insert A"):
        compose_day(path)


@pytest.mark.parametrize("second", ["./A", "sub/../A", "../{home}/A", "link", "into/../A"])
def test_one_pack_by_two_names_is_refused_as_twice(tmp_path: Path, second: str) -> None:
    (tmp_path / "A").mkdir()
    (tmp_path / "sub").mkdir()
    (tmp_path / "link").symlink_to("A")
    (tmp_path / "into").symlink_to("sub")
    named = second.format(home=tmp_path.name)
    path = tmp_path / "day.toml"
    path.write_text(f'[[pack]]\nfolder = "A"\n[[pack]]\nfolder = "{named}"\n')
    with pytest.raises(SettingsError, match=f"A and {re.escape(named)} are one pack; name it once"):
        compose_day(path)


def test_a_pack_is_found_where_its_name_leads_and_told_plainly(
    day_toml: Path, tmp_path: Path
) -> None:
    """A step up from a link leads above what it links to, as for every other program."""
    home, away = tmp_path / "home", tmp_path / "away"
    shutil.copytree(day_toml.parent / "A", home / "A")
    shutil.copytree(day_toml.parent / "B", away / "B")
    (away / "deep").mkdir()
    (home / "link").symlink_to(away / "deep")
    (home / "day.toml").write_text(
        '[[pack]]\nfolder = "../home/A"\n[[pack]]\nfolder = "link/../B"\n'
    )
    inserts = compose_day(home / "day.toml").inserts
    assert [(insert.letter, insert.pack) for insert in inserts] == [
        ("A", home / "A"),
        ("B", away.resolve() / "B"),
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('start = "9 o\'clock"\n[[pack]]\nfolder = "A"', "start: wanted a time such as 09:30"),
        ('[pack]\nfolder = "A"', "pack: wanted a list, found a table"),
        ('[[pack]]\nfolder = "A"\nminutes = -3', r"pack\[0\].minutes: wanted a number > 0.0"),
        ("title = 3", "title: wanted a text, found a whole number"),
        ("", "pack is missing"),
        ('[[pack]]\nfolder = "A"\nlength = 3', r"pack\[0\].*there is no key `length`"),
        ('[[pack]]\nfolder = "A"\n[[pack]]\nfolder = "a"', "'a' is there twice"),
        ('[[pack]]\nfolder = "A"\n[[breaks]]\nat = "9:00"\nminutes = 3', r"breaks\[0\].at"),
        ('[[pack]]\nfolder = "none"', "no pack"),
        (
            DAY_TOML.replace('["Flute 2", "Piccolo"]', '["Flute 2", "Flute 1"]'),
            "would play Flute 1 and Flute 2 at once in bar A1",
        ),
        (
            DAY_TOML.replace('["Flute 2", "Piccolo"]', '["Flute 2", "Picolo"]'),
            "did you mean 'Piccolo'",
        ),
        (DAY_TOML.replace('["Violin II"]', '["Violin I"]'), "is given to two people"),
    ],
)
def test_what_is_wrong_is_said_in_one_line_that_names_the_key(
    day_toml: Path, text: str, told: str
) -> None:
    with pytest.raises(RetroError, match=told) as refusal:
        other_day(day_toml, text)
    assert "\n" not in str(refusal.value)


def test_only_the_packs_are_needed(day_toml: Path) -> None:
    bare = other_day(day_toml, '[[pack]]\nfolder = "C"\n')
    assert len(bare.people) == len([part for part in bare.inserts[0].parts if part.sounding])
    assert bare.due[0].at == ""


def test_a_plan_that_was_changed_after_its_build_is_refused(day_toml: Path, tmp_path: Path) -> None:
    shutil.copytree(day_toml.parent / "B", tmp_path / "B")
    plan = tmp_path / "B" / "plan.json"
    plan.write_bytes(plan.read_bytes() + b" ")
    (tmp_path / "day.toml").write_text('[[pack]]\nfolder = "B"\n')
    with pytest.raises(ReadError, match="was changed after the pack was built"):
        compose_day(tmp_path / "day.toml")


def test_a_part_that_lost_its_notes_numbers_is_not_taken_for_tacet(
    day_toml: Path, tmp_path: Path
) -> None:
    shutil.copytree(day_toml.parent / "B", tmp_path / "B")
    music = tmp_path / "B" / "copyist" / "parts" / "14-tuba.musicxml"
    music.write_text(re.sub(r' id="n[0-9-]+"', "", music.read_text()))
    (tmp_path / "day.toml").write_text('[[pack]]\nfolder = "B"\n')
    with pytest.raises(ReadError, match=r"14-tuba\.musicxml: does not say which notes"):
        compose_day(tmp_path / "day.toml")


def test_a_page_that_is_no_pdf_is_named_and_nothing_is_left(day_toml: Path, tmp_path: Path) -> None:
    shutil.copytree(day_toml.parent / "B", tmp_path / "B")
    (tmp_path / "B" / "copyist" / "parts" / "14-tuba.pdf").write_bytes(b"a note from the librarian")
    (tmp_path / "day.toml").write_text('[[pack]]\nfolder = "B"\n')
    with pytest.raises(ReadError, match=r"14-tuba\.pdf: is no PDF"):
        prepare(compose_day(tmp_path / "day.toml"), tmp_path / "out", overwrite=False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["B", "day.toml"]


def test_the_command_prepares_and_leaves_packs_and_strangers_alone(
    day_toml: Path, tmp_path: Path
) -> None:
    before = {path: path.read_bytes() for path in day_toml.parent.rglob("*") if path.is_file()}
    out = tmp_path / "out"
    words = ["day", "prepare", str(day_toml), "--out", str(out)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    (out / "notes.txt").write_text("ours")
    refused = CliRunner().invoke(app, words)
    assert isinstance(refused.exception, WriteError)
    again = CliRunner().invoke(app, [*words, "--overwrite", "--quiet"])
    assert again.exit_code == 0, again.output
    assert (out / "notes.txt").read_text() == "ours"
    after = {path: path.read_bytes() for path in day_toml.parent.rglob("*") if path.is_file()}
    assert before == after


def test_a_prepared_day_never_takes_the_place_of_a_pack(day: Day, tmp_path: Path) -> None:
    shutil.copytree(day.inserts[0].pack, tmp_path / "A")
    with pytest.raises(WriteError, match="is not a prepared day"):
        prepare(day, tmp_path / "A", overwrite=True)
    assert (tmp_path / "A" / "plan.json").is_file()


def test_a_pack_never_takes_the_place_of_a_prepared_day(prepared: Path, tmp_path: Path) -> None:
    out = tmp_path / "day"
    shutil.copytree(prepared, out)
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    plan = plan_file(STUDY, Settings(only=(Section.ENGINEER,)))
    with pytest.raises(WriteError, match="is no pack of an insert"):
        write_pack(plan, out, overwrite=True)
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before


def test_names_are_data_on_paper_and_on_the_page(day_toml: Path, tmp_path: Path) -> None:
    title = '#panic("x") <b>$x$ & "quoted" {{ 7*7 }} *bold*'
    text = DAY_TOML.replace('title = "A made day"', f"title = '{title}'")
    odd = other_day(day_toml, text.replace('"First Violins"', '"../<i>#evil[]</i>"'))
    prepare(odd, tmp_path / "out", overwrite=False)
    page = (tmp_path / "out" / "day-sheet.html").read_text(encoding="utf-8")
    assert "<b>$x$" not in page
    assert "<i>#evil" not in page
    assert "{{ 7*7 }}" in page
    assert len(list((tmp_path / "out" / "folders").glob("*.pdf"))) == FOLDERS + 1


@pytest.mark.parametrize("noise_db", [-20.0, 0.0])
def test_bleed_of_the_ticks_tells_the_insert_and_its_place(prepared: Path, noise_db: float) -> None:
    """Noise is stated against the tick's power in the bleed; ticks bleed 40 dB below full scale."""
    document = json.loads((prepared / "day.json").read_text())
    chance = np.random.default_rng(11)
    patterns = []
    for told in document["inserts"]:
        sound = soundfile.read(prepared / told["click"])[0]
        patterns.append(sound[: told["tick_frames"][-1] + 500])
    for number, told in enumerate(document["inserts"]):
        click = soundfile.read(prepared / told["click"])[0][: told["phrase_start_frame"]]
        burst = click[: round(document["tick_s"] * told["rate"])]
        heard = np.concatenate([np.zeros(30_011), click, np.zeros(60_000)]) * 0.01
        level = 0.01 * np.sqrt(np.mean(burst**2)) * 10 ** (noise_db / 20)
        heard += chance.normal(0.0, level, heard.size)
        scores = [scipy.signal.fftconvolve(heard, each[::-1], mode="valid") for each in patterns]
        best = max(range(len(scores)), key=lambda k: float(scores[k].max()))
        assert best == number
        assert abs(int(scores[best].argmax()) - 30_011) <= 2


def test_the_day_toml_of_the_guide_is_read_as_it_is_printed(tmp_path: Path) -> None:
    (printed,) = re.findall(r"```toml\n(.*?)```", (DOCS / "day.md").read_text(), re.DOTALL)
    (tmp_path / "day.toml").write_text(printed)
    read = read_day_file(tmp_path / "day.toml")
    assert [entry.folder for entry in read.pack] == ["packs/A", "packs/B"]
    assert read.person[1].desks == 4


def test_the_takes_json_of_the_guide_is_read_as_it_is_printed(tmp_path: Path) -> None:
    (printed,) = re.findall(r"```json\n(.*?)```", (DOCS / "day.md").read_text(), re.DOTALL)
    (tmp_path / "takes.json").write_text(printed)
    assert read_takes(tmp_path / "takes.json").takes[0].lateness_ms == 24
