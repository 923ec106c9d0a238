"""The insert in the song's own score: silent bars where it sounds, itself after the last bar.

The given file is edited as text. Only the silent bars, what comes behind each part's last bar, and
players whom the song does not have are written; every other byte stays as it was.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from lxml import etree

from retro.model.instruments import Clef
from retro.model.orchestra import NEUTRAL
from retro.model.phrase import Key, Phrase
from retro.musicxml.added_players import empty_song
from retro.musicxml.document import insert_bodies
from retro.musicxml.elements import element, score_part, words
from retro.musicxml.heading import Heading
from retro.musicxml.notice import tacet
from retro.musicxml.song_layout import add_breaks, breaks_of
from retro.musicxml.tacet import (
    HEAD,
    SilentBar,
    crossing,
    hanging_ties,
    only_rests,
    silent_children,
)
from retro.notation.score import Stave, Voice, WrittenPart
from retro.notation.spelling import written_keys
from retro.read.musicxml import Score, ScorePart
from retro.read.musicxml_measures import staff_of
from retro.read.musicxml_source import ElementSpan, ScoreSource, score_source

IN_FORCE = ("divisions", "key", "time", "staves", "clef", "staff-details", "transpose")
"""What attributes set until it changes, in the order of the schema."""

DROPPED = ("staves", "transpose")
"""Attributes of the insert that the song's parts have already."""

NO_SIGNATURE = ((Fraction(0), Key(0)),)

TITLE_STYLE = {"font-style": "normal", "font-weight": "bold", "font-size": "16"}
SUBTITLE_STYLE = {"font-style": "italic", "font-weight": "normal", "font-size": "10"}

