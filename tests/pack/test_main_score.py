"""The main score: the given file with the insert in it, and every other byte as it was."""

import re
from dataclasses import replace
from pathlib import Path

import music21
import pytest
from lxml import etree
from typer.testing import CliRunner

from retro.cli import app
from retro.errors import RetroError, WindowError
from retro.model.settings import Section, Settings
from retro.musicxml.heading import Heading
from retro.musicxml.main_score import MainScore
from retro.pack.main_score import into_score
from retro.pack.write import write_pack
from retro.plan.compose import plan_song
from retro.read.target import read_song
from tests.evidence.musicxml_schema import musicxml_schema

MEASURE = re.compile(rb"<measure\b.*?</measure>", re.DOTALL)
PART = re.compile(rb"<part id=.*?</part>", re.DOTALL)

NOTE = "<note><pitch><step>{}</step><octave>4</octave></pitch><duration>8</duration>{}</note>"
REST = '<note><rest measure="yes"/><duration>8</duration></note>'
SLUR = '<notations><slur type="{}" number="1"/></notations>'
WEDGE = '<direction><direction-type><wedge type="{}"/></direction-type></direction>'
TEMPO = (
    "<direction><direction-type><words>Allegro</words></direction-type>"
    '<sound tempo="90"/></direction>'
)
FIRST = (
    "<attributes><divisions>2</divisions><key><fifths>{}</fifths></key>"
    "<time><beats>4</beats><beat-type>4</beat-type></time>{}"
    "<clef><sign>G</sign><line>2</line></clef>{}</attributes>"
)
TO_B_FLAT = "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"


def part(part_id: str, bars: list[str], attributes: str) -> str:
    measures = [
        f'\n    <measure number="{n}"><!-- {n} -->\n      {attributes if n == 1 else ""}{text}'
        "\n    </measure>"
        for n, text in enumerate(bars, start=1)
    ]
    return f'\n  <part id="{part_id}">{"".join(measures)}\n  </part>'


def score(encoding: str = "UTF-8") -> str:
    names = {"P1": "Violins I", "P2": "Clarinet in B flat", "P3": "Harp", "P4": "Tuba"}
    entries = "".join(
        f'<score-part id="{key}"><part-name>{name}</part-name></score-part>'
        for key, name in names.items()
    )
    violins = [
        NOTE.format("C", ""),
        WEDGE.format("crescendo") + NOTE.format("D", SLUR.format("start")),
        TEMPO + WEDGE.format("stop") + NOTE.format("E", SLUR.format("stop")),
        NOTE.format("F", SLUR.format("start")),
        NOTE.format("G", SLUR.format("stop")),
    ]
    clarinet = [NOTE.format(step, "") for step in "DEFGA"]
    harp = [
        NOTE.format(step, "<staff>1</staff>")
        + "<backup><duration>8</duration></backup>"
        + NOTE.format(step, "<voice>5</voice><staff>2</staff>").replace(
            "</duration><voice>5</voice>", "</duration><voice>5</voice>"
        )
        for step in "CDEFG"
    ]
    tuba = [REST] * 5
    second = '<clef number="2"><sign>F</sign><line>4</line></clef>'
    parts = (
        part("P1", violins, FIRST.format(0, "", ""))
        + part("P2", clarinet, FIRST.format(2, "", TO_B_FLAT))
        + part("P3", harp, FIRST.format(0, "<staves>2</staves>", second))
        + part("P4", tuba, FIRST.format(0, "", ""))
    )
    return (
        f'<?xml version="1.0" encoding="{encoding}" standalone="no"?>\n'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 3.1 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">\n'
        f'<score-partwise version="3.1">\n  <!-- ours: é -->\n  <part-list>{entries}</part-list>'
        f"{parts}\n</score-partwise>\n"
    )


def put_in(folder: Path, data: bytes, target: bytes | None = None, bars: str = "3-4") -> MainScore:
    main = folder / "main.musicxml"
    main.write_bytes(data)
    song_path = main
    if target is not None:
        song_path = folder / "target.musicxml"
        song_path.write_bytes(target)
    plan = plan_song(read_song(song_path), replace(Settings(), bars=bars))
    heading = Heading(song="Song", letter="A", bars=plan.window.printed_bars)
    return into_score(plan, main, heading)


