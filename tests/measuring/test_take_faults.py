"""What is against a take, heard in sounds that are made here: tails, releases, pitches."""

import numpy as np
import pytest

from retro.measuring.pitches import (
    NEAR_CENTS,
    Doubtful,
    HeardNote,
    HeardPartial,
    Spectrum,
    _stands_out_db,
    doubtful_notes,
    peaks,
    section_cents,
)
from retro.measuring.release import early_by_s, early_together_s
from retro.measuring.tail_noise import tail_noises
from tests.measuring.made_sound import Sound

RATE = 48_000
END_S = 1.0


def decaying(reverberation_s: float, *, held_s: float = 1.0, seed: int = 0) -> Sound:
    """Return noise that is held, then decays into the noise of a room 70 dB below."""
    chance = np.random.default_rng(seed)
    times_s = np.arange(5 * RATE) / RATE
    level = 10.0 ** (-3.0 * np.maximum(times_s - held_s, 0.0) / reverberation_s)
    sound = 0.1 * level * chance.standard_normal(len(times_s))
    return Sound(sound + 0.1 * 10**-3.5 * chance.standard_normal(len(times_s)), RATE)


@pytest.mark.parametrize("reverberation_s", [0.5, 1.4, 3.0])
@pytest.mark.parametrize("at_s", [1.45, 2.2, 3.4])
def test_a_noise_of_ten_decibels_over_the_tail_is_heard_at_its_time(
    reverberation_s: float, at_s: float
) -> None:
    tail = decaying(reverberation_s)
    assert tail_noises(tail, 1.0) == ()
    first, length = round(at_s * RATE), round(0.2 * RATE)
    local = np.sqrt(np.mean(tail.sound[first : first + length] ** 2))
    cough = np.random.default_rng(9).standard_normal(length) * np.hanning(length) ** 0.25
    cough *= local * np.sqrt(10.0) / np.sqrt(np.mean(cough**2))
    tail.sound[first : first + length] += cough
    (noise,) = tail_noises(tail, 1.0)
    assert abs(noise.at_s - at_s) < 0.1
    assert 0.08 <= noise.end_s - noise.at_s <= 0.4


def test_silence_has_no_noises_and_no_release() -> None:
    silent = Sound(np.zeros(5 * RATE), RATE)
    assert tail_noises(silent, 1.0) == ()
    assert early_by_s(silent, END_S, lateness_s=0.0) is None
    assert tail_noises(Sound(np.zeros(RATE), RATE), 1.0) == ()


@pytest.mark.parametrize("reverberation_s", [0.3, 0.5, 1.4])
def test_a_release_is_heard_early_by_what_it_is_and_late_by_the_room(
    reverberation_s: float,
) -> None:
    on_time = early_by_s(decaying(reverberation_s), END_S, lateness_s=0.0)
    let_go = decaying(reverberation_s, held_s=0.75)
    early = early_by_s(let_go, END_S, lateness_s=0.0)
    assert on_time is not None
    assert early is not None
    room_s = 6.0 * reverberation_s / 60.0  # the mean of the depths that are read
    assert abs(on_time + room_s) < 0.04
    assert abs(early - on_time - 0.25) < 0.03


def test_a_dip_of_a_few_decibels_is_no_release() -> None:
    """Two desks beat: the level dips by 5 dB before the end, as a section's does."""
    whole, dipped = decaying(0.5), decaying(0.5)
    times_s = np.arange(len(dipped.sound)) / RATE
    dipped.sound[(times_s > 0.7) & (times_s < 1.0)] *= 10.0 ** (-5.0 / 20.0)
    on_time, heard = (early_by_s(each, END_S, lateness_s=0.0) for each in (whole, dipped))
    assert on_time is not None
    assert heard is not None
    assert abs(heard - on_time) < 0.15


def test_a_release_is_early_where_the_middle_of_the_microphones_or_two_of_them_say_so() -> None:
    usual = [{"Main": -0.15, "Horns": 0.0, "Flutes": 0.02}] * 2
    early = {"Main": 0.1, "Horns": 0.25, "Flutes": 0.03}
    assert early_together_s(early, usual) == pytest.approx(0.25)
    assert early_together_s(early, []) is None
    assert early_together_s({"Horns": 0.25}, usual) is None
    assert early_together_s({"Main": 0.03, "Horns": 0.18, "Flutes": 0.19}, usual) == pytest.approx(
        0.18
    )
    assert early_together_s({"Main": 0.0, "Horns": 0.18, "Flutes": 0.02}, usual) is None
    all_are_early = {"Main": 0.3, "Horns": 0.3}
    assert early_together_s(all_are_early, [all_are_early] * 2) == pytest.approx(0.22)


