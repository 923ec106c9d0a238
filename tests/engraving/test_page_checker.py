"""The page checker finds what is wrong on purpose, and nothing on a good page."""

import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from retro.engraving.engrave import LaidOut, Sheet, lay_out
from retro.engraving.layout import Kind
from retro.model.settings import PaperSize
from tests.engraving import paper_material
from tests.engraving.page_checker.bars import read_parts
from tests.engraving.page_checker.findings import Finding
from tests.engraving.page_checker.ink import SPACE, read_picture
from tests.engraving.page_checker.look import in_picture
from tests.engraving.page_checker.places import misplaced
from tests.engraving.page_checker.signs import wrong_signs
from tests.engraving.page_checker.values import wrong_values

LEVEL = (
    '<direction placement="below"><direction-type><dynamics><mf/></dynamics></direction-type>'
    "</direction>"
)
LETTER = (
    '<direction placement="above"><direction-type><rehearsal enclosure="rectangle">A</rehearsal>'
    "</direction-type></direction>"
)
TEXTS = {"song": "Song", "insert": "Insert A", "player": "Violin", "replaces": "bars 1-4"}


def sheet_of(bars: list[str], kind: Kind = Kind.PART) -> Sheet:
    """A part of some bars of 4/4 in C."""
    bars = [paper_material.attributes(0, opening=True) + bars[0], *bars[1:]]
    music = paper_material.document([("Violin", "Vln.", bars)])
    return Sheet(musicxml=music, kind=kind, paper=PaperSize.A4, **TEXTS)


def four(*steps: str, extra: str = "", octave: int = 5) -> str:
    return "".join(paper_material.note(step, octave, 12, extra) for step in steps)


GOOD = [
    LETTER + LEVEL + four("C", "D", "E", "F"),
    paper_material.words("off 3") + four("E", "D", "C", "D"),
    four("G", "A", "B", "C"),
    four("C", "B", "A", "G", octave=4),
]

SLURRED = '<notations><slur type="{}" number="1"/></notations>'
BUSY = [
    LETTER
    + LEVEL
    + paper_material.note("C", 5, 12, SLURRED.format("start"))
    + paper_material.note("D", 5, 12, SLURRED.format("stop"))
    + four("E", "F"),
    paper_material.words("off 3")
    + paper_material.note("F", 5, 6)
    .replace("</step>", "</step><alter>1</alter>")
    .replace("</type>", "</type><accidental>sharp</accidental>")
    + "<note><rest/><duration>18</duration><voice>1</voice><type>quarter</type><dot/></note>"
    + four("D", "E", octave=4),
    paper_material.bar(5),
    paper_material.note("A", 4, 6, '<beam number="1">begin</beam>')
    + paper_material.note("B", 4, 6, '<beam number="1">end</beam>')
    + four("C", "D", "E"),
]


def seen(sheet: Sheet, change: Callable[[str], str] = lambda picture: picture) -> list[Finding]:
    """What is found on the pages of a sheet whose pictures are changed."""
    laid_out = lay_out(sheet)
    laid_out = replace(laid_out, pictures=tuple(change(p) for p in laid_out.pictures))
    return looked(sheet, laid_out)


def looked(sheet: Sheet, laid_out: LaidOut) -> list[Finding]:
    pictures = [read_picture(picture) for picture in laid_out.pictures]
    found = [finding for _, finding in misplaced(sheet, laid_out, pictures)]
    for picture in pictures:
        found += in_picture(sheet, picture, "line")
    return found


def read(*bars: str) -> list[Finding]:
    """What is found in the signs and values of some bars."""
    found: list[Finding] = []
    for part in read_parts(sheet_of(list(bars)).musicxml):
        found += [*wrong_signs(part), *wrong_values(part)]
    return found


