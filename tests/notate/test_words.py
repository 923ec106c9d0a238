from fractions import Fraction

from retro.model.time import Steps, TempoMap
from retro.notate.words import gradual_tempos

EIGHT = Fraction(8)


def tempo(*changes: tuple[object, int], before: int = 500_000) -> TempoMap:
    return TempoMap(
        Steps.from_changes([(Fraction(at), us) for at, us in changes], length=EIGHT, before=before)
    )


def test_an_accelerando_is_a_ritardando_when_mirrored() -> None:
    faster = tempo(*((4 + Fraction(i, 2), 500_000 - 20_000 * i) for i in range(1, 8)))
    assert [(w.at_beats, w.text) for w in gradual_tempos(faster)] == [(Fraction(9, 2), "accel.")]
    assert [(w.at_beats, w.text) for w in gradual_tempos(faster.mirrored())] == [(0, "rit.")]


def test_single_changes_of_tempo_have_no_words() -> None:
    assert gradual_tempos(tempo()) == ()
    assert gradual_tempos(tempo((4, 400_000))) == ()
    assert gradual_tempos(tempo((2, 480_000), (5, 460_000))) == ()
