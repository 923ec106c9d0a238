"""Printed pages, looked at from outside: in the PDF, in its text, and in its picture."""

import base64
import re
import shutil
import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest
import verovio

from retro.engraving import fonts
from retro.engraving.engrave import Sheet, engrave_pdf, lay_out
from retro.engraving.engraver_input import TEMPO_PT, ready, with_gathered_rests
from retro.engraving.fonts import TEMPO_MARKS_DIR, Lettering, one_line, tempo_marks_css
from retro.engraving.layout import PAPERS, Kind
from retro.engraving.pictures import Frame, measure, ready_picture
from retro.errors import ReadError
from retro.model.settings import PaperSize
from retro.units import points_to_mm
from tests.engraving import paper_material
from tests.engraving.make_tempo_marks import draw, outlines

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="the PDF is read back with poppler-utils"
)
DPI = 300
PARTS_WITHOUT_NAMES = b"<score-partwise><part-list/><part id='a'><measure/></part></score-partwise>"


def sheet(musicxml: bytes, kind: Kind = Kind.PART, **changes: object) -> Sheet:
    texts = {"song": "Étude", "insert": "Insert A", "player": "Horn in F 1", "replaces": "bars 1-4"}
    return Sheet(
        musicxml=musicxml, **{"kind": kind, "paper": PaperSize.CONCERT, **texts, **changes}
    )


def objects(pdf: bytes) -> bytes:
    """The PDF with its compressed streams laid open."""
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL)
    opened = []
    for stream in streams:
        try:
            opened.append(zlib.decompress(stream))
        except zlib.error:
            continue
    return pdf + b"".join(opened)


@pytest.fixture
def machine_without_fonts(monkeypatch):
    carried = fonts.fonts()
    monkeypatch.setattr(fonts, "fonts", lambda **_: carried)
    fonts._covered.cache_clear()
    yield
    fonts._covered.cache_clear()


def text(pdf: bytes, tmp_path: Path) -> str:
    (tmp_path / "page.pdf").write_bytes(pdf)
    command = ["pdftotext", "-layout", "page.pdf", "-"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True)
    return done.stdout.decode()


def picture(pdf: bytes, tmp_path: Path) -> np.ndarray:
    """First page as grey levels, rows downwards, at `DPI`."""
    (tmp_path / "page.pdf").write_bytes(pdf)
    command = ["pdftoppm", "-r", str(DPI), "-gray", "-f", "1", "-l", "1", "page.pdf"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True)
    _, width, height, _, rest = re.split(rb"\s+", done.stdout, maxsplit=4)[:5]
    return np.frombuffer(rest[-int(width) * int(height) :], np.uint8).reshape(
        int(height), int(width)
    )


def staff_height_mm(page: np.ndarray) -> float:
    """Height of the first staff: from its first long black line to its fifth, centre to centre."""
    dark = (page < 128).mean(axis=1) > 0.6
    rows = np.flatnonzero(dark)
    lines = [run.mean() for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)]
    return float(lines[4] - lines[0]) / DPI * 25.4


@needs_poppler
@pytest.mark.parametrize("size", PaperSize)
def test_the_printed_staff_has_the_height_that_is_stated(size, tmp_path):
    page = picture(engrave_pdf(sheet(paper_material.part(), paper=size)), tmp_path)
    assert staff_height_mm(page) == pytest.approx(PAPERS[size].part_staff_mm, abs=0.1)


@needs_poppler
@pytest.mark.parametrize("size", PaperSize)
def test_nothing_is_printed_in_the_outer_three_quarters_of_an_inch(size, tmp_path):
    """Margins by the librarians' guidelines (from memory; docs/pages.md)."""
    for music in (paper_material.part(bars=60), paper_material.harp()):
        page = picture(engrave_pdf(sheet(music, paper=size)), tmp_path)
        edge = int(0.75 * DPI)
        assert page[edge:-edge, edge:-edge].min() < 50
        blank = page.copy()
        blank[edge:-edge, edge:-edge] = 255
        assert blank.min() > 200