def moved(kind: str, dx: float, dy: float) -> Callable[[str], str]:
    """A change that moves the first sign of a kind by so many staff spaces."""

    def change(picture: str) -> str:
        start = re.search(rf'<g [^>]*class="{kind}[ "]', picture)
        shift = f'<g transform="translate({dx * SPACE:.0f}, {dy * SPACE:.0f})">'
        depth, at = 0, start.start()
        for tag in re.finditer(r"<g[ >]|</g>", picture[at:]):
            # An empty element closes itself.
            closes = picture[at + tag.start() : picture.index(">", at + tag.start()) + 1]
            depth += -1 if tag[0] == "</g>" else 0 if closes.endswith("/>") else 1
            if depth == 0:
                end = at + tag.end()
                return picture[:at] + shift + picture[at:end] + "</g>" + picture[end:]
        raise AssertionError(kind)

    return change


def test_a_good_page_has_no_findings():
    assert seen(sheet_of(GOOD)) == []
    assert read(*GOOD) == []


def test_pictures_are_taken_apart_whole():
    picture = read_picture(lay_out(sheet_of(GOOD)).pictures[0])
    kinds = {
        kind: sum(ink.kind == kind for ink in picture.ink) for kind in ("head", "stem", "clef")
    }
    assert kinds == {"head": 16, "stem": 16, "clef": 1}
    assert [ink.words for ink in picture.ink if ink.kind == "words"] == (
        ["off", "3", "A2", "A3", "A4"]
    )
    assert not any(ink.kind == "other" for ink in picture.ink)
    assert picture.bars == 4


def on_top(sign: str, kind: str, target: str) -> Callable[[str], str]:
    """A change that moves the first sign of a kind onto the last shape of another."""

    def change(picture: str) -> str:
        ink = read_picture(picture).ink
        one = next(shape for shape in ink if shape.kind == kind)
        other = [shape for shape in ink if shape.kind == target][-1]
        dx, dy = (
            (other.box[side] + other.box[side + 2] - one.box[side] - one.box[side + 2]) / 2 / SPACE
            for side in (0, 1)
        )
        # Not quite, so that two heads are not taken for one.
        return moved(sign, dx + 0.3, dy + 0.2)(picture)

    return change


@pytest.mark.parametrize(
    ("sign", "kind", "target"),
    [
        ("note", "head", "head"),
        ("notehead", "head", "stem"),
        ("stem", "stem", "head"),
        ("dir", "words", "head"),
        ("dir", "words", "stem"),
        ("dir", "words", "staff line"),
        ("dir", "words", "dynamics"),
        ("dynam", "dynamics", "head"),
        ("dynam", "dynamics", "words"),
        ("reh", "rehearsal mark", "head"),
        ("clef", "clef", "head"),
        ("accid", "accidental", "head"),
        ("beam", "beam", "head"),
        ("flag", "flag", "beam"),
        ("rest", "rest", "head"),
        ("slur", "slur", "words"),
        ("meterSig", "meter", "head"),
        ("tupletNum", "tuplet", "head"),
    ],
)
def test_ink_over_ink_is_found(sign, kind, target):
    sheet = sheet_of(BUSY)
    assert seen(sheet) == []
    found = [f for f in seen(sheet, on_top(sign, kind, target)) if f.kind == "ink over ink"]
    pair = " and ".join(sorted((kind, target)))
    assert any(finding.what.startswith(f"{pair}:") for finding in found)


def test_a_hairpin_over_a_level_is_found():
    bar = wedge("crescendo") + four("C", "D", "E", "F") + wedge("stop") + LEVEL
    sheet = sheet_of([bar, GOOD[1]])
    assert seen(sheet) == []
    found = seen(sheet, on_top("dynam", "dynamics", "hairpin"))
    assert [finding.what.split(":")[0] for finding in found] == ["dynamics and hairpin"] * len(
        found
    )
    assert found


def test_two_words_over_each_other_are_found():
    bars = [paper_material.words("one") + GOOD[1], paper_material.words("two") + GOOD[2]]
    found = seen(sheet_of(bars), on_top("dir", "words", "words"))
    assert any("words and words" in finding.what for finding in found)


