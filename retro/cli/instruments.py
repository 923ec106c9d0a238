"""`retro instruments`: the known players and the figures that retro reckons with."""

import json
from typing import TYPE_CHECKING, Annotated

import typer

from retro.cli.options import AsJson
from retro.cli.tables import print_json, print_lines, print_table

if TYPE_CHECKING:
    from retro.model.instruments import Instrument

Figures = dict[str, object]

_HEAD = ("id", "name", "written", "sounds", "attack ms", "decay s", "breath s")


def instruments(
    name: Annotated[
        str | None,
        typer.Argument(help="An id, or a name as tracks have it in five languages: 'Cor anglais'."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the known players and their figures: ranges, attack, decay, breath."""
    from retro.model.orchestra import INSTRUMENTS
    from retro.read.guess import instrument_called

    chosen = INSTRUMENTS if name is None else (instrument_called(name),)
    figures = [_figures(instrument) for instrument in chosen]
    if as_json:
        print_json(json.dumps(figures if name is None else figures[0], indent=2))
    elif name is not None:
        print_table(
            [(what, _said(value)) for what, value in figures[0].items() if what != "sources"]
        )
        print_table([("figure", "mark", "range", "source"), *_source_rows(chosen[0])])
    else:
        print_table([_HEAD, *(_row(instrument) for instrument in chosen)], right=(4, 5, 6))
        print_lines(
            [
                "Every figure is a default, most of them from memory; settings replace them.",
                "retro instruments ID tells where each figure comes from, and its range.",
            ]
        )


def _figures(instrument: "Instrument") -> Figures:
    from retro.model.instruments import LOUD_VELOCITY, SOFT_VELOCITY
    from retro.units import pitch_name, rounded_to_ns, rounded_to_us, seconds_to_ms

    low, high = instrument.low, instrument.high
    shift = instrument.transposition.semitones
    attack = {
        f"{loudness} {height}": seconds_to_ms(instrument.attack_s(pitch, velocity))
        for loudness, velocity in (("loud", LOUD_VELOCITY), ("soft", SOFT_VELOCITY))
        for height, pitch in (("high", high), ("low", low))
    }
    return {
        "id": instrument.id,
        "name": instrument.name,
        "abbreviation": instrument.abbreviation,
        "family": instrument.family.value,
        "sound": instrument.sound.value,
        "written_range": [pitch_name(low - shift), pitch_name(high - shift)],
        "sounding_range": [pitch_name(low), pitch_name(high)],
        "sounding_pitches": [low, high],
        "transposition_semitones": shift,
        "clefs": [clef.value for clef in instrument.clefs],
        "staves": instrument.staves,
        "attack_ms": {what: rounded_to_us(ms) for what, ms in attack.items()},
        "sampler_attack_ms": {
            what: rounded_to_us(seconds_to_ms(instrument.sampler_attack_s(pitch)))
            for what, pitch in (("high", high), ("low", low))
        },
        "decay_s": {
            "high": rounded_to_ns(instrument.decay_s(high)),
            "low": rounded_to_ns(instrument.decay_s(low)),
        },
        "sampler_decay_s": {
            "high": rounded_to_ns(instrument.sampler_decay_s(high, None)),
            "low": rounded_to_ns(instrument.sampler_decay_s(low, None)),
        },
        "damper_s": instrument.damper_s,
        "breath_s": instrument.breath_s,
        "programs_0_to_127": list(instrument.programs),
        "sources": {
            figure: {"mark": source.mark, "source": source.source, "range": source.range}
            for figure, source in instrument.sources
        },
    }


def _source_rows(instrument: "Instrument") -> list[tuple[str, ...]]:
    return [(what, source.mark, source.range, source.source) for what, source in instrument.sources]


def _row(instrument: "Instrument") -> tuple[str, ...]:
    from retro.units import pitch_name, seconds_to_ms

    shift = instrument.transposition.semitones
    low, high = instrument.low, instrument.high
    attack = instrument.attack
    attacks_s = (attack.loud_high_s, attack.loud_low_s, attack.soft_high_s, attack.soft_low_s)
    decays_s = (instrument.decay_s(high), instrument.decay_s(low))
    return (
        instrument.id,
        instrument.name,
        f"{pitch_name(low - shift)}-{pitch_name(high - shift)}",
        f"{pitch_name(low)}-{pitch_name(high)}",
        f"{seconds_to_ms(min(attacks_s)):.0f}-{seconds_to_ms(max(attacks_s)):.0f}",
        f"{min(decays_s):.2g}-{max(decays_s):.2g}",
        "-" if instrument.breath_s is None else f"{instrument.breath_s:g}",
    )


def _said(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{what} {figure:g}" for what, figure in value.items())
    if isinstance(value, list):
        return ", ".join(str(each) for each in value) or "-"
    return "-" if value is None else str(value)
