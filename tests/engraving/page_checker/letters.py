"""How large words are, measured by the page setter in its own fonts.

Sizes are in units of the letter size: a box is (left, top, right, bottom) from the point where the
words begin, downwards. `ADVANCE` is how far the words reach, spaces at their ends included.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass

import typst

from retro.engraving.fonts import TEMPO_MARKS_FAMILY, fonts

MEASURING = """
#let job = json("job.json")
#let size = 100pt
#context [#metadata(job.map(run => {
  let set-in(above, below) = measure(text(
    font: run.family, weight: run.weight, style: run.style, size: size, hyphenate: false,
    top-edge: above, bottom-edge: below, run.text,
  ))
  (
    set-in("bounds", "bounds").width / size,
    set-in("bounds", "baseline").height / size,
    set-in("baseline", "bounds").height / size,
  )
})) <sizes>]
"""
TEXT_FAMILIES = ("Libertinus Serif", TEMPO_MARKS_FAMILY)
NO_BREAK = "\u00a0"


@dataclass(frozen=True)
class Run:
    """Words in one style."""

    text: str
    family: str = TEXT_FAMILIES[0]
    weight: str = "regular"
    style: str = "normal"


_sizes: dict[Run, tuple[float, float, float]] = {}


def learn(runs: Iterable[Run]) -> None:
    """Measure words that have not been measured before, all at once."""
    new = [run for run in dict.fromkeys(runs) if run not in _sizes]
    if not new:
        return
    job = [
        {
            "text": run.text.replace(" ", NO_BREAK),
            "family": run.family,
            "weight": run.weight,
            "style": run.style,
        }
        for run in new
    ]
    files = {"main.typ": MEASURING.encode(), "job.json": json.dumps(job).encode()}
    compiler = typst.Compiler(files, font_paths=fonts(system=True))
    found = json.loads(compiler.query("<sizes>", field="value", one=True))
    for run, (width, above, below) in zip(new, found, strict=True):
        _sizes[run] = (width, above, below)


def size(run: Run) -> tuple[float, float, float]:
    """The width of words, and how far they reach above and below their line."""
    learn([run])
    return _sizes[run]
