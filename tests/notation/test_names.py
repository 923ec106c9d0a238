"""What players are called on the page: with their key, and for short in no doubt."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.model.instruments import Player
from retro.model.orchestra import by_id
from retro.notation.lines import write_parts
from retro.notation.names import page_name, short_name, told_apart
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import PLAIN


@pytest.mark.parametrize(
    ("name", "id_", "printed"),
    [
        # Names and keys as in any textbook of instrumentation.
        ("Bass Clarinet", "bass-clarinet", "Bass Clarinet in B♭"),
        ("Bass Clarinet 2", "bass-clarinet", "Bass Clarinet in B♭ 2"),
        ("Clarinet in B flat 1.2", "clarinet-in-b-flat", "Clarinet in B♭ 1.2"),
        ("Clarinet in E flat", "clarinet-in-e-flat", "Clarinet in E♭"),
        ("Alto Flute", "alto-flute", "Alto Flute in G"),
        ("English Horn", "english-horn", "English Horn in F"),
        ("Oboe d'amore", "oboe-d-amore", "Oboe d'amore in A"),
        ("Baritone Saxophone", "baritone-saxophone", "Baritone Saxophone in E♭"),
        ("Horn in F 1", "horn-in-f", "Horn in F 1"),
        ("Trumpet in C", "trumpet-in-c", "Trumpet in C"),
        ("Piccolo", "piccolo", "Piccolo"),
        ("Double Bass", "double-basses", "Double Bass"),
        ("Reed 2", "bass-clarinet", "Reed in B♭ 2"),
        ("Clarinet in the gallery", "clarinet-in-a", "Clarinet in A in the gallery"),
        ("Κόρνο σε Φα", "horn-in-f", "Κόρνο σε Φα"),
        ("Trompette en ut", "trumpet-in-c", "Trompette en ut"),
        ("Clarinette en si bémol 2", "clarinet-in-b-flat", "Clarinette en si bémol 2"),
        ("Klarinette in Es", "clarinet-in-e-flat", "Klarinette in Es"),
        ("Кларнет in си-бемоль", "clarinet-in-b-flat", "Кларнет in си-бемоль"),
        ("Clarinet in a hall", "clarinet-in-a", "Clarinet in A in a hall"),
        ("クラリネット", "clarinet-in-b-flat", "クラリネット in B♭"),
    ],
)  # fmt: skip
def test_who_reads_another_pitch_than_sounds_has_the_key_in_the_name(
    name: str, id_: str, printed: str
) -> None:
    assert page_name(name, by_id(id_)) == printed
    assert page_name(printed, by_id(id_)) == printed


def test_a_short_name_is_the_instruments_with_what_the_name_says_beyond_it() -> None:
    assert short_name("Violin II", by_id("violins")) == "Vln. II"
    assert short_name("Harmonium of the Quay", by_id("neutral")) == "Harm. of the Quay"
    assert short_name("Violins I (3 desks)", by_id("violins")) == "Vln. I (3 desks)"
    assert short_name("Flutes", by_id("flute")) == "Fl."
    assert short_name("Violinist", by_id("violins")) == "Viol."
    assert short_name("Shore", by_id("violins")) == "Shore"
    assert short_name("ヴァイオリン", by_id("violins")) == "ヴァイオリン"


def test_equal_short_names_grow_until_they_differ() -> None:
    names = ("Harmony high", "Harmonium high", "Violin", "Viola")
    assert told_apart(names, ("Harm.", "Harm.", "Vln.", "Vla.")) == (
        "Harmony high",
        "Harmon. high",
        "Vln.",
        "Vla.",
    )


@given(st.lists(st.tuples(st.text("ab X1ヴ", min_size=1), st.text("ab.", max_size=2)), max_size=8))
def test_short_names_differ_where_the_names_do(pairs: list[tuple[str, str]]) -> None:
    named = {name: short for name, short in pairs if name == name.strip()}
    assert len(set(told_apart(list(named), list(named.values())))) == len(named)


def test_unknown_players_are_told_apart_in_the_score() -> None:
    names = ("Lead A", "Lead B", "Player 3", "Sustained Harmonica", "Sustained Harmony")
    parts = (make_part(make_note(0, 4, 60 + k), name=name) for k, name in enumerate(names))
    players = tuple(Player(name=name, instrument=by_id("neutral")) for name in names)
    written = write_parts(perform(make_phrase(*parts), players, PLAIN))
    assert [part.abbreviation for part in written] == (
        ["Lead A", "Lead B", "Pl. 3", "Sustain. Harmon.", "Sustain. Harmony"]
    )


def test_two_sections_of_horns_deal_no_number_twice() -> None:
    three = make_part(*(make_note(0, 4, pitch) for pitch in (53, 57, 60)), name="Horn 1.2")
    one = make_part(*(make_note(0, 4, pitch) for pitch in (65, 69)), name="Horn 3.4")
    players = tuple(
        Player(name=f"Horn in F {tail}", instrument=by_id("horn-in-f"), numbers=numbers)
        for tail, numbers in (("1.2", (1, 2)), ("3.4", (3, 4)))
    )
    performance = perform(make_phrase(three, one), players, PLAIN)
    names = [part.name for part in write_parts(performance)]
    assert sorted(names) == [f"Horn in F {number}" for number in (1, 2, 3, 4, 5)]
