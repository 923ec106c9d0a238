"""Every place that is named of a window inside bars equals one that is reckoned apart.

200 windows of songs made at random (`tests.evidence.song_clock`): meters from 2/4 to 12/8,
pick-ups, tempo changes, both ends mostly inside bars. The clock of that module is the only other
side.
"""

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import pytest
from lxml import etree

from retro.model.findings import FindingKind
from retro.model.settings import Settings
from retro.musicxml.heading import Heading
from retro.musicxml.notice import notice_musicxml
from retro.placement.table import placement_rows
from retro.plan.compose import Plan, plan_song
from retro.read.midi import read_song_bytes
from retro.render.picture import picture_svg
from retro.sheet.data import page_data
from retro.sheet.page import sheet_html
from retro.sheet.sound import SheetAudio
from tests.evidence.song_clock import Clock, MadeSong, Piece, beat_says, made_song, turned_round

WINDOWS = 200
RATE = 48_000
SILENCE = SheetAudio(target=b"", flipped=b"", length_s=1.0, window_at_s=0.5)
SVG = "{http://www.w3.org/2000/svg}"
SONG_PLACE = re.compile(r"song bar (-?\d+) beat ([\d.]+)")
INSERT_PLACE = re.compile(r"(?<!song )(?<!before )bar (\d+) beat ([\d.]+)")


@dataclass(frozen=True)
class Case:
    """A made song, its plan, and the words that its ends should have."""

    song: MadeSong
    plan: Plan

    @property
    def clock(self) -> Clock:
        return self.song.clock

    @property
    def start_words(self) -> str:
        first, start, _ = self.clock.pieces(self.song.start, self.song.end)[0]
        said = f"bar {first.number}"
        return said if start == first.start else f"{said} beat {beat_says(first.beat(start))}"

    @property
    def end_words(self) -> str:
        last, _, end = self.clock.pieces(self.song.start, self.song.end)[-1]
        if end == last.end:
            return f"the end of bar {last.number}"
        return f"bar {last.number} beat {beat_says(last.beat(end))}"

    @property
    def bar_words(self) -> str:
        pieces = self.clock.pieces(self.song.start, self.song.end)
        (first, start, _), (last, _, end) = pieces[0], pieces[-1]
        if start == first.start and end == last.end:
            same = first.number == last.number
            return f"bar {first.number}" if same else f"bars {first.number} to {last.number}"
        begins = "the start of " if start == first.start else ""
        return f"{begins}{self.start_words} up to {self.end_words}"

    @property
    def insert(self) -> list[Piece]:
        return turned_round(self.clock, self.song.start, self.song.end)

    def insert_place(self, at: Fraction) -> tuple[int, Fraction]:
        """Return bar and beat of the insert; its end belongs to its last bar."""
        for number, piece in enumerate(self.insert, start=1):
            if at < piece.start + piece.length or number == len(self.insert):
                return number, piece.beat(at)
        raise AssertionError(at)


@cache
def case(seed: int) -> Case:
    song = made_song(seed)
    start, end = song.names
    read = read_song_bytes(song.data, f"song-{seed}.mid")
    return Case(song, plan_song(read, Settings(start=start, end=end, rate=RATE)))


every_window = pytest.mark.parametrize("seed", range(WINDOWS))


@every_window
def test_the_window_is_where_its_words_say(seed):
    made = case(seed)
    window = made.plan.window
    assert (window.start_beats, window.end_beats) == (made.song.start, made.song.end)
    assert window.start_s == made.clock.seconds(made.song.start)
    assert window.end_s == made.clock.seconds(made.song.end)
    assert window.start_words == made.start_words
    assert window.end_words == made.end_words
    assert window.bar_words == made.bar_words


@every_window
def test_the_placement_table_names_the_songs_own_places(seed):
    made = case(seed)
    placement = made.plan.placement
    rows = {row.key: row for row in placement_rows(placement)}
    t0 = _nearest(made.clock.seconds(made.song.start) * RATE)
    start = t0 - placement.tail_kept_samples + placement.shift_samples
    assert rows["clip_start"].value == str(start)
    assert rows["clip_start_bar"].value == _cell(made.clock, Fraction(start, RATE))
    shift_s = Fraction(placement.shift_samples, RATE)
    heard_s = made.clock.seconds(made.song.start) + Fraction(placement.audible_from_s) + shift_s
    assert rows["swell"].value == _cell(made.clock, heard_s)
    if placement.anchor is not None:
        at = made.clock.seconds(made.song.start) + Fraction(placement.anchor.at_s)
        said = re.fullmatch(r"bar (-?\d+) beat ([\d.]+)", rows["anchor"].value)
        assert _stands(made.clock, said)
        found = made.clock.seconds(_quarters(made.clock, said))
        assert float(found) == pytest.approx(float(at), abs=0.003)