def test_a_letter_that_as_good_as_touches_a_head_is_found():
    laid_out = lay_out(sheet_of(GOOD))
    picture = read_picture(laid_out.pictures[0])
    head = next(ink for ink in picture.ink if ink.kind == "head")
    frame = [ink.box for ink in picture.ink if ink.kind == "rehearsal mark" and not ink.words]
    right, bottom = max(box[2] for box in frame), max(box[3] for box in frame)
    dx = (head.box[0] - right) / SPACE - 0.08
    dy = (head.box[1] + head.box[3] - 2 * bottom) / 2 / SPACE + 1.0
    found = seen(sheet_of(GOOD), moved("reh", dx, dy))
    assert any("as good as touching" in finding.what for finding in found)


def test_words_over_the_margin_are_found():
    found = seen(sheet_of(GOOD), moved("dir", 60.0, -1.0))
    assert "text over the margin" in {finding.kind for finding in found}


def test_a_running_text_over_the_margin_is_found():
    laid_out = lay_out(sheet_of(GOOD))
    first = tuple(replace(line, x_mm=line.x_mm + 150.0) for line in laid_out.texts[0])
    found = looked(sheet_of(GOOD), replace(laid_out, texts=(first,)))
    assert "Song" in {f.what for f in found if f.kind == "text over the margin"}


def test_heads_below_the_page_are_found():
    laid_out = lay_out(sheet_of(GOOD))
    low = replace(laid_out.pages[0], tops_mm=(laid_out.paper.height_mm - 25.0,))
    kinds = {finding.kind for finding in looked(sheet_of(GOOD), replace(laid_out, pages=(low,)))}
    assert "head over the margin" in kinds


def test_lines_over_each_other_are_found():
    sheet = sheet_of(GOOD * 6)
    laid_out = lay_out(sheet)
    page = laid_out.pages[0]
    tops = tuple(page.tops_mm[0] + 3.0 * n for n in range(len(page.tops_mm)))
    close = replace(laid_out, pages=(replace(page, tops_mm=tops), *laid_out.pages[1:]))
    assert len(tops) > 1
    assert "lines over each other" not in {finding.kind for finding in looked(sheet, laid_out)}
    assert "lines over each other" in {finding.kind for finding in looked(sheet, close)}


def test_music_over_the_title_is_found():
    laid_out = lay_out(sheet_of(GOOD))
    high = replace(laid_out.pages[0], tops_mm=(22.0,))
    found = looked(sheet_of(GOOD), replace(laid_out, pages=(high,)))
    assert any("running text 'Song'" in finding.what for finding in found)


def test_a_line_of_a_score_without_notes_is_found():
    rests = [paper_material.REST] * 40
    sheet = sheet_of([*rests, *GOOD], Kind.SCORE)
    assert "empty system" in {finding.kind for finding in seen(sheet)}
    assert "empty system" not in {finding.kind for finding in seen(sheet_of(GOOD, Kind.SCORE))}


@pytest.mark.parametrize(("octave", "count"), [(6, 0), (7, 4)])
def test_ledger_lines_are_counted(octave, count):
    found = seen(sheet_of([four("C", "D", "E", "F", octave=octave), GOOD[1]]))
    found = [finding for finding in found if finding.kind == "too many ledger lines"]
    assert [finding.what for finding in found] == [
        "5 of them",
        "6 of them",
        "6 of them",
        "7 of them",
    ][:count]


def altered(step: str, alter: int) -> str:
    note = paper_material.note(step, 4, 12)
    return note.replace("</step>", f"</step><alter>{alter}</alter>")


@pytest.mark.parametrize(
    ("fifths", "step", "alter", "wrong"),
    [
        (0, "F", 1, False),
        (0, "G", -1, False),
        (0, "E", 1, True),
        (-4, "G", 1, True),
        (-4, "A", -1, False),
        (-2, "D", 1, True),
        (5, "E", -1, True),
        (7, "B", 1, False),
        (7, "C", 0, True),
    ],
)
def test_signature_notes_that_are_spelled_otherwise_are_found(fifths, step, alter, wrong):
    found = read(paper_material.attributes(fifths) + altered(step, alter))
    assert [finding.kind for finding in found] == ["signature note spelled otherwise"] * wrong


