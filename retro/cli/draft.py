"""`retro draft`: a target to begin with, a chord that swells into a beat."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from retro.cli.tables import print_lines, tell
from retro.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from enum import StrEnum
    from typing import TypeVar

    from retro.drafting.draft import Draft
    from retro.drafting.harmony import OwnSong
    from retro.model.instruments import Player

    Choice = TypeVar("Choice", bound=StrEnum)


def draft(
    out: Annotated[Path, typer.Argument(help="MIDI file to write.")],
    players: Annotated[
        str,
        typer.Option(
            help="Who plays, with commas: 'Violins I, horn-in-f, Harp'; strings, woodwinds, brass, "
            "tutti: all of them in the song; a dynamic may follow: 'strings p, Horn in F ff'."
        ),
    ],
    pitches: Annotated[
        str | None, typer.Option(help="Sounding pitches: 'C4 E4 G4'; the lowest to the lowest.")
    ] = None,
    chord: Annotated[
        str | None, typer.Option(help="A chord by name instead: Dm7, Bbmaj7, Gm/Bb.")
    ] = None,
    like: Annotated[
        str | None,
        typer.Option(
            help="The chord that the song itself has there instead: 32, or 32.3 (beat 3)."
        ),
    ] = None,
    voicing: Annotated[
        str, typer.Option(help="How a chord is spaced: close, open, drop-2 or spread.")
    ] = "spread",
    length_beats: Annotated[str, typer.Option(help="Length in quarter notes: 8, 7/2.")] = "8",
    bar: Annotated[
        int | None,
        typer.Option(
            help="Bar on which the swell lands, as the song prints it; else as soon as it can."
        ),
    ] = None,
    beat: Annotated[str, typer.Option(help="Beat of that bar, in the meter's units.")] = "1",
    song: Annotated[
        Path | None,
        typer.Option(help="The song, MIDI or MusicXML, for its bars, meters, tempo and keys."),
    ] = None,
    meter: Annotated[str, typer.Option(help="Meter where there is no song.")] = "4/4",
    tempo: Annotated[
        float, typer.Option(help="Quarter notes a minute where there is no song.")
    ] = 92.0,
    curve: Annotated[
        str, typer.Option(help="How it rises: linear (in dB), exponential or s.")
    ] = "linear",
    range_db: Annotated[float, typer.Option(help="How far it rises, in dB.")] = 36.0,
    entry: Annotated[
        str,
        typer.Option(help="Who comes in when: together, low-to-high, high-to-low, run."),
    ] = "together",
    run_beats: Annotated[
        str, typer.Option(help="Length of the scale into the landing, for run.")
    ] = "1",
    velocity: Annotated[
        int, typer.Option(help="Velocity where no dynamic is said, 1 to 127.")
    ] = 100,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace older files of that name.")
    ] = False,
) -> None:
    """Write a target MIDI file: a chord that swells and stops on a beat.

    Where the file is longer than the swell, its bars are written into settings beside it, so that
    the other commands find them; so is the landing of drums and cymbals, on the swell's end.
    """
    from retro.drafting.bars import (
        bars_up_to,
        blank_song,
        first_bar_after,
        key_of,
        read_meter,
        soonest_bar,
        window_bars,
    )
    from retro.drafting.beside import write_draft
    from retro.drafting.casting import read_cast
    from retro.drafting.draft import Curve, Draft, Entry, draft_midi, refuse_out_of_range
    from retro.drafting.harmony import read_own_song
    from retro.model.time import locate
    from retro.read.window import beat_position

    loudness = int(_within(velocity, 1, 127, "velocity"))
    own = read_own_song(song) if song is not None else None
    cast = read_cast(players, velocity=loudness, company=own.players if own else ())
    everyone = cast.players
    length = _beats(length_beats, "length-beats")
    phrase = replace(own.phrase, parts=()) if own is not None else None
    hands = _hands(_Chosen(pitches, chord, like), voicing, everyone, own)
    refuse_out_of_range(everyone, hands)
    at_beat = _beats(beat, "beat")
    if phrase is None:
        plain = read_meter(meter)
        bar = soonest_bar(plain, length, at_beat) if bar is None else bar
        phrase = blank_song(
            bars=bars_up_to(bar, at_beat),
            meter=plain,
            quarters_per_minute=Fraction(_within(tempo, 10.0, 400.0, "tempo")),
            key=key_of(pitch for hand in hands for pitch in hand),
        )
    elif bar is None:
        bar = first_bar_after(phrase, length)
    wanted = Draft(
        players=everyone,
        pitches=hands,
        velocities=cast.velocities,
        length_beats=length,
        landing_beats=beat_position(phrase, bar, at_beat, is_end=True),
        curve=_choice(Curve, curve, "curve"),
        entry=_choice(Entry, entry, "entry"),
        range_db=_within(range_db, 0.0, 80.0, "range-db"),
        run_beats=_beats(run_beats, "run-beats"),
    )
    write_draft(
        out,
        draft_midi(wanted, phrase),
        bars=window_bars(phrase, wanted.start_beats, wanted.landing_beats),
        drums=[player.name for player in everyone if player.instrument.is_unpitched],
        overwrite=overwrite,
        inputs=() if song is None else (song,),
    )
    counted = locate(phrase.bars, wanted.landing_beats).bar
    in_file = f", which is bar {counted} of the draft" if counted != bar else ""
    _tell(out, wanted, f"lands on bar {bar} beat {beat}{in_file}")


class _Chosen(NamedTuple):
    """What is held: one of these."""

    pitches: str | None
    chord: str | None
    like: str | None


def _hands(
    chosen: _Chosen, voicing: str, players: "Sequence[Player]", own: "OwnSong | None"
) -> tuple[tuple[int, ...], ...]:
    from retro.drafting.harmony import chord_at
    from retro.drafting.voicing import Voicing, dealt, read_chord, read_pitches, voiced
    from retro.read.window import place_beats

    if sum(text is not None for text in chosen) != 1:
        raise SettingsError(
            "want one of pitches, a chord and a place of the song",
            where="flags",
            advice="give --pitches, --chord or --like",
        )
    instruments = [player.instrument for player in players]
    if chosen.pitches is not None:
        return dealt(read_pitches(chosen.pitches), instruments)
    if chosen.chord is not None:
        tones = read_chord(chosen.chord)
    elif own is not None:
        tones = chord_at(own, place_beats(own.phrase, chosen.like or ""))
    else:
        raise SettingsError("--like speaks of a song", advice="give --song")
    return voiced(tones, _choice(Voicing, voicing, "voicing"), instruments)


def _tell(out: Path, draft: "Draft", lands: str) -> None:
    from retro.units import pitch_name

    for player, hand in zip(draft.players, draft.pitches, strict=True):
        print_lines([f"{player.name}: {' '.join(map(pitch_name, hand))}"])
    tell(f"{lands}; hear it: retro build {out} --out pack")


def _beats(text: str, where: str) -> Fraction:
    from retro.read.settings import MAX_SWELL_BEATS
    from retro.read.written_numbers import fraction_of

    beats = fraction_of(text)
    if beats is None:
        raise SettingsError(f"{text!r} is no number such as 8 or 7/2", where=where)
    if not 0 < beats <= MAX_SWELL_BEATS:
        raise SettingsError(f"{text} is not between 0 and {MAX_SWELL_BEATS}", where=where)
    return beats


def _within(value: float, low: float, high: float, where: str) -> float:
    if not low <= value <= high:
        raise SettingsError(f"{value:g} is not from {low:g} to {high:g}", where=where)
    return value


def _choice(kind: "type[Choice]", text: str, where: str) -> "Choice":
    try:
        return kind(text.strip().lower())
    except ValueError:
        known = ", ".join(member.value for member in kind)
        raise SettingsError(f"{text!r} is none of {known}", where=where) from None
