"""Which part of the song plays which part of the insert, and the main score out of that."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from retro.errors import WindowError
from retro.model.instruments import Clef, Player
from retro.model.phrase import Part
from retro.musicxml.heading import Heading
from retro.musicxml.main_score import MainScore, as_in_song, main_score
from retro.notation.lines import write_parts
from retro.plan.compose import Plan
from retro.read.guess import guess_player
from retro.read.musicxml import Score, ScorePart, read_score
from retro.read.song import MAX_XML_BYTES
from retro.read.trackname import plain

MAX_STAVES = 2
"""Staves that two hands read."""


def into_score(plan: Plan, path: Path, heading: Heading) -> MainScore:
    """Put the insert of a plan into the song's score.

    Raises
    ------
    RetroError
        Where the file is no score, or does not have the bars that are to be replaced.
    """
    with path.open("rb") as file:
        data = file.read(MAX_XML_BYTES + 1)
    score = read_score(data, path.name)
    measures = _measures(plan, score)
    performance = plan.performance
    homes = _homes(performance.target.parts, performance.players, score.parts)
    players = tuple(
        _written_as(player, score.parts[home]) if home is not None else player
        for player, home in zip(performance.players, homes, strict=True)
    )
    written = write_parts(replace(performance, players=players), is_dealt=False)
    at_home = {
        home: as_in_song(part, score.parts[home])
        for part in written
        if (home := homes[part.part]) is not None
    }
    others = [part for part in written if homes[part.part] is None]
    return main_score(
        score,
        at_home,
        others,
        measures=measures,
        heading=replace(heading, bars=_printed(score, measures)),
        insert=performance.insert,
    )


def _measures(plan: Plan, score: Score) -> range:
    """Return the indexes of the measures that the insert replaces."""
    window, bars = plan.window, plan.song.phrase.bars
    if not window.is_whole_bars:
        raise WindowError(
            f"{window.bar_words} cuts a bar, and only whole bars are silent in a main score",
            where=score.name,
            advice="choose whole bars, or leave the main score out",
        )
    wanted = f"bars {window.start_bar}-{window.end_bar}"
    if bars[0].number is None:
        played = score.order[window.start_bar - 1 : window.end_bar]
    else:
        first, last = window.start_bar, window.end_bar
        played = tuple(i for i in score.order if first <= score.numbers[i] <= last)
    if not played or (bars[0].number is None and window.end_bar > len(score.order)):
        raise WindowError(f"has no {wanted}", where=score.name, advice="is it the same song?")
    if sorted(set(played)) != list(played) or any(score.order.count(i) > 1 for i in played):
        raise WindowError(
            f"plays {wanted} more than once: a repeat touches them",
            where=score.name,
            advice="write the repeat out in the score, or choose bars that are played once",
        )
    length = sum(score.lengths[index] for index in played)
    if length != window.length_beats:
        raise WindowError(
            f"{wanted} last {float(length):g} quarter notes there and "
            f"{float(window.length_beats):g} in {plan.song.name}",
            where=score.name,
            advice="is it the same song? Give the bars that are to be replaced with --replaces",
        )
    return range(played[0], played[-1] + 1)


def _printed(score: Score, measures: range) -> str:
    """Return the replaced bars by the numbers of the score; MIDI counts a pick-up as bar 1."""
    first, last = (score.numbers[measures[at]] for at in (0, -1))
    return f"bar {first}" if first == last else f"bars {first}–{last}"


def _homes(
    parts: Sequence[Part], players: Sequence[Player], homes: Sequence[ScorePart]
) -> list[int | None]:
    """Return the index of the song's part for every part of the insert, None where it has none.

    Parts of one name go together in their order; else the player decides.
    """
    free = dict(enumerate(homes))
    found: list[int | None] = []
    for part in parts:
        same = [i for i, home in free.items() if plain(home.facts.name) == plain(part.name)]
        found.append(same[0] if same and part.name else None)
        free = {i: home for i, home in free.items() if i != found[-1]}
    guessed = {i: _guess(home) for i, home in free.items()}
    for index, player in enumerate(players):
        if found[index] is None:
            found[index] = next((i for i, other in guessed.items() if _alike(other, player)), None)
            guessed = {i: other for i, other in guessed.items() if i != found[index]}
    return found


def _clefs_of(home: ScorePart) -> Iterator[Clef]:
    """Yield the clefs that the song's part is written in, as far as parts of ours have them."""
    known = {clef.value: clef for clef in Clef}
    for measure in home.measures:
        said = (direction.text for direction in measure.directions if direction.kind == "clef")
        yield from (known[text] for text in said if text in known)


def _guess(home: ScorePart) -> Player:
    facts = home.facts
    silent = Part(name=facts.name, channel=facts.channel, program=facts.program, notes=())
    return guess_player(silent)[0]


def _alike(one: Player, other: Player) -> bool:
    return one.name == other.name or (one.instrument, one.numbers) == (
        other.instrument,
        other.numbers,
    )


def _written_as(player: Player, home: ScorePart) -> Player:
    """Return a player who reads the pitch and the staves at which the song's part is written."""
    if player.instrument.is_unpitched:
        return player
    instrument = replace(
        player.instrument,
        transposition=home.reader.transposition,
        staves=min(home.reader.staves, MAX_STAVES),
        clefs=tuple(dict.fromkeys((*player.instrument.clefs, *_clefs_of(home)))),
    )
    return replace(player, instrument=instrument)
