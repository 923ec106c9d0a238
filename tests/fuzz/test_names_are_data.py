"""Names out of a file are data: they escape no folder, no page, no table and no typesetter."""

import csv
import io
import re
import shutil
import subprocess
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import mido
import pytest
from lxml import etree

from retro.model.settings import Settings
from retro.pack.write import write_pack
from retro.plan.compose import plan_song
from retro.read.midi import read_song_bytes

HOSTILE = (
    "../../x",
    "/etc/passwd",
    "CON",
    "nul.txt",
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(1)</script>",
    "]]> <!-- & &amp; \" '",
    "=1+1",
    "+cmd|'/C calc'!A0",
    "@SUM(1)",
    '#read("/etc/passwd")',
    "$ #sys #import \\u{0} *x* _y_",
    "",
    " ",
    "Horn",
    "Horn",
    "x" * 5_000,
    "\u202efl\u0627\u0644\u0639\u0648\u062f",
    "\U0001f3bb\U0001f4a5 e\u0301",
    "a\x00b\x07c\x1b[31m",
    "line\nbreak\r\n\tand tab",
)
PLAIN = tuple(f"Line {number}" for number in range(len(HOSTILE)))


def midi_named(names: tuple[str, ...], title: str) -> bytes:
    file = mido.MidiFile(type=1, ticks_per_beat=480, charset="utf-8")
    file.tracks.append(mido.MidiTrack([mido.MetaMessage("track_name", name=title)]))
    for number, name in enumerate(names):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
        track.append(mido.Message("note_on", note=60 + number % 12, velocity=80))
        track.append(mido.Message("note_off", note=60 + number % 12, time=1920))
        file.tracks.append(track)
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def pack_of(names: tuple[str, ...], title: str, folder: Path) -> Path:
    folder.mkdir()
    song = read_song_bytes(midi_named(names, title), "song.mid")
    write_pack(plan_song(song, replace(Settings(), count_in_bars=1)), folder / "pack")
    return folder


@pytest.fixture(scope="module")
def packs(tmp_path_factory) -> tuple[Path, Path]:
    """Return a folder with a pack of hostile names, and one of plain names."""
    root = tmp_path_factory.mktemp("names")
    hostile = pack_of(HOSTILE, "</title><script>alert(1)</script> =1+1", root / "hostile")
    return hostile, pack_of(PLAIN, "Plain", root / "plain")


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.handlers += [name for name, _ in attrs if name.startswith("on")]


def tags_of(page: Path) -> _Tags:
    tags = _Tags()
    tags.feed(page.read_text(encoding="utf-8"))
    return tags


def test_nothing_is_written_outside_of_the_pack(packs):
    for folder in packs:
        assert [path.name for path in folder.iterdir()] == ["pack"]


def test_file_names_are_safe_on_every_system_and_told_apart(packs):
    names = [path.name for path in (packs[0] / "pack").rglob("*")]
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]*(\.[a-z0-9]+)?", name) for name in names)
    assert max(map(len, names)) < 80
    parts = list((packs[0] / "pack" / "copyist" / "parts").glob("*.musicxml"))
    assert len(parts) == len(HOSTILE)


def test_the_sheet_has_no_element_that_a_name_brought(packs):
    hostile, plain = (tags_of(folder / "pack" / "sheet.html") for folder in packs)
    assert hostile.handlers == plain.handlers == []
    for tag in ("script", "img", "style", "iframe", "title", "svg"):
        assert hostile.tags[tag] == plain.tags[tag], tag


def test_pictures_and_scores_are_well_formed_and_hold_the_names_as_text(packs):
    pack = packs[0] / "pack"
    for path in (*pack.rglob("*.svg"), *pack.rglob("*.musicxml")):
        root = etree.fromstring(path.read_bytes())
        tags = {etree.QName(element).localname for element in root.iter(etree.Element)}
        assert not tags & {"script", "img", "foreignObject"}, path
    score = etree.fromstring((pack / "copyist" / "score.musicxml").read_bytes())
    printed = {name.text for name in score.iter("part-name")}
    assert "<img src=x onerror=alert(1)>" in printed
    assert '#read("/etc/passwd")' in printed


def test_no_cell_of_a_table_is_a_formula(packs):
    tables = list((packs[0] / "pack").rglob("*.csv"))
    assert tables
    for path in tables:
        for row in csv.reader(path.read_text(encoding="utf-8").splitlines()):
            for cell in row:
                assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell
                assert not cell.startswith("-") or re.fullmatch(r"-[\d./]+", cell), cell


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext (poppler-utils)")
def test_the_typesetter_runs_no_name(packs):
    parts = packs[0] / "pack" / "copyist" / "parts"
    texts = {
        path.name: subprocess.run(
            ["pdftotext", str(path), "-"], capture_output=True, check=True
        ).stdout.decode()
        for path in sorted(parts.glob("*.pdf"))
    }
    assert len(texts) == len(HOSTILE)
    assert any('#read("/etc/passwd")' in text.replace("“", '"') for text in texts.values())
    assert not any("root:" in text for text in texts.values())
