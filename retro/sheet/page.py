r"""The session sheet: one HTML file that opens on any laptop or tablet, offline, and prints.

Nothing leaves the file. Titles and names are data: everything that comes from outside passes
`html.escape`, or lies in a JSON block in which ``<`` is written as ``\\u003c``.
"""

import base64
import gzip
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from importlib.resources import files

from retro.model.performance import Finding, Severity
from retro.plan.compose import Plan
from retro.plan.document import plan_document
from retro.render.picture import picture_span, picture_svg
from retro.takes.place import Placement
from retro.takes.place_table import placement_rows
from retro.units import tidy_s, us_per_quarter_to_bpm
from retro.version import VERSION

QUIET_START_DB = -24
"""Where the level of the sheet starts: a flipped swell stops at full level."""

SEVERITY_WORDS = {Severity.STOP: "stop", Severity.WARN: "look", Severity.NOTE: "note"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetAudio:
    """The preview for the sheet.

    Parameters
    ----------
    target, flipped
        Encoded audio that browsers decode (FLAC), of the same length.
    window_at_s
        Where the window begins in both, in seconds.
    """

    target: bytes
    flipped: bytes
    window_at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetScore:
    """One engraved score or part for the screen.

    Parameters
    ----------
    name
        "Score", or the part's name.
    pages
        SVG documents.
    timemap
        (quarter notes from the start of the count-in, element ids that begin, that end).
    """

    name: str
    pages: tuple[str, ...]
    timemap: tuple[tuple[Fraction, tuple[str, ...], tuple[str, ...]], ...]


def sheet_html(plan: Plan, *, audio: SheetAudio, scores: tuple[SheetScore, ...]) -> bytes:
    """Give the whole page."""
    title = plan.performance.target.title
    parts = [
        "<!doctype html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(plan.heading)}: {escape(title)}</title>",
        f"<style>{_resource('sheet.css')}</style>",
        "</head>",
        "<body>",
        "<main>",
        *_top(plan),
        *_figures(plan),
        *_listen(),
        *_checklists(plan),
        *_see(plan, scores),
        *_engineer(plan),
        *_take_notes(),
        "</main>",
        (
            f'<p class="quiet">Written by retro {escape(VERSION)} from '
            f"{escape(plan.song.name)} ({plan.song.sha256[:12]}).</p>"
        ),
        f'<script type="application/json" id="page-data">{_data(plan, audio, scores)}</script>',
        f"<script>{_resource('calculator.js')}{_resource('sheet.js')}</script>",
        "</body>",
        "</html>",
    ]
    return "\n".join(parts).encode()


def _resource(name: str) -> str:
    return (files("retro.sheet") / name).read_text(encoding="utf-8")


def _top(plan: Plan) -> Iterator[str]:
    performance, placement = plan.performance, plan.placement
    bars = _bar_range(plan)
    yield f"<h1>{escape(performance.target.title)}</h1>"
    yield (
        f'<p class="under">{escape(plan.heading)}: replaces {bars} of the song; recorded '
        "separately, played backwards in the mix.</p>"
    )
    facts = [
        ("tempo", _tempo_words(plan)),
        ("meter", ", ".join(dict.fromkeys(str(bar.meter) for bar in performance.insert.bars))),
        ("length played", f"{float(performance.insert.length_s):.2f} s"),
        ("count-in", _bars(performance.settings.count_in_bars)),
        ("keep rolling", f"{float(placement.roll_s):.2f} s after the last bar"),
        ("players", ", ".join(player.name for player in performance.players)),
    ]
    if plan.silent:
        facts.append(("not in the insert", ", ".join(plan.silent)))
    yield '<dl class="facts">'
    yield from (f"<dt>{escape(what)}</dt><dd>{escape(value)}</dd>" for what, value in facts)
    yield "</dl>"


def _bars(count: int) -> str:
    return f"{count} bar" if count == 1 else f"{count} bars"


def _bar_range(plan: Plan) -> str:
    first, last = plan.window.start_bar, plan.window.end_bar
    return f"bar {first}" if first == last else f"bars {first}–{last}"


def _tempo_words(plan: Plan) -> str:
    tempi = [
        us_per_quarter_to_bpm(us) for us in plan.performance.insert.tempo.us_per_quarter.values
    ]
    slowest, fastest = float(min(tempi)), float(max(tempi))
    if fastest - slowest < 0.5:
        return f"{slowest:.4g} quarters a minute"
    return f"{slowest:.4g} to {fastest:.4g} quarters a minute, with the click"


def _figures(plan: Plan) -> Iterator[str]:
    placement = plan.placement
    own = next(at for at in placement.timecodes if at.name == placement.frame_rate)
    yield "<h2>Three numbers for the engineer</h2>"
    yield '<div class="figures">'
    yield _figure(
        "clip-start",
        "The flipped clip starts at",
        f"{placement.clip_start_samples:,} samples".replace(",", " "),
        placement.clip_start_samples,
        f"{own.timecode} at {placement.frame_rate}, {placement.rate} Hz",
    )
    yield _figure(
        "tail-kept",
        f"That is before {_bar_range(plan).split('–')[0].replace('bars', 'bar')} by",
        f"{placement.tail_kept_samples:,} samples".replace(",", " "),
        placement.tail_kept_samples,
        f"the tail, {float(placement.roll_s):.3f} s; shifted by {placement.shift_samples}",
    )
    yield _figure(
        "keep-rolling",
        "After the last bar keep rolling",
        f"{float(placement.roll_s):.2f} s",
        f"{float(placement.roll_s):.2f}",
        f"{_bars(placement.roll_bars)} of silence; the click stops with the last release",
    )
    yield "</div>"
    yield (
        f"<p>Expect a spread of about {placement.spread_ms:.0f} ms: people play these notes. "
        "Listen before you trust the last few milliseconds.</p>"
    )
    yield '<p id="said" role="status" class="quiet no-print"></p>'


def _figure(id_: str, what: str, shown: str, plain: object, under: str) -> str:
    return (
        f'<div class="figure"><h3>{escape(what)}</h3>'
        f'<div class="value" id="{id_}" data-plain="{escape(str(plain))}">{escape(shown)}</div>'
        f'<div class="quiet">{escape(under)}</div>'
        f'<button type="button" data-copy="{id_}" aria-label="Copy: {escape(what)}">Copy</button>'
        "</div>"
    )


def _listen() -> Iterator[str]:
    yield '<section class="no-print" aria-labelledby="listen">'
    yield '<h2 id="listen">Listen</h2>'
    yield (
        '<p class="caution">Mind your ears: a flipped swell grows and stops at full level. It '
        "starts quiet here; turn up slowly, most of all on headphones. Where rules on sound "
        "exposure hold, they come first.</p>"
    )
    yield '<div class="row">'
    for name, words in (
        ("target", "Target"),
        ("played", "Played"),
        ("flipped", "Flipped"),
        ("clicked", "Flipped with click"),
    ):
        yield f'<button type="button" data-sound="{name}" aria-pressed="false">{words}</button>'
    yield '<label><input type="checkbox" id="loop"> loop</label>'
    yield (
        f'<label>level <input type="range" id="level" min="-48" max="0" value="{QUIET_START_DB}" '
        'step="1"></label> <output id="level-says" for="level"></output>'
    )
    yield "</div>"
    yield (
        '<p class="quiet">Sine tones stand for the players. "Played" is what the microphones get; '
        '"flipped" is exactly its reverse.</p>'
    )
    yield "</section>"


def _see(plan: Plan, scores: tuple[SheetScore, ...]) -> Iterator[str]:
    yield "<h2>See</h2>"
    yield '<div class="sheet-of-paper" id="picture">'
    yield picture_svg(plan.performance, first_bar=plan.window.start_bar)
    yield "</div>"
    yield '<p id="note-says" role="status" class="quiet no-print">Touch a note for its values.</p>'
    yield '<div class="row no-print"><label for="which-score">Score or part</label>'
    yield '<select id="which-score">'
    for index, score in enumerate(scores):
        yield f'<option value="{index}">{escape(score.name)}</option>'
    yield "</select></div>"
    yield (
        '<div class="sheet-of-paper no-print" id="score" role="img" aria-label="Score" '
        'tabindex="0"></div>'
    )
    yield '<p class="only-print">The printed score and parts are in the pack\'s copyist folder.</p>'
    yield "<h3>What to know before the date</h3>"
    yield '<ul class="findings">'
    for index, finding in enumerate(plan.findings):
        yield _finding(index, finding)
    if not plan.findings:
        yield "<li>Nothing found.</li>"
    yield "</ul>"


def _finding(index: int, finding: Finding) -> str:
    place = "" if finding.bar is None else f", bar {finding.bar}"
    beat = "" if finding.beat is None else f" beat {finding.beat:g}"
    who = f"{finding.player or 'all'}{place}{beat}"
    advice = f' <span class="quiet">{escape(finding.advice)}</span>' if finding.advice else ""
    show = (
        f' <button type="button" class="no-print" data-finding="{index}" '
        f'aria-label="Show finding {index + 1} in the picture and the part">Show</button>'
        if finding.player and finding.bar is not None
        else ""
    )
    return (
        f'<li><span class="severity">{SEVERITY_WORDS[finding.severity]}</span> '
        f"<b>{escape(who)}</b>: {escape(finding.what)}.{advice}{show}</li>"
    )


def _engineer(plan: Plan) -> Iterator[str]:
    yield "<h2>The engineer's table</h2>"
    yield '<div class="scroll" tabindex="0" role="region" aria-label="The engineer\'s table">'
    yield "<table><thead><tr><th>what</th><th class='number'>value</th><th>unit</th></tr></thead>"
    yield "<tbody>"
    for what, value, unit in placement_rows(plan.placement):
        yield (
            f'<tr><td>{escape(what)}</td><td class="number">{escape(value)}</td>'
            f"<td>{escape(unit)}</td></tr>"
        )
    yield "</tbody></table></div>"
    yield from _calculator(plan.placement)


CALCULATED = (
    ("clip_start_samples", "clip starts, samples"),
    ("clip_start_ms", "clip starts, ms"),
    ("time_reference_samples", "BWF TimeReference"),
    ("tail_kept_samples", "tail kept, samples"),
    ("shift_samples", "shift, samples"),
    ("export_start_samples", "flip from, frame of the take"),
    ("export_end_samples", "flip to, frame of the take"),
    ("clip_length_samples", "clip length, samples"),
)


def _calculator(placement: Placement) -> Iterator[str]:
    yield '<section class="no-print" aria-labelledby="calculate">'
    yield '<h3 id="calculate">Calculate for your take</h3>'
    yield '<form class="calculator" id="calculator">'
    fields = (
        ("phrase_start", "take frame of bar 1 beat 1", "0"),
        ("take_end", "take frame to end at (or empty)", ""),
        ("late", "measured lateness in ms (or empty)", ""),
        ("rate", "frames a second", str(placement.rate)),
        ("start", "session starts at", placement.session_start),
    )
    for name, words, value in fields:
        yield (
            f'<div><label for="field-{name}">{words}</label>'
            f'<input id="field-{name}" name="{name}" value="{escape(value)}" '
            'autocomplete="off"></div>'
        )
    yield '<div><label for="field-frame_rate">timecode rate</label>'
    yield '<select id="field-frame_rate" name="frame_rate">'
    for at in placement.timecodes:
        chosen = " selected" if at.name == placement.frame_rate else ""
        yield f"<option{chosen}>{escape(at.name)}</option>"
    yield "</select></div></form>"
    yield '<p id="calculator-says" role="alert"></p>'
    yield "<table><tbody>"
    for name, words in CALCULATED:
        yield f'<tr><td>{words}</td><td class="number" id="answer-{name}"></td><td></td></tr>'
    for at in placement.timecodes:
        yield (
            f'<tr><td>timecode {escape(at.name)}</td><td class="number" '
            f'id="timecode-{escape(at.name)}"></td><td>and <span '
            f'id="subframe-{escape(at.name)}"></span> samples</td></tr>'
        )
    yield "</tbody></table></section>"


def _checklists(plan: Plan) -> Iterator[str]:
    placement = plan.placement
    roll_s = f"{float(placement.roll_s):.1f} s"
    before = (
        (
            "Parts and the notice page are on the stands; everybody knows: read it forwards, as "
            "written, and let go where the part says so."
        ),
        f"All recorders run together at {placement.rate} Hz; files carry a time stamp.",
        "Headphones quiet and closed: click that leaks into the tail is the first thing heard.",
        "Fans, chairs, pages, phones: the tail needs silence.",
        (
            "Long tones and held breaths: agree on breaths beforehand, and let nobody push on; the "
            "players know their limits."
        ),
    )
    take = (
        f"Count-in of {_bars(plan.performance.settings.count_in_bars)}, then the insert.",
        "Release together; the click stops with the last release.",
        f"Nobody moves for {roll_s}; keep rolling that long.",
        "Write down the take and the frame of bar 1 beat 1.",
        "Take it again for safety; record half a minute of the empty room.",
    )
    after = (
        "Measure the takes: how late, how much drift, how long the room rang.",
        "Flip all microphones over one common range. Never line up each on its own peak.",
        f"Lay the clip at {placement.clip_start_samples} samples, or by its time stamp.",
        "Turn down before the first listening: the swell stops at full level.",
        "Check that the swell lands on the beat; move it by ear within the stated spread.",
    )
    yield "<h2>Checklist for the date</h2>"
    yield '<div class="checklists">'
    for name, items in (("Before", before), ("Each take", take), ("After", after)):
        yield f'<div><h3>{name}</h3><ul class="check">'
        for item in items:
            yield f'<li><label><input type="checkbox"> <span>{escape(item)}</span></label></li>'
        yield "</ul></div>"
    yield "</div>"


def _take_notes() -> Iterator[str]:
    yield '<div class="only-print"><h2>Takes</h2><table class="takes"><thead><tr>'
    yield from (f"<th>{head}</th>" for head in ("take", "frame of bar 1", "late, ms", "notes"))
    yield "</tr></thead><tbody>"
    yield "<tr><td></td><td></td><td></td><td></td></tr>" * 8
    yield "</tbody></table></div>"


def _data(plan: Plan, audio: SheetAudio, scores: tuple[SheetScore, ...]) -> str:
    performance, placement = plan.performance, plan.placement
    span_s, span_px = picture_span(performance)
    data = {
        "plan": plan_document(plan),
        "passage": {
            "start_s": str(plan.window.start_s),
            "length_s": str(plan.window.length_s),
            "roll_s": str(placement.roll_s),
            "first_attack_s": str(Fraction(placement.first_attack_s)),
            "shift_ms": placement.shift_ms,
        },
        "audio": {"target": _base64(audio.target), "flipped": _base64(audio.flipped)},
        "window_at_s": audio.window_at_s,
        "song_beats": list(_song_beats(plan)),
        "picture": {"span_s": span_s, "span_px": span_px},
        "scores": [{"name": score.name, "packed": _packed(score)} for score in scores],
        "finding_beats": [_finding_beats(plan, finding) for finding in plan.findings],
    }
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _song_beats(plan: Plan) -> Iterator[dict[str, object]]:
    target = plan.performance.target
    for bar in target.bars:
        for index, pulse in enumerate(bar.meter.pulses()):
            if pulse < bar.length_beats:
                at_s = tidy_s(target.tempo.seconds_at(bar.start_beats + pulse))
                yield {"at_s": at_s, "accent": index == 0}


def _finding_beats(plan: Plan, finding: Finding) -> float | None:
    bars = plan.performance.insert.bars
    if finding.bar is None or not 1 <= finding.bar <= len(bars):
        return None
    bar = bars[finding.bar - 1]
    within = (Fraction(finding.beat or 1) - 1) * bar.meter.unit_beats
    return float(bar.start_beats + within)


def _packed(score: SheetScore) -> str:
    timemap: Iterable[dict[str, object]] = (
        {"beats": float(beats), "on": on, "off": off} for beats, on, off in score.timemap
    )
    text = json.dumps({"pages": score.pages, "timemap": list(timemap)}, separators=(",", ":"))
    return _base64(gzip.compress(text.encode(), mtime=0))


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