def bars_of(data: bytes) -> list[list[bytes]]:
    return [MEASURE.findall(text) for text in PART.findall(data)]


def test_every_byte_outside_the_silent_bars_and_the_insert_stays(tmp_path) -> None:
    given = score().encode()
    made = put_in(tmp_path, given)
    before, after = bars_of(given), bars_of(made.score)
    assert len(before) == len(after) == 4
    for old, new in zip(before, after, strict=True):
        assert len(new) == 5 + 2
        assert [new[k] for k in (0, 1, 4)] == [old[k] for k in (0, 1, 4)]
    # What lies between the measures, too: the head, the list of parts, comments.
    without = re.sub(
        rb'\n    <measure number="A\d">.*?</measure>', b"", made.score, flags=re.DOTALL
    )
    assert MEASURE.sub(b"", given) == MEASURE.sub(b"", without)


def test_the_silent_bars_hold_rests_and_say_why(tmp_path) -> None:
    root = etree.fromstring(put_in(tmp_path, score().encode()).score)
    for body in root.findall("part"):
        for number in ("3", "4"):
            measure = body.find(f"measure[@number='{number}']")
            assert all(note.find("rest") is not None for note in measure.findall("note"))
        words = [w.text for w in body.iterfind("measure[@number='3']//words")]
        assert "tacet: see Insert A (reversed)" in words
        assert body.find("measure[@number='4']//words") is None


def test_lines_that_cross_the_edge_keep_both_ends_and_the_tempo_stays(tmp_path) -> None:
    root = etree.fromstring(put_in(tmp_path, score().encode()).score)
    third, fourth = (root.find(f"part/measure[@number='{n}']") for n in "34")
    assert [line.get("type") for line in third.iter("slur")] == ["stop"]
    assert [line.get("type") for line in third.iter("wedge")] == ["stop"]
    assert [line.get("type") for line in fourth.iter("slur")] == ["start"]
    assert third.find("direction/sound").get("tempo") == "90"


def test_the_insert_stands_on_the_songs_own_parts_and_staves(tmp_path) -> None:
    root = etree.fromstring(put_in(tmp_path, score().encode()).score)
    for body in root.findall("part"):
        measures = body.findall("measure")
        assert [m.get("number") for m in measures[-2:]] == ["A1", "A2"]
        assert measures[-2].find("print").get("new-page") == "yes"
    clarinet = root.find("part[@id='P2']").findall("measure")[-2]
    assert [child.tag for child in clarinet.find("attributes")] == ["divisions", "time"]
    assert clarinet.findtext("note/pitch/step") == "G"
    harp = root.find("part[@id='P3']").findall("measure")[-2]
    assert {note.findtext("staff") for note in harp.findall("note")} == {"1", "2"}
    tuba = root.find("part[@id='P4']").findall("measure")[-2]
    assert [note.find("rest").get("measure") for note in tuba.findall("note")] == ["yes"]


def test_a_key_that_the_song_has_left_is_said_again_over_the_insert(tmp_path) -> None:
    given = score()
    last = given.index('<measure number="5">')
    change = "<attributes><key><fifths>1</fifths></key></attributes>"
    text = given[:last] + given[last:].replace("<!-- 5 -->", change, 1)
    root = etree.fromstring(put_in(tmp_path, text.encode()).score)
    keys = [body.findtext("measure[@number='A1']//key/fifths") for body in root.findall("part")]
    assert keys == ["0", None, None, None]


def test_strokes_are_called_as_the_song_calls_them(tmp_path) -> None:
    stroke = (
        "<note><unpitched><display-step>{}</display-step><display-octave>4</display-octave>"
        '</unpitched><duration>4</duration><instrument id="{}"/></note>'
    )
    instruments = {"crash": 50, "ride": 52}
    listed = "<part-name>Cymbals</part-name>" + "".join(
        f'<score-instrument id="{name}"><instrument-name/></score-instrument>'
        for name in instruments
    )
    listed += "".join(
        f'<midi-instrument id="{name}"><midi-unpitched>{key}</midi-unpitched></midi-instrument>'
        for name, key in instruments.items()
    )
    text = score().replace("<part-name>Tuba</part-name>", listed)
    before, tuba = text.split('<part id="P4">')
    drums = tuba.replace(REST, stroke.format("C", "crash") + stroke.format("F", "ride"))
    made = put_in(tmp_path, f'{before}<part id="P4">{drums}'.encode())
    root = etree.fromstring(made.score)
    musicxml_schema().assertValid(root)
    strokes = root.xpath("part[@id='P4']/measure[position() > 5]/note/instrument/@id")
    assert set(strokes) == {"ride", "crash"}