@every_window
def test_the_sheet_counts_the_song_through_the_window(seed):
    made = case(seed)
    page = json.loads(page_data(made.plan, SILENCE, ()))
    assert page["window_starts"] == made.start_words
    assert page["window_ends"] == made.end_words
    start_s = made.clock.seconds(made.song.start)
    for beat in page["song_beats"]:
        at = made.clock.quarters(start_s + Fraction(beat["at_s"]))
        number, own = made.clock.place(at + Fraction(1, 10**7))
        assert beat["bar"] == number
        assert beat["beat"] == pytest.approx(float(own), abs=1e-5)
    ones = [beat["bar"] for beat in page["song_beats"] if beat["accent"]]
    pieces = made.clock.pieces(made.song.start, made.song.end)
    assert ones == [bar.number for bar, first, _ in pieces if first == bar.line]
    for note, shown in zip(made.plan.performance.notes, page["notes"], strict=True):
        number, own = made.insert_place(note.written_on_beats)
        assert shown["read_at"] == f"A{number} beat {float(own):g}"


@every_window
def test_the_sheets_head_names_the_window(seed):
    made = case(seed)
    root = etree.HTML(
        sheet_html(made.plan, picture=picture_svg(made.plan.performance), audio=SILENCE, scores=())
    )
    text = " ".join("".join(root.itertext()).split())
    assert f"That is before {made.start_words} by" in text
    assert made.bar_words in text


@every_window
def test_findings_name_places_of_the_song_and_of_the_insert(seed):
    made = case(seed)
    start_s = made.clock.seconds(made.song.start)
    for finding in made.plan.findings:
        said = f"{finding.what}; {finding.advice}"
        songs = list(SONG_PLACE.finditer(said))
        if finding.kind is FindingKind.PRE_SWELL:
            assert f"before {made.start_words}: " in said
            lead_s = float(re.search(r"([\d.]+) s before bar", said)[1])
            for place in songs:
                assert _seconds(made.clock, place) == pytest.approx(
                    float(start_s) - lead_s, abs=0.007
                )
        elif songs:
            ons = {made.song.start + part_on for part_on in _target_ons(made.plan)}
            wanted = {_says(*made.clock.place(on)) for on in ons}
            assert {(place[1], place[2]) for place in songs} <= wanted
        _check_insert_places(made, finding, said)


def _check_insert_places(made, finding, said) -> None:
    notes = [
        note
        for note in made.plan.performance.notes
        if finding.player in (None, made.plan.performance.players[note.part].name)
    ]
    ons = {made.insert_place(note.written_on_beats) for note in notes}
    offs = {made.insert_place(note.written_off_beats) for note in notes}
    if finding.bar is not None and finding.beat is not None:
        places = {(bar, round(float(beat), 3)) for bar, beat in ons | offs}
        assert (finding.bar, round(float(finding.beat), 3)) in places
    for place in INSERT_PLACE.finditer(said):
        number = int(place[1])
        assert 1 <= number <= len(made.insert)
        piece = made.insert[number - 1]
        assert 1 <= float(place[2]) < 1 + piece.numerator + 0.001


@every_window
def test_the_notice_says_where_to_fall_silent_and_where_to_come_in(seed):
    made = case(seed)
    plan = made.plan
    heading = Heading(song="", letter="A", bars=plan.window.printed_bars)
    xml = notice_musicxml(plan.performance.target, heading=heading, window=plan.window)
    root = etree.fromstring(xml)
    measures = root.findall("part/measure")
    pieces = made.clock.pieces(made.song.start, made.song.end)
    assert [int(m.get("number")) for m in measures] == [bar.number for bar, _, _ in pieces]
    divisions = int(root.findtext(".//divisions"))
    lengths = [int(m.findtext("note/duration")) for m in measures]
    assert [Fraction(length, divisions) for length in lengths] == [b - a for _, a, b in pieces]
    words = [element.text for element in root.iter("words")]
    for verb, place in (("from", made.start_words), ("until", made.end_words)):
        beat = place.partition(" beat ")[2]
        assert (f"{verb} beat {beat}" in words) == bool(beat)
    meters = {
        m.get("number"): (int(m.findtext(".//beats")), int(m.findtext(".//beat-type")))
        for m in measures
        if m.find(".//time") is not None
    }
    piece = made.insert[-1]
    assert meters[measures[0].get("number")] == (piece.numerator, piece.denominator)
    if made.start_words != f"bar {pieces[0][0].number}" or "end" not in made.end_words:
        advice = next(word for word in words if word and word.startswith("do not play"))
        assert f"from {made.start_words} on" in advice
        joins = "after" if made.end_words.startswith("the end") else "at"
        assert f"come in {joins} {made.end_words}" in advice


