"""Writes docs/ablation.md: what each half of the compensation is worth, over eleven phrases.

Run: ``python -m tests.docs.make_ablation``. The phrases are the example, the studies beside it,
drafts of `retro draft`, and Bach's crab canon (public domain). What stands there as sounding is
kept in ``sounding.json``; ``--listen`` renews it (some minutes, needs fluidsynth and its bank).
"""

import argparse
import json
import statistics
import tempfile
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from retro.drafting.bars import blank_song
from retro.drafting.casting import read_players
from retro.drafting.draft import Draft, Entry, draft_midi
from retro.drafting.voicing import Voicing, read_chord, voiced
from retro.model.performance import Performance
from retro.model.phrase import Key
from retro.model.settings import Compensate, Settings
from retro.model.sound import Room
from retro.model.time import Meter
from retro.placement.compare import (
    Errors,
    compensated,
    played_errors,
    written_errors,
    written_shift_ms,
)
from retro.plan.compose import plan_file, plan_song
from retro.read.midi import read_song_bytes
from retro.read.settings import beside, load_settings
from retro.reversal.compensate import perform
from tests.conftest import make_part, make_phrase
from tests.evidence.sampled_notes import Sampler, errors_of, keys_of
from tests.evidence.scores import CANCRIZANS_BACKWARDS, CANCRIZANS_FORWARDS, voice

ROOT = Path(__file__).parents[2]
TARGET = ROOT / "docs" / "ablation.md"
SOUNDING = Path(__file__).parent / "sounding.json"
LEARNED = Path(__file__).parents[1] / "evidence" / "learned.json"
EXAMPLE = ROOT / "examples" / "harbour_pageant.mid"
ROOMS = (Room(0.5, 3.0), Room(1.6, 0.0), Room(2.2, -3.0))

PLAYED = {
    Compensate.NONE: "plain reversal",
    Compensate.RELEASE: "release only",
    Compensate.ATTACK: "attack only",
    Compensate.BOTH: "both",
}
HANGING: dict[str, Any] = {"subsequent_indent": "  ", "break_on_hyphens": False}
NUDGED = "plain, nudged"
UNHEARD = (None, None)
COLUMNS = (
    *("onset mean", "onset worst", "landing mean", "landing worst"),
    *("sounding onset", "sounding landing"),
)
SMALL_GAIN = 0.8
"""Of the mirror's error: what is left of it where compensation is hardly worth it."""

Sounding = dict[str, tuple[float | None, ...]]
"""Mean onset and landing error in ms, by row."""

DRAFTS = (
    ("strings", "Violins I, Violins II, Violas, Celli, Basses", "Dm7", Entry.TOGETHER, 8),
    ("winds with a run", "Flute, Oboe, Clarinet, Bassoon", "Bbmaj7", Entry.RUN, 6),
    ("brass, fanned", "Trumpet in C, Horn in F, Trombone, Tuba", "C7sus4", Entry.LOW_TO_HIGH, 12),
    ("harp and celesta", "Harp, Celesta, Violas", "F#m7b5", Entry.HIGH_TO_LOW, 4),
)

OPENING = """# What compensation is worth

Written by `python -m tests.docs.make_ablation`; do not edit it.

Errors are milliseconds, heard minus wanted, of every note of a phrase: mean and worst of their
absolute values. An *onset* is where a flipped tone has risen to the threshold below its own
greatest level, a *landing* where it falls below the same threshold.

*Predicted* errors follow from the sound law (`docs/theory.md`): they show that the arithmetic
closes and what each half of it carries. *Sounding* errors are means of what was measured by
`python -m tests.docs.make_ablation --listen`: every note rendered alone by fluidsynth with FluidR3
GM, in the same room, with default figures for which this bank was not asked (`docs/evidence.md`
says how, and shows a second bank). A sampler reads no paper: rows on paper have none.

Room: {room}.

| row | is |
|---|---|
| plain reversal | the mirrored MIDI played exactly as it stands |
| plain, nudged | the same, the whole clip moved so that the median landing is on its place |
| release only | players let go early by the fall of the room, and start on the mirrored beat |
| attack only | players start early by their rise, and let go on the mirrored beat |
| both | what `played.mid` holds |
| plain, on paper | the plain mirror in notation, by players whose perceived onset is on the click |
| both, on paper | the insert as written, by the same players, after the clip's shift |
"""

LEARNED_OPENING = """
## With figures learned of a bank

Mean absolute landing errors of `played.mid`, in ms, dry and in a room of 1.4 s, every note rendered
alone by fluidsynth. The figures were learned of the same bank through the player of `retro.sounds`
([sounds.md](sounds.md)). TimGM6mb was used for nothing but such rows. `python -m
tests.evidence.learned_landings` renews them. Sustained notes shall be 10 ms off at most, struck 4.

| phrase | room | bank | sustained | mirror | defaults | learned | struck | mirror | defaults \
| learned |
|---|---|---|---|---|---|---|---|---|---|---|
"""

