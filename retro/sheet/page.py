r"""The session sheet: one HTML file that opens on any laptop or tablet, offline, and prints.

Nothing leaves the file. Titles and names are data: everything that comes from outside passes
`html.escape`, or lies in a JSON block in which ``<`` is written as ``\\u003c``.
"""

from collections.abc import Iterable, Iterator
from html import escape
from importlib.resources import files

from retro.engraving.fonts import tempo_marks_css
from retro.model.performance import Finding, Severity
from retro.placement.place import Placement
from retro.placement.table import Row, placement_rows
from retro.plan.compose import Plan
from retro.render.picture import STYLE, picture_svg
from retro.sheet.data import SheetAudio, SheetScore, finding_place, page_data
from retro.units import us_per_quarter_to_bpm
from retro.version import VERSION

QUIET_START_DB = -24
"""Where the level of the sheet starts: a flipped swell stops at full level."""

SEVERITY_WORDS = {Severity.STOP: "stop", Severity.WARN: "look", Severity.NOTE: "note"}

TAKE_LINES = 9
"""Rows for handwriting in print."""


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
        f"<style>{tempo_marks_css()}\n{_resource('sheet.css')}\n{_page_foot(plan)}</style>",
        "</head>",
        "<body>",
        "<main>",
        *_top(plan),
        *_figures(plan),
        *_listen(),
        *_see(plan, scores),
        *_findings(plan),
        *_checklists(plan),
        *_engineer(plan),
        *_take_notes(plan),
        "</main>",
        "<footer>",
        (
            f'<p class="quiet">Written by retro {escape(VERSION)} from '
            f"{_name(plan.song.name)} ({plan.song.sha256[:12]}).</p>"
        ),
        "</footer>",
        f'<script type="application/json" id="page-data">{page_data(plan, audio, scores)}</script>',
        f"<script>{_resource('calculator.js')}{_resource('sheet.js')}</script>",
        "</body>",
        "</html>",
    ]
    return "\n".join(parts).encode()


def _resource(name: str) -> str:
    return (files("retro.sheet") / name).read_text(encoding="utf-8")


def _page_foot(plan: Plan) -> str:
    """Give the rule that prints song, insert and page number at the foot of every page."""
    words = f"{plan.performance.target.title}, {plan.heading}"
    plain = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in words)
    return (
        f'@page {{ @bottom-left {{ content: "{plain}"; font: 8pt serif; }} '
        '@bottom-right { content: counter(page) " of " counter(pages); font: 8pt serif; } }'
    )


def _name(name: str) -> str:
    """Give a name that was given from outside: as text, in its own direction."""
    return f"<bdi>{escape(name)}</bdi>"


def _names(names: Iterable[str]) -> str:
    return ", ".join(_name(name) for name in names)


def _top(plan: Plan) -> Iterator[str]:
    performance, placement = plan.performance, plan.placement
    meters = dict.fromkeys(str(bar.meter) for bar in performance.insert.bars)
    yield "<header>"
    yield f"<h1>{_name(performance.target.title or 'Untitled')}</h1>"
    yield (
        f'<p class="under">{escape(plan.heading)}: replaces {_bar_range(plan)} of the song; '
        "recorded separately, played backwards in the mix.</p>"
    )
    facts = [
        ("tempo", escape(_tempo_words(plan))),
        ("meter", escape(", ".join(meters))),
        ("length played", f"{float(performance.insert.length_s):.2f} s"),
        ("count-in", _bars(performance.settings.count_in_bars)),
        ("keep rolling", f"{float(placement.roll_s):.2f} s after the last bar"),
        ("players", _names(player.name for player in performance.players)),
    ]
    if plan.silent:
        facts.append(("not in the insert", _names(plan.silent)))
    yield '<dl class="facts">'
    yield from (f"<dt>{what}</dt><dd>{value}</dd>" for what, value in facts)
    yield "</dl>"
    yield "</header>"


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
    yield '<section class="numbers" aria-labelledby="numbers">'
    yield '<h2 id="numbers">Three numbers for the engineer</h2>'
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
        f"That is before bar {plan.window.start_bar} by",
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
    yield "</section>"


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
    yield (
        '<p class="quiet">Sine tones stand for the players. "Played" is what the microphones get; '
        '"flipped" is exactly its reverse.</p>'
    )
    yield "</section>"
    yield '<div class="controls no-print" role="group" aria-label="Listening">'
    yield '<div class="sounds">'
    for name, words in (
        ("target", "Target"),
        ("played", "Played"),
        ("flipped", "Flipped"),
        ("clicked", "Flipped with click"),
    ):
        yield f'<button type="button" data-sound="{name}" aria-pressed="false">{words}</button>'
    yield "</div>"
    yield '<label><input type="checkbox" id="loop"> loop</label>'
    yield (
        f'<label>level <input type="range" id="level" min="-48" max="0" value="{QUIET_START_DB}" '
        'step="1"> <output id="level-says" for="level"></output></label>'
    )
    yield (
        '<label class="place">place <input type="range" id="place" min="0" value="0" '
        'step="0.05"></label>'
    )
    yield '<span id="where" class="quiet"></span>'
    yield "</div>"


