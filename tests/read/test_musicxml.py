"""MusicXML in: what is written comes out as a phrase, and what cannot be used is refused."""

import io
import zipfile
from fractions import Fraction

import pytest

from retro.errors import LimitError, RetroError, ScoreError, WindowError
from retro.model.phrase import EXPRESSION, Key
from retro.model.settings import Settings
from retro.model.signs import Sign, SignKind
from retro.read.musicxml import read_score_song
from retro.read.target import read_song
from retro.read.window import choose_window

QUARTER = "<duration>2</duration>"


def note(pitch: str, more: str = "", duration: int = 2, before: str = "") -> str:
    step, alter, octave = pitch[0], pitch.count("#") - pitch.count("b"), pitch[-1]
    return (
        f"<note>{before}<pitch><step>{step}</step><alter>{alter}</alter><octave>{octave}</octave>"
        f"</pitch><duration>{duration}</duration>{more}</note>"
    )


def score(*measures: str, attributes: str = "", name: str = "Viola", version: str = "4.0") -> bytes:
    first = (
        "<attributes><divisions>2</divisions>"
        f"{attributes or '<time><beats>4</beats><beat-type>4</beat-type></time>'}</attributes>"
    )
    bars = [
        text
        if text.startswith("<measure")
        else f'<measure number="{number}">{first if number == 1 else ""}{text}</measure>'
        for number, text in enumerate(measures, start=1)
    ]
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><score-partwise version="{version}">'
        f'<part-list><score-part id="P1"><part-name>{name}</part-name></score-part></part-list>'
        f'<part id="P1">{"".join(bars)}</part></score-partwise>'
    ).encode()


FULL = note("C4", duration=8)


def phrase(data: bytes):
    return read_score_song(data, "song.musicxml").phrase


def test_pitches_keep_the_names_that_the_composer_gave_them() -> None:
    (part,) = phrase(score(note("F#4") + note("Gb4") + note("E#4") + note("Fb4"))).parts
    assert [n.pitch for n in part.notes] == [66, 66, 65, 64]
    assert [n.spelling for n in part.notes] == ["F#", "Gb", "E#", "Fb"]


def test_a_transposing_part_sounds_and_is_named_as_it_sounds() -> None:
    clarinet = (
        "<key><fifths>2</fifths></key><transpose><diatonic>-1</diatonic><chromatic>-2</chromatic>"
        "</transpose>"
    )
    read = phrase(score(note("F#4", duration=8), attributes=clarinet))
    assert [(n.pitch, n.spelling) for n in read.parts[0].notes] == [(64, "E")]
    assert read.keys.values == (Key(0),)


def test_tied_notes_sound_once() -> None:
    data = score(
        note("C4", '<tie type="start"/>', 8),
        note("C4", '<tie type="stop"/>', 2) + note("D4", "", 6),
    )
    assert [(n.on_beats, n.off_beats) for n in phrase(data).parts[0].notes] == [(0, 5), (5, 8)]


def test_slurs_accents_hairpins_and_words_are_signs_with_their_spans() -> None:
    wedge = '<direction><direction-type><wedge type="{}"/></direction-type></direction>'
    level = "<direction><direction-type><dynamics><{}/></dynamics></direction-type></direction>"
    words = "<direction><direction-type><words>{}</words></direction-type></direction>"
    slurred = '<notations><slur type="{}" number="1"/></notations>'
    accent = "<notations><articulations><accent/></articulations></notations>"
    data = score(
        level.format("p")
        + words.format("pizz.")
        + note("C4", slurred.format("start"))
        + note("D4")
        + wedge.format("crescendo")
        + note("E4", slurred.format("stop"))
        + note("F4"),
        wedge.format("stop") + level.format("f") + words.format("arco") + note("G4", accent, 8),
    )
    (part,) = phrase(data).parts
    at = {(s.kind, s.text): (s.start_beats, s.end_beats) for s in part.signs or ()}
    assert at == {
        (SignKind.LEVEL, "p"): (0, 2),
        (SignKind.LEVEL, "f"): (4, 8),
        (SignKind.CRESCENDO, ""): (2, 4),
        (SignKind.SLUR, ""): (0, 3),
        (SignKind.ACCENT, ""): (4, 8),
        (SignKind.TECHNIQUE, "arco"): (4, 8),
        (SignKind.TECHNIQUE, "pizz."): (0, 4),
    }
    expression = part.controller(EXPRESSION)
    assert expression is not None
    assert expression.at(Fraction(2)) < expression.at(Fraction(3)) < expression.at(Fraction(4))


