import random
from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.phrase import EXPRESSION, MODULATION, VOLUME, Note, Part, Phrase
from retro.model.time import Steps
from retro.notation.dynamics import LEVELS, is_accented
from retro.notation.lines import write_parts
from retro.notation.score import WrittenPart
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.stands import played_by

LENGTH = Fraction(16)


def insert_line(*velocities: int, step: int = 1) -> list[Note]:
    """Return notes whose velocities are in the order of the insert, over 16 beats."""
    return [
        make_note(LENGTH - step * (i + 1), LENGTH - step * i, 60 + i % 5, velocity)
        for i, velocity in enumerate(velocities)
    ]


def written(part: Part, id_: str = "flute") -> WrittenPart:
    phrase: Phrase = make_phrase(part, bars=4)
    (stand,) = write_parts(played_by(phrase, id_))
    return stand


def with_curve(part: Part, controller: int, insert_values: list[int]) -> Part:
    """Spread values evenly over the insert as a controller's curve."""
    step = LENGTH / len(insert_values)
    changes = [(i * step, value) for i, value in enumerate(insert_values)]
    steps = Steps.from_changes(changes, length=LENGTH, before=insert_values[0]).mirrored()
    return replace(part, controllers=((controller, steps),))


def texts(stand: WrittenPart) -> list[tuple[Fraction, str]]:
    return [(level.at_beats, level.text) for level in stand.levels]


@pytest.mark.parametrize(
    ("velocity", "text"),
    [(16, "ppp"), (33, "pp"), (49, "p"), (64, "mp"), (80, "mf"), (96, "f"), (112, "ff"),
     (127, "fff"), (1, "ppp")],
)  # fmt: skip
def test_a_steady_line_has_one_level(velocity: int, text: str) -> None:
    # Common practice: the eight levels 16 velocities apart, mf at 80.
    stand = written(make_part(*insert_line(*[velocity] * 16)))
    assert texts(stand) == [(0, text)]
    assert stand.hairpins == ()


@pytest.mark.parametrize("seed", range(20))
def test_a_hand_that_wavers_gets_no_dynamic_on_each_note(seed: int) -> None:
    chance = random.Random(seed)
    velocities = [round(chance.gauss(80 + 8 * (i % 2 == 0), 6)) for i in range(16)]
    stand = written(make_part(*insert_line(*velocities)))
    assert len(stand.levels) == 1
    assert stand.hairpins == ()


def test_a_rising_line_is_one_hairpin_with_a_level_at_each_end() -> None:
    stand = written(make_part(*insert_line(*range(40, 120, 5))))
    assert texts(stand) == [(0, "p"), (15, "ff")]
    (pin,) = stand.hairpins
    assert (pin.start_beats, pin.end_beats, pin.crescendo) == (0, 15, True)


def test_a_crescendo_of_the_target_is_a_diminuendo_of_the_insert() -> None:
    target = [make_note(i, i + 1, 60 + i % 5, 40 + 5 * i) for i in range(16)]
    (pin,) = written(make_part(*target)).hairpins
    assert not pin.crescendo


def test_a_sudden_change_is_a_level_and_no_hairpin() -> None:
    stand = written(make_part(*insert_line(*[48] * 8, *[112] * 8)))
    assert texts(stand) == [(0, "p"), (8, "ff")]
    assert stand.hairpins == ()


def test_one_loud_note_is_no_new_level() -> None:
    velocities = [70] * 16
    velocities[6] = 120
    stand = written(make_part(*insert_line(*velocities)))
    assert len(stand.levels) == 1


@pytest.mark.parametrize("controller", [EXPRESSION, MODULATION, VOLUME])
def test_a_swell_inside_one_long_note_is_a_hairpin(controller: int) -> None:
    part = make_part(make_note(0, 16, 60, 110))
    stand = written(with_curve(part, controller, [*range(20, 126, 2)]))
    (pin,) = stand.hairpins
    assert pin.crescendo
    assert (pin.start_beats, pin.end_beats) == (0, LENGTH - Fraction(1, 4))
    assert len(stand.levels) == 2
    assert stand.levels[-1].text in ("f", "ff", "fff")


def test_a_change_over_six_bars_is_said_in_words_with_the_levels_on_the_way() -> None:
    for bars, is_said in ((8, True), (4, False)):
        length = Fraction(4 * bars)
        curve = Steps(
            length,
            tuple(Fraction(k) for k in range(4 * bars)),
            tuple(round(20 + 100 * k / (4 * bars - 1)) for k in range(4 * bars)),
        )
        part = replace(make_part(make_note(0, length, 60, 127)), controllers=((EXPRESSION, curve),))
        (stand,) = write_parts(played_by(make_phrase(part, bars=bars), "violins"))
        (pin,) = stand.hairpins
        assert pin.text == ("dim. poco a poco" if is_said else "")
        levels = texts(stand)
        between = levels[1:-1]
        assert bool(between) is is_said
        assert all(at % 4 == 0 for at, _ in between)
        order = [LEVELS.index(text) for _, text in levels]
        assert order == sorted(order, reverse=True)
        assert len(set(order)) == len(order)