def _see(plan: Plan, scores: tuple[SheetScore, ...]) -> Iterator[str]:
    yield '<section class="see" aria-labelledby="see">'
    yield '<h2 id="see">See</h2>'
    yield (
        '<div class="sheet-of-paper" id="picture" role="group" tabindex="0" '
        'aria-label="Time picture. Arrow keys go from note to note and from part to part.">'
    )
    yield _scoped(picture_svg(plan.performance, first_bar=plan.window.start_bar))
    yield "</div>"
    yield (
        '<p id="note-says" role="status" class="quiet no-print">Touch a note for its values; with '
        "the keyboard, go to the picture and use the arrow keys.</p>"
    )
    yield from _score_panel(scores)
    yield '<p class="only-print">The printed score and parts are in the pack\'s copyist folder.</p>'
    yield "</section>"


def _scoped(svg: str) -> str:
    """Keep the style of the picture from reaching out of the picture."""
    rules = (line for line in STYLE.splitlines() if line)
    return svg.replace(STYLE, "\n".join(f"#picture {rule}" for rule in rules))


def _score_panel(scores: tuple[SheetScore, ...]) -> Iterator[str]:
    yield '<div class="row no-print"><label for="which-score">Score or part</label>'
    yield '<select id="which-score">'
    for index, score in enumerate(scores):
        yield f'<option value="{index}" dir="auto">{escape(score.name)}</option>'
    yield "</select>"
    yield '<button type="button" data-size="0.8">Smaller</button>'
    yield '<button type="button" data-size="1.25">Larger</button></div>'
    yield '<p class="quiet no-print" id="score-advice"></p>'
    yield (
        '<div class="sheet-of-paper no-print" id="score" role="region" aria-label="Score" '
        'tabindex="0"></div>'
    )
    yield '<details class="no-print" id="notes"><summary>The notes as a table</summary>'
    yield '<div class="scroll" tabindex="0" role="region" aria-label="Notes"></div></details>'


def _findings(plan: Plan) -> Iterator[str]:
    letter = plan.performance.settings.letter
    yield '<section class="know" aria-labelledby="know">'
    yield '<h2 id="know">What to know before the date</h2>'
    yield '<ul class="findings">'
    for index, finding in enumerate(plan.findings):
        can_show = finding_place(plan, finding) is not None
        yield _finding(index, finding, letter, can_show=can_show)
    if not plan.findings:
        yield "<li>Nothing found.</li>"
    yield "</ul></section>"


