from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from retro.model.instruments import Clef
from retro.model.phrase import OPEN_KEY, Key
from retro.model.settings import Compensate, Settings
from retro.model.time import Bar, Meter
from retro.musicxml.document import insert_musicxml
from retro.musicxml.elements import DIVISIONS
from retro.musicxml.heading import Heading
from retro.notation.score import (
    Articulation,
    Direction,
    Hairpin,
    Level,
    Line,
    Mark,
    Spelled,
    Stave,
    Voice,
)
from tests.musicxml.make_golden_musicxml import GOLDEN, golden_documents
from tests.notation.written import (
    HEADING,
    STUDIES,
    bars_of,
    chord_of,
    part_of,
    performed,
    phrase_of,
    written,
)

F = Fraction
FOUR = Meter.plain(4, 4)


def one(part, *, meters=(FOUR, FOUR), bars=None, count_in=0):
    """The part's document, parsed."""
    phrase = phrase_of(bars or bars_of(*meters))
    insert = insert_musicxml(
        [part], heading=HEADING, insert=phrase, settings=Settings(count_in_bars=count_in)
    )
    return etree.fromstring(insert.parts[0])


def test_the_heading_says_what_it_is_and_what_it_replaces():
    root = one(part_of(Voice(chords=(chord_of(0, 4),))))
    assert root.findtext("movement-title") == "Insert A — Study in Grey"
    assert root.xpath("string(credit[credit-type='subtitle']/credit-words)") == (
        "replaces bars 21–22; recorded separately, played backwards in the mix"
    )
    assert Heading(song="", letter="B", bars="bar 7").subtitle.startswith("replaces bar 7;")


def test_bars_carry_the_letter_and_the_count_in_does_not_count():
    root = one(part_of(Voice(chords=(chord_of(0, 8),))), count_in=2)
    bars = root.findall("part/measure")
    assert [bar.get("number") for bar in bars] == ["click 1", "click 2", "A1", "A2"]
    assert [bar.get("implicit") for bar in bars] == ["yes", "yes", None, None]
    assert bars[0].xpath("string(.//words)") == "click, 2 bars"
    assert bars[2].findtext(".//rehearsal") == "A1"
    assert bars[1].findtext("barline/bar-style") == "light-light"
    assert bars[3].findtext("barline/bar-style") == "light-heavy"


@pytest.mark.parametrize(
    ("us", "count_in", "printed", "said", "sound"),
    [
        (619_771, 2, "96.8", ["click at 96.81, 2 bars"], "96.81"),
        (619_771, 0, "96.8", ["click at 96.81"], "96.81"),
        (625_000, 1, "96", ["click, 1 bar"], "96"),
        (625_000, 0, "96", [], "96"),
    ],
)
def test_paper_says_a_tempo_as_it_is_read_and_what_the_click_does(
    us, count_in, printed, said, sound
):
    insert = insert_musicxml(
        [part_of(Voice(chords=(chord_of(0, 4),)))],
        heading=HEADING,
        insert=phrase_of(bars_of(FOUR), tempo=((0, us),)),
        settings=Settings(count_in_bars=count_in),
    )
    for document in (insert.score, *insert.parts):
        first = etree.fromstring(document).find("part/measure")
        assert first.findtext(".//per-minute") == printed
        assert [text for text in first.xpath(".//words/text()") if "click" in text] == said
        told = Fraction(first.find("direction/sound").get("tempo"))
        assert round(float(told), 2) == float(sound)
        assert abs(told - Fraction(60_000_000, us)) <= Fraction(1, 2_000_000)


