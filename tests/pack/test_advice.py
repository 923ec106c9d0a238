"""The lines of playing advice over a score say whom each is for."""

from retro.notation.words import AFTERWARDS
from retro.pack.copyist import advice_lines


def test_one_line_for_everybody_names_nobody() -> None:
    line = f"hold full value, release together on the click; {AFTERWARDS}"
    assert advice_lines({line: ["Vln. I", "Vc."]}) == (line,)
    assert advice_lines({}) == ()


def test_lines_that_differ_name_their_players_and_the_most_come_last() -> None:
    held = f"hold full value, cut exactly where written; {AFTERWARDS}"
    struck = f"strike together on the click; {AFTERWARDS}"
    said = advice_lines({held: ["Fl.", "Hn. 1", "Vc."], struck: ["Hp.", "Cel."]})
    assert said == (
        "Hp., Cel.: strike together on the click",
        "all others: hold full value, cut exactly where written",
        f"all: {AFTERWARDS}",
    )


def test_what_some_or_all_are_told_beside_is_no_advice_for_the_others() -> None:
    held = f"hold full value, cut exactly where written; {AFTERWARDS}"
    bows, legend = "change bow freely, unheard", "from below: bass drum, snare drum"
    assert advice_lines({held: ["Vc."], bows: ["Vc."]}) == (held, bows)
    struck = f"strike exactly where written; {AFTERWARDS}"
    said = advice_lines({held: ["Fl.", "Vc."], bows: ["Vc."], struck: ["Perc."], legend: ["Perc."]})
    assert said == (
        "Perc.: strike exactly where written",
        "all others: hold full value, cut exactly where written",
        f"all: {AFTERWARDS}",
        "Vc.: change bow freely, unheard",
        "Perc.: from below: bass drum, snare drum",
    )


def test_a_legend_that_goes_on_names_its_player_once() -> None:
    legend = ("from below: bass drum,", "then crash cymbal (cross)")
    words = {f"strike exactly where written; {AFTERWARDS}": ["Timp.", "Perc."]}
    words |= {line: ["Perc."] for line in legend}
    assert advice_lines(words)[-2:] == (f"Perc.: {legend[0]}", legend[1])
