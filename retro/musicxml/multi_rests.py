"""Runs of empty bars of a part become multi-bar rests."""

from collections.abc import Sequence

from lxml import etree

from retro.musicxml.elements import add, add_attribute, element


def gather_rests(body: etree._Element, count_in: int) -> None:
    """Gather runs of empty bars of the insert into multi-bar rests."""
    run: list[etree._Element] = []
    for measure in list(body)[count_in:]:
        if run and _is_empty(measure) and _is_bare(measure):
            run.append(measure)
            continue
        _mark_run(run)
        run = [measure] if _is_empty(measure) else []
    _mark_run(run)


def _mark_run(run: Sequence[etree._Element]) -> None:
    if len(run) > 1:
        style = element("measure-style")
        add(style, "multiple-rest", len(run))
        add_attribute(run[0], style)


def _is_empty(measure: etree._Element) -> bool:
    return all(note.find("rest[@measure]") is not None for note in measure.iterchildren("note"))


def _is_bare(measure: etree._Element) -> bool:
    return measure.find("direction") is None and measure.find("attributes") is None
