from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import hilbert

from retro.model.instruments import Family, Sound
from retro.model.performance import Performance
from retro.model.phrase import EXPRESSION
from retro.model.settings import Compensate, Settings
from retro.model.sound import FloatArray, Room, built_up, energy_after_release, fall_s, rise_s
from retro.model.time import Steps
from retro.render.preview import Preview, render_preview, render_stems
from retro.units import db_to_amplitude, pitch_to_hz, seconds_to_samples
from tests.conftest import make_note, make_part, make_phrase
from tests.render.performances import chords, lone, played

TOLERANCE_MS = 5.0
ROOMS = [Room(0.3, 0.0), Room(1.2, 0.0), Room(2.2, 0.0), Room(2.2, 6.0), Room(1.2, -3.0)]
FAMILIES = [Family.NEUTRAL, Family.WOODWIND, Family.BRASS, Family.STRINGS, Family.PERCUSSION]


def channels(preview: Preview) -> list[FloatArray]:
    """Left, right, and what a listener with one loudspeaker gets."""
    flipped = preview.flipped.astype(float)
    return [flipped[:, 0], flipped[:, 1], flipped.mean(axis=1)]


def window_s(preview: Preview, frame: int) -> float:
    return (frame - preview.window_start_sample) / preview.rate


def envelope_of(channel: FloatArray, rate: int, pitch: int = 81) -> FloatArray:
    """Return the envelope, without the ripple that partials leave within a period of the pitch."""
    width = int(max(0.004, 1.0 / pitch_to_hz(pitch)) * rate)
    return np.convolve(np.abs(hilbert(channel)), np.ones(width) / width, "same")


def frames_at(preview: Preview, *window_s: float) -> list[int]:
    start = preview.window_start_sample
    return [start + seconds_to_samples(float(at_s), preview.rate) for at_s in window_s]


def above(envelope: FloatArray, level: float) -> tuple[int, int]:
    frames = np.flatnonzero(envelope > level)
    return int(frames[0]), int(frames[-1])


def assert_heard_as_planned(performance: Performance, tolerance_ms: float = TOLERANCE_MS) -> None:
    """Whether a lone note crosses the threshold below its greatest level where the plan says."""
    preview, note = render_preview(performance), performance.notes[0]
    for channel in channels(preview):
        envelope = envelope_of(channel, preview.rate, note.target.pitch)
        drop_db = performance.settings.onset_db
        onset, landing = above(envelope, envelope.max() * db_to_amplitude(-drop_db))
        if note.onset_s is not None:
            assert abs(window_s(preview, onset) - note.onset_s) * 1000.0 < tolerance_ms
        if note.lands_s is not None:
            assert abs(window_s(preview, landing) - note.lands_s) * 1000.0 < tolerance_ms


@pytest.mark.parametrize("room", ROOMS[1:4])
@pytest.mark.parametrize("attack_s", [0.02, 0.3])
@pytest.mark.parametrize(
    ("family", "pitch"), list(zip(FAMILIES, (57, 69, 64, 81, 88), strict=True))
)
def test_a_lone_sustained_note_begins_and_lands_where_the_target_does(
    family: Family, pitch: int, attack_s: float, room: Room
) -> None:
    settings = replace(Settings(), room=room)
    performance = lone(pitch=pitch, family=family, settings=settings, attack_s=attack_s)
    assert performance.notes[0].onset_s == pytest.approx(1.0, abs=1e-6)
    assert performance.notes[0].lands_s == pytest.approx(3.0, abs=1e-6)
    assert_heard_as_planned(performance)


@pytest.mark.parametrize("onset_db", [6.0, 10.0, 15.0, 20.0])
def test_both_edges_hold_at_every_published_threshold(onset_db: float) -> None:
    settings = replace(Settings(), room=Room(2.2, 0.0), onset_db=onset_db)
    assert_heard_as_planned(lone(family=Family.STRINGS, settings=settings, attack_s=0.2))


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize(("decay_s", "damper_s"), [(4.0, 0.2), (4.0, None), (0.8, None)])
@pytest.mark.parametrize("pitch", [57, 81])
def test_a_lone_struck_note_begins_and_lands_as_predicted(
    pitch: int, decay_s: float, damper_s: float | None, room: Room
) -> None:
    performance = lone(
        pitch=pitch,
        sound=Sound.STRUCK,
        family=Family.KEYBOARD,
        settings=replace(Settings(), room=room),
        attack_s=0.01,
        decay_s=decay_s,
        damper_s=damper_s,
    )
    assert performance.notes[0].lands_s == pytest.approx(3.0, abs=1e-6)
    assert_heard_as_planned(performance)


