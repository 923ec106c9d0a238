"""Takes of a sampled ensemble with one fault each: the fault is told, the others are not.

The players are fluidsynth with the FluidR3 General MIDI bank, every note rendered alone and laid
into a made room, with lateness and jitter (`tests.evidence.made_ensembles`). What is wrong in each
take is put in here and known.
"""

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retro.day.compose import Day, compose_day
from retro.day.judge import judge
from retro.day.judged_document import JudgedTake
from retro.day.takes_document import MicrophoneFile, TakeDocument, TakesDocument
from retro.model.settings import Section
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from retro.read.settings import beside, load_settings
from tests.evidence.made_ensembles import (
    FLUID_R3,
    LEAD_S,
    PIECES,
    RATE,
    Piece,
    as_far_away,
    make,
    piece_of,
)
from tests.evidence.made_faults import long_notes, tuned, with_release_earlier
from tests.evidence.made_noises import cough

pytestmark = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not FLUID_R3.is_file(),
    reason="fluidsynth and its General MIDI soundfont stand in for the orchestra",
)

DAY_TOML = """\
[[pack]]
folder = "pack"
[[microphone]]
name = "Main"
[[microphone]]
name = "Horns"
section = "Horn in F 1.2.3.4"
distance_m = 1.0
"""
FLIGHT = round(1.0 / 343.2 * RATE)  # ISO 9613-1, 20 °C
GOOD, NOISY, EARLY, SHORT, WRONG, SHARP, GOOD_TOO, A_LITTLE_EARLY, COUGHED_OVER = range(1, 10)
COMMON_MS = 20.0
COUGH_AFTER_S = 0.9
COUGH_OVER_S = 3.3
"""Where a cough lies that is as loud as the whole take."""

SHORT_BY_S = 0.25


@pytest.fixture(scope="module")
def chorale(tmp_path_factory: pytest.TempPathFactory) -> tuple[Day, Piece]:
    folder = tmp_path_factory.mktemp("chorale")
    path = PIECES["horn chorale"]
    settings = load_settings(beside(path), {})
    plan = plan_file(path, replace(settings, only=(Section.COPYIST, Section.ENGINEER)))
    write_pack(plan, folder / "pack")
    (folder / "day.toml").write_text(DAY_TOML)
    return compose_day(folder / "day.toml"), piece_of("horn chorale", plan, folder)


def faulty(piece: Piece) -> Iterator[tuple[int, Piece]]:
    yield GOOD, piece
    yield NOISY, piece
    yield EARLY, with_release_earlier(piece, 0.25)
    yield SHORT, piece
    yield WRONG, tuned(piece, 100.0, {long_notes(piece)[0]})
    yield SHARP, tuned(piece, 15.0)
    yield GOOD_TOO, piece
    yield A_LITTLE_EARLY, with_release_earlier(piece, 0.08)
    yield COUGHED_OVER, piece


@dataclass(frozen=True)
class Judged:
    """What was heard, and how late the horns truly are at their microphone without its flight."""

    takes: dict[int, JudgedTake]
    truth_ms: dict[int, float]


@pytest.fixture(scope="module")
def judged(chorale: tuple[Day, Piece], tmp_path_factory: pytest.TempPathFactory) -> Judged:
    day, piece = chorale
    folder = tmp_path_factory.mktemp("takes")
    written = [write_take(folder, number, one) for number, one in faulty(piece)]
    document = judge(day, TakesDocument(takes=tuple(take for take, _ in written)), base=folder)
    return Judged(
        takes={take.number: take for take in document.takes},
        truth_ms={take.number: truth_ms for take, truth_ms in written},
    )


