"""What a file says of its song, in plain values: bars, tempo, meters, keys, markers and tracks."""

from collections.abc import Iterator
from typing import Any

from retro.model.instruments import Player
from retro.model.performance import Finding, gravest_first
from retro.model.phrase import Key
from retro.model.settings import Settings
from retro.model.time import printed_number
from retro.read.guess import assign_players
from retro.read.song import Song
from retro.read.tracks import left_out_tracks
from retro.read.window import bar_at
from retro.units import pitch_name, us_per_quarter_to_bpm

FIFTHS = (
    *("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D"),
    *("A", "E", "B", "F#", "C#", "G#", "D#", "A#"),
)
"""Major keys from seven flats to seven sharps; the minor key of a signature stands three later."""


def song_facts(song: Song) -> tuple[dict[str, Any], tuple[Finding, ...]]:
    """Return everything that is told of a song, in plain values, and the findings.

    Bars count from 1, channels from 1 as printed, programs from 0 as in the file; seconds and
    quarter notes are numbers.
    """
    phrase = song.phrase
    left_out = {track.number: track.reason for track in left_out_tracks(phrase, Settings())}
    absent = {number - 1 for number in left_out}
    players, guesses = assign_players(phrase, Settings(), left_out=absent)
    playing = iter(players)
    bpms = [float(us_per_quarter_to_bpm(us)) for us in phrase.tempo.us_per_quarter.values]
    meters = [
        {"bar": printed_number(phrase.bars, count), "meter": str(bar.meter)}
        for count, bar in enumerate(phrase.bars, start=1)
        if count == 1 or str(bar.meter) != str(phrase.bars[count - 2].meter)
    ]
    findings = gravest_first((*song.notices, *guesses))
    facts = {
        "file": song.name,
        "sha256": song.sha256,
        "title": phrase.title,
        "length_s": float(phrase.length_s),
        "length_beats": float(phrase.length_beats),
        "bars": len(phrase.bars),
        "tempo_min_bpm": min(bpms),
        "tempo_max_bpm": max(bpms),
        "tempo_changes": len(bpms) - 1,
        "meters": meters,
        "short_bars": [
            printed_number(phrase.bars, count)
            for count, bar in enumerate(phrase.bars, start=1)
            if not bar.is_full
        ],
        "keys": [
            {"bar": bar_at(phrase, start), "key": _key_name(key)}
            for start, _, key in phrase.keys.spans()
        ],
        "markers": [
            {"bar": bar_at(phrase, marker.at_beats), "text": marker.text}
            for marker in phrase.markers
        ],
        "tracks": [
            {
                "number": number,
                "name": part.name,
                "channel": part.channel + 1,
                "program": part.program,
                "notes": len(part.notes),
                "lowest": pitch_name(min(note.pitch for note in part.notes)),
                "highest": pitch_name(max(note.pitch for note in part.notes)),
                **_player_facts(left_out.get(number), playing),
            }
            for number, part in enumerate(phrase.parts, start=1)
        ],
        "findings": [
            {"severity": str(finding.severity), "what": finding.what, "advice": finding.advice}
            for finding in findings
        ],
    }
    return facts, findings


def _player_facts(left_out: str | None, playing: Iterator[Player]) -> dict[str, str | None]:
    """Return who plays a track, or why it is left out."""
    if left_out is not None:
        return {"player": None, "guessed_from": None, "left_out": left_out}
    player = next(playing)
    return {"player": player.name, "guessed_from": player.guessed_from, "left_out": None}


def _key_name(key: Key) -> str:
    if key.is_open:
        return "no key signature"
    tonic = FIFTHS[key.sharps + 7 + (3 if key.minor else 0)]
    return f"{tonic} minor" if key.minor else f"{tonic} major"