def swelling(first: int, last: int, **changes: object) -> Performance:
    """Return a lone note from second 1 to 3 of 4 whose expression moves all the time."""
    starts = tuple(Fraction(k, 16) for k in range(128))
    values = [round(first + (last - first) * k / 127) for k in range(128)]
    steps = Steps.from_changes(
        list(zip(starts, values, strict=True)), length=Fraction(8), before=first
    )
    part = replace(make_part(make_note(2, 6, 69, 100)), controllers=((EXPRESSION, steps),))
    return played(make_phrase(part), family=Family.STRINGS, **changes)


@pytest.mark.parametrize("room", [Room(0.3, 20.0), Room(1.6, 0.0)])
@pytest.mark.parametrize("attack_s", [0.02, 0.3])
@pytest.mark.parametrize(("first", "last"), [(90, 127), (127, 90), (0, 127), (127, 0)])
def test_controller_curves_are_heard_where_the_plan_says(
    first: int, last: int, attack_s: float, room: Room
) -> None:
    settings = replace(Settings(), room=room)
    assert_heard_as_planned(swelling(first, last, settings=settings, attack_s=attack_s))


def test_a_crescendo_from_nothing_has_no_onset_and_a_dying_tone_no_landing() -> None:
    growing, dying = (swelling(*way).notes[0] for way in ((0, 127), (127, 0)))
    # At beat 2 of 8 expression is 32, at beat 6 it is 95: 19 dB apart by the square law.
    assert growing.onset_s is growing.onset_error_ms is growing.written_onset_error_ms is None
    assert growing.landing_error_ms == pytest.approx(0.0, abs=1e-3)
    assert dying.lands_s is dying.landing_error_ms is dying.written_landing_error_ms is None
    assert dying.onset_error_ms == pytest.approx(0.0, abs=1e-3)


def test_a_soft_tone_is_audible_later_than_a_loud_one_and_one_far_below_it_never() -> None:
    parts = [make_part(make_note(2, 6, 69, velocity)) for velocity in (120, 40, 10)]
    loud, soft, lost = played(make_phrase(*parts)).notes
    assert loud.audible_from_s < soft.audible_from_s < soft.onset_s
    assert lost.audible_from_s is None
    assert lost.onset_s == loud.onset_s


def test_the_tail_falls_as_the_law_says_at_every_instant() -> None:
    room = Room(1.6, 0.0)
    performance = lone(family=Family.STRINGS, settings=replace(Settings(), room=room))
    note, preview = performance.notes[0], render_preview(performance)
    after_s = np.linspace(0.02, 1.5, 300)
    frames = np.array(frames_at(preview, *(note.full_s - after_s)))
    held_s = note.played_off_s - note.played_on_s
    filled = built_up(held_s, room)
    law_db = 10.0 * np.log10(energy_after_release(after_s, note.decay_s, room, filled))
    for channel in channels(preview):
        envelope = np.abs(hilbert(channel))
        heard_db = 20.0 * np.log10(envelope[frames] / envelope[frames[100]]) + law_db[100]
        is_dark = law_db < -7.0
        assert np.max(np.abs(heard_db - law_db)[is_dark]) < 0.1


def test_flipped_is_played_frame_by_frame_reversed_bit_for_bit() -> None:
    preview = render_preview(played(chords()))
    assert preview.flipped.tobytes() == np.flip(preview.played, axis=0).tobytes()
    assert preview.flipped.shape == preview.target.shape
    assert preview.played.dtype == np.float32


