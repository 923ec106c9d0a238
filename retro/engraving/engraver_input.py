"""What the engraver is handed: music readied for print, and mended where it would go wrong.

The engraver (verovio) takes key changes within a piece from the first staff only, loses what is
said in the first bar of a multi-bar rest, and sets texts side by side without a space between them.
All three are mended here: the last in the MusicXML, the others in the engraver's own format (MEI).
"""

import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise, takewhile
from textwrap import wrap

from lxml import etree

from retro.engraving.fonts import Lettering
from retro.engraving.line_ends import set_words_back
from retro.engraving.octaves import MEI, XML_ID, Shifts, octave_shifts
from retro.engraving.pictures import BAR_NUMBER_PT, Frame
from retro.engraving.slides import Slides, take_slides
from retro.errors import ReadError

MREST = f"{MEI}mRest"
TEXTS = (
    "group-abbreviation",
    "group-name",
    "other-dynamics",
    "part-abbreviation",
    "part-name",
    "per-minute",
    "rehearsal",
    "text",
    "words",
)
"""Elements whose words are printed."""

ANOTHER_LAYOUT = ("credit", "defaults", "part-abbreviation-display", "part-name-display", "print")
"""Elements that say how pages look, which is ours to say."""

TEMPO_PT = 12.0
"""Smallest size of tempo marks (common practice for scores that are conducted from)."""

MAX_SEED = 0x7FFF_FFFF

LINE_LETTERS = 44
"""Letters on a line of words; longer lines upset the engraver's division of bars into systems."""

SPACE_AFTER = "\u00a0\u00a0"
"""Keeps a word from touching the next one; the engraver keeps no distance of its own."""

SPACE_IN_BOX = "\u00a0"
"""Makes the engraver see a boxed letter above the next head and its ledger lines, not beside them;
`retro.engraving.pictures` draws the box narrower."""


BREATH_BACK = 0.4
"""Counts by which a comma stands before where the engraver has it: on the bar line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EngraverInput:
    """A document ready for the engraver.

    Parameters
    ----------
    musicxml
        As text.
    staves
        How many staves a full system has.
    lettering
        What its letters need.
    key_changes
        (bar from 0, staff from 1, fifths): every key change within the piece, where the staves
        differ in it; empty where the engraver gets it right by itself.
    octaves
        The heads that stand under ottava lines, by name.
    slides
        The glissandi that go up from a lower stave, taken out of the document.
    lettered
        The staves, from 1, over which boxed letters stand; empty where that is the first alone.
    gathers
        Whether bars of rest are to be gathered.
    count_in
        Bars without a number before the music.
    """

    musicxml: str
    staves: int
    lettering: Lettering
    key_changes: tuple[tuple[int, int, int], ...]
    octaves: Shifts = field(hash=False)
    slides: Slides
    lettered: tuple[int, ...]
    gathers: bool
    count_in: int

    @property
    def is_mended(self) -> bool:
        """Whether the engraver's own reading of it lacks something."""
        mended = (self.key_changes, self.octaves, self.slides, self.lettered, self.gathers)
        return any(map(bool, mended))

    @property
    def seed(self) -> int:
        """A number for the names of its elements, its own as far as may be."""
        return zlib.crc32(self.musicxml.encode()) & MAX_SEED