LEARNED_CLOSING = """
What is left in a room is mostly the chance of its noise: an ensemble's tone stands for a tenth of
a second or more within a decibel of the threshold, and the noise says on which side. Every row is
heard in one draw of it. In eight others FluidR3_GM is 11.2 ms off in the example (9.2 to 14.4) and
9.9 ms in "hand played" (5.2 to 13.9). With every note in the middle of where those draws have it,
which no plan can know, 8.9 and 8.4 ms would be left (`python -m tests.evidence.learned_landings
--draws 8`).
"""

CLOSING = """
## Where compensation does not help

{useless}
- *Landings on paper*: people put what they perceive on the click, compensated or not, so both
  rows on paper have the same landings in every phrase.
- *One instrument, one length of rise*: where all landings of a phrase are late by the same, a
  nudge by ear does as well for the landings as any reckoning, and nothing for the onsets.

## Why the rows are as they are

- *Release only* leaves landings early by the rise, *attack only* leaves onsets early by the fall
  of the room: each half does what it is for and nothing else.
- *Release only* can be worse than nothing where notes are shorter than attack and fall together:
  the tone speaks late, keeps the shortest length, and so is let go late.
- What is left in *both* are notes too short for their room: they keep the shortest length that can
  be played, and `retro check` names them.
- On paper a note that another follows in the same part keeps its whole value (its player has no
  rest to let go into), so its flipped onset stays early by the fall of the room, under the note
  that the listener hears until then: unbroken lines gain no onsets on paper, only in `played.mid`.
  The landings, which carry the beat, are on the grid.
- Notes that the target has between the units of the grid land where the grid puts them.
"""


def phrases() -> Iterator[tuple[str, Performance]]:
    """Return every phrase by name."""
    yield "example", _of_file(EXAMPLE)
    for path in sorted((ROOT / "examples" / "studies").glob("*.mid")):
        yield path.stem.replace("_", " "), _of_file(path)
    for name, players, chord, entry, beats in DRAFTS:
        yield f"draft: {name}", _of_draft(players, chord, entry, Fraction(beats))
    yield "Bach, canon cancrizans", _of_canon()


def _of_file(path: Path) -> Performance:
    return plan_file(path, load_settings(beside(path), {})).performance


def _of_draft(names: str, chord: str, entry: Entry, beats: Fraction) -> Performance:
    players = read_players(names)
    instruments = [player.instrument for player in players]
    song = blank_song(bars=4, meter=Meter.plain(4, 4), quarters_per_minute=Fraction(84), key=Key(0))
    draft = Draft(
        players=players,
        pitches=voiced(read_chord(chord), Voicing.SPREAD, instruments),
        velocities=(100,) * len(players),
        length_beats=beats,
        landing_beats=song.length_beats,
        entry=entry,
    )
    return plan_song(read_song_bytes(draft_midi(draft, song), "draft.mid"), Settings()).performance


def _of_canon() -> Performance:
    players = read_players("Violins I, Violas")
    voices = (voice(CANCRIZANS_FORWARDS), voice(CANCRIZANS_BACKWARDS))
    phrase = make_phrase(*(make_part(*notes) for notes in voices), bars=18)
    return perform(phrase, players, Settings())


def _nudge_ms(plain: Performance) -> float:
    """Return what puts the median landing on its place."""
    errors_ms = (note.landing_error_ms for note in plain.notes)
    return -statistics.median(error for error in errors_ms if error is not None)


def rows_of(performance: Performance) -> Iterator[tuple[str, Errors]]:
    """Return the errors of one phrase by row."""
    by = {what: compensated(performance, what) for what in Compensate}
    for what, name in PLAYED.items():
        yield name, played_errors(by[what].notes)
        if what is Compensate.NONE:
            yield NUDGED, played_errors(by[what].notes, _nudge_ms(by[what]))
    for what, name in ((Compensate.NONE, "plain"), (Compensate.BOTH, "both")):
        shift_ms = written_shift_ms(by[what])
        yield f"{name}, on paper", written_errors(by[what].notes, shift_ms)


def page() -> str:
    """Return the whole page."""
    room = Settings().room
    sounding = read_sounding()
    lines = [OPENING.format(room=_room(room)), *_head("phrase (notes)")]
    for name, performance in phrases():
        for index, (row, errors) in enumerate(rows_of(performance)):
            label = f"**{name}** ({len(performance.notes)})" if index == 0 else ""
            lines.append(_line(label, row, errors, sounding[name].get(row, UNHEARD)))
    lines += ["", "## The example in other rooms", "", *_head("room")]
    example = _of_file(EXAMPLE)
    for room in ROOMS:
        elsewhere = compensated(_in_room(example, room), Compensate.BOTH)
        heard = sounding[_room(room)]
        for index, (row, errors) in enumerate(rows_of(elsewhere)):
            label = _room(room) if index == 0 else ""
            lines.append(_line(label, row, errors, heard.get(row, UNHEARD)))
    return "\n".join(lines) + "\n" + _learned() + CLOSING.format(useless=_useless(sounding))