def test_in_an_open_key_transposed_parts_have_no_signature_and_their_accidentals_at_the_notes():
    """Sounding E flat, A, F sharp: a B flat clarinet reads F, B, G sharp, a whole tone above."""
    line = [(0, 1, 63), (1, 2, 69), (2, 4, 66)]
    phrase = phrase_of(bars_of(FOUR), line, key=OPEN_KEY)
    told = {}
    for id_ in ("clarinet-in-b-flat", "flute"):
        made = written(performed(phrase, id_, settings=Settings(compensate=Compensate.NONE)))
        root = etree.fromstring(made.parts[0])
        assert root.xpath("//key/fifths/text()") == ["0"]
        told[id_] = [
            (note.findtext("pitch/step"), note.findtext("accidental"))
            for note in root.xpath("//note[pitch]")
        ]
    assert told["clarinet-in-b-flat"] == [("G", "sharp"), ("B", None), ("F", None)]
    assert told["flute"] == [("F", "sharp"), ("A", None), ("E", "flat")]


def test_a_short_last_bar_is_not_counted():
    bars = (Bar(F(0), F(4), FOUR), Bar(F(4), F(1), FOUR))
    root = one(part_of(Voice(chords=(chord_of(0, 5),))), bars=bars)
    assert [bar.get("implicit") for bar in root.findall("part/measure")] == [None, "yes"]


def test_an_additive_meter_prints_its_groups_in_the_order_of_the_mirror():
    root = one(part_of(Voice(chords=())), meters=(Meter.plain(7, 8).mirrored(),))
    assert "3+2+2" in root.xpath("//words/text()")


def test_a_dynamic_a_hairpin_inside_a_note_and_words_stand_in_their_places():
    root = one(
        part_of(
            Voice(chords=(chord_of(0, 4), chord_of(4, 8))),
            levels=(Level(at_beats=F(0), text="mf"), Level(at_beats=F(4), text="sffp")),
            hairpins=(Hairpin(start_beats=F(1), end_beats=F(4), crescendo=True),),
            directions=(Direction(at_beats=F(7), text="off 4", above=False),),
        )
    )
    first, second = root.findall("part/measure")
    assert first.find(".//dynamics/mf") is not None
    assert second.findtext(".//dynamics/other-dynamics") == "sffp"
    start, stop = first.findall(".//wedge")
    assert (start.get("type"), stop.get("type")) == ("crescendo", "stop")
    assert start.getparent().getparent().findtext("offset") == str(DIVISIONS)
    assert stop.getparent().getparent().getprevious().tag == "note"
    words = second.xpath("direction[.//words='off 4']")[0]
    assert (words.get("placement"), words.findtext("offset")) == ("below", str(3 * DIVISIONS))


@pytest.mark.parametrize(
    ("kind", "path"),
    [
        (Articulation.STACCATO, "articulations/staccato"),
        (Articulation.TENUTO, "articulations/tenuto"),
        (Articulation.ACCENT, "articulations/accent"),
        (Articulation.TREMOLO, "ornaments/tremolo"),
        (Articulation.TRILL, "ornaments/trill-mark"),
        (Articulation.ARPEGGIO_UP, "arpeggiate[@direction='up']"),
        (Articulation.ARPEGGIO_DOWN, "arpeggiate[@direction='down']"),
        (Articulation.LET_RING, "tied[@type='let-ring']"),
    ],
)
def test_every_mark_is_written_on_its_stroke(kind, path):
    chord = (Spelled("E", 0, 4), Spelled("G", 0, 4))
    voice = Voice(
        chords=(chord_of(0, 1, *chord), chord_of(1, 2, note=2)),
        marks=(Mark(at_beats=F(0), kind=kind),),
    )
    notes = one(part_of(voice)).findall("part/measure/note")
    assert notes[0].find(f"notations/{path}") is not None
    assert notes[2].find(f"notations/{path}") is None


def test_a_tied_head_may_ring_on():
    ring = Mark(at_beats=F(0), kind=Articulation.LET_RING)
    root = one(part_of(Voice(chords=(chord_of(0, 5),), marks=(ring,))))
    tied = [note.xpath("notations/tied/@type") for note in root.iter("note")]
    assert tied[:2] == [["start"], ["stop", "let-ring"]]


def test_a_tuplet_has_a_bracket_unless_a_beam_holds_it_together():
    third = F(1, 3)
    beamed = [chord_of(k * third, (k + 1) * third) for k in range(3)]
    loose = [chord_of(1, 1 + third), chord_of(1 + third, 2)]
    root = one(part_of(Voice(chords=(*beamed, *loose))))
    assert root.xpath("//tuplet[@type='start']/@bracket") == ["no", "yes"]


