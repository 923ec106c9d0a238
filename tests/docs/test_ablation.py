"""docs/ablation.md holds what its script gives, and compensation beats the plain mirror."""

import re
from collections.abc import Iterator
from functools import cache

import pytest

from tests.docs.make_ablation import TARGET, page, read_sounding

TOLERANCE_MS = 1.0
"""Half a millisecond of rounding in the page, and as much between machines."""

MAX_BEHIND_A_NUDGE_MS = 6.0
"""Five strings that enter together: what they have in common, an ear hears and a table does not."""

WORST_LANDING_MS = 5.0
"""What a tone may miss whose player is still at the note before: the fast run of a study."""


def figures(text: str) -> Iterator[tuple[str, str, tuple[float | None, ...]]]:
    """Return (phrase, row, errors) of every line of the page's tables."""
    label = ""
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 8 and re.fullmatch(r"\d+|-", cells[2]):
            label = cells[0] or label
            yield label, cells[1], tuple(None if c == "-" else float(c) for c in cells[2:])


@cache
def computed() -> tuple[tuple[str, str, tuple[float | None, ...]], ...]:
    return tuple(figures(page()))


def test_the_page_holds_the_figures_of_today() -> None:
    # Renew it with: python -m tests.docs.make_ablation
    written = tuple(figures(TARGET.read_text(encoding="utf-8")))
    assert [row[:2] for row in written] == [row[:2] for row in computed()]
    for (_, _, on_page), (_, _, now) in zip(written, computed(), strict=True):
        assert on_page == pytest.approx(now, abs=TOLERANCE_MS)


def test_compensation_beats_the_plain_reversal_in_every_phrase() -> None:
    by_phrase: dict[str, dict[str, tuple[float | None, ...]]] = {}
    for phrase, row, errors in computed():
        by_phrase.setdefault(phrase, {})[row] = errors[:4]
    assert len(by_phrase) >= 11
    gains = []
    for rows in by_phrase.values():
        (onset, worst, landing, worst_landing), plain = rows["both"], rows["plain reversal"]
        assert landing == 0.0
        assert worst_landing <= WORST_LANDING_MS
        assert plain[2] > 5.0
        if onset is None:  # a draft's tones grow from nothing: they have no onset
            assert plain[0] is None
            continue
        assert onset < plain[0]
        assert worst <= 1.05 * plain[1]
        gains.append(onset / plain[0])
    assert len(gains) >= 8
    assert sum(gains) / len(gains) < 0.5


def test_on_paper_compensation_is_no_worse_than_the_plain_mirror_on_paper() -> None:
    paper = {
        (phrase, row): errors for phrase, row, errors in computed() if row.endswith("on paper")
    }
    for (phrase, row), errors in paper.items():
        if row.startswith("both"):
            plain = paper[phrase, "plain, on paper"]
            assert errors[2] == pytest.approx(plain[2], abs=TOLERANCE_MS)
            assert (errors[0] is None) == (plain[0] is None)
            assert errors[0] is None or errors[0] <= plain[0]


def test_what_sounds_is_nearer_than_the_plain_mirror_in_every_phrase() -> None:
    """And hardly further from the landings than a mirror that somebody nudged by ear."""
    for name, rows in read_sounding().items():
        (onset, landing), (plain_onset, plain_landing) = rows["both"], rows["plain reversal"]
        nudged_landing = rows["plain, nudged"][1]
        assert landing <= plain_landing, name
        assert landing <= nudged_landing + MAX_BEHIND_A_NUDGE_MS, name
        assert onset is None or onset <= plain_onset, name
