"""MusicXML read into bars of written notes, by nothing but its own rules.

Conventions
-----------
Places and lengths are in quarter notes from the beginning of the piece.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from lxml import etree

GROUPING = re.compile(r"\d+(\+\d+)+")


@dataclass(frozen=True)
class Pitch:
    """A written pitch."""

    step: str
    alter: int
    octave: int

    @property
    def number(self) -> int:
        """Its key on a keyboard."""
        return 12 * (self.octave + 1) + "C D EF G A B".index(self.step) + self.alter

    def __str__(self) -> str:
        sign = {-2: "bb", -1: "b", 0: "", 1: "#", 2: "##"}.get(self.alter, f"({self.alter})")
        return f"{self.step}{sign}{self.octave}"


@dataclass
class Written:
    """One written note, or a rest (no pitch, not struck)."""

    on: Fraction
    length: Fraction
    bar: int
    staff: str
    voice: str
    pitch: Pitch | None
    is_rest: bool
    fills_bar: bool
    is_chord: bool
    is_grace: bool
    ratio: tuple[int, int] | None
    ties: frozenset[str]
    slurs: tuple[tuple[str, str], ...]

    @property
    def end(self) -> Fraction:
        """Where it ends."""
        return self.on + self.length


@dataclass
class Bar:
    """One bar: its printed number, place, meter and groups of beats."""

    number: str
    start: Fraction
    length: Fraction
    meter: tuple[int, int]
    groups: tuple[Fraction, ...]
    is_even: bool

    def strength(self, place: Fraction) -> int:
        """How strong a place in the bar is: 3 at its beginning, 2 in its middle, 1 on a beat."""
        inside = place - self.start
        if inside == 0:
            return 3
        edges = [sum(self.groups[:n], Fraction(0)) for n in range(1, len(self.groups))]
        if inside not in edges:
            return 0
        halves = self.is_even and len(self.groups) % 2 == 0 and len(self.groups) > 2
        return 2 if halves and inside == self.length / 2 else 1

    def beats(self) -> Iterator[Fraction]:
        """The places of its beats but the first."""
        for n in range(1, len(self.groups)):
            yield self.start + sum(self.groups[:n], Fraction(0))


@dataclass
class Staff:
    """What stands on one part's staves."""

    name: str
    bars: list[Bar] = field(default_factory=list)
    notes: list[Written] = field(default_factory=list)
    keys: list[tuple[Fraction, str, int]] = field(default_factory=list)
    wedges: list[tuple[Fraction, str, str, str, bool]] = field(default_factory=list)
    levels: list[tuple[Fraction, str, str]] = field(default_factory=list)

    def key_at(self, place: Fraction, staff: str) -> int:
        """Sharps of the signature at a place."""
        held = [fifths for at, of, fifths in self.keys if at <= place and of in ("", staff)]
        return held[-1] if held else 0

    def where(self, bar: int) -> str:
        """A bar in words."""
        return f"{self.name}, bar {self.bars[bar].number}"


def read_parts(musicxml: bytes) -> list[Staff]:
    """Read every part of a document."""
    root = etree.fromstring(musicxml)
    names = {p.get("id"): p.findtext("part-name") or "" for p in root.iter("score-part")}
    return [_Reader(names.get(part.get("id"), "")).read(part) for part in root.iter("part")]