def test_the_number_of_a_tuplet_keeps_off_the_other_line_of_its_stave():
    third = F(1, 3)
    lines = [
        Voice(chords=tuple(chord_of(k * third, (k + 1) * third, note=3 * n + k) for k in range(3)))
        for n in range(2)
    ]
    sides = "//tuplet[@type='start']/@placement"
    assert one(part_of(*lines)).xpath(sides) == ["above", "below"]
    assert one(part_of(lines[0])).xpath(sides) == []


def test_a_mark_that_says_more_has_words():
    mark = Mark(at_beats=F(0), kind=Articulation.TRILL, text="to A flat")
    root = one(part_of(Voice(chords=(chord_of(0, 4),), marks=(mark,))))
    assert "to A flat" in root.xpath("//words/text()")


def test_a_slur_reaches_over_the_tie_and_a_glissando_goes_from_head_to_head():
    voice = Voice(
        chords=(chord_of(0, 1), chord_of(1, 5, Spelled("A", 0, 4)), chord_of(5, 6)),
        lines=(
            Line(kind="slur", start_beats=F(0), end_beats=F(1)),
            Line(kind="glissando", start_beats=F(1), end_beats=F(5)),
        ),
    )
    notes = one(part_of(voice)).findall("part/measure/note")
    found = [
        (tag, [n.find(f"notations/{tag}[@type='{t}']") is not None for n in notes].index(True))
        for tag in ("slur", "glissando")
        for t in ("start", "stop")
    ]
    # Heads: the slurred quarter, A as quarter, half and (tied over) quarter, then the last G.
    assert found == [("slur", 0), ("slur", 3), ("glissando", 3), ("glissando", 4)]


def test_slurs_that_meet_on_one_tone_share_out_its_heads():
    # MusicXML 4.0, attribute number: a reader joins a start to the next stop of its number.
    voice = Voice(
        chords=(chord_of(0, 1), chord_of(1, 5, Spelled("A", 0, 4)), chord_of(5, 6)),
        lines=(
            Line(kind="slur", start_beats=F(0), end_beats=F(1)),
            Line(kind="slur", start_beats=F(1), end_beats=F(5)),
        ),
    )
    notes = one(part_of(voice)).findall("part/measure/note")
    ends = [(n, s.get("type")) for n, note in enumerate(notes) for s in note.iter("slur")]
    assert ends == [(0, "start"), (1, "stop"), (3, "start"), (4, "stop")]


def test_slurs_that_sound_together_on_two_staves_have_numbers_of_their_own():
    # MusicXML 4.0, attribute number: "distinguishes multiple slurs when they overlap within
    # MusicXML document order".
    voices = [
        Voice(
            chords=tuple(
                chord_of(2 * beat, 2 * beat + 2, note=4 * stave + beat) for beat in range(4)
            ),
            lines=(Line(kind="slur", start_beats=F(0), end_beats=F(6)),),
        )
        for stave in range(2)
    ]
    part = part_of(voices[0], id_="harp")
    lower = Stave(voices=(voices[1],), clefs=((F(0), Clef.BASS),))
    root = one(replace(part, staves=(*part.staves, lower)))
    ends = [
        (slur.get("type"), slur.get("number"), note.findtext("staff"))
        for note in root.iter("note")
        for slur in note.iter("slur")
    ]
    assert ends == [
        ("start", "1", "1"),
        ("start", "2", "2"),
        ("stop", "1", "1"),
        ("stop", "2", "2"),
    ]


def test_a_note_of_sixteen_beats_is_long():
    # MusicXML 4.0, type note-type-value: 1024th to maxima, with "long" for four whole notes.
    root = one(part_of(Voice(chords=(chord_of(0, 16),))), meters=(Meter.plain(16, 4),))
    assert root.findtext(".//note/type") == "long"