def test_every_sample_lies_on_the_grid_of_24_bits() -> None:
    preview = render_preview(played(chords()))
    for sound in (preview.played, preview.target):
        steps = sound.astype(float) * 2**23
        assert np.array_equal(steps, np.rint(steps))
        assert np.all(np.isfinite(sound))


def test_the_same_performance_gives_the_same_bytes_and_another_seed_another_room() -> None:
    performance = played(chords())
    first, again = render_preview(performance), render_preview(performance)
    assert first.played.tobytes() == again.played.tobytes()
    assert first.target.tobytes() == again.target.tobytes()
    settings = replace(performance.settings, seed=2)
    other = render_preview(replace(performance, settings=settings))
    assert other.played.tobytes() != first.played.tobytes()


def test_the_timeline_holds_starts_before_the_insert_and_the_tail_after_it() -> None:
    whole = make_phrase(make_part(make_note(0, 8)))
    performance = played(whole, settings=replace(Settings(), room=Room(2.2, 0.0)))
    note, preview = performance.notes[0], render_preview(performance)
    assert note.played_on_s < -float(rise_s(10.0, 0.05))
    assert preview.length_samples == 4 * preview.rate
    assert preview.pre_roll_samples >= 0.015 * preview.rate
    tail_s = note.played_off_s + float(fall_s(60.0, note.decay_s, Room(2.2, 0.0))) - 4.0
    assert preview.tail_samples == pytest.approx((tail_s + 0.02) * preview.rate, abs=2)
    frames = preview.pre_roll_samples + preview.length_samples + preview.tail_samples
    assert preview.played.shape == (frames, 2)


def test_the_target_begins_and_ends_at_the_same_frames_as_the_flipped_window() -> None:
    preview = render_preview(lone())
    envelope = np.abs(hilbert(preview.target[:, 0].astype(float)))
    first, last = above(envelope, np.median(envelope[envelope > 0.01]) * db_to_amplitude(-10.0))
    assert window_s(preview, first) == pytest.approx(1.0, abs=0.005)
    assert window_s(preview, last) == pytest.approx(3.0 + 0.1 / 6.0, abs=0.005)


def test_stems_add_up_to_the_whole() -> None:
    performance = played(chords(parts=3))
    preview = render_preview(performance)
    stems = list(render_stems(performance, preview))
    assert [stem.part for stem in stems] == [0, 1, 2]
    total = np.sum([stem.flipped for stem in stems], axis=0)
    assert np.max(np.abs(total - preview.flipped)) < 4 / 2**23


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("pitch", [24, 60, 96, 120])
def test_no_partial_lies_above_the_limit(family: Family, pitch: int) -> None:
    preview = render_preview(lone(pitch=pitch, family=family))
    held = preview.flipped[slice(*frames_at(preview, 1.5, 2.5)), 0].astype(float)
    power = np.abs(np.fft.rfft(held * np.blackman(held.size))) ** 2
    hz = np.fft.rfftfreq(held.size, 1.0 / preview.rate)
    assert power[hz > 0.45 * preview.rate + 50.0].sum() < 1e-6 * power.sum()


def test_families_differ_by_their_partials_and_all_keep_the_fundamental_strongest() -> None:
    spectra = {}
    for family in (Family.NEUTRAL, Family.WOODWIND, Family.BRASS, Family.STRINGS):
        preview = render_preview(lone(pitch=57, family=family))
        held = preview.flipped[slice(*frames_at(preview, 1.6, 2.6)), 0].astype(float)
        spectrum = np.abs(np.fft.rfft(held * np.hanning(held.size)))
        spectra[family] = np.array([spectrum[220 * n - 3 : 220 * n + 4].max() for n in range(1, 6)])
        assert np.argmax(spectra[family]) == 0
    shapes = {family: peaks / peaks[0] for family, peaks in spectra.items()}
    assert np.all(shapes[Family.NEUTRAL][1:] < 0.001)
    assert shapes[Family.WOODWIND][1] < 0.001 < 0.5 < shapes[Family.WOODWIND][2]
    assert shapes[Family.STRINGS][1] > 0.7
    assert shapes[Family.BRASS][4] / shapes[Family.BRASS][1] > (
        1.2 * shapes[Family.STRINGS][4] / shapes[Family.STRINGS][1]
    )