def test_a_way_of_playing_that_comes_later_has_the_usual_one_before_it() -> None:
    words = "<direction><direction-type><words>con sord.</words></direction-type></direction>"
    (part,) = phrase(score(FULL, words + FULL)).parts
    assert [(s.text, s.start_beats) for s in part.signs or ()] == [
        ("senza sord.", 0),
        ("con sord.", 4),
    ]


def test_a_pick_up_keeps_the_number_that_is_printed() -> None:
    data = score(
        '<measure number="0" implicit="yes"><attributes><divisions>2</divisions></attributes>'
        + note("G4")
        + "</measure>",
        '<measure number="1">' + FULL + "</measure>",
        '<measure number="2">' + FULL + "</measure>",
    )
    read = phrase(data)
    window = choose_window(read, Settings(bars="1-2"))
    assert (window.start_beats, window.end_beats) == (1, 9)
    assert (window.start_bar, window.end_bar) == (1, 2)


REPEATED = score(
    FULL,
    '<measure number="2"><barline location="left"><repeat direction="forward"/></barline>'
    + FULL
    + '<barline location="right"><repeat direction="backward"/></barline></measure>',
    '<measure number="3">' + FULL + "</measure>",
    '<measure number="4">' + FULL + "</measure>",
)


def test_repeats_are_played_out_so_that_the_seconds_are_those_of_the_recording() -> None:
    read = phrase(REPEATED)
    assert [bar.number for bar in read.bars] == [1, 2, 2, 3, 4]
    window = choose_window(read, Settings(bars="3-4"))
    assert window.start_beats == 12


def test_a_repeat_that_touches_the_window_is_refused_with_what_to_do() -> None:
    for bars in ("2", "2-3", "1-4"):
        with pytest.raises(WindowError, match=r"bar 2 is played more than once.*write the repeat"):
            choose_window(phrase(REPEATED), Settings(bars=bars))


CLOSED = '<barline location="right"><bar-style>light-heavy</bar-style>{}</barline>'
BACK = '<repeat direction="backward"/>'


def test_a_repeat_goes_back_to_the_beginning_of_its_movement() -> None:
    """The one of the first movement, too, whose final bar line is that of a repeat."""
    second = (FULL, FULL + CLOSED.format(BACK))
    for first in (FULL + CLOSED.format(""),), (FULL, FULL + CLOSED.format("")):
        read = phrase(score(*first, *second))
        count = len(first)
        twice = [count + 1, count + 2]
        assert [bar.number for bar in read.bars] == [*range(1, count + 1), *twice, *twice]
        window = choose_window(read, Settings(bars=f"1-{count}"))
        assert window.end_beats == 4 * count


def test_a_da_capo_stays_in_its_movement_and_the_next_one_follows_its_fine() -> None:
    dacapo, fine = '<sound dacapo="yes"/>', '<sound fine="yes"/>'
    read = phrase(
        score(
            FULL + CLOSED.format(""),
            FULL + fine,
            FULL + dacapo + CLOSED.format(""),
            FULL,
            FULL + CLOSED.format(BACK),
        )
    )
    assert [bar.number for bar in read.bars] == [1, 2, 3, 2, 4, 5, 4, 5]