def test_a_key_holds_from_its_bar_on():
    before, after = altered("G", 1) * 4, paper_material.attributes(-4) + altered("G", 1)
    assert len(read(before, after)) == 1


def slur(kind: str, number: int = 1) -> str:
    return f'<notations><slur type="{kind}" number="{number}"/></notations>'


def notes(*extras: str, voice: int = 1) -> str:
    made = [paper_material.note("CDEF"[n], 5, 12, extra) for n, extra in enumerate(extras)]
    return "".join(made).replace("<voice>1<", f"<voice>{voice}<")


BACK = "<backup><duration>48</duration></backup>"


@pytest.mark.parametrize(
    ("bar", "what"),
    [
        (notes(slur("start"), "", slur("stop"), ""), None),
        (notes(slur("start"), slur("stop") + slur("start"), slur("stop"), ""), None),
        (notes(slur("start"), "", "", ""), "slur 1 never ends"),
        (notes("", slur("stop"), "", ""), "a slur ends that never began"),
        (notes(slur("start"), slur("start"), slur("stop"), ""), "slur 1 begins while 1 is open"),
        (
            notes(slur("start"), slur("start", 2), slur("stop"), slur("stop", 2)),
            "two slurs of a voice cross",
        ),
        (
            notes(slur("start"), "", "", "") + BACK + notes("", slur("stop"), "", "", voice=2),
            "a slur joins two voices or staves",
        ),
        (
            notes("", "", slur("start"), "") + BACK + notes("", slur("stop"), "", "", voice=2),
            "a slur joins two voices or staves",
        ),
    ],
)
def test_wrong_slurs_are_found(bar, what):
    found = {finding.what for finding in read(bar)}
    assert what in found if what else not found


START, STOP = '<tie type="start"/>', '<tie type="stop"/>'


def held(values: list[tuple[int, str]], extra: str = "") -> str:
    """One pitch in some values (12 a quarter, with what is said of ties), or rests."""
    made = []
    for duration, ties in values:
        kind = {48: "whole", 24: "half", 36: "half", 12: "quarter", 18: "quarter"}.get(
            duration, "eighth"
        )
        what = "<pitch><step>G</step><octave>4</octave></pitch>" if ties != "r" else "<rest/>"
        said = "" if ties == "r" else ties
        made.append(
            f"<note>{what}<duration>{duration}</duration>{said}<voice>1</voice>"
            f"<type>{kind}</type>{'<dot/>' * (duration in (36, 18))}{extra}</note>"
        )
    return "".join(made)


@pytest.mark.parametrize(
    ("values", "what"),
    [
        ([(24, START), (24, STOP)], "tie chain longer than needed"),
        ([(24, START), (12, STOP), (12, "")], "tie chain longer than needed"),
        ([(24, START), (12, STOP + START), (12, STOP)], "tie chain longer than needed"),
        ([(12, ""), (12, START), (24, STOP)], None),
        ([(6, ""), (6, START), (12, STOP), (24, "")], None),
        ([(24, ""), (12, START), (12, STOP)], "tie chain longer than needed"),
        ([(24, START), (24, "")], "wrong tie"),
        ([(24, ""), (24, STOP)], "wrong tie"),
    ],
)
def test_needless_and_wrong_ties_are_found(values, what):
    found = {finding.kind for finding in read(held(values))}
    assert found == ({what} if what else set())


def test_a_tie_between_two_spellings_is_found():
    bar = held([(24, START), (24, STOP)])
    second = bar.rindex("<step>G</step>")
    bar = f"{bar[:second]}<step>F</step><alter>2</alter>{bar[second + len('<step>G</step>') :]}"
    assert "wrong tie" in {finding.kind for finding in read(bar)}


