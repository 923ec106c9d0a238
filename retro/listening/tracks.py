"""The tracks that a page lets take part or leaves out, and where their struck tones land."""

from dataclasses import dataclass

from retro.model.instruments import Sound
from retro.model.phrase import Phrase
from retro.model.settings import Landing, Settings
from retro.read.guess import assign_players, part_overrides
from retro.read.trackname import plain
from retro.read.tracks import left_out_tracks
from retro.read.window import choose_window


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """A track of the file that sounds in the window, or several of one name.

    Parameters
    ----------
    match
        What a ``[[part]]`` of the settings calls it.
    name
        As it stands in the file, or its number.
    players
        Who plays it; nobody where it is left out.
    landing
        Where its tones land; None where they are not struck or it takes no part.
    """

    match: str
    name: str
    players: tuple[str, ...]
    landing: Landing | None


def tracks_of(song: Phrase, settings: Settings) -> tuple[Track, ...]:
    """Return the tracks that sound in the window that the settings choose.

    Raises
    ------
    RetroError
        If the window, a track or an instrument of the settings does not exist.
    """
    window = choose_window(song, settings)
    whole = song.cut(window.start_beats, window.end_beats)
    absent = {track.number - 1 for track in left_out_tracks(song, settings)}
    players, _ = assign_players(whole, settings, left_out=absent)
    present = [i for i in range(len(whole.parts)) if i not in absent]
    by_index = dict(zip(present, players, strict=True))
    said = part_overrides(whole.parts, settings.parts)
    tracks: dict[str, Track] = {}
    for index, part in enumerate(whole.parts):
        if not part.notes:
            continue
        about, player = said.get(index), by_index.get(index)
        is_struck = player is not None and player.instrument.sound is Sound.STRUCK
        lands = Landing.START if player is not None and player.lands_at_start else Landing.END
        match = about.match if about is not None else _match(part.name, index)
        known = tracks.get(plain(match))
        others = known.players if known is not None else ()
        tracks[plain(match)] = Track(
            match=match if known is None else known.match,
            name=part.name or f"track {index + 1}",
            players=(*others, *([player.name] if player is not None else [])),
            landing=lands if is_struck else None,
        )
    return tuple(tracks.values())


def _match(name: str, index: int) -> str:
    """Return how the settings call a track: by its name, where it has one, else by its number."""
    line = " ".join(name.split())
    return line if plain(line) and line.isprintable() else str(index + 1)