@pytest.mark.parametrize("at", [0, 1])
def test_a_da_capo_from_a_trio_goes_back_to_the_minuet(at: int) -> None:
    """Its fine has a final bar line, or lies before one."""
    bars = [FULL, FULL + CLOSED.format(""), FULL + '<sound dacapo="yes"/>' + CLOSED.format("")]
    bars[at] += '<sound fine="yes"/>'
    assert [bar.number for bar in phrase(score(*bars)).bars] == [1, 2, 3, 1, 2][: 4 + at]


ENDING = '<barline location="{}"><ending number="{}" type="{}"/>{}</barline>'


def test_endings_are_played_in_turn() -> None:
    data = score(
        FULL,
        '<measure number="2">'
        + ENDING.format("left", "1", "start", "")
        + FULL
        + ENDING.format("right", "1", "stop", '<repeat direction="backward"/>')
        + "</measure>",
        '<measure number="3">'
        + ENDING.format("left", "2", "start", "")
        + FULL
        + ENDING.format("right", "2", "discontinue", "")
        + "</measure>",
        '<measure number="4">' + FULL + "</measure>",
    )
    assert [bar.number for bar in phrase(data).bars] == [1, 2, 1, 3, 4]


def test_da_capo_goes_back_once_and_ends_at_fine() -> None:
    data = score(
        FULL + '<sound fine="yes"/>',
        FULL,
        '<measure number="3">' + FULL + '<sound dacapo="yes"/></measure>',
    )
    assert [bar.number for bar in phrase(data).bars] == [1, 2, 3, 1]


def test_grace_notes_are_played_before_the_beat() -> None:
    grace = "<note><grace/><pitch><step>B</step><octave>3</octave></pitch></note>"
    data = score(note("C4", "", 4) + grace + note("D4", "", 4))
    spans = [(n.on_beats, n.off_beats) for n in phrase(data).parts[0].notes]
    assert spans == [(0, Fraction(15, 8)), (Fraction(15, 8), 2), (2, 4)]


def test_a_measured_tremolo_is_counted_out_and_an_unmeasured_one_is_a_sign() -> None:
    roll = "<notations><ornaments><tremolo>{}</tremolo></ornaments></notations>"
    data = score(note("C4", roll.format(1), 4) + note("D4", roll.format(3), 4))
    (part,) = phrase(data).parts
    assert [n.length_beats for n in part.notes] == [Fraction(1, 2)] * 4 + [2]
    assert part.signs == (
        Sign(start_beats=Fraction(2), end_beats=Fraction(4), kind=SignKind.TREMOLO, pitches=(62,)),
    )


def test_the_upper_of_two_tempos_for_programs_counts_in_quarters() -> None:
    mark = (
        "<direction><direction-type><metronome><beat-unit>half</beat-unit><per-minute>60"
        "</per-minute></metronome></direction-type></direction>"
    )
    assert phrase(score(mark + FULL)).length_s == 2


def test_a_compressed_score_reads_as_the_bare_one(tmp_path) -> None:
    path = tmp_path / "song.mxl"
    container = '<container><rootfiles><rootfile full-path="a/song.xml"/></rootfiles></container>'
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("META-INF/container.xml", container)
        archive.writestr("a/song.xml", REPEATED)
    assert read_song(path).phrase.parts == phrase(REPEATED).parts