@pytest.mark.parametrize("sound", list(Sound))
@pytest.mark.parametrize("attack_s", [0.0, 0.004, 0.3])
def test_no_note_starts_or_ends_with_a_step(sound: Sound, attack_s: float) -> None:
    performance = lone(pitch=57, sound=sound, attack_s=attack_s)
    preview = render_preview(performance)
    left = preview.played[:, 0].astype(float)
    # A sine of 220 Hz at its peak moves by 2 pi f / rate of it a frame; the shortest attack that is
    # rendered, 3 ms, adds at most 1.2279 / (0.003 * rate). A step would be far above both.
    steepest = np.max(np.abs(left)) * (2 * np.pi * 220 + 1.2279 / 0.003) / preview.rate
    assert np.max(np.abs(np.diff(left, prepend=0.0, append=0.0))) < 1.05 * steepest


def test_louder_velocity_is_louder_by_its_law() -> None:
    part = make_part(make_note(0, 2, 69, 127), make_note(4, 6, 69, 64))
    settings = replace(Settings(), room=Room(0.3, 0.0), compensate=Compensate.NONE)
    preview = render_preview(played(make_phrase(part), settings=settings))
    envelope = np.abs(hilbert(preview.flipped[:, 0].astype(float)))
    loud, soft = (envelope[frame] for frame in frames_at(preview, 0.6, 2.6))
    assert 20.0 * np.log10(loud / soft) == pytest.approx(40.0 * np.log10(127 / 64), abs=0.1)


def test_a_swell_of_expression_in_the_target_swells_in_the_flipped_sound() -> None:
    beats = 8
    starts = tuple(Fraction(k, 16) for k in range(16 * beats))
    rising = Steps(Fraction(beats), starts, tuple(range(len(starts))))
    part = replace(make_part(make_note(0, 8)), controllers=((EXPRESSION, rising),))
    settings = replace(Settings(), room=Room(0.3, 20.0), compensate=Compensate.NONE)
    preview = render_preview(played(make_phrase(part), settings=settings))
    envelope = np.abs(hilbert(preview.flipped[:, 0].astype(float)))
    early, late = (envelope[frame] for frame in frames_at(preview, 1.0, 3.0))
    # Expression 32 at 1 s and 96 at 3 s, by the square law.
    assert 20.0 * np.log10(late / early) == pytest.approx(40.0 * np.log10(96 / 32), abs=0.3)


def test_bend_is_followed_mirrored_and_without_a_break() -> None:
    up = Steps(Fraction(8), (Fraction(0), Fraction(4)), (0, 4096))
    part = replace(make_part(make_note(0, 8, 69)), bend=up)
    settings = replace(Settings(), room=Room(0.3, 20.0), compensate=Compensate.NONE)
    preview = render_preview(played(make_phrase(part), settings=settings))
    phase = np.unwrap(np.angle(hilbert(preview.flipped[:, 0].astype(float))))
    hz = np.diff(phase) * preview.rate / (2.0 * np.pi)
    before, after = (np.median(hz[at - 480 : at + 480]) for at in frames_at(preview, 1.0, 3.0))
    assert before == pytest.approx(440.0, rel=1e-4)
    assert after == pytest.approx(440.0 * 2 ** (1 / 12), rel=1e-4)


def test_a_performance_without_notes_is_silence_of_the_right_length() -> None:
    preview = render_preview(played(make_phrase(make_part())))
    assert preview.length_samples == 4 * preview.rate
    assert not np.any(preview.played)
    assert not np.any(preview.target)


def test_players_in_unison_add_up() -> None:
    one = render_preview(played(make_phrase(make_part(make_note(2, 6)))))
    both = render_preview(played(make_phrase(*(make_part(make_note(2, 6)) for _ in range(2)))))
    frame = slice(*frames_at(one, 1.5, 2.5))
    single, pair = (
        float(np.sqrt(np.mean(np.square(p.played[frame] / p.gain)))) for p in (one, both)
    )
    assert 20.0 * np.log10(pair / single) > 4.0
