"""What a song itself has at a place: who plays in it, and which chord stands there."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from retro.errors import WindowError
from retro.model.instruments import Player
from retro.model.phrase import Note, Phrase
from retro.model.time import bar_index, printed_place
from retro.read.guess import assign_players
from retro.read.settings import beside, load_settings
from retro.read.target import read_song
from retro.read.tracks import left_out_tracks

AFTER_BEATS = Fraction(1, 8)
"""How long after a beat its chord is looked at, in quarter notes: hands are not together, and what
still rings from before is no part of it (our own choice)."""

MIN_TONES = 3
"""Tones below which a place is looked at longer: an arpeggio has one at a time (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnSong:
    """A song that a draft is made for: the tracks that somebody plays, and who plays each."""

    phrase: Phrase
    players: tuple[Player, ...]


def read_own_song(path: Path) -> OwnSong:
    """Read a song, with the settings beside it, for its time, its players and its chords.

    Raises
    ------
    RetroError
        If it cannot be read, or the settings speak of what is not there.
    """
    settings = load_settings(beside(path), {})
    phrase = read_song(path, meter_groups=settings.meter_groups).phrase
    left_out = {track.number - 1 for track in left_out_tracks(phrase, settings)}
    players, _ = assign_players(phrase, settings, left_out=left_out)
    return OwnSong(phrase=_without(phrase, left_out), players=players)


def _without(phrase: Phrase, indexes: Collection[int]) -> Phrase:
    kept = tuple(part for i, part in enumerate(phrase.parts) if i not in indexes)
    return replace(phrase, parts=kept)


def chord_at(song: OwnSong, at_beats: Fraction) -> tuple[int, ...]:
    """Return the tones of a place of a song as a chord over the lowest: MIDI pitches, ascending.

    They are those that sound there. Where these are fewer than `MIN_TONES`, they are those from
    there to the end of the beat; where these are too, to the end of the bar. Each pitch class is
    there once, above the bass within an octave.

    Raises
    ------
    WindowError
        If nobody plays a pitch there.
    """
    pitched = [
        note
        for part, player in zip(song.phrase.parts, song.players, strict=True)
        if not player.instrument.is_unpitched
        for note in part.notes
    ]
    bars = song.phrase.bars
    bar = bars[bar_index(bars, at_beats)]
    best: tuple[int, ...] = ()
    for length in (2 * AFTER_BEATS, bar.meter.unit_beats, bar.end_beats - at_beats):
        first, last = at_beats + AFTER_BEATS, at_beats + length - AFTER_BEATS
        found = sorted(n.pitch for n in pitched if n.on_beats <= last and first < n.off_beats)
        tones = _over_the_bass(found)
        if len(tones) > len(best):
            best = tones
        if len(best) >= MIN_TONES:
            break
    if not best:
        at = printed_place(bars, at_beats)
        raise WindowError(f"nobody plays a pitch at {at}", advice=_nearest(song, pitched, at_beats))
    return best


def _over_the_bass(pitches: Sequence[int]) -> tuple[int, ...]:
    if not pitches:
        return ()
    bass = pitches[0]
    return (bass, *sorted({bass + (pitch - bass) % 12 for pitch in pitches} - {bass}))


def _nearest(song: OwnSong, pitched: Sequence[Note], at_beats: Fraction) -> str:
    if not pitched:
        return "nobody plays a pitch in the whole song; give --chord or --pitches"
    near = min(pitched, key=lambda note: abs(note.on_beats - at_beats))
    return f"the nearest note begins at {printed_place(song.phrase.bars, near.on_beats)}"