def zipped(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return buffer.getvalue()


CONTAINER = b'<container><rootfiles><rootfile full-path="s.xml"/></rootfiles></container>'
ENTITY = b'<!DOCTYPE score-partwise [<!ENTITY a "b">]><score-partwise/>'
OUTSIDE = b'<!DOCTYPE score-partwise [<!ENTITY a SYSTEM "file:///etc/hostname">]><score-partwise/>'
TIMEWISE = b"<score-timewise/>"


@pytest.mark.parametrize(
    "data",
    [
        b"<html></html>",
        b"<score-partwise>",
        TIMEWISE,
        ENTITY,
        OUTSIDE,
        score(),
        score(note("C4", duration=8).replace(b"4".decode(), "99")),
        score(note("C4").replace("<duration>2", "<duration>x")),
        score(note("C4").replace("<duration>2", "<duration>nan")),
        score(note("C4", duration=8).replace("<octave>4", "<octave>12")),
        b"PK\x03\x04 is cut short",
        zipped({"s.xml": REPEATED}),
        zipped({"META-INF/container.xml": CONTAINER}),
        zipped({"META-INF/container.xml": ENTITY, "s.xml": REPEATED}),
    ],
)
def test_what_is_no_score_is_refused_in_one_line(data) -> None:
    with pytest.raises(RetroError) as caught:
        read_score_song(data, "song.musicxml")
    assert isinstance(caught.value, ScoreError)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("song.musicxml")


def test_an_archive_that_unpacks_to_too_much_is_refused(monkeypatch) -> None:
    monkeypatch.setattr("retro.read.musicxml_file.MAX_XML_BYTES", 1000)
    bomb = zipped({"META-INF/container.xml": CONTAINER, "s.xml": b" " * 1_000_000 + REPEATED})
    assert len(bomb) < 5000
    with pytest.raises(LimitError):
        read_score_song(bomb, "song.mxl")


def test_entities_in_attributes_and_text_are_never_expanded() -> None:
    laughs = b"".join(
        b'<!ENTITY l%d "%s">' % (k, b"&l%d;" % (k - 1) * 10 if k else b"ha") for k in range(12)
    )
    bomb = b"<!DOCTYPE score-partwise [" + laughs + b']><score-partwise version="&l11;"/>'
    with pytest.raises(ScoreError):
        read_score_song(bomb, "song.musicxml")


NO_NUMBERS = ("99999999999", "--1", "9" * 5000)
"""Eleven digits, two signs, and more digits than Python reads."""


def with_number(tag: str, number: str) -> bytes:
    """Return a score of one bar with a number in an element."""
    attributes = (
        "<key><fifths>1</fifths></key><time><beats>4</beats><beat-type>4</beat-type></time>"
        "<staves>1</staves><transpose><chromatic>0</chromatic></transpose>"
    )
    data = score(FULL, attributes=attributes).decode()
    start = data.index(f"<{tag}>") + len(tag) + 2
    return (data[:start] + number + data[data.index("</", start) :]).encode()


@pytest.mark.parametrize("number", NO_NUMBERS)
@pytest.mark.parametrize("tag", ["fifths", "staves", "beats"])
def test_what_is_no_number_leaves_a_song_as_it_is_without(tag, number) -> None:
    assert len(read_score_song(with_number(tag, number), "song.musicxml").phrase.bars) == 1


@pytest.mark.parametrize("number", NO_NUMBERS)
@pytest.mark.parametrize("tag", ["chromatic", "divisions", "octave"])
def test_what_is_no_number_is_refused_where_a_note_needs_it(tag, number) -> None:
    with pytest.raises(ScoreError, match="bar 1, line 1"):
        read_score_song(with_number(tag, number), "song.musicxml")


@pytest.mark.parametrize("number", NO_NUMBERS)
@pytest.mark.parametrize("element", ['<sound tempo="{}"/>', '<sound dynamics="{}"/>'])
def test_what_is_no_number_says_nothing_in_an_attribute(element, number) -> None:
    song = read_score_song(score(element.format(number) + FULL), "song.musicxml")
    assert song.phrase.tempo.us_per_quarter.values == (500_000,)


def test_a_refused_repeat_names_the_first_bar_of_those_that_were_asked_for() -> None:
    again = '<barline location="right"><repeat direction="backward"/></barline>'
    read = phrase(score(FULL, FULL, FULL, FULL + again))
    with pytest.raises(WindowError, match="bar 3 is played more than once"):
        choose_window(read, Settings(bars="3-4"))


@pytest.mark.parametrize(
    ("stated", "title"),
    [("Aria.mxl", "Aria"), ("Aria.MID", "Aria"), ("No. 5", "No. 5"), (".xml", ".xml")],
)
def test_a_title_that_is_a_file_name_loses_its_suffix(stated: str, title: str) -> None:
    data = score(FULL).replace(
        b"<part-list>", f"<movement-title>{stated}</movement-title><part-list>".encode(), 1
    )
    assert phrase(data).title == title


@pytest.mark.parametrize("rounded", ["399", "401"])
def test_a_bar_whose_tuplets_an_exporter_rounded_is_full(rounded: str) -> None:
    bar = note("C4", duration=100) + note("D4", duration=int(rounded) - 100)
    read = phrase(score(bar, bar).replace(b"<divisions>2<", b"<divisions>100<"))
    assert [str(bar.meter) for bar in read.bars] == ["4/4", "4/4"]
    assert [bar.is_full for bar in read.bars] == [True, True]
    assert [one.on_beats for one in read.parts[0].notes] == [0, 1, 4, 5]
    assert max(one.off_beats for one in read.parts[0].notes) <= read.length_beats


@pytest.mark.parametrize(
    ("word", "then"), [("cresc.  _  _  _", "f"), ("cresc.", ""), ("dim.", "p")]
)
def test_a_word_for_a_swell_is_a_hairpin_and_no_word_that_would_lie_turned_round(
    word, then
) -> None:
    said = "<direction><direction-type>{}</direction-type></direction>".format
    level = said(f"<dynamics><{then}/></dynamics>") if then else ""
    bars = [FULL, said(f"<words>{word}</words>") + FULL, level + FULL]
    (part,) = phrase(score(*bars)).parts
    kind = SignKind.CRESCENDO if word.startswith("cresc") else SignKind.DIMINUENDO
    (swell,) = [
        sign for sign in part.signs if sign.kind in (SignKind.CRESCENDO, SignKind.DIMINUENDO)
    ]
    assert (swell.kind, swell.start_beats) == (kind, 4)
    assert swell.end_beats == (8 if then else 12)
    assert not [sign for sign in part.signs if sign.kind is SignKind.WORDS]


@pytest.mark.parametrize(
    ("name", "program", "kept"),
    [
        ("Trombone 2", 41, None),  # of 1-128: violin
        ("Trombone 2", 58, 57),
        ("Contrabass", 33, 32),  # plucked bass
        ("Voice 1", 57, 56),  # a line, played by a trumpet
        ("Loud and high", 41, 40),
    ],
)
def test_a_program_that_contradicts_the_printed_name_is_left_out_and_told(
    name: str, program: int, kept: int | None
) -> None:
    # The names at the staves are what a score's readers go by; numbers are MusicXML's, from 1.
    sounding = f"<midi-instrument><midi-program>{program}</midi-program></midi-instrument>"
    data = score(FULL, name=name).replace(b"</score-part>", sounding.encode() + b"</score-part>")
    song = read_score_song(data, "song.musicxml")
    assert [part.program for part in song.phrase.parts] == [kept]
    told = [finding.what for finding in song.notices if "contradict" in finding.what]
    assert len(told) == (kept is None)
    assert all(f"{name} ({program - 1})" in what for what in told)


def test_a_bar_that_holds_more_than_its_meter_is_told_with_its_part() -> None:
    five = "".join(note("C4") for _ in range(5))
    data = score(FULL, five, FULL, five, name="Viola")
    assert [bar.length_beats for bar in phrase(data).bars] == [4, 5, 4, 5]
    (told,) = read_score_song(data, "song.musicxml").notices
    assert told.what == (
        "bar 2 of Viola holds 5 quarter notes, more than 4/4, and was read as longer, and 1 more"
    )
    assert not read_score_song(score(FULL, FULL), "song.musicxml").notices