class _Reader:
    """Goes through a part once, keeping what was said last."""

    def __init__(self, name: str) -> None:
        self.part = Staff(name)
        self.divisions = 1
        self.meter = (4, 4)
        self.grouping: tuple[int, ...] = ()
        self.now = Fraction(0)
        self.last_on = Fraction(0)
        self.furthest = Fraction(0)

    def read(self, part: etree._Element) -> Staff:
        start = Fraction(0)
        for index, measure in enumerate(part.iter("measure")):
            self.now = self.furthest = start
            for attributes in measure.iter("attributes"):
                self._meter(attributes)
            self._grouping(measure)
            self.part.bars.append(self._bar(measure.get("number", ""), start))
            for element in measure:
                self._element(element, index)
            bar = self.part.bars[-1]
            bar.length = self.furthest - start or bar.length
            start += bar.length
        return self.part

    def _meter(self, attributes: etree._Element) -> None:
        if attributes.find("divisions") is not None:
            self.divisions = int(attributes.findtext("divisions"))
        time = attributes.find("time")
        if time is not None and time.findtext("beats"):
            beats = [int(n) for n in time.findtext("beats").split("+")]
            self.meter = (sum(beats), int(time.findtext("beat-type")))
            self.grouping = tuple(beats) if len(beats) > 1 else ()

    def _grouping(self, measure: etree._Element) -> None:
        for words in measure.iter("words"):
            if GROUPING.fullmatch((words.text or "").strip()):
                self.grouping = tuple(int(n) for n in words.text.strip().split("+"))

    def _bar(self, number: str, start: Fraction) -> Bar:
        beats, beat_type = self.meter
        unit = Fraction(4, beat_type)
        if sum(self.grouping) == beats:
            groups, is_even = self.grouping, len(set(self.grouping)) == 1
        elif beats % 3 == 0 and beat_type >= 8 and beats > 3:
            groups, is_even = (3,) * (beats // 3), True
        elif beat_type >= 8 and beats > 3 and beats % 2:
            groups, is_even = (beats,), False
        elif beat_type >= 8 and beats % 2 == 0:
            groups, is_even = (2,) * (beats // 2), True
        else:
            groups, is_even = (1,) * beats, True
        return Bar(
            number=number,
            start=start,
            length=beats * unit,
            meter=self.meter,
            groups=tuple(n * unit for n in groups),
            is_even=is_even,
        )

    def _element(self, element: etree._Element, bar: int) -> None:
        match element.tag:
            case "attributes":
                for key in element.iter("key"):
                    if key.findtext("fifths"):
                        fifths = int(key.findtext("fifths"))
                        self.part.keys.append((self.now, key.get("number", ""), fifths))
            case "backup":
                self.now -= self._duration(element)
            case "forward":
                self.now += self._duration(element)
                self.furthest = max(self.furthest, self.now)
            case "direction":
                self._direction(element)
            case "note":
                self._note(element, bar)

    def _duration(self, element: etree._Element) -> Fraction:
        return Fraction(element.findtext("duration") or "0") / self.divisions

    def _direction(self, element: etree._Element) -> None:
        offset = Fraction(element.findtext("offset") or "0") / self.divisions
        staff = element.findtext("staff") or ""
        at = self.now + offset
        for wedge in element.iter("wedge"):
            self.part.wedges.append(
                (
                    at,
                    wedge.get("type"),
                    wedge.get("number", "1"),
                    staff,
                    wedge.get("niente") == "yes",
                )
            )
        for dynamics in element.iter("dynamics"):
            level = dynamics[0].text or dynamics[0].tag
            self.part.levels.append((at, level, staff))
        for words in element.iter("words"):
            if (words.text or "").strip().strip(".") in ("n", "niente"):
                self.part.levels.append((at, "n", staff))

    def _note(self, element: etree._Element, bar: int) -> None:
        is_chord, is_grace = (element.find(tag) is not None for tag in ("chord", "grace"))
        length = Fraction(0) if is_grace else self._duration(element)
        if not is_chord:
            self.last_on = self.now
            self.now += length
            self.furthest = max(self.furthest, self.now)
        pitch = element.find("pitch")
        rest = element.find("rest")
        ratio = element.find("time-modification")
        self.part.notes.append(
            Written(
                on=self.last_on,
                length=length,
                bar=bar,
                staff=element.findtext("staff") or "1",
                voice=element.findtext("voice") or "1",
                pitch=None if pitch is None else _pitch(pitch),
                is_rest=rest is not None,
                fills_bar=rest is not None and rest.get("measure") == "yes",
                is_chord=is_chord,
                is_grace=is_grace,
                ratio=None if ratio is None else (
                    int(ratio.findtext("actual-notes")), int(ratio.findtext("normal-notes"))
                ),
                ties=frozenset(tie.get("type") for tie in element.iter("tie")),
                slurs=tuple((s.get("type"), s.get("number", "1")) for s in element.iter("slur")),
            )
        )  # fmt: skip


def _pitch(pitch: etree._Element) -> Pitch:
    return Pitch(
        step=pitch.findtext("step"),
        alter=int(float(pitch.findtext("alter") or 0)),
        octave=int(pitch.findtext("octave")),
    )