def write_take(folder: Path, number: int, piece: Piece) -> tuple[TakeDocument, float]:
    """Write a take in two microphones; the close one hears the horns after their flight.

    Returns
    -------
    The take, and how late the horns are in the close one.
    """
    truth_ms = 0.0
    plan = piece.plan
    needed = round((LEAD_S + float(plan.length_s + plan.placement.roll_s) + 0.05) * RATE)
    if number == SHORT:
        needed -= round((0.05 + SHORT_BY_S) * RATE)
    files = []
    for name, room_s, flight in (("Main", 1.4, 0), ("Horns", 0.5, FLIGHT)):
        made = make(
            piece,
            room=as_far_away(room_s),
            seed=number,
            common_ms=COMMON_MS,
            spread_ms=0.0,
            noise_db=50.0,
            bleed_db=-50.0,
        )
        truth_ms = made.lateness_ms
        heard = np.random.default_rng(number).standard_normal(needed + RATE) * 1e-4
        heard[flight : flight + len(made.heard)] += made.heard[: len(heard) - flight]
        if number == NOISY:
            add_cough(heard, plan.placement.last_release_s + COMMON_MS / 1000.0 + COUGH_AFTER_S)
        if number == COUGHED_OVER:
            sound = cough(np.random.default_rng(number)) * np.sqrt(np.mean(made.heard**2))
            heard[round((LEAD_S + COUGH_OVER_S) * RATE) :][: len(sound)] += sound
        path = folder / f"{number}-{name}.wav"
        soundfile.write(path, heard[:needed], RATE, subtype="PCM_24")
        files.append(MicrophoneFile(microphone=name, path=path.name))
    document = TakeDocument(
        letter=plan.letter,
        number=number,
        files=tuple(files),
        phrase_start_frame=round(LEAD_S * RATE),
        starts_together=True,
    )
    return document, truth_ms


def add_cough(heard: np.ndarray, at_s: float) -> None:
    first, length = round((LEAD_S + at_s) * RATE), round(0.2 * RATE)
    local = np.sqrt(np.mean(heard[first : first + length] ** 2))
    cough = np.random.default_rng(0).standard_normal(length)
    heard[first : first + length] += cough * local * np.sqrt(10.0)


def test_every_take_is_where_it_is_said_to_be(judged: Judged) -> None:
    assert {number for number, take in judged.takes.items() if take.is_there is False} == set()


def test_good_takes_have_nothing_against_them_and_come_first(
    judged: Judged,
) -> None:
    for number in (GOOD, GOOD_TOO, A_LITTLE_EARLY):
        assert [words for words in judged.takes[number].remarks if "place" not in words] == []
    first = min(judged.takes.values(), key=lambda take: take.rank)
    assert first.number in {GOOD, GOOD_TOO, A_LITTLE_EARLY}
    for number in (NOISY, EARLY, SHORT, WRONG, SHARP, COUGHED_OVER):
        assert judged.takes[number].remarks


def test_a_cough_in_the_tail_is_told_with_its_time(judged: Judged) -> None:
    assert {number for number, take in judged.takes.items() if take.noises} == {NOISY}
    (noise,) = judged.takes[NOISY].noises
    assert abs(noise.after_release_s - COUGH_AFTER_S) < 0.1


def test_a_cough_while_people_play_is_told_with_its_time_and_marks_no_note(judged: Judged) -> None:
    told = {number for number, take in judged.takes.items() if take.played_noises}
    assert told == {COUGHED_OVER}
    take = judged.takes[COUGHED_OVER]
    (noise,) = take.played_noises
    assert abs(noise.at_frame / RATE - LEAD_S - COUGH_OVER_S) < 0.1
    assert any("a noise at bar" in words for words in take.remarks)
    assert not any(section.doubtful for section in take.sections)


def test_an_early_release_and_a_short_roll_are_told(judged: Judged) -> None:
    assert {number for number, take in judged.takes.items() if take.early_s is not None} == {EARLY}
    assert {number for number, take in judged.takes.items() if take.roll_short_s} == {SHORT}
    assert abs(judged.takes[SHORT].roll_short_s - SHORT_BY_S) < 0.01


def test_a_wrong_note_and_a_section_out_of_tune_are_told(
    chorale: tuple[Day, Piece], judged: Judged
) -> None:
    doubtful = {
        number: [note.note for section in take.sections for note in section.doubtful]
        for number, take in judged.takes.items()
    }
    _, piece = chorale
    marked = [piece.plan.notes[index] for index in doubtful.pop(WRONG)]
    wrong = piece.plan.notes[long_notes(piece)[0]]
    assert wrong in marked
    assert all(note.played_on_s < wrong.played_off_s for note in marked)
    doubtful.pop(SHARP)  # a whole section that is out of tune is told as such
    assert not any(doubtful.values())
    for number, take in judged.takes.items():
        (section,) = take.sections
        assert section.cents is not None
        assert abs(section.cents - (15.0 if number == SHARP else 0.0)) < 3.0


def test_lateness_of_the_section_is_that_of_its_players(judged: Judged) -> None:
    errors_ms = []
    for number, take in judged.takes.items():
        (section,) = take.sections
        assert section.lateness_ms is not None
        errors_ms.append(abs(section.lateness_ms - judged.truth_ms[number]))
    assert np.median(errors_ms) <= 15.0
    assert max(errors_ms) <= 25.0
