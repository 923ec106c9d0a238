"""Looks at all the pages of a pack, or of every MIDI file below some folders.

python -m tests.engraving.page_checker.look FOLDER... [--list]
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from retro.engraving.engrave import Sheet, lay_out
from retro.engraving.layout import Kind
from retro.errors import RetroError
from retro.model.settings import Settings
from retro.pack.copyist import copy_out, sheets
from retro.plan.compose import Plan, plan_song
from retro.read.target import read_song
from tests.engraving.page_checker.bars import read_parts
from tests.engraving.page_checker.findings import Finding
from tests.engraving.page_checker.ink import Picture, read_picture
from tests.engraving.page_checker.overlaps import overlaps
from tests.engraving.page_checker.places import ledger_lines, misplaced
from tests.engraving.page_checker.signs import wrong_signs
from tests.engraving.page_checker.values import wrong_values
from tests.evidence.real_inputs import middle_bars, midi_files


@dataclass
class Looked:
    """How many pages were looked at, notices apart, and what was found on all of them."""

    pages: int = 0
    notices: int = 0
    findings: list[Finding] = field(default_factory=list)

    def add(self, other: "Looked") -> None:
        """Add what was found elsewhere."""
        self.pages += other.pages
        self.notices += other.notices
        self.findings += other.findings


def look_at(sheet: Sheet) -> Looked:
    """Look at the pages of one sheet."""
    laid_out = lay_out(sheet)
    pictures = [read_picture(picture) for picture in laid_out.pictures]
    found = [finding for _, finding in misplaced(sheet, laid_out, pictures)]
    for number, page in enumerate(laid_out.pages, start=1):
        for line, index in enumerate(range(page.first, page.end), start=1):
            found += in_picture(sheet, pictures[index], f"page {number}, line {line}")
    for part in read_parts(sheet.musicxml):
        found += [*wrong_signs(part), *wrong_values(part)]
    named = [replace(f, where=f"{sheet.player}: {f.where}") for f in dict.fromkeys(found)]
    count = len(laid_out.pages)
    if sheet.kind is Kind.NOTICE:
        return Looked(notices=count, findings=named)
    return Looked(pages=count, findings=named)


def in_picture(sheet: Sheet, picture: Picture, line: str) -> Iterator[Finding]:
    """Yield what is wrong inside one line of music."""
    for one, other, area in overlaps(picture.ink):
        kinds = " and ".join(sorted((one.kind, other.kind)))
        what = f"{kinds}: {one.words or one.kind} over {other.words or other.kind}"
        how = f"{area:.2f} square spaces" if area else "as good as touching"
        yield Finding("ink over ink", f"{line}, {one.where}", f"{what}, {how}")
    for head, count in ledger_lines(sheet, picture):
        yield Finding("too many ledger lines", f"{line}, {head.where}", f"{count} of them")


def look_at_plan(plan: Plan) -> Looked:
    """Look at every page that a plan prints."""
    looked = Looked()
    for _, sheet in sheets(plan, copy_out(plan)):
        looked.add(look_at(sheet))
    return looked


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--list", action="store_true", help="print every finding")
    asked = parser.parse_args()
    whole = Looked()
    for path in midi_files(asked.folders):
        try:
            song = read_song(path)
            looked = look_at_plan(plan_song(song, replace(Settings(), bars=middle_bars(song))))
        except RetroError as refusal:
            sys.stdout.write(f"refused: {path.name}: {refusal}\n")
            continue
        whole.add(looked)
        kinds = Counter(finding.kind for finding in looked.findings)
        said = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items())) or "nothing"
        sys.stdout.write(f"{path.name}: {looked.pages} pages: {said}\n")
        if asked.list:
            sys.stdout.writelines(f"    {finding}\n" for finding in looked.findings)
        sys.stdout.flush()
    kinds = Counter(finding.kind for finding in whole.findings)
    for kind, count in kinds.most_common():
        sys.stdout.write(f"{count:6} {kind}\n")
    rate = len(whole.findings) / max(whole.pages, 1)
    sys.stdout.write(
        f"{len(whole.findings)} findings on {whole.pages} pages of scores and parts, {rate:.2f} a "
        f"page, and on {whole.notices} pages of notices\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