@pytest.mark.parametrize(("first", "wrong"), [(24, True), (36, False)], ids=["16th", "32nd"])
def test_a_value_over_the_half_of_a_beat_is_long_between_two_shorts(first, wrong):
    # 96 a quarter: what begins a 16th after the beat goes over its half, a 32nd is tied there.
    values = [(first, ""), (48 - first, START), (48 - first, STOP), (first, "")]
    bar = "<attributes><divisions>96</divisions></attributes>" + held(values + [(96, "")] * 3)
    found = [finding.kind for finding in read(bar)]
    assert found == ["tie chain longer than needed"] * wrong


def fives(*values: tuple[int, str]) -> str:
    """Values in a quintuplet of a beat, 60 divisions a quarter."""
    ratio = (
        "<time-modification><actual-notes>5</actual-notes><normal-notes>4</normal-notes>"
        "</time-modification>"
    )
    return "<attributes><divisions>60</divisions></attributes>" + held(list(values), ratio)


@pytest.mark.parametrize(
    ("values", "wrong"),
    [
        ([(24, ""), (24, ""), (12, START), (12, STOP), (24, ""), (24, "")], True),
        ([(12, ""), (12, ""), (24, ""), (12, START), (12, STOP), (24, ""), (24, "")], False),
        ([(12, START), (12, STOP), (24, ""), (12, ""), (24, ""), (24, ""), (12, "")], True),
    ],
)
def test_two_quintuplets_for_one_are_found(values, wrong):
    found = [finding.kind for finding in read(fives(*values))]
    assert found == ["tie chain longer than needed"] * wrong


@pytest.mark.parametrize(
    ("values", "wrong"),
    [
        ([(24, "r"), (24, "")], False),
        ([(12, ""), (24, "r"), (12, "")], True),
        ([(6, ""), (12, "r"), (6, ""), (24, "")], True),
        ([(12, ""), (12, "r"), (24, "")], False),
        ([(36, "r"), (12, "")], False),
        ([(6, ""), (18, "r"), (24, "")], True),
    ],
)
def test_rests_across_beats_are_found(values, wrong):
    found = [finding.kind for finding in read(held(values))]
    assert found == ["rest across a beat"] * wrong


def test_the_groups_of_an_uneven_bar_are_its_beats():
    meter = "<attributes><time><beats>7</beats><beat-type>8</beat-type></time></attributes>"
    long_first, long_last = paper_material.words("3+2+2"), paper_material.words("2+2+3")
    bar = held([(12, ""), (12, "r"), (18, "")])
    assert [finding.kind for finding in read(meter + long_first + bar)] == ["rest across a beat"]
    assert read(meter + long_last + bar) == []


def wedge(kind: str, more: str = "") -> str:
    return (
        f'<direction placement="below"><direction-type><wedge type="{kind}"{more}/>'
        "</direction-type></direction>"
    )


@pytest.mark.parametrize(
    ("parts", "what"),
    [
        ((wedge("crescendo"), wedge("stop") + LEVEL), None),
        ((wedge("crescendo"), wedge("stop") + wedge("diminuendo"), wedge("stop") + LEVEL), None),
        ((wedge("diminuendo"), wedge("stop", ' niente="yes"')), None),
        ((wedge("crescendo"), wedge("stop")), "a hairpin ends without a level"),
        ((wedge("crescendo"), "", LEVEL), "a hairpin never ends"),
        (("", wedge("stop") + LEVEL), "a hairpin ends that never began"),
        ((wedge("crescendo"), wedge("crescendo"), wedge("stop") + LEVEL), "inside another"),
    ],
)
def test_hairpins_that_lead_nowhere_are_found(parts, what):
    bar = "".join(said + paper_material.note("C", 5, 12) for said in parts)
    found = [finding.what for finding in read(bar, GOOD[1])]
    assert any(what in each for each in found) if what else not found
