"""Counts what two ways of reading MusicXML keep of what stands in real files.

    python -m tests.evidence.kept_signs [--every N] FOLDER...

What stands in the files is counted by lxml; what music21 keeps is what it writes again after
reading; what retro keeps is what its phrase holds. Only files without repeats count, as retro plays
repeats out.
"""

import argparse
import sys
import time
import warnings
from collections import Counter
from pathlib import Path

import music21
from lxml import etree

from retro.errors import RetroError
from retro.model.signs import SignKind
from retro.read.musicxml import read_score_song
from retro.read.musicxml_file import score_bytes
from tests.evidence.real_scores import recoded, score_files

SIGNS = {
    "accents and other articulations": (
        ("accent", "strong-accent", "staccato", "staccatissimo", "tenuto", "detached-legato"),
        (
            SignKind.ACCENT,
            SignKind.STRONG_ACCENT,
            SignKind.STACCATO,
            SignKind.STACCATISSIMO,
            SignKind.TENUTO,
            SignKind.DETACHED_LEGATO,
        ),
    ),
    "fermatas": (("fermata",), (SignKind.FERMATA,)),
    "trills": (("trill-mark",), (SignKind.TRILL,)),
}

LAYOUT = "layout: print, credit, defaults, appearance"
"""It stays in the main score as every byte does; the phrase has no use for it."""


def in_xml(root: etree._Element) -> Counter[str]:
    """Count what stands in a document."""
    found: Counter[str] = Counter()
    for note in root.iter("note"):
        heads = note.find("pitch") is not None or note.find("unpitched") is not None
        is_heard = heads and note.find("cue") is None
        tied = any(tie.get("type") == "stop" for tie in note.iterchildren("tie"))
        found["notes (ties joined)"] += is_heard and not tied
        found["altered notes, spelled"] += (
            is_heard and not tied and note.findtext("pitch/alter", "0").strip() not in ("0", "")
        )
    for slur in root.iter("slur"):
        found["slurs"] += slur.get("type") == "stop"
    for wedge in root.iter("wedge"):
        found["hairpins"] += wedge.get("type") == "stop"
    found[LAYOUT] = sum(1 for _ in root.iter("print", "credit", "defaults", "appearance"))
    for name, (tags, _) in SIGNS.items():
        found[name] += sum(1 for note in root.iter("note") for tag in tags for _ in note.iter(tag))
    return found


def in_phrase(data: bytes, name: str) -> Counter[str]:
    """Count what retro's phrase of a file holds."""
    found: Counter[str] = Counter()
    for part in read_score_song(data, name).phrase.parts:
        found["notes (ties joined)"] += len(part.notes)
        found["altered notes, spelled"] += sum(len(note.spelling) > 1 for note in part.notes)
        kinds = Counter(sign.kind for sign in part.signs or ())
        found["slurs"] += kinds[SignKind.SLUR]
        found["hairpins"] += kinds[SignKind.CRESCENDO] + kinds[SignKind.DIMINUENDO]
        for name_, (_, wanted) in SIGNS.items():
            found[name_] += sum(kinds[kind] for kind in wanted)
    return found


def by_music21(xml: bytes) -> Counter[str]:
    """Count what music21 writes of a file that it has read."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        read = music21.converter.parseData(recoded(xml), format="musicxml")
        written = music21.musicxml.m21ToXml.GeneralObjectExporter(read).parse()
    return in_xml(etree.fromstring(written))


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--largest", type=int, default=200_000, help="bytes")
    asked = parser.parse_args()
    given, ours, theirs = Counter[str](), Counter[str](), Counter[str]()
    count = failed = 0
    ours_s = theirs_s = 0.0
    files = [path for path in score_files(asked.folders) if path.stat().st_size <= asked.largest]
    for path in files[:: asked.every]:
        data = path.read_bytes()
        try:
            xml = score_bytes(data, path.name)
            root = etree.fromstring(xml)
            if root.find(".//repeat") is not None or root.find(".//transpose") is not None:
                continue
            begun = time.process_time()
            kept = in_phrase(data, path.name)
            ours_s += time.process_time() - begun
        except RetroError:
            continue
        begun = time.process_time()
        try:
            theirs.update(by_music21(xml))
        except Exception as fault:
            failed += 1
            sys.stdout.write(f"music21 fails on {path.name}: {type(fault).__name__}\n")
            continue
        theirs_s += time.process_time() - begun
        count += 1
        given.update(in_xml(root))
        ours.update(kept)
    sys.stdout.write(f"{count} files; {failed} more on which music21 fails\n")
    sys.stdout.write(f"seconds of processor: {ours_s:.1f}, music21 {theirs_s:.1f}\n")
    for name, number in given.items():
        sys.stdout.write(f"| {name} | {number} | {ours[name]} | {theirs[name]} |\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