def ready(
    musicxml: bytes, *, alone: bool, also: tuple[str, ...] = (), elsewhere: tuple[str, ...] = ()
) -> EngraverInput:
    """Ready a document for the engraver.

    Parameters
    ----------
    musicxml
        A ``score-partwise`` document.
    alone
        Whether it is one player's part, whose name stands over the music and not beside it, and
        whose bars of rest are gathered.
    also
        Further texts of the same job, for the lettering.
    elsewhere
        Words that are printed elsewhere on the page, and so not over or under the music.

    Raises
    ------
    ReadError
        Not such a document.
    """
    root = _parse(musicxml)
    for element in list(root.iter(*ANOTHER_LAYOUT)):
        _remove(element)
    for direction in list(root.iter("direction")):
        if " ".join(direction.findtext("direction-type/words", "").split()) in elsewhere:
            _remove(direction)
    texts = list(root.iter(*TEXTS))
    lettering = Lettering.of(*also, *elsewhere, *(element.text or "" for element in texts))
    for element in texts:
        element.text = _folded(element, lettering)
    parts = root.findall("part")
    if alone:
        for element in root.iter("part-name", "part-abbreviation"):
            element.text = ""
    for style in list(root.iter("measure-style")):
        if style.find("multiple-rest") is not None:
            _remove(style)
    staves = [_staves(part) for part in parts]
    slides = take_slides(parts)
    return EngraverInput(
        musicxml=etree.tostring(root, encoding="unicode"),
        staves=sum(staves),
        lettering=lettering,
        key_changes=_key_changes(parts, staves),
        octaves=octave_shifts(parts),
        slides=slides,
        lettered=_lettered(parts, staves),
        gathers=alone and any(_has_runs_of_rest(part) for part in parts),
        count_in=sum(1 for _ in takewhile(_is_counted_in, parts[0].iterfind("measure"))),
    )


def _lettered(parts: Sequence[etree._Element], staves: Sequence[int]) -> tuple[int, ...]:
    lettered = [part.find(".//rehearsal") is not None for part in parts]
    if not any(lettered[1:]):
        return ()
    return tuple(sum(staves[:n]) + 1 for n, has_letters in enumerate(lettered) if has_letters)


def with_letters(mei: str, staves: Sequence[int]) -> str:
    """Stand boxed letters over their own staves; the engraver has all but the first one higher."""
    root = etree.fromstring(mei.encode())
    for bar in root.iter(f"{MEI}measure"):
        for letter, staff in zip(bar.iterfind(f"{MEI}reh"), staves, strict=False):
            letter.set("staff", str(staff))
    return str(etree.tostring(root, encoding="unicode"))


def with_keys(mei: str, changes: tuple[tuple[int, int, int], ...]) -> str:
    """Write key changes into the engraver's own format, each on its own staff."""
    root = etree.fromstring(mei.encode())
    bars = list(root.iter(f"{MEI}measure"))
    for bar, at_bar in groupby(changes, key=lambda change: change[0]):
        definition = _definition_before(bars[bar])
        for key in definition.findall(f"{MEI}keySig"):
            definition.remove(key)
        group = etree.SubElement(definition, f"{MEI}staffGrp")
        for _, staff, fifths in at_bar:
            stave = etree.SubElement(group, f"{MEI}staffDef", n=str(staff))
            etree.SubElement(stave, f"{MEI}keySig", sig=_signature(fifths))
    return str(etree.tostring(root, encoding="unicode"))


def _folded(element: etree._Element, lettering: Lettering) -> str:
    """Return words as they are printed: long ones on several lines, space after all."""
    text = lettering.print(element.text or "")
    if element.tag == "words":
        lines = _even_lines(text)
        return "\n".join(f"{line}{SPACE_AFTER}" for line in lines)
    if element.tag == "rehearsal":
        return f"{SPACE_IN_BOX}{text}{SPACE_IN_BOX}"
    return f"{text}{SPACE_AFTER}" if element.tag == "per-minute" else text


def _even_lines(text: str) -> list[str]:
    """Break words into as few lines as `LINE_LETTERS` allows, about equally long."""
    lines = wrap(text, LINE_LETTERS) or [""]
    shorter = lines
    while len(shorter) == len(lines) > 1:
        lines = shorter
        shorter = wrap(text, max(map(len, lines)) - 1)
    return lines


def _parse(musicxml: bytes) -> etree._Element:
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, remove_comments=True
    )
    try:
        root = etree.fromstring(musicxml, parser)
    except etree.XMLSyntaxError as fault:
        raise ReadError(f"not XML: {fault.msg}", where="music to engrave") from fault
    if root.tag != "score-partwise" or root.find("part/measure") is None:
        raise ReadError(
            f"<{root.tag}> is not MusicXML with parts and bars", where="music to engrave"
        )
    return root


