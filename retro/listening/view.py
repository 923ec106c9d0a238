"""What the page shows of a plan: settings as they stand, numbers, picture and findings."""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from retro.drafting.stretch import swell_span
from retro.listening.sound import SONG_AFTER_S, SONG_BEFORE_S
from retro.listening.tracks import Track, tracks_of
from retro.model.performance import Finding, Performance, PlayedNote
from retro.model.settings import Settings
from retro.model.time import Place, beat_words, printed_number, printed_place, pulses
from retro.placement.anchor import landings_of
from retro.placement.compare import played_errors, written_errors
from retro.placement.place import SAME_BEAT
from retro.plan.compose import Plan
from retro.read.settings import MAX_SWELL_BEATS
from retro.render.picture import picture_span, picture_svg
from retro.sheet.look import without_style
from retro.units import rounded_to_ns

View = dict[str, Any]
"""Made of what JSON has."""


def plan_view(plan: Plan) -> View:
    """Return what the page shows as soon as something moves."""
    performance, placement = plan.performance, plan.placement
    settings = performance.settings
    span_s, span_px = picture_span(performance)
    landings = _landings(plan)
    own = placement.timecodes[placement.frame_rate]
    return {
        "title": performance.target.title or "Untitled",
        "heading": f"{plan.heading}: {plan.window.bar_words} of the song, tried by ear"
        f"{_by_what(settings)}.",
        "settings": {
            "reverberation_s": settings.room.reverberation_s,
            "direct_to_reverberant_db": settings.room.direct_to_reverberant_db,
            "onset_db": settings.onset_db,
            "audible_db": settings.audible_db,
        },
        "swell": _swell_view(plan),
        "landings": [{"place": _lands_on(place), "words": _words(place)} for place in landings],
        "anchor": _anchor_view(plan, landings),
        "tracks": [
            _track_view(track, performance) for track in tracks_of(plan.song.phrase, settings)
        ],
        "figures": {
            "clip_start_samples": placement.clip_start_samples,
            "clip_start": f"{own.timecode or 'no timecode'} at {placement.frame_rate}, "
            f"{placement.rate} Hz",
            "tail_kept_samples": placement.tail_kept_samples,
            "shift_samples": placement.shift_samples,
            "roll_s": float(placement.roll_s),
            "spread_ms": placement.spread_ms,
            "swell_s": max(-placement.audible_from_s, 0.0),
        },
        "picture": without_style(picture_svg(performance)),
        "picture_span": {"s": span_s, "px": span_px},
        "findings": [_finding_view(each, settings.letter) for each in plan.findings],
        "length_s": float(plan.window.length_s),
        "rate": settings.rate,
        "beats": list(_beats(plan)),
    }


def _by_what(settings: Settings) -> str:
    return "" if settings.soundfont is None else f", played by {Path(settings.soundfont).name}"


def plain_view(plan: Plan, plain: Performance) -> View:
    """Return how far off the plain reversal lands, which takes as long as a plan."""
    tracks = tracks_of(plan.song.phrase, plan.performance.settings)
    return {
        "plain_ms": {
            track.match: played_errors(_notes_of(track, plain)).mean_landing_ms for track in tracks
        }
    }


def _swell_view(plan: Plan) -> View | None:
    """Return how long a drafted swell is, and may be; None where the target is no such draft."""
    span = swell_span(plan.song.phrase)
    if span is None:
        return None
    longest = min(span.landing_beats, Fraction(MAX_SWELL_BEATS))
    return {"beats": float(span.length_beats), "longest_beats": float(longest)}


def _anchor_view(plan: Plan, landings: Sequence[Place]) -> View | None:
    anchor = plan.placement.anchor
    if anchor is None:
        return None
    own = Place(anchor.bar, anchor.beat)
    listed = next((place for place in landings if _is_one(place, own)), own)
    return {
        "at_s": anchor.at_s,
        "place": _lands_on(listed),
        "words": _words(own),
        "players": list(anchor.players),
        "apart_ms": anchor.apart_ms,
    }


def _landings(plan: Plan) -> list[Place]:
    """Return the places that `lands_on` can tell apart, in time."""
    song = plan.song.phrase
    places: list[Place] = []
    for wanted_s in sorted({landing.wanted_s for landing in landings_of(plan.performance)}):
        beats = song.tempo.beats_at(plan.window.start_s + Fraction(wanted_s))
        place = printed_place(song.bars, beats)
        if not any(_is_one(other, place) for other in places):
            places.append(place)
    return places


def _is_one(place: Place, other: Place) -> bool:
    return place.bar == other.bar and abs(place.beat - other.beat) <= SAME_BEAT


def _lands_on(place: Place) -> str:
    return f"{place.bar}.{beat_words(place.beat)}"


def _words(place: Place) -> str:
    return f"bar {place.bar} beat {beat_words(place.beat)}"


def _track_view(track: Track, performance: Performance) -> View:
    notes = _notes_of(track, performance)
    return {
        "match": track.match,
        "name": track.name,
        "players": list(track.players),
        "landing": None if track.landing is None else track.landing.value,
        "played_ms": played_errors(notes).mean_landing_ms,
        "written_ms": written_errors(notes, 0.0).mean_landing_ms,
    }


def _notes_of(track: Track, performance: Performance) -> list[PlayedNote]:
    players = performance.players
    return [note for note in performance.notes if players[note.part].name in track.players]


def _finding_view(finding: Finding, letter: str) -> View:
    where = [finding.player or "all"]
    if finding.bar is not None:
        where.append(f"{letter}{finding.bar}")
    beat = "" if finding.beat is None else f" beat {beat_words(finding.beat)}"
    return {
        "severity": finding.severity.value,
        "where": ", ".join(where) + beat,
        "what": finding.what,
        "advice": finding.advice,
    }


def _beats(plan: Plan) -> Iterator[View]:
    """Yield the song's beats around the window, in window time."""
    song = plan.song.phrase
    for at, place in pulses(song.bars):
        at_s = float(song.tempo.seconds_at(at) - plan.window.start_s)
        if -SONG_BEFORE_S <= at_s <= float(plan.window.length_s) + SONG_AFTER_S:
            yield {
                "at_s": rounded_to_ns(at_s),
                "bar": printed_number(song.bars, place.bar),
                "beat": float(place.beat),
            }