def test_the_same_sheet_gives_the_same_bytes():
    for music, kind in (
        (paper_material.part(), Kind.PART),
        (paper_material.score(), Kind.SCORE),
        (paper_material.part(bars=4, rests=(1, 2, 3, 4)), Kind.NOTICE),
    ):
        assert engrave_pdf(sheet(music, kind)) == engrave_pdf(sheet(music, kind))


def test_no_date_and_no_place_is_in_the_file():
    pdf = objects(engrave_pdf(sheet(paper_material.part())))
    assert b"CreationDate" not in pdf
    assert str(Path.cwd()).encode() not in pdf


def test_every_font_is_embedded_and_nothing_is_a_bitmap():
    pdf = objects(engrave_pdf(sheet(paper_material.part())))
    fonts = set(re.findall(rb"/BaseFont\s*/[A-Z]{6}\+([A-Za-z-]+)", pdf))
    assert {f.split(b"-")[0] for f in fonts} == {b"LibertinusSerif", b"RetroTempoMarks"}
    described = re.findall(rb"/Type\s*/FontDescriptor", pdf)
    assert len(described) == pdf.count(b"/FontFile3") == 4
    assert b"/Subtype/Image" not in pdf


@needs_poppler
def test_pages_carry_song_insert_player_and_their_number(tmp_path):
    pdf = engrave_pdf(sheet(paper_material.part(bars=100), paper=PaperSize.A4))
    pages = text(pdf, tmp_path).split("\f")[:-1]
    assert len(pages) > 1
    for number, page in enumerate(pages, start=1):
        assert f"{number} of {len(pages)}" in page
        for running in ("Étude", "Insert A", "Horn in F 1"):
            assert running in page


@needs_poppler
def test_each_line_begins_with_its_bar_number(tmp_path):
    lines = lay_out(sheet(paper_material.part(bars=30))).pictures
    numbers = [re.findall(r'class="mNum[^>]*>.*?px">([^<]+)<', picture) for picture in lines]
    assert all(len(found) == 1 for found in numbers)
    printed = text(engrave_pdf(sheet(paper_material.part(bars=30))), tmp_path)
    assert "A1" in printed.split()


@needs_poppler
@pytest.mark.parametrize(
    "title",
    [
        '#read("x")',
        "*a* _b_ `c`",
        "<img src=x onerror=y>",
        "$x^2$ \\ [b] @c",
        'say "no" {d}',
        "&amp;",
    ],
)
def test_titles_are_text_whatever_they_look_like(title, tmp_path):
    music = paper_material.part(first_words=title)
    found = text(engrave_pdf(sheet(music, song=title, player=title)), tmp_path)
    assert found.count(title) >= 4


@needs_poppler
@pytest.mark.parametrize("title", ["Élégie für Łódź", "Ελεγεία", "Элегия", "אלגיה"])
def test_titles_in_scripts_that_the_fonts_have_are_printed_as_they_are(title, tmp_path):
    found = text(engrave_pdf(sheet(paper_material.part(), song=title)), tmp_path)
    assert title in found or title[::-1] in found
    assert "Latin letters stand" not in found


@pytest.mark.usefixtures("machine_without_fonts")
def test_letters_that_no_font_has_are_written_in_latin_ones():
    lettering = Lettering.of("夢の中 no. 2", "Été Ωδή Симфония שלום")
    assert lettering.print("夢の中 no. 2") == "MengnoZhong no. 2"
    assert lettering.print("Été Ωδή Симфония שלום") == "Été Ωδή Симфония שלום"
    assert not lettering.system


def test_texts_are_printed_on_one_line_without_control_characters():
    assert one_line(" a\r\n\tb\x00\x1b\u202ec\ud800 \u00a0 ") == "a bc"
    assert one_line("\u0645\u06cc\u200c\u062e") == "\u0645\u06cc\u200c\u062e"
    assert engrave_pdf(sheet(paper_material.part(), song="a\nb\ud800", player="\x00")).startswith(
        b"%PDF"
    )


