"""The notice page: what the main score and its parts say where the insert will sound.

The bars that the insert replaces, tacet, in the song's own numbering, meters and keys.
"""

from retro.model.instruments import Clef
from retro.model.performance import Window
from retro.model.phrase import Phrase
from retro.model.time import printed_number
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


def to_do(window: Window) -> str:
    """Return what the players do; inside bars, the beats at which they fall silent and come in."""
    if window.is_whole_bars:
        return TO_DO
    start, end = window.start_words, window.end_words
    after = f"after {end}" if window.end_beat is None else f"at {end}"
    return TO_DO.replace("do not play", f"do not play from {start} on").replace(
        "come in after it", f"come in {after}"
    )


def notice_musicxml(target: Phrase, *, heading: Heading, window: Window) -> bytes:
    """Write the notice page.

    Parameters
    ----------
    target
        The phrase that the listener shall hear: the song's own bars and keys.
    window
        Where it lies in the song.
    """
    body = element("part", id="P1")
    bars = tuple(bar.under_its_own_meter() for bar in target.bars)
    for count, bar in enumerate(bars, start=1):
        measure = add(body, "measure", number=str(printed_number(bars, count)))
        if not bar.is_full:
            measure.set("implicit", "yes")
        if count == 1:
            measure.append(direction(element("words", tacet(heading)), above=True))
            measure.append(direction(element("words", to_do(window)), above=False))
        measure.append(bar_rest(bar))
    add_keys_and_meters(body, bars, [target.keys.at(b.start_beats) for b in bars])
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
    """Return what stands over the silent bars."""
    return f"tacet: see {heading.insert} (reversed)"