def test_a_swell_and_its_fall_are_two_hairpins() -> None:
    part = make_part(make_note(0, 16, 60, 110))
    curve = [*range(20, 124, 4), *range(124, 20, -4)]
    stand = written(with_curve(part, EXPRESSION, curve))
    assert [pin.crescendo for pin in stand.hairpins] == [True, False]
    assert stand.hairpins[0].end_beats == pytest.approx(8, abs=0.5)
    assert len(stand.levels) == 3


def test_a_bent_swell_is_one_hairpin() -> None:
    part = make_part(make_note(0, 16, 60, 120))
    curve = [round(20 + 107 * (i / 60) ** 3) for i in range(61)]
    stand = written(with_curve(part, EXPRESSION, curve))
    assert [pin.crescendo for pin in stand.hairpins] == [True]


def test_a_struck_tone_has_no_hairpin() -> None:
    part = make_part(make_note(0, 16, 60, 110))
    stand = written(with_curve(part, EXPRESSION, [*range(20, 126, 2)]), "vibraphone")
    assert stand.hairpins == ()
    assert len(stand.levels) == 1


def test_volume_is_the_mix_where_it_stands_still() -> None:
    part = with_curve(make_part(*insert_line(*[80] * 16)), VOLUME, [50])
    assert texts(written(part)) == [(0, "mf")]


def test_a_line_after_a_rest_says_its_level_only_if_it_differs() -> None:
    def after_rest(velocity: int) -> list[tuple[Fraction, str]]:
        notes = insert_line(*[64] * 4, *[1] * 8, *[velocity] * 4)
        return texts(written(make_part(*(n for n in notes if n.velocity > 1))))

    assert after_rest(66) == [(0, "mp")]
    assert after_rest(100) == [(0, "mp"), (12, "f")]


def test_an_accent_stands_out_from_both_sides() -> None:
    assert is_accented([80, 80, 105, 80, 80], 2)
    assert not is_accented([80, 80, 95, 80, 80], 2)
    assert not is_accented([60, 80, 100, 120], 2)
    assert not is_accented([120, 80, 80], 0)


def test_a_line_that_rises_by_little_more_than_a_level_has_a_hairpin() -> None:
    # Levels are 16 velocities apart; this one rises by 24.
    velocities = [72 + 24 * i // 15 for i in range(16)]
    (pin,) = written(make_part(*insert_line(*velocities))).hairpins
    assert pin.crescendo


def test_a_line_that_rises_by_less_than_a_level_has_none() -> None:
    velocities = [74 + 12 * i // 15 for i in range(16)]
    assert written(make_part(*insert_line(*velocities))).hairpins == ()


@pytest.mark.parametrize("velocity", [48, 80, 127])
def test_a_swell_of_soft_expression_is_a_hairpin(velocity: int) -> None:
    note = make_part(make_note(0, 16, velocity=velocity))
    stand = written(with_curve(note, EXPRESSION, [20, 22, 24, 26, 28, 30, 33, 35]))
    (hairpin,) = stand.hairpins
    assert hairpin.crescendo
    assert texts(stand)[0] == (0, "ppp")


def test_a_controller_that_is_reset_before_the_target_note_says_nothing_of_its_end() -> None:
    # Sequencers set expression back to 127 behind each phrase (MIDI RP-015's resting value).
    rise = [(4 + Fraction(k, 2), 30 + 6 * k) for k in range(16)]
    curve = Steps.from_changes([*rise, (Fraction(12), 127)], length=LENGTH, before=127)
    part = replace(make_part(make_note(4, 12, 60, 100)), controllers=((EXPRESSION, curve),))
    stand = written(part)
    (pin,) = stand.hairpins
    assert not pin.crescendo
    assert [at for at, _ in texts(stand)] == [pin.start_beats, pin.end_beats]


def test_swells_and_falls_of_two_beats_are_hairpins_that_meet() -> None:
    wheel = [*range(40, 90, 5), *range(90, 40, -5)] * 4
    notes = [make_note(2 * k, 2 * k + 2, 60 + k % 3, 80) for k in range(8)]
    stand = written(with_curve(make_part(*notes), MODULATION, wheel))
    assert [pin.crescendo for pin in stand.hairpins] == [True, False] * 4
    assert [pin.start_beats for pin in stand.hairpins] == [2 * k for k in range(8)]
    assert {text for _, text in texts(stand)} == {"p", "f"}  # 40 and 90 on the scale above