@every_window
def test_the_picture_writes_bars_and_beats_where_they_sound(seed):
    made = case(seed)
    root = ET.fromstring(picture_svg(made.plan.performance))
    edges = sorted({float(line.get("x1")) for line in _lines(root, "edge")})
    start_s, end_s = (made.clock.seconds(at) for at in (made.song.start, made.song.end))

    def x_of(at: Fraction) -> float:
        share = (made.clock.seconds(at) - start_s) / (end_s - start_s)
        return edges[0] + float(share) * (edges[-1] - edges[0])

    texts = [(text.text, float(text.get("x"))) for text in root.iter(f"{SVG}text")]
    pieces = made.clock.pieces(made.song.start, made.song.end)
    for bar, first, _ in pieces:
        beat = beat_says(bar.beat(first))
        label = f"{bar.number}" if beat == "1" else f"{bar.number} beat {beat}"
        assert any(
            text == label and x == pytest.approx(x_of(first) + 3, abs=0.02) for text, x in texts
        )
    lines = sorted(float(line.get("x1")) for line in _lines(root, "bar"))
    assert lines == pytest.approx([x_of(first) for _, first, _ in pieces[1:]], abs=0.02)
    for number, piece in enumerate(made.insert, start=1):
        at = x_of(made.song.end - piece.start)
        assert any(
            text == f"A{number}" and x == pytest.approx(at - 3, abs=0.02) for text, x in texts
        )


def test_the_windows_are_what_they_are_said_to_be(record_evidence):
    made = [made_song(seed) for seed in range(WINDOWS)]
    bars = [bar for song in made for bar in song.clock.bars]
    meters = {(bar.numerator, bar.denominator) for bar in bars}
    pick_ups = sum(song.clock.bars[0].into > 0 for song in made)
    turns = sum(len(song.clock.tempos) > 1 for song in made)
    inside = sum(
        all(at not in {bar.start for bar in song.clock.bars} for at in (song.start, song.end))
        for song in made
    )
    in_pick_up = sum(song.start < song.clock.bars[0].end for song in made)
    findings = [finding for seed in range(WINDOWS) for finding in case(seed).plan.findings]
    in_song = sum(len(SONG_PLACE.findall(finding.what)) for finding in findings)
    in_insert = sum(finding.beat is not None for finding in findings)
    assert min(in_song, in_insert) > WINDOWS / 2
    assert len(meters) == 10
    assert min(pick_ups, turns, inside, in_pick_up) > 20
    record_evidence(
        what=f"{WINDOWS} random windows over ten meters from 2/4 to 12/8 ({inside} with both ends "
        f"inside bars, {pick_ups} songs with a pick-up, {turns} with tempo changes): every place "
        f"in sheet, placement table, notice and picture, and {in_song} places of the song and "
        f"{in_insert} of the insert in findings",
        source="a clock of bars, beats and seconds written in the test",
        expected="the same places",
        found="all",
    )


def _nearest(value: Fraction) -> int:
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def _cell(clock: Clock, seconds: Fraction) -> str:
    number, beat = clock.printed(clock.quarters(seconds), decimals=4)
    return f"{f'bar {number}' if number < 0 else number}/{float(beat):.4f}"


def _stands(clock: Clock, said) -> bool:
    """Whether a bar has the beat that is named of it; bars go on after the last."""
    bar = next((bar for bar in clock.bars if bar.number == int(said[1])), clock.bars[-1])
    return 1 <= float(said[2]) < 1 + bar.numerator


def _quarters(clock: Clock, said) -> Fraction:
    """Return where a place that is named lies, in quarter notes; in the bar after the last too."""
    number = int(said[1])
    last = clock.bars[-1]
    bar = next((bar for bar in clock.bars if bar.number == number), None)
    line = last.end + (number - last.number - 1) * last.full if bar is None else bar.line
    return line + (Fraction(said[2]) - 1) * (bar or last).unit


def _says(number: int, beat: Fraction) -> tuple[str, str]:
    return str(number), beat_says(beat)


def _seconds(clock: Clock, said) -> float:
    """Return where a place that is named lies in the song."""
    return float(clock.seconds(_quarters(clock, said)))


def _target_ons(plan: Plan):
    return {note.target.on_beats for note in plan.performance.notes}


def _lines(root, kind: str):
    return [line for line in root.iter(f"{SVG}line") if line.get("class") == kind]