Edit = tuple[int, int, bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class MainScore:
    """The song's score with the insert in it.

    `replaced` is what stood in the replaced bars, as a score of its own, None where nothing sounded
    there; `bars` are those, by the numbers that the song's score prints. `added` names the players
    whom the song does not have, and so many `ties` lead into the silent bars or out of them.
    """

    score: bytes
    replaced: bytes | None
    added: tuple[str, ...]
    ties: int
    bars: str


def main_score(
    score: Score,
    parts: Mapping[int, WrittenPart],
    others: Sequence[WrittenPart],
    *,
    measures: range,
    heading: Heading,
    insert: Phrase,
) -> MainScore:
    """Return a song's score with an insert put into it, in place of measures, by their indexes.

    `parts` are what is played by the song's parts, by their index and on as many staves, `others`
    what is played by players whom the song does not have.
    """
    editing = _Editing(score, measures, heading)
    staves = [parts.get(index) or _silent(part, insert) for index, part in enumerate(score.parts)]
    bodies = insert_bodies([*staves, *others], heading=heading, insert=insert)
    songs = [empty_song(other, score) for other in others]
    breaks = breaks_of(editing.trees)
    for index, (body, tree) in enumerate(zip(bodies, [*editing.trees, *songs], strict=True)):
        is_silent = index < len(staves) and index not in parts
        _fit(body, attributes_before(tree, len(tree)), is_silent=is_silent)
        _name_strokes(body, score.parts[index].reader.strokes if index < len(staves) else {})
        add_breaks(body, breaks)
    _add_heading(bodies[0], heading)
    edits = [edit for index in range(len(score.parts)) for edit in editing.silenced(index)]
    edits += [editing.appended(index, body) for index, body in enumerate(bodies[: len(staves)])]
    joined = [[*song, *body] for song, body in zip(songs, bodies[len(staves) :], strict=True)]
    edits += editing.joined(others, joined)
    return MainScore(
        score=editing.source.edited(edits),
        replaced=editing.replaced() if editing.sounds else None,
        added=tuple(part.name for part in others),
        ties=sum(hanging_ties(part, measures) for part in editing.trees),
        bars=heading.bars,
    )


def _silent(part: ScorePart, insert: Phrase) -> WrittenPart:
    """Return rests on every stave of a part that has nothing in the insert."""
    instrument = replace(
        NEUTRAL,
        transposition=part.reader.transposition,
        clefs=(Clef.PERCUSSION,) if part.reader.is_unpitched else NEUTRAL.clefs,
    )
    stave = Stave(voices=(Voice(chords=()),), clefs=((Fraction(0), Clef.TREBLE),))
    return WrittenPart(
        name=part.facts.name,
        abbreviation="",
        instrument=instrument,
        part=0,
        keys=written_keys(insert.keys, instrument) if part.has_signatures else NO_SIGNATURE,
        staves=(stave,) * part.reader.staves,
    )


def as_in_song(part: WrittenPart, home: ScorePart) -> WrittenPart:
    """Return a part on as many staves as the song has for it, without keys where it has none."""
    on = _on_staves(part, home.reader.staves)
    return on if home.has_signatures else replace(on, keys=NO_SIGNATURE)


def _on_staves(part: WrittenPart, count: int) -> WrittenPart:
    """Return a part on a number of staves."""
    if len(part.staves) == count:
        return part
    first = part.staves[0]
    if len(part.staves) > count:
        voices = tuple(voice for stave in part.staves for voice in stave.voices if voice.chords)
        return replace(part, staves=(replace(first, voices=voices or first.voices),))
    empty = Stave(voices=(Voice(chords=()),), clefs=first.clefs[:1])
    return replace(part, staves=(*part.staves, *(empty,) * (count - len(part.staves))))


def _fit(body: etree._Element, in_force: Sequence[etree._Element], *, is_silent: bool) -> None:
    """Take out of a part of the insert what the song's part has already said.

    A clef or a key said again would be announced behind the song's last bar line. The meter is said
    again, as at the beginning of a movement.
    """
    for attributes in body.iter("attributes"):
        for child in [child for child in attributes if child.tag in DROPPED]:
            attributes.remove(child)
    first = body[0].find("attributes")
    said = {_said(child) for child in in_force}
    if first is not None:
        for child in list(first.iterchildren("key", "clef")):
            if _said(child) in said or (is_silent and child.tag == "clef"):
                first.remove(child)
    for head in body.iter("note"):
        head.attrib.pop("id", "")


def _name_strokes(body: etree._Element, strokes: Mapping[str, int]) -> None:
    """Call the instrument of every stroke as the song does, by its MIDI key; else leave it out."""
    by_key = {key: name for name, key in strokes.items()}
    for note in body.iterfind("measure/note"):
        for instrument in note.findall("instrument"):
            name = by_key.get(int(instrument.get("id", "").rpartition("-I")[2]))
            if name is None:
                note.remove(instrument)
            else:
                instrument.set("id", name)


def _said(attribute: etree._Element) -> tuple[str, ...]:
    """Return what a clef or a key says to who reads it."""
    stave = attribute.get("number", "1" if attribute.tag == "clef" else "")
    said = (
        attribute.findtext(tag, "").strip()
        for tag in ("fifths", "sign", "line", "clef-octave-change")
    )
    return (str(attribute.tag), stave, *said)


def _add_heading(body: etree._Element, heading: Heading) -> None:
    """Put the heading over the first bar of the top part, above all that stands there."""
    first = body[0].find("note")
    if first is None:
        return
    for text, style in ((heading.subtitle, SUBTITLE_STYLE), (heading.title, TITLE_STYLE)):
        first.addprevious(words(text, above=True, **style))


class _Editing:
    """The given score as text and as trees, side by side.

    `trees` are the measures of every part; `sounds` says whether anything sounds in the bars that
    become silent.
    """

    def __init__(self, score: Score, measures: range, heading: Heading) -> None:
        self.source: ScoreSource = score_source(score.xml, score.name)
        self.trees = [part.findall("measure") for part in score.root.iterfind("part")]
        self._score = score
        self._measures = measures
        self._heading = heading
        self.sounds = any(
            not only_rests(tree[index]) for tree in self.trees for index in self._of(tree)
        )

    def _of(self, tree: Sequence[etree._Element]) -> list[int]:
        return [index for index in self._measures if index < len(tree)]

    def _places(self, part: int) -> list[ElementSpan]:
        return [child for child in self.source.parts[part].children if child.tag == "measure"]

    def silenced(self, part: int) -> Iterator[Edit]:
        """Yield the edits that make the replaced bars of one part silent."""
        tree, places = self.trees[part], self._places(part)
        kept = crossing(tree, self._measures)
        for index in self._of(tree):
            text = tacet(self._heading) if index == self._measures[0] else ""
            measure, place = tree[index], places[index]
            if only_rests(measure):
                yield from self._said(measure, place, text)
                continue
            in_force = attributes_before(tree, index)
            bar = SilentBar(
                length_beats=self._score.lengths[index],
                divisions=_divisions(in_force, measure),
                staves=_staves(in_force, measure),
                words=text,
            )
            gap = self._gap(place)
            children = silent_children(measure, bar, kept)
            inside = b"".join(
                gap + self.source.text(place.children[child])
                if isinstance(child, int)
                else gap + self._text(child, gap)
                for child in children
            )
            yield place.inner_start, place.inner_end, inside + self._closing(place)

    def _said(self, measure: etree._Element, place: ElementSpan, text: str) -> Iterator[Edit]:
        """Yield the words over a bar that is silent already."""
        if not text:
            return
        head = [i for i, child in enumerate(measure) if child.tag in HEAD]
        leading = 0
        while leading < len(head) and head[leading] == leading:
            leading += 1
        at = place.children[leading - 1].end if leading else place.inner_start
        gap = self._gap(place)
        yield at, at, gap + self._text(words(text, above=True), gap)

    def _gap(self, place: ElementSpan) -> bytes:
        """Return the white space before the first child of a measure."""
        return self._space(place.inner_start, place.children[0].start) if place.children else b""

    def _closing(self, place: ElementSpan) -> bytes:
        return self._space(place.children[-1].end, place.inner_end) if place.children else b""

    def _space(self, start: int, end: int) -> bytes:
        """Return what stands between two places if it is white space, else nothing."""
        gap = self.source.data[start:end]
        return gap if not gap.strip() else b""

    def _text(self, child: etree._Element, gap: bytes) -> bytes:
        return self.source.encoded(_indented(child, gap.decode("ascii")))

    def appended(self, part: int, body: etree._Element) -> Edit:
        """Return the edit that puts the insert's bars behind the last bar of a part."""
        place, measures = self.source.parts[part], self._places(part)
        gap, inside = self._gaps(place, measures)
        at = measures[-1].end if measures else place.inner_start
        text = "".join(gap + _indented(measure, inside) for measure in body)
        return at, at, self.source.encoded(text)

    def _gaps(self, place: ElementSpan, measures: Sequence[ElementSpan]) -> tuple[str, str]:
        """Return the white space before a measure, and before its children."""
        if not measures:
            return "\n", "\n"
        before = self._space(place.inner_start, measures[0].start)
        return before.decode("ascii"), self._gap(measures[0]).decode("ascii")

    def joined(
        self, others: Sequence[WrittenPart], measures: Sequence[Sequence[etree._Element]]
    ) -> Iterator[Edit]:
        """Yield the edits that add players whom the song does not have, with all their bars."""
        if not others:
            return
        last = self.source.parts[-1]
        ids = {found.get("id") for found in self._score.root.iter() if found.get("id")}
        gap, _ = self._gaps(last, self._places(-1))
        entries, parts = "", ""
        for number, (other, bars) in enumerate(zip(others, measures, strict=True), start=1):
            part_id = f"insert-{self._heading.letter}-{number}"
            while part_id in ids:
                part_id += "x"
            entry = score_part(part_id, other.name, other.abbreviation, other.instrument)
            entries += _indented(entry, "")
            part = element("part", id=part_id)
            part.extend(bars)
            parts += _indented(part, gap) if gap else etree.tostring(part, encoding="unicode")
        at = self.source.part_list.inner_end
        yield at, at, self.source.encoded(entries)
        yield last.end, last.end, self.source.encoded(parts)

    def replaced(self) -> bytes:
        """Return what stands in the replaced bars now, as a score of its own."""
        data = self.source.data
        pieces = [data[: self.source.parts[0].start]]
        for part, tree in enumerate(self.trees):
            place, measures = self.source.parts[part], self._places(part)
            pieces.append(data[place.start : place.inner_start])
            for index in self._of(tree):
                measure = measures[index]
                text = self.source.text(measure)
                if index == self._measures[0]:
                    cut = measure.inner_start - measure.start
                    attributes = element("attributes")
                    attributes.extend(attributes_before(tree, index))
                    told = self._text(attributes, b"") if len(attributes) else b""
                    text = text[:cut] + told + text[cut:]
                pieces += [b"\n", text]
            pieces.append(b"\n</part>\n")
        pieces.append(data[self.source.parts[-1].end :])
        whole = b"".join(pieces)
        return replace(self.source, data=whole).edited([])


def _indented(child: etree._Element, gap: str) -> str:
    """Return an element as text whose lines begin as the gap before it does."""
    newline, _, spaces = gap.rpartition("\n")
    if "\n" not in gap:
        return str(etree.tostring(child, encoding="unicode"))
    etree.indent(child, space="  ")
    lines = str(etree.tostring(child, encoding="unicode")).strip().split("\n")
    return (("\r\n" if newline.endswith("\r") else "\n") + spaces).join(lines)


def attributes_before(measures: Sequence[etree._Element], index: int) -> list[etree._Element]:
    """Return copies of the attributes in force before a measure, in the order of the schema."""
    found: dict[tuple[str, str], etree._Element] = {}
    for measure in measures[:index]:
        for attributes in measure.iterchildren("attributes"):
            for child in attributes.iterchildren(*IN_FORCE):
                if child.tag in ("key", "time", "transpose") and child.get("number") is None:
                    found = {key: kept for key, kept in found.items() if key[0] != child.tag}
                found[str(child.tag), child.get("number", "")] = child
    ordered = sorted(found.items(), key=lambda item: (IN_FORCE.index(item[0][0]), item[0][1]))
    return [etree.fromstring(etree.tostring(child, with_tail=False)) for _, child in ordered]


def _told(in_force: Sequence[etree._Element], measure: etree._Element, tag: str) -> str:
    """Return what is in force at the start of a measure."""
    text = next((child.text or "" for child in in_force if child.tag == tag), "")
    for child in measure:
        if child.tag in ("note", "backup", "forward"):
            break
        text = child.findtext(tag, text) if child.tag == "attributes" else text
    return text.strip()


def _divisions(in_force: Sequence[etree._Element], measure: etree._Element) -> Fraction:
    return Fraction(_told(in_force, measure, "divisions") or "1")


def _staves(in_force: Sequence[etree._Element], measure: etree._Element) -> int:
    return staff_of(_told(in_force, measure, "staves"))