def test_a_part_goes_on_in_the_clef_in_which_the_song_writes_it(tmp_path) -> None:
    tuba = score().split('<part id="P4">')
    in_alto = (
        tuba[1]
        .replace(REST, NOTE.format("C", ""))
        .replace(
            "<clef><sign>G</sign><line>2</line></clef>", "<clef><sign>C</sign><line>3</line></clef>"
        )
    )
    root = etree.fromstring(put_in(tmp_path, f'{tuba[0]}<part id="P4">{in_alto}'.encode()).score)
    insert = root.find("part[@id='P4']/measure[@number='A1']")
    assert insert.find(".//clef") is None
    assert insert.find("note/pitch") is not None


def test_a_part_that_is_written_without_signatures_stays_so(tmp_path) -> None:
    in_g = score().replace("<fifths>0</fifths>", "<fifths>1</fifths>")
    for written, alter in (("0", "1"), ("3", "")):
        text = in_g.replace("<fifths>2</fifths>", f"<fifths>{written}</fifths>")
        text = text.replace("<step>F</step>", "<step>F</step><alter>1</alter>")
        root = etree.fromstring(put_in(tmp_path, text.encode()).score)
        clarinet = root.find("part[@id='P2']").findall("measure")[-1]
        assert clarinet.getparent().find("measure[@number='A1']//key") is None
        f_sharp = clarinet.xpath("note[pitch/step='F']")[0]
        assert f_sharp.findtext("pitch/alter") == "1"
        assert f_sharp.findtext("accidental", "") == ("sharp" if alter else "")


def test_the_heading_stands_above_all_else_over_the_insert(tmp_path) -> None:
    root = etree.fromstring(put_in(tmp_path, score().encode()).score)
    first = root.find("part").find("measure[@number='A1']")
    over = [
        child for child in first if child.tag == "direction" and child.find(".//words") is not None
    ]
    assert over[-1].getnext().tag == "note"
    advice, subtitle, title = (each.findtext(".//words") for each in over[-3:])
    assert title == "Insert A — Song"
    assert subtitle.startswith("replaces bars 3")
    assert advice.startswith("hold full value")


def test_the_insert_has_the_tempo_words_of_the_window(tmp_path) -> None:
    made = put_in(tmp_path, score().encode())
    first = etree.fromstring(made.score).xpath("part[1]/measure[@number='A1']")[0]
    kinds = [kind.tag for kind in first.xpath("direction[sound]/direction-type/*")]
    assert (kinds, "Allegro" in first.xpath(".//words/text()")) == (["words", "metronome"], True)


def test_the_result_and_what_was_replaced_are_valid(tmp_path) -> None:
    made = put_in(tmp_path, score().encode())
    for document in (made.score, made.replaced):
        musicxml_schema().assertValid(etree.fromstring(document))


def test_what_stood_in_the_bars_is_kept_word_for_word(tmp_path) -> None:
    given = score().encode()
    made = put_in(tmp_path, given)
    for old, kept in zip(bars_of(given), bars_of(made.replaced or b""), strict=True):
        assert kept[1] == old[3]
        tag = b'<measure number="3">'
        assert kept[0].startswith(tag + b"<attributes>")
        assert kept[0].endswith(old[2].removeprefix(tag))


def test_bars_that_are_silent_already_stay_and_nothing_is_kept_of_them(tmp_path) -> None:
    target = score().encode()
    silent = re.sub(
        rb'(<measure number="[34]">).*?(\n    </measure>)',
        rb"\1" + REST.encode() + rb"\2",
        target,
        flags=re.DOTALL,
    )
    made = put_in(tmp_path, silent, target)
    assert made.replaced is None
    for old, new in zip(bars_of(silent), bars_of(made.score), strict=True):
        assert new[3] == old[3]
        assert REST.encode() in new[2]


