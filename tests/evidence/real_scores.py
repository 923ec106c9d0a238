"""Builds scores that nobody here wrote, as MusicXML, and puts inserts into them.

    python -m tests.evidence.real_scores [--into] [--every N] FOLDER...

Each file is planned over two bars around its middle note and written as MusicXML, checked against
the published schema. With --into, the insert is also put into the file itself, and the result is
read again by music21, partitura and verovio: outside the replaced bars they find what they found
in the given file, in the insert every tone, word and sign of the insert alone, and nothing more but
its heading. A reader that cannot read the given file is not asked.
"""

import argparse
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import music21
import verovio
from lxml import etree

from retro.errors import RetroError
from retro.model.settings import Settings
from retro.model.time import printed_number
from retro.musicxml.heading import Heading
from retro.pack.copyist import copy_out
from retro.pack.main_score import into_score
from retro.plan.compose import Plan, plan_song
from retro.plan.document import plan_json
from retro.read.musicxml import read_score
from retro.read.musicxml_file import score_bytes
from retro.read.song import Song
from retro.read.target import read_song
from tests.evidence.musicxml_schema import musicxml_schema

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)
    import partitura

SUFFIXES = (".xml", ".musicxml", ".mxl")
LETTER = "A"
BARS = 2
ROUND = 5
DIVIDED = ("div.", "unis.")
LENGTH_OF_VEROVIO = 5
"""Of the tuple for a note as verovio has it; those of the others are longer."""


@dataclass(frozen=True)
class Outcome:
    """What became of a file: `built`, `refused` or `broke`, and one line about it."""

    kind: str
    line: str
    readers: tuple[str, ...] = ()


def score_files(folders: list[Path]) -> list[Path]:
    """Return the MusicXML files below some folders."""
    files = (path for folder in folders for path in sorted(folder.rglob("*")))
    return [path for path in files if path.suffix.lower() in SUFFIXES]