def _learned() -> str:
    """Return what was heard with figures that were learned of two banks."""
    lines = []
    for row in json.loads(LEARNED.read_text(encoding="utf-8")):
        cells = [str(row[key]) for key in ("piece", "room", "bank")]
        for kind in ("sustained", "struck"):
            cells.append(str(row[kind]))
            cells += [_ms_1(row[f"{what} {kind}"]) for what in ("mirror", "defaults", "learned")]
        lines.append(f"| {' | '.join(cells)} |")
    return LEARNED_OPENING + "\n".join(lines) + "\n" + LEARNED_CLOSING


def _ms_1(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _useless(sounding: dict[str, Sounding]) -> str:
    """Return what is no better than the mirror after a nudge, and hardly better without."""
    lines = []
    for which, plain, what in ((1, NUDGED, "Landings"), (0, PLAYED[Compensate.NONE], "Onsets")):
        poor = []
        for name, rows in sounding.items():
            both, mirror = rows[PLAYED[Compensate.BOTH]][which], rows[plain][which]
            if both is not None and mirror is not None and both >= SMALL_GAIN * mirror:
                poor.append(f"{name} ({both:.0f} and {mirror:.0f} ms)")
        line = f"""- *{what} that sound* less than a fifth nearer than in "{plain}": """
        lines.append(textwrap.fill(line + (", ".join(poor) or "none") + ".", 100, **HANGING))
    return "\n".join(lines)


def _in_room(performance: Performance, room: Room) -> Performance:
    return replace(performance, settings=replace(performance.settings, room=room))


def read_sounding() -> dict[str, Sounding]:
    """Return what was heard, by phrase and row."""
    stored = json.loads(SOUNDING.read_text(encoding="utf-8"))
    return {
        name: {row: tuple(means) for row, means in rows.items()} for name, rows in stored.items()
    }


def listen() -> None:
    """Render every phrase in every played row, and keep what is heard."""
    example = _of_file(EXAMPLE)
    rooms = ((_room(room), _in_room(example, room)) for room in ROOMS)
    with tempfile.TemporaryDirectory() as folder:
        sampler = Sampler(Path(folder))
        heard = {name: _heard(performance, sampler) for name, performance in (*phrases(), *rooms)}
    SOUNDING.write_text(json.dumps(heard, indent=1) + "\n", encoding="utf-8")


def _heard(performance: Performance, sampler: Sampler) -> Sounding:
    """Return the sounding means of every played row, over the notes whose edges all rows have."""
    room = performance.settings.room
    by = {what: compensated(performance, what) for what in PLAYED}
    sampler.listen([key for played in by.values() for key in keys_of(played)], [room])
    wanted = by[Compensate.BOTH]
    found = {what: errors_of(played, wanted, sampler, room) for what, played in by.items()}
    onsets = np.array([errors.onset_ms for errors in found.values()])
    onsets = onsets[:, ~np.isnan(onsets).any(axis=0)]
    rows: Sounding = {}
    for (what, errors), onset_ms in zip(found.items(), onsets, strict=True):
        landing_ms = np.array([*errors.sustained_ms, *errors.struck_ms])
        rows[PLAYED[what]] = _means(onset_ms, landing_ms)
        if what is Compensate.NONE:
            nudge_ms = -np.median(landing_ms)
            rows[NUDGED] = _means(onset_ms + nudge_ms, landing_ms + nudge_ms)
    return rows


def _means(*errors_ms: np.ndarray) -> tuple[float | None, ...]:
    return tuple(
        round(float(np.mean(np.abs(errors))), 1) if errors.size else None for errors in errors_ms
    )


def _room(room: Room) -> str:
    return f"{room.reverberation_s:g} s, direct to reverberant {room.direct_to_reverberant_db:g} dB"


def _head(first: str) -> tuple[str, str]:
    return (
        f"| {first} | row | {' | '.join(COLUMNS)} |",
        "|---|---|---|---|---|---|---|---|",
    )


def _line(label: str, row: str, errors: Errors, sounding: tuple[float | None, ...]) -> str:
    values = (
        errors.mean_onset_ms,
        errors.worst_onset_ms,
        errors.mean_landing_ms,
        errors.worst_landing_ms,
        *sounding,
    )
    return f"| {label} | {row} | {' | '.join(map(_ms, values))} |"


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--listen", action="store_true", help="render and measure all sound anew")
    if parser.parse_args().listen:
        listen()
    TARGET.write_text(page(), encoding="utf-8")