def test_players_whom_the_song_does_not_have_are_added_and_named(tmp_path) -> None:
    target = score().replace(">Harp<", ">Celesta<").encode()
    made = put_in(tmp_path, score().encode(), target)
    assert made.added == ("Celesta",)
    root = etree.fromstring(made.score)
    musicxml_schema().assertValid(root)
    assert len(root.findall("part")) == len(root.findall("part-list/score-part")) == 5
    assert [len(body.findall("measure")) for body in root.findall("part")] == [7] * 5


def test_added_players_read_their_own_pitch_keys_and_staves(tmp_path) -> None:
    target = (
        score().replace(">Clarinet in B flat<", ">Alto Saxophone<").replace(">Harp<", ">Piano<")
    )
    made = put_in(tmp_path, score().encode(), target.encode())
    assert made.added == ("Alto Saxophone in E♭", "Piano")
    root = etree.fromstring(made.score)
    musicxml_schema().assertValid(root)
    saxophone, piano = root.findall("part")[-2:]
    assert saxophone.findtext("measure/attributes/transpose/chromatic") == "-9"
    assert saxophone.findtext("measure/attributes/key/fifths") == "3"
    assert saxophone.find("measure[@number='A1']//key") is None
    assert piano.findtext("measure/attributes/staves") == "2"
    assert {rest.findtext("staff") for rest in piano.find("measure").findall("note")} == {"1", "2"}
    read = music21.converter.parseData(made.score, format="musicxml").toSoundingPitch()
    sounding = [pitch.midi for pitch in read.parts[5].flatten().pitches]
    assert sorted(set(sounding)) == [63, 65]  # the clarinet's written F and G, a tone lower


def broken(text: str, breaks: dict[int, str]) -> bytes:
    for number, kind in breaks.items():
        at = f'<measure number="{number}"><!-- {number} -->'
        text = text.replace(at, f'{at}<print {kind}="yes"/>', 1)
    return text.encode()


def test_the_insert_goes_on_in_lines_and_pages_as_the_song_does(tmp_path) -> None:
    def breaks_in(data: bytes, bars: str) -> list[str]:
        body = etree.fromstring(put_in(tmp_path, data, bars=bars).score).find("part")
        return [
            dict(m.find("print").attrib)
            for m in body.findall("measure")[5:]
            if m.find("print") is not None
        ]

    page, line = {"new-page": "yes"}, {"new-system": "yes"}
    assert breaks_in(score().encode(), "1-4") == [page]
    assert breaks_in(broken(score(), {3: "new-system", 5: "new-system"}), "1-4") == [page, line]
    assert breaks_in(broken(score(), {3: "new-system"}), "1-5") == [page, line, line]
    every_page = broken(score(), {2: "new-system", 3: "new-page", 4: "new-system", 5: "new-page"})
    assert breaks_in(every_page, "1-4") == [page, line, page, line]


def test_the_heading_has_the_numbers_of_the_score(tmp_path) -> None:
    renumbered = re.sub(
        r'number="(\d)"><!--', lambda m: f'number="{int(m[1]) + 10}"><!--', score()
    ).encode()
    (tmp_path / "main.musicxml").write_bytes(renumbered)
    plan = plan_song(read_song(tmp_path / "main.musicxml"), replace(Settings(), bars="13-14"))
    counted = replace(
        plan,
        song=replace(
            plan.song,
            phrase=replace(
                plan.song.phrase,
                bars=tuple(replace(bar, number=None) for bar in plan.song.phrase.bars),
            ),
        ),
        window=replace(plan.window, start_bar=3, end_bar=4),
    )
    heading = Heading(song="Song", letter="A", bars="bars 3–4")
    made = into_score(counted, tmp_path / "main.musicxml", heading)
    assert made.bars == "bars 13–14"
    assert "replaces bars 13–14" in made.score.decode()


@pytest.mark.parametrize("code", ["utf-16-le", "utf-16-be", "iso-8859-1", "utf-8-sig"])
def test_the_code_of_the_file_stays(code, tmp_path) -> None:
    declared = {"iso-8859-1": "ISO-8859-1", "utf-8-sig": "UTF-8"}.get(code, "UTF-16")
    text = score(declared).replace("\n", "\r\n")
    mark = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}.get(code, b"")
    made = put_in(tmp_path, mark + text.encode(code))
    assert made.score.startswith((mark + text.encode(code))[:200])
    again = made.score.removeprefix(mark).decode(code)
    assert "<!-- ours: é -->\r\n" in again
    assert "\n" not in again.replace("\r\n", "")
    assert etree.fromstring(made.score).find("part/measure[@number='A1']") is not None