def _staves(part: etree._Element) -> int:
    """How many staves a part has."""
    return int(part.findtext("measure/attributes/staves") or 1)


def _key_changes(
    parts: list[etree._Element], staves: list[int]
) -> tuple[tuple[int, int, int], ...]:
    """Key changes within the piece by bar and staff, or none where all staves agree."""
    by_part = []
    for part in parts:
        found = {}
        for bar, measure in enumerate(part.iterfind("measure")):
            fifths = measure.findtext("attributes/key/fifths")
            if bar and fifths:
                found[bar] = int(fifths)
        by_part.append(found)
    if all(found == by_part[0] for found in by_part):
        return ()
    changes, staff = [], 0
    for found, count in zip(by_part, staves, strict=True):
        for number in range(staff + 1, staff + count + 1):
            changes += [(bar, number, fifths) for bar, fifths in found.items()]
        staff += count
    return tuple(sorted(changes))


def _definition_before(bar: etree._Element) -> etree._Element:
    """Return the score definition right before a bar, made where there is none."""
    before = bar.getprevious()
    if before is not None and before.tag == f"{MEI}scoreDef":
        return before
    made = etree.Element(f"{MEI}scoreDef")
    bar.addprevious(made)
    return made


def _signature(fifths: int) -> str:
    """Return a key signature as MEI writes it: ``3s``, ``2f``, ``0``."""
    if fifths == 0:
        return "0"
    return f"{fifths}s" if fifths > 0 else f"{-fifths}f"


def _remove(element: etree._Element) -> None:
    """Take an element out of its document."""
    parent = element.getparent()
    if parent is not None:
        parent.remove(element)


def _has_runs_of_rest(part: etree._Element) -> bool:
    """Whether a bar of rest is followed by one that says nothing else."""
    bars = part.findall("measure")
    return any(_rests(a) and _rests(b) and _bare(b) for a, b in pairwise(bars))


def _is_counted_in(bar: etree._Element) -> bool:
    return bar.get("implicit") == "yes" and _rests(bar)


def _rests(bar: etree._Element) -> bool:
    """Whether a bar is one rest (on each of its staves)."""
    notes = bar.findall("note")
    return bool(notes) and all(note.find("rest[@measure='yes']") is not None for note in notes)


def _bare(bar: etree._Element) -> bool:
    """Whether a bar with a number holds nothing that is printed but its notes and rests."""
    is_numbered = bar.get("implicit") != "yes"
    return is_numbered and {child.tag for child in bar} <= {"note", "backup", "barline", "sound"}


def with_gathered_rests(mei: str) -> str:
    """Gather bars of rest that follow each other into multi-bar rests.

    A bar that says anything (words, a tempo, a new meter) begins a new rest. Bars without a number
    (the count-in) stay apart, for they are counted one by one.
    """
    root = etree.fromstring(mei.encode())
    bars = list(root.iter(f"{MEI}measure"))
    runs: list[list[etree._Element]] = []
    for bar in bars:
        if not _is_rest(bar):
            runs.append([])
        elif runs and runs[-1] and _follows(runs[-1][-1], bar):
            runs[-1].append(bar)
        else:
            runs.append([bar])
    for run in runs:
        if len(run) > 1:
            _gather(run)
    return str(etree.tostring(root, encoding="unicode"))


def _is_rest(bar: etree._Element) -> bool:
    """Whether every layer of a bar with a number is one whole-bar rest."""
    layers = list(bar.iter(f"{MEI}layer"))
    is_numbered = bar.find(f"{MEI}mNum") is None
    return (
        is_numbered
        and bool(layers)
        and all([child.tag for child in layer] == [MREST] for layer in layers)
    )