def test_heads_are_named_after_their_notes():
    voice = Voice(chords=(chord_of(0, 5, Spelled("E", 0, 4), Spelled("G", 0, 4), note=7),))
    root = one(part_of(voice))
    assert root.xpath("//note/@id") == ["n7", "n8", "n7-2", "n8-2"]


def test_a_transposing_part_says_how_it_transposes():
    root = one(part_of(Voice(chords=(chord_of(0, 4),)), id_="bass-clarinet"))
    transpose = root.find(".//transpose")
    assert [transpose.findtext(tag) for tag in ("diatonic", "chromatic", "octave-change")] == [
        "-1",
        "-2",
        "-1",
    ]
    assert one(part_of(Voice(chords=(chord_of(0, 4),)))).find(".//transpose") is None


def test_clefs_and_keys_change_where_they_should():
    stave = Stave(
        voices=(Voice(chords=(chord_of(0, 2), chord_of(2, 4), chord_of(4, 8))),),
        clefs=((F(0), Clef.BASS), (F(2), Clef.TENOR)),
    )
    root = one(part_of(staves=(stave,), keys=((F(0), Key(-1)), (F(4), Key(2, minor=True)))))
    first, second = root.findall("part/measure")
    assert [clef.findtext("sign") + clef.findtext("line") for clef in first.iter("clef")] == [
        "F4",
        "C4",
    ]
    assert [child.tag for child in first if child.tag in ("attributes", "note")] == [
        "attributes",
        "note",
        "attributes",
        "note",
    ]
    assert second.findtext("attributes/key/fifths") == "2"
    assert second.findtext("attributes/key/mode") == "minor"


def test_two_staves_and_two_voices_keep_apart():
    upper = Stave(
        voices=(Voice(chords=(chord_of(0, 4),)), Voice(chords=(chord_of(1, 2, note=1),))),
        clefs=((F(0), Clef.TREBLE),),
    )
    lower = Stave(voices=(Voice(chords=(chord_of(0, 2, note=2),)),), clefs=((F(0), Clef.BASS),))
    root = one(part_of(staves=(upper, lower), id_="harp"), meters=(FOUR,))
    assert root.findtext(".//staves") == "2"
    assert [clef.get("number") for clef in root.iter("clef")] == ["1", "2"]
    voices = [(n.findtext("staff"), n.findtext("voice")) for n in root.iter("note")]
    assert list(dict.fromkeys(voices)) == [("1", "1"), ("1", "2"), ("2", "5")]
    for voice in ("1", "2", "5"):
        lengths = root.xpath(f"//note[voice='{voice}'][not(chord)]/duration/text()")
        assert sum(map(int, lengths)) == 4 * DIVISIONS
    assert root.xpath("//note[voice='1'][pitch]/stem/text()") == ["up"]
    assert root.xpath("//note[voice='2'][pitch]/stem/text()") == ["down"]


def test_a_rest_of_two_voices_is_printed_once():
    voices = Voice(chords=(chord_of(0, 1),)), Voice(chords=(chord_of(1, 2, note=1),))
    rests = one(part_of(*voices), meters=(FOUR,)).xpath("//note[rest]")
    printed = [(r.findtext("voice"), r.get("print-object", "yes")) for r in rests]
    # The first voice rests on 2 and 3-4, the second on 1 and 3-4.
    assert printed == [("1", "yes"), ("1", "yes"), ("2", "yes"), ("2", "no")]


def test_a_third_line_on_a_stave_has_no_rests():
    voices = [Voice(chords=(chord_of(n, n + 2, note=n),)) for n in range(3)]
    rests = one(part_of(*voices), meters=(FOUR,)).xpath("//note[rest]")
    printed = [(r.findtext("voice"), r.get("print-object", "yes")) for r in rests]
    assert set(printed) == {("1", "yes"), ("2", "yes"), ("2", "no"), ("3", "no")}
    third = F(1, 3)
    voices[2] = Voice(chords=(chord_of(1, 1 + third, note=2),))
    rests = one(part_of(*voices), meters=(FOUR,)).xpath("//note[rest][voice='3']")
    counted = {r.get("print-object", "yes"): r.find("time-modification") is not None for r in rests}
    assert counted == {"yes": True, "no": False}


