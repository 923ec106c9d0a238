"""Writes docs/ablation.md: what each half of the compensation is worth, over eleven phrases.

Run: ``python -m tests.docs.make_ablation``. The phrases are the example, the studies beside it,
drafts of `retro draft`, and Bach's crab canon (public domain). Listening to real and drawn sound is
another matter: ``python -m pytest tests/evidence`` does that.
"""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from retro.drafting.bars import blank_song
from retro.drafting.draft import Draft, Entry, draft_midi, read_players
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
from tests.evidence.scores import CANCRIZANS_BACKWARDS, CANCRIZANS_FORWARDS, voice

ROOT = Path(__file__).parents[2]
TARGET = ROOT / "docs" / "ablation.md"
EXAMPLE = ROOT / "examples" / "harbour_pageant.mid"
ROOMS = (Room(0.5, 3.0), Room(1.6, 0.0), Room(2.2, -3.0))

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
greatest level, a *landing* where it falls below the same threshold. They follow from the sound law
(`docs/theory.md`), not from a recording: what is shown
here is that the arithmetic closes and what each half of it carries.

Room: {room}.

| row | is |
|---|---|
| plain reversal | the mirrored MIDI played exactly as it stands |
| release only | players let go early by the fall of the room, and start on the mirrored beat |
| attack only | players start early by their rise, and let go on the mirrored beat |
| both | what `played.mid` holds |
| plain, on paper | the plain mirror in notation, by players whose perceived onset is on the click |
| both, on paper | the insert as written, by the same players, after the clip's shift |
"""

CLOSING = """
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
    """Give every phrase by name."""
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


def rows_of(performance: Performance) -> Iterator[tuple[str, Errors]]:
    """Give the errors of one phrase by row."""
    by = {what: compensated(performance, what) for what in Compensate}
    names = {
        Compensate.NONE: "plain reversal",
        Compensate.RELEASE: "release only",
        Compensate.ATTACK: "attack only",
        Compensate.BOTH: "both",
    }
    for what, name in names.items():
        yield name, played_errors(by[what].notes)
    for what, name in ((Compensate.NONE, "plain"), (Compensate.BOTH, "both")):
        shift_ms = written_shift_ms(by[what])
        yield f"{name}, on paper", written_errors(by[what].notes, shift_ms)


def page() -> str:
    """Give the whole page."""
    room = Settings().room
    lines = [OPENING.format(room=_room(room)), *_head("phrase (notes)")]
    for name, performance in phrases():
        for index, (row, errors) in enumerate(rows_of(performance)):
            label = f"**{name}** ({len(performance.notes)})" if index == 0 else ""
            lines.append(_line(label, row, errors))
    lines += ["", "## The example in other rooms", "", *_head("room")]
    example = _of_file(EXAMPLE)
    for room in ROOMS:
        settings = replace(example.settings, room=room)
        elsewhere = compensated(replace(example, settings=settings), Compensate.BOTH)
        for index, (row, errors) in enumerate(rows_of(elsewhere)):
            lines.append(_line(_room(room) if index == 0 else "", row, errors))
    return "\n".join(lines) + "\n" + CLOSING


def _room(room: Room) -> str:
    return f"{room.reverberation_s:g} s, direct to reverberant {room.direct_to_reverberant_db:g} dB"


def _head(first: str) -> tuple[str, str]:
    return (
        f"| {first} | row | onset mean | onset worst | landing mean | landing worst |",
        "|---|---|---|---|---|---|",
    )


def _line(label: str, row: str, errors: Errors) -> str:
    values = (
        errors.mean_onset_ms,
        errors.worst_onset_ms,
        errors.mean_landing_ms,
        errors.worst_landing_ms,
    )
    return f"| {label} | {row} | {' | '.join(map(_ms, values))} |"


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


if __name__ == "__main__":
    TARGET.write_text(page(), encoding="utf-8")