def middle_bars(song: Song) -> str:
    """Return the bars around the middle note of a song that are played once, else the middle."""
    bars = song.phrase.bars
    starts = sorted(note.on_beats for part in song.phrase.parts for note in part.notes)
    middle = starts[len(starts) // 2]
    index = next(k for k, bar in enumerate(bars) if middle < bar.end_beats)
    numbers = [printed_number(bars, k + 1) for k in range(len(bars))]
    counts = Counter(numbers)

    def is_once(first: int) -> bool:
        inside = numbers[first : first + BARS]
        return all(counts[n] == 1 for n in inside) and inside == sorted(inside)

    firsts = sorted(range(max(len(bars) - BARS + 1, 1)), key=lambda k: abs(k - index))
    first = next((k for k in firsts if is_once(k)), min(index, max(len(bars) - BARS, 0)))
    return f"{numbers[first]}-{numbers[min(first + BARS, len(bars)) - 1]}"


def plan_of(path: Path) -> Plan:
    """Plan a few bars of a file."""
    song = read_song(path)
    return plan_song(song, replace(Settings(), bars=middle_bars(song), count_in_bars=0))


def try_file(path: Path, *, into: bool) -> Outcome:
    """Build a file and say what became of it."""
    try:
        plan = plan_of(path)
        plan_json(plan)
        xml = copy_out(plan).xml
        for document in (xml.score, *xml.parts):
            musicxml_schema().assertValid(etree.fromstring(document))
        readers = tuple(check_into(path, plan, xml.score)) if into else ()
    except RetroError as refusal:
        line = str(refusal)
        return Outcome("refused" if line and "\n" not in line else "broke", line)
    except Exception as fault:
        place = traceback.extract_tb(fault.__traceback__)[-1]
        where = f"{Path(place.filename).name}:{place.lineno}"
        return Outcome("broke", f"{type(fault).__name__}: {str(fault)[:200]} ({where})")
    performance = plan.performance
    said = f"{len(performance.players)} players, {len(performance.notes)} notes"
    return Outcome("built", f"{said}, {plan.window.bar_words}", readers)


def check_into(path: Path, plan: Plan, alone: bytes) -> Iterator[str]:
    """Put the insert into the file and yield the readers that find everything in its place."""
    window = plan.window
    heading = Heading(
        song=plan.performance.target.title,
        letter=LETTER,
        bars=window.printed_bars,
    )
    made = into_score(plan, path, heading)
    given = score_bytes(path.read_bytes(), path.name)
    schema = musicxml_schema()
    if schema.validate(etree.fromstring(given)):
        for document in (made.score, made.replaced):
            if document is not None:
                schema.assertValid(etree.fromstring(document))
        yield "schema"
    numbers = read_score(given, path.name).numbers
    silent = {k for k, n in enumerate(numbers) if window.start_bar <= n <= window.end_bar}
    insert = len(plan.performance.insert.bars)
    names = b"<transpose>" not in given + alone
    for name, read in READERS.items():
        try:
            before = read(given)
        except Exception:  # noqa: S112 (a reader that fails on the given file says nothing here)
            continue
        after, own = read(made.score), read(alone)
        for part, bars in enumerate(before):
            kept = after[part][: len(bars)]
            for index, (old, new) in enumerate(zip(bars, kept, strict=True)):
                if index not in silent and old != new:
                    raise AssertionError(f"{name}, part {part + 1}, bar {index}: {old} {new}")
        compare_inserts(
            [bars[-insert:] for bars in after],
            own,
            heading,
            names_pitches=names,
            is_on_one_stave=any(
                p.instrument.section and p.instrument.staves > 1 for p in plan.performance.players
            ),
        )
        yield name


Bars = list[list[tuple[object, ...]]]


def compare_inserts(
    into: list[Bars],
    alone: list[Bars],
    heading: Heading,
    *,
    names_pitches: bool,
    is_on_one_stave: bool = False,
) -> None:
    """Compare an insert in a score with the insert alone: what sounds, and all that is printed.

    Parameters
    ----------
    is_on_one_stave
        Whether the song has one stave for a section that has two of its own: there it says "div.".

    Raises
    ------
    AssertionError
        If anything but the lines of the heading differs.
    """
    found, wanted = (sum(map(sounding, parts), Counter()) for parts in (into, alone))
    if found != wanted:
        raise AssertionError(f"sounding in the insert: {found - wanted} {wanted - found}")
    new, old = (set().union(*(printed(b, names_pitches) for b in p)) for p in (into, alone))
    more = [event for event in new - old if not _is_heading(event, heading)]
    if is_on_one_stave:
        more = [event for event in more if not any(str(p).startswith(DIVIDED) for p in event)]
    if more or old - new:
        raise AssertionError(f"printed in the insert: {more} {old - new}")


def sounding(bars: Bars) -> Counter[tuple[object, ...]]:
    """Count what sounds, by bar."""
    return Counter(
        (index, *event[1:])
        for index, bar in enumerate(bars)
        for event in bar
        if event[0] == "sounds"
    )


def printed(bars: Bars, names_pitches: bool) -> set[tuple[object, ...]]:
    """Return what stands in print, by bar: tones with their marks, words, signs.

    Chords are taken tone by tone and all of it as a set, as the song may have more staves or fewer
    for a player. Pitches are left out where the song transposes: the same tones have other names.
    """
    found: set[tuple[object, ...]] = set()
    for index, bar in enumerate(bars):
        for event in bar:
            if event[0] == "note":
                found |= {(index, *tone) for tone in _tones(event, names_pitches)}
            elif event[0] != "sounds":
                found.add((index, *map(_without_blanks, event)))
    return found


def _without_blanks(part: object) -> object:
    """Return words without blanks: lines break elsewhere where the page is another."""
    return "".join(part.split()) if isinstance(part, str) else part


def _tones(event: tuple[object, ...], names_pitches: bool) -> Iterator[tuple[object, ...]]:
    """Yield the tones of a note as a reader has it: its name, then what else it says."""
    if len(event) == LENGTH_OF_VEROVIO:
        kind, *name = event[:3]  # it has the length of a chord's tones elsewhere
        names, rest = [tuple(name)], []
    elif isinstance(event[3], tuple):
        kind, at, length, chord, *marks = event
        names, rest = [(name,) for name in chord], [at, length, *marks]
    else:
        kind, at, length, *name = event
        names, rest = [tuple(name)], [at, length]
    for name in names:
        yield (kind, *(name if names_pitches else ()), *rest)


def _is_heading(event: tuple[object, ...], heading: Heading) -> bool:
    """Whether it is one of the lines that stand over the insert where it has no page of its own."""
    lines = (f"Insert{heading.letter}", f"replaces{heading.bars.split()[0]}")
    return event[0] == 0 and any(str(part).startswith(lines) for part in event[2:])


def recoded(xml: bytes) -> bytes:
    """Return a document in UTF-8, which all readers know."""
    return etree.tostring(etree.fromstring(xml), encoding="UTF-8", xml_declaration=True)


def by_music21(xml: bytes) -> list[Bars]:
    """Return notes, words, dynamics and marks of each part, by measure."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        read = music21.converter.parseData(recoded(xml), format="musicxml")
    parts = []
    moved = [body.find(".//transpose") is not None for body in _bodies(xml)]
    for part, is_moved in zip(read.parts, moved, strict=True):
        # It guesses a transposition from a name, too.
        shifts = _shifts(part) if is_moved else []
        parts.append([_events(measure, shifts) for measure in part.getElementsByClass("Measure")])
    return parts


def _bodies(xml: bytes) -> Iterator[etree._Element]:
    """Yield the parts as music21 has them: one for every stave."""
    for body in etree.fromstring(xml).iterfind("part"):
        staves = max((int(found.text) for found in body.iter("staves")), default=1)
        yield from [body] * staves


def _shifts(part: music21.stream.Part) -> list[tuple[Fraction, int]]:
    found = []
    for instrument in part.recurse().getElementsByClass("Instrument"):
        moved = instrument.transposition
        at = Fraction(instrument.getOffsetInHierarchy(part))
        found.append((at, 0 if moved is None else int(moved.semitones)))
    return sorted(found)


def _events(
    measure: music21.stream.Measure, shifts: list[tuple[Fraction, int]]
) -> list[tuple[object, ...]]:
    start = Fraction(measure.offset)
    shift = next((by for at, by in reversed(shifts) if at <= start), 0)
    events: list[tuple[object, ...]] = []
    for element in measure.recurse():
        at = round(float(element.getOffsetInHierarchy(measure)), ROUND)
        if isinstance(element, music21.note.NotRest):
            length = round(float(element.quarterLength), ROUND)
            marks = sorted(type(mark).__name__ for mark in element.articulations)
            marks += sorted(type(mark).__name__ for mark in element.expressions)
            tie = element.tie.type if element.tie is not None else ""
            lyrics = tuple(lyric.text for lyric in element.lyrics)
            names = tuple(str(pitch) for pitch in element.pitches)
            events.append(("note", at, length, names, tuple(marks), tie, lyrics))
            events += [("sounds", at, pitch.midi + shift) for pitch in element.pitches]
        elif isinstance(element, music21.expressions.TextExpression | music21.dynamics.Dynamic):
            events.append(("words", at, str(getattr(element, "content", element))))
    return sorted(events, key=repr)


def by_verovio(xml: bytes) -> list[Bars]:
    """Return the notes and signs of the whole score by measure, as one part."""
    if b"<multiple-rest>" in xml:
        raise ValueError("it makes one measure of several that rest")
    tool = verovio.toolkit()
    verovio.enableLog(verovio.LOG_OFF)
    # Nothing is laid out: for one file of music21's suite, breaking lines never ends.
    tool.setOptions({"xmlIdSeed": 1, "breaks": "none"})
    if not tool.loadData(recoded(xml).decode("utf-8")):
        raise ValueError("not read")
    mei = etree.fromstring(tool.getMEI({"removeIds": True}).encode())
    bars: Bars = []
    for measure in mei.iter("{*}measure"):
        events: list[tuple[object, ...]] = []
        for element in measure.iter(etree.Element):
            tag = etree.QName(element).localname
            if tag == "note":
                name = tuple(element.get(key, "") for key in ("pname", "oct", "dur", "dots"))
                events.append((tag, *name))
            elif tag in ("dir", "dynam", "tempo", "reh", "artic", "fermata", "trill", "verse"):
                text = "".join(map(str, element.itertext())).strip()
                if text or tag != "verse":  # it goes on with one, unsung, where a word is held
                    events.append((tag, text, element.get("artic", "")))
        bars.append(sorted(events, key=repr))
    return [bars]


def by_partitura(xml: bytes) -> list[Bars]:
    """Return the notes of each part, by measure."""
    with tempfile.NamedTemporaryFile(suffix=".musicxml") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file.write(xml)
        file.flush()
        parts = partitura.load_musicxml(file.name, ignore_invisible_objects=False).parts
    found = []
    for part in parts:
        measures = list(part.iter_all(partitura.score.Measure))
        starts = [measure.start.t for measure in measures]
        bars: Bars = [[] for _ in measures]
        for note in part.iter_all(partitura.score.GenericNote, include_subclasses=True):
            if isinstance(note, partitura.score.Rest) or not hasattr(note, "midi_pitch"):
                continue
            index = max(k for k, start in enumerate(starts) if start <= note.start.t)
            quarters = part.quarter_map([starts[index], note.start.t, note.end.t])
            at, length = (round(float(quarters[k] - quarters[k - 1]), ROUND) for k in (1, 2))
            bars[index].append(("note", at, length, note.step, note.alter or 0, note.octave))
            pitch = (note.midi_pitch + _shift(part, note.start.t)) % 12
            bars[index].append(("sounds", at, pitch))
        found.append([sorted(bar, key=repr) for bar in bars])
    lengths = [event[2] for bars in found for bar in bars for event in bar if event[0] == "note"]
    if lengths and not any(lengths):
        raise ValueError("it gives no note a length, and has them all in one bar")
    return found


def _shift(part: partitura.score.Part, at: int) -> int:
    """Return the semitones from written to sounding pitch, but for octaves, which it drops."""
    found = list(part.iter_all(partitura.score.Transposition, end=at + 1))
    return found[-1].chromatic if found else 0


READERS: dict[str, Callable[[bytes], list[Bars]]] = {
    "music21": by_music21,
    "partitura": by_partitura,
    "verovio": by_verovio,
}


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--into", action="store_true")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--largest", type=int, default=100_000_000, help="bytes")
    asked = parser.parse_args()
    files = [path for path in score_files(asked.folders) if path.stat().st_size <= asked.largest]
    counts: Counter[str] = Counter()
    readers: Counter[str] = Counter()
    for path in files[:: asked.every]:
        before = time.process_time()
        outcome = try_file(path, into=asked.into)
        counts[outcome.kind] += 1
        readers.update(outcome.readers)
        seconds = time.process_time() - before
        said = f"{outcome.kind:8}{seconds:6.1f} s  {path.name}: {outcome.line}"
        sys.stdout.write(f"{said} {' '.join(outcome.readers)}\n")
        sys.stdout.flush()
    sys.stdout.write(f"{dict(counts)}, re-read {dict(readers)}\n")
    return 1 if counts["broke"] or not counts else 0


if __name__ == "__main__":
    sys.exit(main())
