"""Instruments without a pitch: where their strokes stand on a percussion stave.

One instrument stands on the middle line. A part of several is read by the keys of General MIDI's
percussion map, whose names say which of them a key is; where each stands is common practice: drums
from the lowest space upwards as they sound, cymbals with crosses above.
"""

from retro.model.instruments import Instrument
from retro.notation.score import Spelled

MIDDLE_LINE = Spelled(step="B", alter=0, octave=4)
SEVERAL = "percussion"
"""The instrument that stands for several."""

_PLACES = {
    "F4": (35, 36),  # bass drums
    "A4": (41, 43),  # floor toms
    "C5": (37, 38, 39, 40),  # side stick, snares, hand clap
    "D5": (45, 47),  # low and low-mid toms
    "E5": (48, 50),  # high-mid and high toms
    "D4": (44,),  # hi-hat with the foot
    "F5": (51, 53, 59),  # ride cymbals
    "G5": (42, 46),  # hi-hat
    "A5": (49, 52, 55, 57),  # crash, splash and Chinese cymbals
}
"""Keys of General MIDI's percussion map by their place, named as in the treble clef."""

_SPELLED = {
    key: Spelled(step=place[0], alter=0, octave=int(place[1:]))
    for place, keys in _PLACES.items()
    for key in keys
}
CROSSED = {_SPELLED[key] for key in (44, 51, 42, 49)}
"""Places of cymbals, whose heads are crosses (common practice)."""


def place_of(instrument: Instrument, key: int) -> Spelled:
    """Give where a stroke stands, named as in the treble clef."""
    if instrument.id != SEVERAL:
        return MIDDLE_LINE
    return _SPELLED.get(key, MIDDLE_LINE)