def test_half_of_the_takes_that_were_let_go_early_do_not_hide_another() -> None:
    good, early = {"Main": 0.0, "Horns": 0.0}, {"Main": 0.25, "Horns": 0.25}
    assert early_together_s(early, [good, good, early, early]) == pytest.approx(0.25)


def test_a_microphone_in_which_no_release_is_heard_says_nothing() -> None:
    usual = [{"Horns": 0.0, "Flutes": 0.0, "Trumpets": -0.6}] * 3
    early = {"Horns": 0.18, "Flutes": 0.18, "Trumpets": -0.4}
    assert early_together_s(early, usual) == pytest.approx(0.18)
    assert early_together_s({"Horns": 0.25, "Trumpets": 0.0}, usual) is None


def note(
    number: int,
    *,
    cents: float = 0.0,
    over_db: tuple[float, ...] = (20.0, 20.0),
    stands_db: tuple[float, ...] = (),
) -> HeardNote:
    partials = tuple(
        HeardPartial(number=index, cents=cents, over_db=each)
        for index, each in enumerate(over_db, start=1)
    )
    return HeardNote(note=number, partials=partials, stands_db=stands_db)


def test_a_section_is_as_sharp_as_its_notes_are_in_the_middle() -> None:
    heard = [note(number, cents=12.0 + number) for number in range(5)]
    others = [{n: note(n, cents=cents) for n in range(5)} for cents in (0.0, 2.0)]
    assert section_cents(heard, others) == pytest.approx(13.0)
    assert section_cents(heard[:2], others) is None
    assert section_cents([note(9)] * 5, others) is None


def test_partials_that_bleed_in_say_nothing_of_a_section() -> None:
    others = [{n: note(n, over_db=(20.0, 20.0, 2.0)) for n in range(4)}] * 2
    heard = []
    for number in range(4):
        own = note(number, cents=15.0).partials
        bled = note(number, over_db=(0.0, 0.0, 2.0)).partials[2:]
        heard.append(HeardNote(note=number, partials=own + bled, stands_db=()))
    assert section_cents(heard, others) == pytest.approx(15.0)
    mostly_bled = [note(number, over_db=(20.0, 20.0, 2.0, 2.0, 2.0)) for number in range(4)]
    assert section_cents(mostly_bled, others) is None


def test_a_section_is_as_sharp_as_most_of_its_partials_agree_and_not_what_lies_between() -> None:
    others = [{n: note(n) for n in range(8)}] * 2
    most = [note(number, cents=15.0 if number < 5 else 0.0) for number in range(8)]
    assert section_cents(most, others) == pytest.approx(15.0)
    apart = [note(number, cents=12.0 * number) for number in range(8)]
    assert section_cents(apart, others) is None


def test_a_note_is_doubtful_where_another_pitch_stands_out_instead_of_its_own() -> None:
    right = (20.0, 5.0, 6.0, 6.0, 5.0)
    others = [{0: note(0, stands_db=right), 1: note(1, stands_db=right)}] * 2
    wrong = note(0, stands_db=(12.0, 5.0, 6.0, 16.0, 5.0))
    softer = note(1, stands_db=(12.0, 4.0, 5.0, 5.0, 4.0))
    (found,) = doubtful_notes([wrong, softer], others)
    assert found == Doubtful(note=0, semitones=1, better_db=18.0)
    assert list(doubtful_notes([wrong], [])) == []
    assert list(doubtful_notes([note(0)], others)) == []


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("pitch", [21, 69, 108, 127])
def test_a_slope_has_no_peak_beyond_where_it_is_looked_for(pitch: int) -> None:
    bin_hz = 0.1
    slope_db = -1e-6 * (np.arange(60_000.0) - 59_000.0) ** 2
    found = peaks(Spectrum(power_db=slope_db, bin_hz=bin_hz), pitch, np.zeros(0))
    two_bins_cents = 1200.0 * np.log2(1.0 + 2.0 * bin_hz / (440.0 * 2.0 ** ((pitch - 69) / 12)))
    assert all(abs(peak.cents) <= NEAR_CENTS + two_bins_cents for peak in found)
    assert np.isfinite(_stands_out_db(found))
