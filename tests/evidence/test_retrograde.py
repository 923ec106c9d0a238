"""Music that is its own reversal: the printed second voice is the mirror of the first."""

from retro.mirror import mirror
from tests.conftest import make_part, make_phrase
from tests.evidence.scores import CANCRIZANS_BACKWARDS, CANCRIZANS_FORWARDS, voice


def test_the_mirror_of_bachs_crab_canon_is_its_other_voice() -> None:
    # Source: J. S. Bach, Musical Offering BWV 1079, canon 1 a 2, cancrizans.
    forwards, backwards = voice(CANCRIZANS_FORWARDS), voice(CANCRIZANS_BACKWARDS)
    assert forwards[-1].off_beats == backwards[-1].off_beats == 18 * 4
    canon = make_phrase(make_part(*forwards), make_part(*backwards), bars=18)
    upper, lower = mirror(canon).parts
    assert lower.notes == forwards
    assert upper.notes == backwards