@needs_poppler
@pytest.mark.usefixtures("machine_without_fonts")
def test_a_page_with_latin_stand_ins_says_so(tmp_path):
    found = text(engrave_pdf(sheet(paper_material.part(), song="夢", player="ホルン 1")), tmp_path)
    assert "Latin letters stand for letters that no font on this machine has." in found
    assert "Meng" in found
    assert "horun 1" in found
    assert "夢" not in found


def test_the_tempo_marks_are_drawn_from_the_outlines_that_the_engraver_carries():
    assert len(outlines()) > 30
    assert (TEMPO_MARKS_DIR / "tempo-marks.otf").read_bytes() == draw()


def test_every_staff_of_a_score_gets_its_own_key_change():
    laid = lay_out(sheet(paper_material.score(change=4, by=3), Kind.SCORE))
    music = "".join(laid.pictures)
    bars = re.split(r'<g id="[^"]*" class="measure"', music)[1:]
    staves = re.split(r'<g id="[^"]*" class="staff"', bars[3])[1:]
    sharps = [len(re.findall('class="keyAccid"', stave)) for stave in staves]
    naturals_of_f = 1  # the staves in one flat show its natural as well, or nothing
    wanted = [2, 4, 3, 2]
    assert all(
        0 <= found - want <= naturals_of_f for found, want in zip(sharps, wanted, strict=True)
    )


@needs_poppler
def test_bars_of_rest_are_gathered_in_a_part_and_keep_what_is_said_at_their_beginning(tmp_path):
    music = paper_material.part(bars=9, rests=(1, 2, 3, 4, 6, 7), first_words="wait for the click")
    found = text(engrave_pdf(sheet(music)), tmp_path)
    assert "wait for the click" in found
    assert "= 66" in found.replace("\u00a0", " ")
    mei = gathered(music)
    assert re.findall('multiRest[^>]* num="([0-9]+)"', mei) == ["4", "2"]
    assert re.findall('<measure[^>]* n="([^"]+)"', mei) == ["A1", "A5", "A6", "A8", "A9"]


def test_a_bar_of_rest_that_says_something_begins_a_new_multi_bar_rest():
    music = paper_material.part(bars=6, rests=(2, 3, 4, 5))
    bars = music.split(b"<measure ")
    bars[4] = bars[4].replace(b"><note", b">" + paper_material.words("cue").encode() + b"<note", 1)
    assert re.findall('multiRest[^>]* num="([0-9]+)"', gathered(b"<measure ".join(bars))) == [
        "2",
        "2",
    ]


def test_steps_of_a_ritardando_that_are_not_printed_do_not_part_a_multi_bar_rest():
    music = paper_material.part(bars=6, rests=(2, 3, 4, 5))
    for number in (3, 4, 5):
        bar, step = b'<measure number="A%d">' % number, b'<sound tempo="%d"/>' % (90 - number)
        music = music.replace(bar, bar + step)
    assert re.findall('multiRest[^>]* num="([0-9]+)"', gathered(music)) == ["4"]
    assert ready(music, alone=True).gathers


def test_bars_of_the_count_in_are_not_gathered():
    music = paper_material.part(bars=6, rests=(1, 2, 3, 4))
    for number in (b"A1", b"A2"):
        music = music.replace(b'number="%s"' % number, b'number="%s" implicit="yes"' % number)
    assert re.findall('multiRest[^>]* num="([0-9]+)"', gathered(music)) == ["2"]
    only_count_in = paper_material.part(bars=4, rests=(1, 2)).replace(
        b'number="A2"', b'number="A2" implicit="yes"'
    )
    assert not ready(only_count_in, alone=True).gathers


def gathered(music: bytes) -> str:
    toolkit = verovio.toolkit()
    toolkit.setOptions({"breaks": "none"})
    assert toolkit.loadData(ready(music, alone=True).musicxml)
    return with_gathered_rests(toolkit.getMEI())


