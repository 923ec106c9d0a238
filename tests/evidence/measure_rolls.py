"""How pianists roll a chord, measured on the aligned performances of the open data set (n)ASAP.

``python -m tests.evidence.measure_rolls FOLDER`` with a working copy of `CPJKU/asap-dataset`
(Foscarin et al. 2020, Peter et al. 2023) prints what `retro.reversal.rolls` rests on. Counted are
chords of three heads and more under the sign of the arpeggio in the scores, each with the strokes
that the match files align with its heads; spreads below 30 ms are loose chords, above 1.2 s slips
of the alignment.
"""

import re
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from statistics import median, quantiles

from lxml import etree

LOOSE_S, SLIPPED_S = 0.03, 1.2
MIN_HEADS = 3
MIN_SIGNS = 6
STROKE = re.compile(
    r"snote\(([^,]+),\[[^\]]*\](?:,[^,]*){4},([\d.]+),[\d.]+,\[[^\]]*\]\)-note\([^,]+,\d+,(\d+),"
)


def rolled_heads(score: bytes) -> Iterator[list[str]]:
    """Yield the ids of the heads of each rolled chord."""
    for measure in etree.fromstring(score, etree.XMLParser(recover=True)).iter("measure"):
        heads: list[str] = []
        for note in measure.iter("note"):
            if note.find("chord") is None:
                yield heads
                heads = []
            is_rolled = note.find("notations/arpeggiate") is not None
            if is_rolled and note.find("grace") is None and not note.findall("tie[@type='stop']"):
                heads.append(str(note.get("id")))
        yield heads


def strokes(match: str) -> Iterator[tuple[str, str, float]]:
    """Yield (head, its place in the score, when it is struck in seconds)."""
    units = re.search(r"midiClockUnits,(\d+)", match)
    rate = re.search(r"midiClockRate,(\d+)", match)
    if units and rate:
        tick_s = int(rate[1]) / 1e6 / int(units[1])
        for found in STROKE.finditer(match):
            yield found[1].removesuffix("-1"), found[2], int(found[3]) * tick_s


def rolls(folder: Path) -> Iterator[tuple[str, int, float, float | None]]:
    """Yield (piece, tones, seconds, where on the way the only other note of the beat comes)."""
    for path in sorted(folder.rglob("xml_score.musicxml")):
        score = path.read_bytes()
        if score.count(b"<arpeggiate") < MIN_SIGNS:
            continue
        chords = [heads for heads in rolled_heads(score) if len(heads) >= MIN_HEADS]
        for match in sorted(path.parent.glob("*.match")):
            at_s: dict[str, float] = {}
            by_place: dict[str, list[str]] = defaultdict(list)
            place_of: dict[str, str] = {}
            for head, place, struck_s in strokes(match.read_text("utf-8", "replace")):
                at_s.setdefault(head, struck_s)
                place_of.setdefault(head, place)
                by_place[place].append(head)
            for heads in chords:
                if not at_s.keys() >= set(heads):
                    continue
                struck = [at_s[head] for head in heads]
                first_s, last_s = min(struck), max(struck)
                if LOOSE_S <= last_s - first_s <= SLIPPED_S:
                    others = [at_s[h] for h in by_place[place_of[heads[0]]] if h not in heads]
                    is_sure = len(others) == 1 and first_s - 0.3 < others[0] < last_s + 0.3
                    way = (others[0] - first_s) / (last_s - first_s) if is_sure else None
                    yield str(path.parent), len(heads), last_s - first_s, way


def main(folder: Path) -> None:
    """Print the figures."""
    found = list(rolls(folder))
    lines = [f"{len(found)} rolls of {len({piece for piece, *_ in found})} pieces"]
    for count in (None, 3, 4, 5):
        spans = [span for _, tones, span, _ in found if count in (None, tones)]
        low, middle, high = quantiles(spans, n=4)
        name = "all" if count is None else f"{count} tones"
        lines.append(f"{name}: {len(spans)}, {middle:.3f} s (quartiles {low:.3f}, {high:.3f})")
    ways = [way for *_, way in found if way is not None]
    lines.append(f"the beat's other note: {len(ways)}, median {median(ways):.2f} of the way")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
