"""How findings are told to a person: the worst first, each once, over all bars and players."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from retro.model.wording import listed

if TYPE_CHECKING:
    from retro.model.performance import Finding

MAX_LINES = 12
"""Lines of findings and summary together, where not all are asked for."""

MAX_PLACES = 6
"""Further places that one line names."""


def told(
    findings: Sequence["Finding"], letter: str, *, everything: bool, room: int = MAX_LINES
) -> list[str]:
    """Return the lines that tell some findings, the gravest first, bars with the insert's letter.

    With `everything` each is told by itself, with its advice on a line of its own; else what is
    alike shares a line, and there are `room` lines at most.
    """
    if everything:
        return [line for finding in findings for line in _whole(finding, letter)]
    lines = [_grouped(group, letter) for group in _alike(findings)]
    if len(lines) <= room:
        return lines
    kept = _alike(findings)[: room - 1]
    left = len(findings) - sum(map(len, kept))
    return [*lines[: room - 1], f"and {left} more findings; --all tells every one"]


def verdict(findings: Sequence["Finding"]) -> str:
    """Return the one line that sums up: whether it can be played, and how many findings say so."""
    counts = Counter(finding.severity.value for finding in findings)
    summed = ", ".join(f"{number} {name}" for name, number in counts.items())
    return f"{_playable(findings)}: {summed or 'nothing to say against it'}"


def is_stopped(findings: Sequence["Finding"]) -> bool:
    """Return whether something cannot be played or heard as wanted."""
    return any(finding.severity.value == "stop" for finding in findings)


def finding_line(finding: "Finding", letter: str) -> str:
    """Return a finding as one line, its bar with the insert's letter, without its advice."""
    who = _who(finding, letter)
    head = f"{who}: " if who else ""
    return f"{finding.severity.value}: {head}{finding.what}"


def _playable(findings: Sequence["Finding"]) -> str:
    if is_stopped(findings):
        return "not as it stands"
    to_change = any(f.severity.value == "warn" and f.kind.is_playing for f in findings)
    return "playable with changes" if to_change else "playable"


def _whole(finding: "Finding", letter: str) -> Iterator[str]:
    yield finding_line(finding, letter)
    if finding.advice:
        yield f"      {finding.advice}"


def _alike(findings: Sequence["Finding"]) -> list[list["Finding"]]:
    """Return the findings by severity and kind; what has no player stands alone."""
    groups: dict[tuple[object, ...], list[Finding]] = {}
    for finding in findings:
        alone = None if finding.player else finding.what
        groups.setdefault((finding.severity, finding.kind, alone), []).append(finding)
    return list(groups.values())


def _grouped(group: Sequence["Finding"], letter: str) -> str:
    """Return what a group says: the first of it whole, then who and where else."""
    first, *others = group
    line = finding_line(first, letter)
    if first.advice:
        line += f"; {first.advice}"
    if not others:
        return line
    return f"{line}. Also {_places(first, others, letter)}"


def _places(first: "Finding", others: Sequence["Finding"], letter: str) -> str:
    """Return who else and where else, each player once."""
    named: dict[str, list[str]] = {first.player or "all": []}
    for finding in others:
        player = finding.player or "all"
        is_known = player in named
        places = named.setdefault(player, [])
        if finding.bar is None:
            places += [f"({finding.what})"] * is_known
        elif (place := f"{letter}{finding.bar}") not in places:
            places.append(place)
    said = [
        f"{player} {' '.join(places)}".strip()
        for count, (player, places) in enumerate(named.items())
        if places or count
    ]
    return listed(said, MAX_PLACES)


def _who(finding: "Finding", letter: str) -> str:
    place = ""
    if finding.bar is not None:
        place = f" {letter}{finding.bar}" + ("" if finding.beat is None else _beat(finding.beat))
    return f"{finding.player or ('' if finding.bar is None else 'all')}{place}"


def _beat(beat: float) -> str:
    return f" beat {beat:.4g}"