def test_a_layout_says_for_how_many_bars_each_drawn_bar_stands():
    music = paper_material.part(bars=9, rests=(1, 2, 3, 4, 6, 7))
    assert lay_out(sheet(music)).held == (4, 1, 2, 1, 1)
    assert lay_out(sheet(music, Kind.SCORE)).held == (1,) * 9


def test_bars_of_rest_stay_apart_in_the_score():
    music = paper_material.part(bars=8, rests=(2, 3, 4, 6, 7))
    assert ready(music, alone=True).gathers
    assert not ready(music, alone=False).gathers


@needs_poppler
@pytest.mark.parametrize("every", [7, 11, 13])
def test_pages_are_turned_in_rests(every, tmp_path):
    rests = range(every, 120, every)
    music = paper_material.part(bars=120, rests=rests)
    pages = text(engrave_pdf(sheet(music, paper=PaperSize.A4)), tmp_path).split("\f")[:-1]
    firsts = [min(map(int, re.findall(r"\bA([0-9]+)\b", page))) for page in pages]
    turned_to = firsts[1::2]
    assert turned_to
    assert all(first in rests or first - 1 in rests for first in turned_to)


@needs_poppler
@pytest.mark.parametrize("kind", [Kind.PART, Kind.SCORE])
def test_every_bar_is_numbered_once(kind, tmp_path):
    # Session practice: players and conductor call for any bar.
    pages = text(engrave_pdf(sheet(paper_material.part(bars=17), kind)), tmp_path)
    numbers = [int(number) for number in re.findall(r"\bA([0-9]+)\b", pages)]
    assert sorted(numbers) == list(range(2 - (1 in numbers), 18))


@needs_poppler
@pytest.mark.parametrize("change", [2, 4, 7])
def test_a_bar_is_numbered_once_where_the_engraver_breaks_a_line_by_itself(change, tmp_path):
    # Seven sharps more make the line too wide, so that the engraver puts its last bar on the next.
    bars = [paper_material.note("C", 5, 48) for _ in range(7)]
    bars[0] = paper_material.attributes(0, opening=True) + bars[0]
    bars[change - 1] = paper_material.attributes(7) + bars[change - 1]
    music = paper_material.document([("Horn", "Hn.", bars)])
    page = text(engrave_pdf(sheet(music, Kind.NOTICE, paper=PaperSize.A4)), tmp_path)
    assert sorted(re.findall(r"\bA[0-9]\b", page)) == [f"A{number}" for number in range(1, 8)]


@needs_poppler
def test_long_words_are_folded_and_stay_on_the_page(tmp_path):
    words = "hold full value, release together on the click, let the room ring, silence after"
    bars = [paper_material.attributes(0, opening=True) + paper_material.bar(1)]
    bars += [paper_material.words(words) + paper_material.bar(n) for n in range(2, 9)]
    pdf = engrave_pdf(sheet(paper_material.document([("Horn", "Hn.", bars)])))
    page = picture(pdf, tmp_path)
    assert page[:, -int(0.75 * DPI) :].min() > 200
    assert text(pdf, tmp_path).count("silence after") == 7


def test_words_that_are_moved_from_the_edge_stand_above_the_notes_there():
    def drawn(x: int) -> str:
        head = (
            '<g class="notehead"><use href="#E0A4" transform="translate(4000, 900) scale(1, 1)"/>'
        )
        tspan = '<tspan font-size="405px">always off a 16th before the bar line</tspan>'
        words = f'<text x="{x}" y="950" font-size="0px">{tspan}</text>'
        return ready_picture(head + words, Frame(width_mm=100.0, staff_mm=8.0))

    def place(picture: str) -> tuple[float, float]:
        return tuple(map(float, re.search('<text x="([0-9]+)" y="([0-9]+)"', picture).groups()))

    assert place(drawn(0)) == (0, 950)
    x, y = place(drawn(8000))
    assert x < 4000
    assert y < 900 - 180