@pytest.mark.parametrize(
    ("id_", "held", "rests"),
    [("piano", 4, ["2"]), ("piano", 3, ["1", "2"]), ("flute", 4, ["1", "2"])],
    ids=["left alone", "both silent", "two players"],
)
def test_a_hand_that_leaves_the_other_alone_has_no_rests(id_, held, rests):
    # The upper voice ends after two quarters, the lower begins on the second one.
    voices = Voice(chords=(chord_of(0, 2),)), Voice(chords=(chord_of(1, held, note=1),))
    stave = Stave(voices=voices, clefs=((F(0), Clef.TREBLE),))
    other = Stave(voices=(Voice(chords=()),), clefs=((F(0), Clef.BASS),))
    staves = (stave, other) if id_ == "piano" else (stave,)
    root = one(part_of(staves=staves, id_=id_), meters=(FOUR,))
    found = root.xpath("//note[rest][not(@print-object)][not(rest/@measure)]/voice/text()")
    assert sorted(found) == sorted(rests)


def test_a_tuplet_of_a_hand_that_leaves_the_other_has_all_its_rests():
    third = F(1, 3)
    voices = (
        Voice(chords=(chord_of(0, third), chord_of(third, 2 * third, note=1))),
        Voice(chords=(chord_of(0, 4, note=2),)),
    )
    upper = Stave(voices=voices, clefs=((F(0), Clef.TREBLE),))
    lower = Stave(voices=(Voice(chords=()),), clefs=((F(0), Clef.BASS),))
    root = one(part_of(staves=(upper, lower), id_="piano"), meters=(FOUR,))
    rests = root.xpath("//note[rest][voice='1']")
    shown = [(r.find("time-modification") is not None, r.get("print-object", "yes")) for r in rests]
    assert shown[0] == (True, "yes")
    assert set(shown[1:]) == {(False, "no")}


def test_empty_bars_of_a_part_are_gathered_but_not_over_a_change():
    voice = Voice(chords=(chord_of(0, 4),))
    meters = (FOUR, FOUR, FOUR, Meter.plain(3, 4), Meter.plain(3, 4), Meter.plain(3, 4))
    root = one(part_of(voice), meters=meters, count_in=2)
    runs = {
        bar.get("number"): bar.findtext(".//multiple-rest")
        for bar in root.findall("part/measure")
        if bar.find(".//multiple-rest") is not None
    }
    # A5 has a boxed number.
    assert runs == {"A2": "2", "A5": "2"}


def test_a_large_score_has_tempo_and_letters_over_its_strings_too():
    voice = Voice(chords=(chord_of(0, 4),))
    winds = ("flute", "oboe", "clarinet-in-b-flat", "bassoon", "horn-in-f")
    for above in (winds, winds[1:]):
        insert = insert_musicxml(
            [part_of(voice, id_=id_) for id_ in (*above, "violins", "cellos")],
            heading=HEADING,
            insert=phrase_of(bars_of(*[FOUR] * 5)),
            settings=Settings(),
        )
        parts = etree.fromstring(insert.score).findall("part")
        marked = [
            place for place, part in enumerate(parts) if part.find(".//metronome") is not None
        ]
        assert marked == ([0, 5] if len(above) == 5 else [0])
        for place, part in enumerate(parts):
            letters = [letter.text for letter in part.iter("rehearsal")]
            assert letters == (["A1", "A5"] if place in marked else [])


