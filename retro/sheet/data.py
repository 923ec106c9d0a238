r"""What the page knows: one JSON block, in which ``<`` is written as ``\\u003c``."""

import base64
import gzip
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from lxml import etree

from retro.model.encoding import plain
from retro.model.performance import Finding
from retro.model.time import Place, line_beats, locate, position, printed_number, pulses
from retro.placement.inputs import ENSEMBLE_SPREAD_MS
from retro.placement.table import OWN_RATE
from retro.plan.compose import Plan
from retro.plan.document import plan_document
from retro.render.picture import picture_span
from retro.units import pitch_name, rounded_to_ns, seconds_to_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetAudio:
    """The preview for the sheet: target and flipped as FLAC, of the same length in seconds.

    The window begins in both at `window_at_s`.
    """

    target: bytes
    flipped: bytes
    length_s: float
    window_at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetScore:
    """A score or part as it is printed.

    Parameters
    ----------
    name
        "Score", or the part's name.
    part
        Index of the performance's part that it is written from; None for the score.
    advice
        Words for everybody who plays from it, each once.
    pages
        SVG documents, one a system, page by page. The element ``n5`` is note 5 of the performance;
        where it is tied on, ``n5-2`` and so on follow.
    bars
        For how many bars each drawn bar stands: a multi-bar rest is one.
    moments
        (quarter notes from the start of the count-in, element ids that begin, that end).
    heads
        (note, the note whose head stands for it) for each note under another's tremolo or trill.
    """

    name: str
    part: int | None
    advice: tuple[str, ...]
    pages: tuple[tuple[str, ...], ...]
    bars: tuple[int, ...]
    moments: tuple[tuple[Fraction, tuple[str, ...], tuple[str, ...]], ...]
    heads: tuple[tuple[int, int], ...] = ()


def page_data(plan: Plan, audio: SheetAudio, scores: tuple[SheetScore, ...]) -> str:
    """Return the block, fit to stand in a ``script`` element."""
    performance, placement = plan.performance, plan.placement
    span_s, span_px = picture_span(performance)
    heads: dict[object, int] = {note: head for score in scores for note, head in score.heads}
    data = {
        "plan": plain(plan_document(plan)),
        "passage": {
            "start_s": str(plan.window.start_s),
            "length_s": str(plan.window.length_s),
            "roll_s": str(placement.roll_s),
            "first_attack_s": str(Fraction(placement.first_attack_s)),
            "shift_ms": placement.shift_ms - seconds_to_ms(performance.settings.lateness_s or 0.0),
            "audible_from_s": str(Fraction(placement.audible_from_s)),
            "spread_ms": placement.spread_ms,
            "measured_spread_ms": ENSEMBLE_SPREAD_MS,
            "song_bars": list(_song_bars(plan)),
        },
        "own_rate": OWN_RATE,
        "audio": {"target": _base64(audio.target), "flipped": _base64(audio.flipped)},
        "sound_s": audio.length_s,
        "window_at_s": audio.window_at_s,
        "window_starts": plan.window.start_words,
        "window_ends": plan.window.end_words,
        "song_beats": list(_song_beats(plan)),
        "picture": {"span_s": span_s, "span_px": span_px},
        "notes": list(_notes(plan, heads)),
        "scores": [
            {
                "name": score.name,
                "part": score.part,
                "advice": score.advice,
                "packed": _packed(score),
            }
            for score in scores
        ],
        "findings": [_shown(plan, finding, scores, heads) for finding in plan.findings],
    }
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def finding_place(plan: Plan, finding: Finding) -> dict[str, object] | None:
    """Return where a finding points: part, insert time in quarter notes, and the nearest note.

    ``part`` and ``note`` are indexes into the performance. None where the finding concerns nobody
    or no bar, or a player who has nothing to play.
    """
    performance = plan.performance
    bars = performance.insert.bars
    part = next(
        (i for i, player in enumerate(performance.players) if player.name == finding.player), None
    )
    if part is None or finding.bar is None or not 1 <= finding.bar <= len(bars):
        return None
    beats = position(bars, Place(finding.bar, Fraction(finding.beat or 1)))
    notes = [i for i, note in enumerate(performance.notes) if note.part == part]
    nearest = min(
        notes, key=lambda i: abs(performance.notes[i].written_on_beats - beats), default=None
    )
    return {"part": part, "beats": float(beats), "note": nearest}


def _shown(
    plan: Plan, finding: Finding, scores: tuple[SheetScore, ...], heads: Mapping[object, int]
) -> dict[str, object] | None:
    """Add the score that shows it: of several players of one part, the one who has the note."""
    place = finding_place(plan, finding)
    if place is None:
        return None
    theirs = [i for i, score in enumerate(scores) if score.part == place["part"]]
    mark = f'id="n{heads.get(place["note"], place["note"])}"'
    holding = [i for i in theirs if any(mark in line for page in scores[i].pages for line in page)]
    return {**place, "score": next(iter([*holding, *theirs]), None)}


def _song_beats(plan: Plan) -> Iterator[dict[str, object]]:
    target = plan.performance.target
    for at, place in pulses(target.bars):
        yield {
            "at_s": rounded_to_ns(target.tempo.seconds_at(at)),
            "accent": place.beat == 1,
            "bar": printed_number(target.bars, place.bar),
            "beat": float(place.beat),
        }


def _song_bars(plan: Plan) -> Iterator[dict[str, float]]:
    """Yield what places in the song are counted by, in quarter notes."""
    bars = plan.song.phrase.bars
    for index, bar in enumerate(bars):
        yield {
            "line": float(line_beats(bars, index)),
            "start": float(bar.start_beats),
            "end": float(bar.end_beats),
            "full": float(bar.meter.length_beats),
            "number": printed_number(bars, index + 1),
            "unit": float(bar.meter.unit_beats),
        }


def _notes(plan: Plan, heads: Mapping[object, int]) -> Iterator[dict[str, object]]:
    """Yield each note's sounding pitch, where its player reads it, and whose head stands for it."""
    performance = plan.performance
    for index, note in enumerate(performance.notes):
        place = locate(performance.insert.bars, note.written_on_beats)
        yield {
            "pitch": pitch_name(note.target.pitch),
            "read_at": f"{performance.settings.letter}{place.bar} beat {float(place.beat):g}",
            "head": heads.get(index, index),
        }


def _packed(score: SheetScore) -> str:
    moments = [{"beats": float(beats), "on": on, "off": off} for beats, on, off in score.moments]
    styles: dict[str, None] = {}
    pages = [[_without_style(line, styles) for line in page] for page in score.pages]
    data = {
        "pages": pages,
        "bars": score.bars,
        "styles": list(styles),
        "moments": moments,
    }
    text = json.dumps(data, separators=(",", ":"))
    return _base64(gzip.compress(text.encode(), mtime=0))


def _without_style(svg: str, styles: dict[str, None]) -> str:
    """Return a drawing whose styles the script sets, as the page's policy allows none inline."""
    root = etree.fromstring(svg.encode())
    for drawn in root.iter("{*}*"):
        if "style" in drawn.attrib:
            drawn.set("data-style", drawn.attrib.pop("style"))
    for style in list(root.iter("{*}style")):
        styles[style.text or ""] = None
    etree.strip_elements(root, "{*}style", with_tail=False)
    return etree.tostring(root, encoding="unicode")


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
