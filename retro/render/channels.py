"""Deals parts out to MIDI channels and files, so that no channel plays two sounds.

A file has 15 melodic channels and one of percussion. What does not fit goes to a further file of
the same time, whose bounce is added to the first. A port (meta event 21, hexadecimal) would keep it
in one file, but common players do not heed it: of two sounds on one channel of two ports,
fluidsynth 2.3 plays both with the last program that was set.
"""

from collections.abc import Sequence
from dataclasses import replace

from retro.model.phrase import MELODIC_CHANNELS, PERCUSSION_CHANNEL, Part


def dealt_to_files(parts: Sequence[Part]) -> list[tuple[Part, ...]]:
    """Return the parts of each file, in their order; at least one file.

    A part keeps its channel where nobody before it has it. Drum tracks share a channel where they
    set it up alike: they are pieces of one kit.
    """
    files: list[dict[int, Part]] = [{}]
    places: dict[int, tuple[int, int]] = {}
    for index, part in enumerate(parts):
        if _may_have(files[0], part.channel, part):
            files[0].setdefault(part.channel, part)
            places[index] = (0, part.channel)
    for index, part in enumerate(parts):
        if index not in places:
            places[index] = _free_place(files, part)
    return [
        tuple(
            replace(part, channel=places[index][1])
            for index, part in enumerate(parts)
            if places[index][0] == number
        )
        for number in range(len(files))
    ]


def _free_place(files: list[dict[int, Part]], part: Part) -> tuple[int, int]:
    """Take the first channel that a part may have, in a further file where there is none."""
    is_kit = part.channel == PERCUSSION_CHANNEL
    channels = (PERCUSSION_CHANNEL,) if is_kit else MELODIC_CHANNELS
    for number, taken in enumerate(files):
        for channel in channels:
            if _may_have(taken, channel, part):
                taken.setdefault(channel, part)
                return number, channel
    files.append({channels[0]: part})
    return len(files) - 1, channels[0]


def _may_have(taken: dict[int, Part], channel: int, part: Part) -> bool:
    other = taken.get(channel)
    return other is None or (channel == PERCUSSION_CHANNEL and _setup(other) == _setup(part))


def _setup(part: Part) -> tuple[object, ...]:
    return part.program, part.controllers, part.bend, part.bend_range_semitones