def test_a_comma_stands_before_where_the_engraver_puts_it():
    comma = '<g class="breath"><use href="#E4CE" transform="translate(1000, 5) scale(1, 1)"/></g>'
    made = ready_picture(comma, Frame(width_mm=100.0, staff_mm=8.0))
    assert 800 < float(re.search(r"translate\(([0-9.]+)", made)[1]) < 900


def test_drawn_elements_keep_their_names_whatever_was_drawn_before():
    named = paper_material.document(
        [
            (
                "Flute",
                "Fl.",
                [
                    paper_material.attributes(0, opening=True)
                    + paper_material.TEMPO
                    + paper_material.note("C", 5, 24, name="n1")
                    + paper_material.note("D", 5, 24, name="n2")
                ],
            )
        ]
    )
    drawn = lay_out(sheet(named)).pictures
    assert 'id="n1"' in drawn[0]
    lay_out(sheet(paper_material.harp()))
    assert lay_out(sheet(named)).pictures == drawn


def test_a_large_score_goes_to_large_paper_and_a_small_one_does_not():
    def width_pt(pdf: bytes) -> float:
        return float(re.search(rb"/MediaBox\s*\[0 0 ([0-9.]+)", objects(pdf))[1])

    small = engrave_pdf(sheet(paper_material.score(), Kind.SCORE, paper=PaperSize.LETTER))
    large = engrave_pdf(
        sheet(paper_material.score(copies=7, bars=2), Kind.SCORE, paper=PaperSize.LETTER)
    )
    assert width_pt(small) == pytest.approx(8.5 * 72)
    assert width_pt(large) == pytest.approx(11 * 72)


def test_the_screen_gets_the_tempo_marks_as_a_style_rule():
    rule = tempo_marks_css()
    font = base64.b64decode(re.search('base64,([^"]+)', rule)[1])
    assert font == (TEMPO_MARKS_DIR / "tempo-marks.otf").read_bytes()
    systems = lay_out(sheet(paper_material.part())).pictures
    assert any('font-family="Retro Tempo Marks"' in picture for picture in systems)


@pytest.mark.parametrize(
    "bad", [b"", b"<a", b"<a/>", b"<score-partwise/>", b"\x00\xff", b"MThd", PARTS_WITHOUT_NAMES]
)
def test_what_is_not_music_is_refused_in_one_line(bad):
    with pytest.raises(ReadError) as refusal:
        engrave_pdf(sheet(bad))
    assert "\n" not in str(refusal.value)


def test_tempo_marks_of_a_small_score_are_large_enough():
    laid = lay_out(sheet(paper_material.score(copies=4), Kind.SCORE))
    size = re.search(r'font-size="([0-9]+)px">[^<]*=[^<]*66', laid.pictures[0])
    assert size is not None
    size_mm = int(size[1]) / 10 / laid.frame.units_a_mm
    assert size_mm == pytest.approx(points_to_mm(TEMPO_PT), abs=0.1)


def test_a_system_that_nearly_fills_its_page_is_spread_to_the_foot():
    paper = PAPERS[PaperSize.CONCERT]
    laid = lay_out(sheet(paper_material.score(copies=4, bars=12), Kind.SCORE))
    assert len(laid.pages) == len(laid.pictures) > 1
    for number, picture in enumerate(laid.pictures):
        height_mm = measure(picture, laid.frame).height_mm
        assert height_mm == pytest.approx(laid.paper.music_height_mm(first=number == 0), abs=1)
    assert laid.paper.width_mm >= paper.width_mm


def test_the_dot_of_a_tempo_mark_stands_by_its_note():
    music = paper_material.part().replace(
        b"<beat-unit>quarter</beat-unit>", b"<beat-unit>quarter</beat-unit><beat-unit-dot/>"
    )
    (first, *_) = lay_out(sheet(music)).pictures
    assert "\ueca5\uecb7" in first