def test_a_window_that_cuts_a_bar_is_refused_with_what_to_do(tmp_path) -> None:
    main = tmp_path / "main.musicxml"
    main.write_bytes(score().encode())
    plan = plan_song(read_song(main), replace(Settings(), start="3.2", end="4.3"))
    heading = Heading(song="Song", letter="A", bars=plan.window.printed_bars)
    with pytest.raises(WindowError, match=r"only whole bars.*leave the main score out"):
        into_score(plan, main, heading)


def test_a_score_that_does_not_have_the_bars_is_refused(tmp_path) -> None:
    short = re.sub(r'\n    <measure number="[45]">.*?</measure>', "", score(), flags=re.DOTALL)
    with pytest.raises(WindowError, match="the same song"):
        put_in(tmp_path, short.encode(), score().encode())


def test_a_window_that_was_drafted_apart_is_placed_where_it_belongs(tmp_path) -> None:
    path = tmp_path / "main.musicxml"
    path.write_bytes(score().replace('<sound tempo="90"/>', "").encode())
    song = read_song(path)
    plan = plan_song(song, replace(Settings(), bars="4-5", replaces="1-2"))
    assert (plan.window.start_bar, plan.window.end_bar) == (1, 2)
    assert plan.placement.window_start_samples == 0
    pitches = {note.target.pitch for note in plan.performance.notes if note.part == 0}
    assert pitches == {65, 67}
    with pytest.raises(WindowError, match=r"last 4\.000 s, but bar 1.*2\.000 s"):
        plan_song(song, replace(Settings(), bars="4-5", replaces="1"))


def test_a_pack_holds_the_main_score_and_what_it_replaced(tmp_path) -> None:
    path = tmp_path / "main.musicxml"
    path.write_bytes(score().encode())
    said: list[str] = []
    settings = replace(Settings(), bars="3-4", into=str(path), only=(Section.COPYIST,))
    write_pack(plan_song(read_song(path), settings), tmp_path / "pack", progress=said.append)
    held = {file.name for file in (tmp_path / "pack" / "copyist").glob("*.musicxml")}
    assert {"main-score.musicxml", "replaced-bars.musicxml"} <= held


@pytest.mark.parametrize(("content", "says"), [(b"MThd", "is no MusicXML"), (None, "No such file")])
def test_a_main_score_that_is_none_is_refused_before_the_target_is_read(
    content, says, tmp_path
) -> None:
    main = tmp_path / "main.musicxml"
    if content is not None:
        main.write_bytes(content)
    target = tmp_path / "no_target.mid"
    result = CliRunner().invoke(
        app, ["build", str(target), "--out", str(tmp_path / "pack"), "--into", str(main)]
    )
    assert says in str(result.exception)
    assert "main.musicxml" in str(result.exception)


def test_other_bars_in_the_main_score_are_refused_before_the_preview(tmp_path) -> None:
    path, main = tmp_path / "song.musicxml", tmp_path / "main.musicxml"
    path.write_bytes(score().encode())
    root = etree.fromstring(score().encode())
    for part in root.iter("part"):
        for measure in part.findall("measure")[2:]:
            part.remove(measure)
    main.write_bytes(etree.tostring(root))
    said: list[str] = []
    settings = replace(Settings(), bars="3-4", into=str(main))
    with pytest.raises(WindowError, match="has no bars 3-4"):
        write_pack(plan_song(read_song(path), settings), tmp_path / "pack", progress=said.append)
    assert "preview" not in said


def test_a_main_score_that_is_no_score_is_refused_in_one_line(tmp_path) -> None:
    path = tmp_path / "main.musicxml"
    path.write_bytes(score().encode())
    wrong = tmp_path / "wrong.musicxml"
    wrong.write_bytes(b"MThd")
    settings = replace(Settings(), bars="3-4", into=str(wrong), only=(Section.COPYIST,))
    with pytest.raises(RetroError, match=r"wrong\.musicxml"):
        write_pack(plan_song(read_song(path), settings), tmp_path / "pack")
    assert not (tmp_path / "pack").exists()