def test_the_score_has_no_multi_bar_rests_and_says_general_words_once():
    general = Direction(at_beats=F(0), text="let the room ring", is_general=True)
    own = Direction(at_beats=F(4), text="off 1")
    voice = Voice(chords=(chord_of(0, 4),))
    parts = [
        part_of(voice, directions=(general, own), id_=id_) for id_ in ("flute", "oboe", "horn-in-f")
    ]
    insert = insert_musicxml(
        parts, heading=HEADING, insert=phrase_of(bars_of(*[FOUR] * 4)), settings=Settings()
    )
    score = etree.fromstring(insert.score)
    words = score.xpath("//words/text()")
    assert (words.count("let the room ring"), words.count("off 1")) == (1, 3)
    assert score.find(".//multiple-rest") is None
    assert len(score.findall(".//rehearsal")) == 1
    for document in insert.parts:
        assert etree.fromstring(document).xpath("//words/text()").count("let the room ring") == 1
    groups = [(g.get("type"), g.findtext("group-symbol")) for g in score.iter("part-group")]
    assert groups == [("start", "bracket"), ("stop", None)]


def test_names_with_characters_that_xml_cannot_hold_lose_only_those():
    part = part_of(Voice(chords=(chord_of(0, 4),)))
    heading = Heading(song="Étude\x00 & <夜>", letter="A", bars="bars 1–2")
    insert = insert_musicxml(
        [part], heading=heading, insert=phrase_of(bars_of(FOUR)), settings=Settings()
    )
    assert etree.fromstring(insert.score).findtext("work/work-title") == "Étude & <夜>"


@pytest.mark.parametrize("study", STUDIES)
def test_the_same_insert_gives_the_same_bytes(study):
    assert written(STUDIES[study]()) == written(STUDIES[study]())


@pytest.mark.parametrize("name", [path.name for path in sorted(GOLDEN.glob("*.musicxml"))])
def test_the_documents_are_those_that_were_looked_at(name):
    # Regenerate with: python -m tests.musicxml.make_golden_musicxml
    assert golden_documents()[name] == (GOLDEN / name).read_bytes()


def test_no_golden_document_is_missing():
    assert {path.name for path in GOLDEN.glob("*.musicxml")} == set(golden_documents())


@st.composite
def cut_performances(draw):
    """A phrase of two parts in any meters, cut anywhere on a sixteenth or a triplet."""
    meters = draw(
        st.lists(st.sampled_from([(4, 4), (7, 8), (6, 8), (3, 4)]), min_size=1, max_size=3)
    )
    bars = bars_of(*(Meter.plain(*meter) for meter in meters))
    length = bars[-1].end_beats
    unit = draw(st.sampled_from([F(1, 4), F(1, 3), F(1, 6)]))
    edges = sorted(draw(st.sets(st.integers(0, int(length / unit)), min_size=3, max_size=14)))
    line = [(a * unit, b * unit, draw(st.integers(55, 79))) for a, b in pairwise(edges)]
    phrase = phrase_of(bars, line, [(0, length, 40)])
    start = draw(st.integers(0, int(length / unit) // 2)) * unit
    settings = Settings(grid_beats=F(1, 12), compensate=Compensate.NONE)
    return performed(phrase.cut(start, length), "piano", "cellos", settings=settings)


@given(cut_performances())
def test_every_bar_of_every_voice_is_full(performance):
    root = etree.fromstring(written(performance).score)
    bars = performance.insert.bars
    for part in root.findall("part"):
        for bar, measure in zip(bars, part.findall("measure")[2:], strict=True):
            lengths: dict[str, int] = {}
            for note in measure.findall("note"):
                if note.find("chord") is None:
                    voice = note.findtext("voice")
                    lengths[voice] = lengths.get(voice, 0) + int(note.findtext("duration"))
            assert set(lengths.values()) == {int(bar.length_beats * DIVISIONS)}


def test_one_sign_rolls_both_hands_and_says_which_way():
    hand = Voice(
        chords=(chord_of(0, 4, Spelled("C", 0, 4), Spelled("E", 0, 4)),),
        marks=(Mark(at_beats=F(0), kind=Articulation.ARPEGGIO_DOWN),),
    )
    staves = tuple(
        Stave(voices=(hand,), clefs=((F(0), clef),)) for clef in (Clef.TREBLE, Clef.BASS)
    )
    signs = one(part_of(id_="harp", staves=staves)).findall(".//arpeggiate")
    assert len(signs) == 4
    assert {(sign.get("number"), sign.get("direction")) for sign in signs} == {("1", "down")}
