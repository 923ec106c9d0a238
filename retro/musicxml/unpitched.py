"""Strokes without a pitch, as MusicXML shows them."""

from lxml import etree

from retro.musicxml.elements import element
from retro.notation.score import Spelled
from retro.notation.unpitched import CROSSED

HEAD_AFTER = ("type", "dot", "accidental", "time-modification", "stem")
"""Children of ``note`` that stand before ``notehead``."""


def take_pitches(measure: etree._Element) -> None:
    """Make the notes of a bar strokes without a pitch, in their places."""
    for note in measure.iterchildren("note"):
        pitch = note.find("pitch")
        if pitch is None:
            continue
        place = Spelled(
            step=pitch.findtext("step", ""), alter=0, octave=int(pitch.findtext("octave", "0"))
        )
        stroke = element("unpitched")
        stroke.append(element("display-step", place.step))
        stroke.append(element("display-octave", place.octave))
        note.replace(pitch, stroke)
        if place in CROSSED:
            last = [child for child in note if child.tag in HEAD_AFTER][-1]
            last.addnext(element("notehead", "x"))