def _finding(index: int, finding: Finding, letter: str, *, can_show: bool) -> str:
    place = "" if finding.bar is None else f", {escape(letter)}{finding.bar}"
    beat = "" if finding.beat is None else f" beat {finding.beat:g}"
    advice = f' <span class="quiet">{escape(_sentence(finding.advice))}</span>'
    show = (
        f'<button type="button" class="no-print" data-finding="{index}" '
        f'aria-label="Show finding {index + 1} in the picture and the part">Show</button>'
        if can_show
        else ""
    )
    return (
        f'<li><span class="severity">{SEVERITY_WORDS[finding.severity]}</span> '
        f"<span><b>{_name(finding.player or 'all')}{place}{beat}</b>: "
        f"{escape(finding.what)}.{advice if finding.advice else ''}</span>{show}</li>"
    )


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _engineer(plan: Plan) -> Iterator[str]:
    rows = placement_rows(plan.placement)
    first_microphone = len(rows) - len(plan.placement.microphones)
    yield '<section class="engineer" aria-labelledby="engineer">'
    yield '<h2 id="engineer">The engineer\'s table</h2>'
    yield (
        "<p>Frames of the take count from the insert's bar 1 beat 1, as if the take began there; "
        'the frames of a real take are calculated below.<span class="only-print"> (On the screen '
        "only.)</span></p>"
    )
    yield '<div class="tables">'
    yield from _table("Placement", ("what", "value", "unit"), rows[:first_microphone])
    yield "<div>"
    yield from _table(
        "Microphones by distance",
        ("distance", "ms", "samples"),
        [
            (f"{at.distance_m:g} m", f"{at.delay_ms:.2f}", f"{at.delay_samples:.1f}")
            for at in plan.placement.microphones
        ],
    )
    yield (
        "<p>So much later in the take and so much earlier in the clip. Leave it so: the "
        "microphones belong together.</p></div></div>"
    )
    yield from _calculator(plan.placement)
    yield "</section>"


def _table(title: str, heads: Row, rows: Iterable[Row]) -> Iterator[str]:
    first, second, third = heads
    yield f'<div class="scroll" tabindex="0" role="region" aria-label="{title}">'
    yield f"<table><caption>{title}</caption>"
    yield f'<thead><tr><th scope="col">{first}</th><th scope="col" class="number">{second}</th>'
    yield f'<th scope="col">{third}</th></tr></thead><tbody>'
    for what, value, unit in rows:
        yield (
            f'<tr><th scope="row">{escape(what)}</th><td class="number">{escape(value)}</td>'
            f"<td>{escape(unit)}</td></tr>"
        )
    yield "</tbody></table></div>"


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
    yield '<div class="no-print">'
    yield '<h3 id="calculate">Calculate for your take</h3>'
    yield '<form class="calculator" id="calculator" aria-labelledby="calculate">'
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
    yield '<div class="scroll" tabindex="0" role="region" aria-label="Calculated">'
    yield "<table><tbody>"
    for name, words in CALCULATED:
        yield (
            f'<tr><th scope="row">{words}</th><td class="number" id="answer-{name}"></td>'
            "<td></td></tr>"
        )
    for at in placement.timecodes:
        yield (
            f'<tr><th scope="row">timecode {escape(at.name)}</th><td class="number" '
            f'id="timecode-{escape(at.name)}"></td><td>and <span '
            f'id="subframe-{escape(at.name)}"></span> samples</td></tr>'
        )
    yield "</tbody></table></div></div>"


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
    yield '<section class="checklist" aria-labelledby="checklist">'
    yield '<h2 id="checklist">Checklist for the date</h2>'
    yield '<div class="checklists">'
    for name, items in (("Before", before), ("Each take", take), ("After", after)):
        yield f'<div><h3>{name}</h3><ul class="check">'
        for item in items:
            yield f'<li><label><input type="checkbox"> <span>{escape(item)}</span></label></li>'
        yield "</ul></div>"
    yield "</div></section>"


def _take_notes(plan: Plan) -> Iterator[str]:
    heads = (f"bar 1 beat 1 at frame ({plan.placement.rate} Hz)", "late, ms", "notes")
    yield '<section class="taking only-print"><h2>Takes</h2><table class="takes"><thead><tr>'
    yield '<th scope="col">take</th>'
    yield from (f'<th scope="col">{head}</th>' for head in heads)
    yield "</tr></thead><tbody>"
    yield "<tr><td></td><td></td><td></td><td></td></tr>" * TAKE_LINES
    yield "</tbody></table></section>"
