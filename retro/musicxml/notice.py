"""The notice page: what the main score and its parts say where the insert will sound.

The bars that the insert replaces, tacet, in the song's own numbering, meters and keys.
"""

from retro.model.instruments import Clef
from retro.model.phrase import Phrase
from retro.musicxml.elements import (
    DIVISIONS,
    add,
    add_attribute,
    add_bar_line,
    add_keys_and_meters,
    bar_rest,
    clef_sign,
    direction,
    document,
    element,
    score_part,
)
from retro.musicxml.heading import Heading

TO_DO = "do not play: the insert sounds here, backwards; stay silent, count on, come in after it"


def notice_musicxml(target: Phrase, *, heading: Heading) -> bytes:
    """Write the notice page.

    Parameters
    ----------
    target
        The phrase that the listener shall hear: the song's own bars and keys.
    """
    body = element("part", id="P1")
    for number, bar in enumerate(target.bars, start=heading.first_bar):
        measure = add(body, "measure", number=str(number))
        if not bar.is_full:
            measure.set("implicit", "yes")
        if number == heading.first_bar:
            measure.append(direction(element("words", tacet(heading)), above=True))
            measure.append(direction(element("words", TO_DO), above=False))
        measure.append(bar_rest(bar))
    add_keys_and_meters(body, target.bars, [target.keys.at(b.start_beats) for b in target.bars])
    add_attribute(body[0], element("divisions", DIVISIONS))
    add_attribute(body[0], clef_sign(Clef.TREBLE, None))
    add_bar_line(body[-1], "light-light")
    return document(
        song=heading.song,
        title=f"{heading.title}: notice",
        credits_=(
            ("title", heading.song or heading.insert),
            ("subtitle", f"{heading.bars}: {tacet(heading)}"),
        ),
        part_list=[score_part("P1", "All players", "")],
        bodies=[body],
    )


def tacet(heading: Heading) -> str:
    """Give what stands over the silent bars."""
    return f"tacet: see {heading.insert} (reversed)"