def _follows(before: etree._Element, bar: etree._Element) -> bool:
    """Whether a bar of rest comes right after another and says nothing.

    A step of a ritardando that is not printed is a tempo without words.
    """
    says_nothing = all(
        child.tag == f"{MEI}staff"
        or (child.tag == f"{MEI}tempo" and not "".join(map(str, child.itertext())).strip())
        for child in bar
    )
    return says_nothing and before.getnext() is bar and before.get("right") is None


def _gather(run: list[etree._Element]) -> None:
    """Make one bar of a run; it keeps what the first bar says and how the last one ends."""
    first, last = run[0], run[-1]
    for rest in list(first.iter(MREST)):
        rest.tag = f"{MEI}multiRest"
        rest.set("num", str(len(run)))
    if last.get("right"):
        first.set("right", str(last.get("right")))
    for bar in run[1:]:
        _remove(bar)


@dataclass(frozen=True, slots=True)
class DrawnBar:
    """A bar that the engraver draws: its name, its number, and for how many bars it stands."""

    name: str
    number: str
    held: int


def with_breaks(
    mei: str, starts: tuple[int, ...], frame: Frame
) -> tuple[str, tuple[DrawnBar, ...]]:
    """Begin a system at each of these bars (from 0), number the others, set marks readably.

    Each system is a page to the engraver, which numbers its first bar. All bars are returned, too,
    in order.
    """
    root = etree.fromstring(mei.encode())
    bars = list(root.iter(f"{MEI}measure"))
    for index, bar in enumerate(bars):
        if index in starts:
            bar.addprevious(etree.Element(f"{MEI}pb"))
        elif index and bar.find(f"{MEI}mNum") is None and bar.find(f"{MEI}reh") is None:
            _number(bar, frame.percent(BAR_NUMBER_PT))
    set_words_back(root, starts)
    for breath in root.iter(f"{MEI}breath"):
        breath.set("tstamp", str(max(float(breath.get("tstamp", "1")) - BREATH_BACK, 1.0)))
    for mark in root.iter(f"{MEI}tempo", f"{MEI}dir"):
        is_tempo = (
            mark.tag == f"{MEI}tempo" or mark.find(f"{MEI}rend[@fontweight='bold']") is not None
        )
        if is_tempo and len("".join(map(str, mark.itertext())).strip()):
            _enlarge(mark, max(100, frame.percent(TEMPO_PT)))
    drawn = (DrawnBar(bar.get(XML_ID, ""), bar.get("n", ""), _held(bar)) for bar in bars)
    return str(etree.tostring(root, encoding="unicode")), tuple(drawn)


def _held(bar: etree._Element) -> int:
    rest = next(bar.iter(f"{MEI}multiRest"), None)
    return 1 if rest is None else int(rest.get("num", "1"))


def opening_bars(bars: Sequence[DrawnBar], pictures: Sequence[str]) -> tuple[int, ...]:
    """Return the index of the bar that each drawn system begins with.

    The engraver breaks a line that it was not asked to break where a bar is too wide for it, so
    what it drew is asked and not what was wanted.
    """
    indexes = {bar.name: index for index, bar in enumerate(bars)}
    names = (re.findall(r'id="([^"]*)" class="measure', picture) for picture in pictures)
    return tuple(indexes[name] for name, *_ in names)


def _number(bar: etree._Element, percent: int) -> None:
    """Print a bar's number over its beginning, where the engraver keeps it clear of the rest."""
    place = {"place": "above", "staff": "1", "tstamp": "0", "type": "bar-number"}
    look = {"fontsize": f"{percent}%", "fontstyle": "italic"}
    words = etree.SubElement(bar, f"{MEI}dir", place)
    etree.SubElement(words, f"{MEI}rend", look).text = f"{bar.get('n', '')}{SPACE_AFTER}"


def _enlarge(mark: etree._Element, percent: int) -> None:
    """Set all that a mark says in another size."""
    inside = etree.Element(f"{MEI}rend", fontsize=f"{percent}%")
    inside.text, mark.text = mark.text, None
    inside.extend(list(mark))
    mark.append(inside)
