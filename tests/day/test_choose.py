"""A choice among takes, checked, joined, flipped and placed."""

import hashlib
import io
import json
import re
import shutil
import struct
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from jsonschema import Draft202012Validator
from typer.testing import CliRunner
from wavinfo import WavInfoReader

from retro.cli import app
from retro.day.choice_words import read_words
from retro.day.choose import choose, joined_stretches, open_takes
from retro.day.compose import Day, compose_day
from retro.day.joins import Joins
from retro.day.takes_document import (
    MicrophoneFile,
    TakeDocument,
    TakesDocument,
    read_choice,
    read_takes,
)
from retro.errors import PlanError, ReadError, RetroError, SettingsError, TakeError, WriteError
from retro.model.encoding import encoded
from retro.model.settings import Section, Settings
from retro.pack.write import write_pack
from retro.placement.inputs import Session, TakeRange
from retro.placement.place import place_plan
from retro.plan.compose import plan_file
from retro.render.preview import render_preview
from retro.takes.common_range import open_take
from retro.takes.flip import FlipSettings, flip_take
from retro.takes.flip_range import plan_flip
from tests.day.made_takes import MICROPHONES, RATE, write_takes

DOCS = Path(__file__).parents[2] / "docs"
STUDY = Path(__file__).parents[2] / "examples" / "studies" / "tutti.mid"
STARTS = {"A": {1: 100_000, 2: 700_001, 3: 1_300_017}, "B": {1: 2_000_000}}
WORDS = "A = 3:1, 1:2, tail 2"


@pytest.fixture(scope="module")
def takes_json(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_takes(tmp_path_factory.mktemp("takes"), STARTS)


@pytest.fixture
def takes(takes_json: Path) -> TakesDocument:
    return read_takes(takes_json)


def run(*words: object) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_words_are_read_as_they_are_typed() -> None:
    asked = read_words("a = 3:1-3, 1:4, 3:5-8, tail 2", bars=8)
    assert asked.letter == "A"
    assert [(each.take, each.first_bar, each.last_bar) for each in asked.stretches] == [
        (3, 1, 3),
        (1, 4, 4),
        (3, 5, 8),
    ]
    assert asked.tail_take == 2
    assert read_words("BB=12", bars=5).stretches[0].last_bar == 5
    assert read_words("B = 1:1–2", bars=2).tail_take == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("A: 3", "is no choice"),
        ("A = 3:1-3; 4", "is no take and bars"),
        ("A = 3:1-3", "the insert has 4 bars, and the choice ends with bar 3"),
        ("A = 3:1, 1:3-4", "take 1 has bars 3-4 where bar 2 is due"),
        ("A = 3:2-4", "take 3 has bars 2-4 where bar 1 is due"),
        ("A = 3:1-5", "the insert has 4 bars"),
        ("A = tail 2", "a tail alone"),
        ("A = tail 2, 3", "stands after the tail"),
        ("A = 3:1-2, 1:4-3", "where bar 3 is due"),
        ("A = 3:2, 1:1-8", "take 3 has bar 2 where bar 1 is due"),
    ],
)
def test_words_that_mean_nothing_are_refused(words: str, told: str) -> None:
    with pytest.raises(SettingsError, match=told):
        read_words(words, bars=4)


def test_the_documents_are_what_their_schemas_state(
    day: Day, takes_json: Path, tmp_path: Path
) -> None:
    choice_json = tmp_path / "choice.json"
    run("day", "choose", day.path, WORDS, "--takes", takes_json, "--out", choice_json)
    for name, path in (("choice", choice_json), ("takes", takes_json)):
        schema = json.loads((DOCS / f"{name}.schema.json").read_text())
        Draft202012Validator(schema).validate(json.loads(path.read_text()))
    assert read_choice(choice_json).words == WORDS
    least = {"letter": "A", "number": 1, "files": [], "phrase_start_frame": 5}
    least["files"] = [{"microphone": "Main", "path": "main.wav"}]
    text = {"schema": "retro-takes/1", "takes": [least]}
    Draft202012Validator(json.loads((DOCS / "takes.schema.json").read_text())).validate(text)
    (tmp_path / "takes.json").write_text(json.dumps(text))
    assert read_takes(tmp_path / "takes.json").takes[0].found_by == "a person"


def test_outside_the_crossfades_the_clip_is_a_hand_assembled_take_reversed(
    day: Day, takes_json: Path, tmp_path: Path
) -> None:
    """The whole way by the command line, three takes in three microphones."""
    before = hashes(takes_json.parent)
    choice_json, clips = tmp_path / "choice.json", tmp_path / "clips"
    said = run("day", "choose", day.path, WORDS, "--takes", takes_json, "--out", choice_json)
    assert "take 1: bar 2, from bar A" in said
    said = run("flip", "--choice", choice_json, "--out", clips, "--quiet")
    choice = json.loads(choice_json.read_text())
    fades = []
    for name in MICROPHONES:
        source = takes_json.parent / f"{name.lower().replace(' ', '-')}.wav"
        sound = soundfile.read(source, dtype="int32")[0]
        by_hand = np.concatenate(
            [
                sound[STARTS["A"][each["take"]] + each["start_frame"] :][
                    : each["end_frame"] - each["start_frame"]
                ]
                for each in choice["stretches"]
            ]
        )
        clip = clips / f"A_take-3+1+2_{name.replace(' ', '-')}.wav"
        flipped = soundfile.read(clip, dtype="int32")[0][::-1]
        assert flipped.shape == by_hand.shape
        inside = np.zeros(len(by_hand), dtype=bool)
        for join in choice["joins"]:
            half = join["fade_frames"] // 2
            at = join["at_frame"] - choice["start_frame"]
            inside[at - half : at + half] = True
        assert np.array_equal(flipped[~inside], by_hand[~inside])
        fades.append(np.flatnonzero(inside).tolist())
    assert fades[0] == fades[1] == fades[2]
    assert len(fades[0]) == 2 * 1_440
    assert hashes(takes_json.parent) == before


def hashes(folder: Path) -> dict[Path, str]:
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def test_the_clips_say_what_they_are_and_where_they_go(
    day: Day, takes_json: Path, tmp_path: Path
) -> None:
    choice_json, clips = tmp_path / "choice.json", tmp_path / "clips"
    run("day", "choose", day.path, WORDS, "--takes", takes_json, "--out", choice_json)
    run("flip", "--choice", choice_json, "--out", clips, "--quiet")
    plan = day.inserts[0].plan
    at = TakeRange(phrase_start_samples=STARTS["A"][3])
    place = place_plan(
        plan, session=Session(rate=RATE, start="01:00:00:00", frame_rate="25"), take=at
    )
    info = WavInfoReader(str(clips / "A_take-3+1+2_Main.wav"))
    assert info.bext.time_reference == place.time_reference_samples
    assert info.bext.description.startswith(
        "Insert A of The Lantern, take 3:1, 1:2, tail 2, played backwards"
    )
    assert "joined and reversed: main.wav" in info.bext.coding_history
    manifest = json.loads((clips / "flip.json").read_text())
    assert manifest["clip_start_samples"] == place.clip_start_samples
    assert manifest["insert"]["plan_sha256"] == day.inserts[0].plan_sha256
    assert [len(file["stretches"]) for file in manifest["files"]] == [3, 3, 3]


def test_one_whole_take_is_flipped_as_by_its_plan(
    day: Day, takes_json: Path, tmp_path: Path
) -> None:
    choice_json = tmp_path / "choice.json"
    run("day", "choose", day.path, "A = 2", "--takes", takes_json, "--out", choice_json)
    run("flip", "--choice", choice_json, "--out", tmp_path / "chosen", "--quiet")
    files = [takes_json.parent / f"{name.lower().replace(' ', '-')}.wav" for name in MICROPHONES]
    take = open_take(files)
    session = Session(rate=RATE, start="01:00:00:00", frame_rate="25")
    by_plan = plan_flip(
        day.inserts[0].plan, take, session=session, phrase_start_samples=STARTS["A"][2]
    )
    flip_take(
        take,
        tmp_path / "plain",
        start_frame=by_plan.span.start,
        end_frame=by_plan.span.end,
        settings=FlipSettings(clip_start_samples=by_plan.placement.clip_start_samples),
    )
    for name, file in zip(MICROPHONES, files, strict=True):
        chosen = tmp_path / "chosen" / f"A_take-2_{name.replace(' ', '-')}.wav"
        plain = tmp_path / "plain" / f"{file.stem}_flipped.wav"
        sounds = [soundfile.read(path, dtype="int32")[0] for path in (chosen, plain)]
        assert np.array_equal(*sounds)
    chosen, plain = (
        json.loads((tmp_path / name / "flip.json").read_text()) for name in ("chosen", "plain")
    )
    assert chosen["clip_start_samples"] == plain["clip_start_samples"]


def test_joins_lie_where_nothing_begins_or_ends(
    day: Day, takes: TakesDocument, takes_json: Path
) -> None:
    choice = choose(day, WORDS, takes, base=takes_json.parent)
    plan = day.inserts[0].plan
    edges_s = {
        float(plan.insert_tempo.seconds_at(beats))
        for note in plan.notes
        for beats in (note.written_on_beats, note.written_off_beats)
    }
    for join in choice.joins:
        at_s = join.at_frame / RATE
        assert min(abs(at_s - edge) for edge in edges_s) > 0.09
        assert join.on == "steady tone"
    assert choice.joins[-1].at_frame < choice.joins[-1].asked_frame


def test_a_join_goes_onto_a_rest_before_a_steady_tone(day: Day) -> None:
    plan = day.inserts[0].plan
    first, second = (
        replace(plan.notes[0], written_on_beats=Fraction(on), written_off_beats=Fraction(off))
        for on, off in ((0, 2), (3, 6))
    )
    joins = Joins(replace(plan, notes=(first, second)), fade_s=0.03)
    place = joins.at_bar(2)
    assert place.on == "rest"
    # The rest is beats 3 to 4 of bar 1, 1.2 to 1.8 s: it ends a spread before the next attack.
    assert 1.2 + 0.08 < place.at_s < 1.8 - 0.08


def test_where_nothing_is_steady_no_join_is_made_and_it_is_said_where_one_can_be(day: Day) -> None:
    plan = day.inserts[0].plan
    busy = tuple(
        replace(
            plan.notes[0], written_on_beats=Fraction(n, 4), written_off_beats=Fraction(n + 1, 4)
        )
        for n in range(24)
    )
    with pytest.raises(TakeError, match="no rest and no steady tone lies within a beat of bar A2"):
        Joins(replace(plan, notes=busy), fade_s=0.03).at_bar(2)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("E = 1", "the day has no Insert E; its inserts are A, B, C, D"),
        ("A = 4", "Insert A has no take 4; there are: 1, 2, 3"),
        ("A = 1:1", "the insert has 2 bars"),
    ],
)
def test_a_choice_of_what_is_not_there_is_refused(
    day: Day, takes: TakesDocument, takes_json: Path, words: str, told: str
) -> None:
    with pytest.raises(RetroError, match=told):
        choose(day, words, takes, base=takes_json.parent)


def with_take_two(takes: TakesDocument, **changes: object) -> TakesDocument:
    return replace(
        takes,
        takes=tuple(
            replace(take, **changes) if (take.letter, take.number) == ("A", 2) else take
            for take in takes.takes
        ),
    )


def test_takes_that_do_not_go_together_are_refused(
    day: Day, takes: TakesDocument, takes_json: Path
) -> None:
    base = takes_json.parent
    two = next(take for take in takes.takes if (take.letter, take.number) == ("A", 2))
    renamed = (MicrophoneFile(microphone="Room", path="main.wav"), *two.files[1:])
    for changes, told in (
        ({"plan_sha256": "0" * 64}, "was played from another plan"),
        ({"files": renamed}, "do not both have the microphone 'Main'"),
        ({"end_frame": two.phrase_start_frame + 1_000}, "need the insert's frames"),
    ):
        with pytest.raises(TakeError, match=told):
            choose(day, "A = 1:1, 2:2, tail 1", with_take_two(takes, **changes), base=base)


def test_a_tail_that_is_too_short_is_told_and_the_clip_is_placed_by_what_is_there(
    day: Day, takes: TakesDocument, takes_json: Path
) -> None:
    whole = choose(day, "A = 1, tail 2", takes, base=takes_json.parent)
    end = STARTS["A"][2] + whole.end_frame - 4_800
    short = choose(
        day, "A = 1, tail 2", with_take_two(takes, end_frame=end), base=takes_json.parent
    )
    assert short.end_frame == whole.end_frame - 4_800
    assert short.notices == (
        "take 2 ends 0.10 s before the tail should; the clip is that much shorter and begins later",
    )


@pytest.mark.parametrize("words", ["A = 2", "A = 1:1, 2:2"])
def test_a_microphone_that_was_cut_off_before_the_take_is_named(
    day: Day, takes: TakesDocument, takes_json: Path, tmp_path: Path, words: str
) -> None:
    """Not the first file of the take, and not by a length of crossfades."""
    cut = STARTS["A"][2] - RATE
    sound, rate = soundfile.read(takes_json.with_name("strings.wav"), frames=cut, dtype="int32")
    soundfile.write(tmp_path / "cut.wav", sound, rate, subtype="PCM_24")
    files = (
        *takes.takes[1].files[:2],
        MicrophoneFile(microphone="Strings", path=str(tmp_path / "cut.wav")),
    )
    with pytest.raises(TakeError, match=rf"cut.wav: take 2 ends at its frame {cut}, before"):
        choose(day, words, with_take_two(takes, files=files), base=takes_json.parent)
    with pytest.raises(TakeError, match=r"take 2 ends at its frame 700000, before") as refusal:
        choose(day, words, with_take_two(takes, end_frame=700_000), base=takes_json.parent)
    assert refusal.value.where is None, "takes.json says so, and no file"


def test_lateness_of_the_take_that_lands_goes_into_the_place(
    day: Day, takes: TakesDocument, takes_json: Path
) -> None:
    late = with_take_two(takes, lateness_ms=30.0, remarks=("a cough in bar 1",))
    base = takes_json.parent
    choice = choose(day, "A = 2:1, 1:2", late, base=base)
    assert (choice.placing_take, choice.lateness_ms) == (2, 30.0)
    assert "take 2: a cough in bar 1" in choice.notices
    other = choose(day, "A = 1:1, 2:2", late, base=base)
    assert (other.placing_take, other.lateness_ms) == (1, None)


@pytest.mark.parametrize(
    ("second_ms", "told"),
    [(70.0, "45 ms later.*early"), (60.0, None), (-20.0, "45 ms earlier.*late")],
)
def test_a_take_that_lies_beside_the_one_that_places_the_clip_is_told(
    day: Day, takes: TakesDocument, takes_json: Path, second_ms: float, told: str | None
) -> None:
    """What is played later is heard earlier when it is turned round."""
    late = replace(
        takes,
        takes=tuple(
            replace(take, lateness_ms=second_ms if take.number == 2 else 25.0)
            for take in takes.takes
        ),
    )
    assert day.inserts[0].plan.placement.spread_ms == 40.0
    choice = choose(day, "A = 1:1, 2:2", late, base=takes_json.parent)
    own = [notice for notice in choice.notices if "by which the clip is placed" in notice]
    assert len(own) == (told is not None)
    assert all(re.search(f"take 2 was played {told}", notice) for notice in own)


def test_clips_are_not_laid_among_the_takes(day: Day, takes_json: Path, tmp_path: Path) -> None:
    choice_json = tmp_path / "choice.json"
    run("day", "choose", day.path, "A = 1", "--takes", takes_json, "--out", choice_json)
    before = sorted(takes_json.parent.iterdir())
    flip = ["flip", "--choice", str(choice_json), "--out", str(takes_json.parent)]
    refused = CliRunner().invoke(app, flip)
    assert isinstance(refused.exception, WriteError)
    assert "choose another --out" in str(refused.exception)
    assert sorted(takes_json.parent.iterdir()) == before


def test_a_choice_is_not_flipped_by_another_plan_nor_written_twice(
    day_toml: Path, takes_json: Path, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    shutil.copytree(day_toml.parent / "A", home / "A")
    (home / "day.toml").write_text('[[pack]]\nfolder = "A"\n')
    choice_json = home / "choice.json"
    words = ["day", "choose", home / "day.toml", WORDS, "--takes", takes_json, "--out", choice_json]
    run(*words)
    again = CliRunner().invoke(app, [str(word) for word in words])
    assert isinstance(again.exception, WriteError)
    shutil.rmtree(home / "A")
    shutil.copytree(day_toml.parent / "B", home / "A")
    flip = ["flip", "--choice", str(choice_json), "--out", str(tmp_path / "clips")]
    refused = CliRunner().invoke(app, flip)
    assert isinstance(refused.exception, PlanError)
    assert "another plan" in str(refused.exception)
    beside = CliRunner().invoke(app, [*flip, "--late-ms", "3"])
    assert isinstance(beside.exception, SettingsError)


def test_a_take_that_was_changed_since_it_was_chosen_is_not_flipped(
    day: Day, takes_json: Path, tmp_path: Path
) -> None:
    """Take 2 gives bar 2 and the tail; one frame of one microphone is another afterwards."""
    home, clips = tmp_path / "takes", tmp_path / "clips"
    shutil.copytree(takes_json.parent, home)
    choice_json = tmp_path / "choice.json"
    words = "A = 1:1, 2:2"
    run("day", "choose", day.path, words, "--takes", home / "takes.json", "--out", choice_json)
    choice = read_choice(choice_json)
    flip = ["flip", "--choice", str(choice_json), "--out", str(clips), "--quiet"]
    half = choice.joins[0].fade_frames // 2
    first = STARTS["A"][2] + choice.joins[0].at_frame - half
    change_frame(home / "horns-close.wav", first)
    refused = CliRunner().invoke(app, flip)
    assert isinstance(refused.exception, TakeError)
    assert re.fullmatch(
        r".*horns-close\.wav: take 2 was changed since it was chosen: .*; .*choose again.*",
        str(refused.exception),
    )
    assert not clips.exists()
    change_frame(home / "horns-close.wav", first)
    for frame in (first - 1, STARTS["A"][2] + choice.end_frame):
        change_frame(home / "horns-close.wav", frame)
    run(*flip)


def change_frame(path: Path, frame: int) -> None:
    """Turn the lowest bit of a frame of a made microphone over."""
    with path.open("r+b") as file:
        data = file.read(4_096)
        at = data.index(b"data") + 8 + 3 * frame
        file.seek(at)
        byte = file.read(1)[0]
        file.seek(at)
        file.write(bytes([byte ^ 1]))


def test_a_choice_without_hashes_is_refused(day: Day, takes_json: Path, tmp_path: Path) -> None:
    choice_json = tmp_path / "choice.json"
    run("day", "choose", day.path, WORDS, "--takes", takes_json, "--out", choice_json)
    document = json.loads(choice_json.read_text())
    document["stretches"][1]["frames_sha256"].pop()
    choice_json.write_text(json.dumps(document))
    with pytest.raises(ReadError, match="do not fit together"):
        read_choice(choice_json)
    del document["stretches"][1]["frames_sha256"]
    choice_json.write_text(json.dumps(document))
    with pytest.raises(ReadError, match="frames_sha256"):
        read_choice(choice_json)


def test_a_choice_whose_pieces_do_not_fit_is_refused(
    day: Day, takes_json: Path, tmp_path: Path
) -> None:
    choice_json = tmp_path / "choice.json"
    run("day", "choose", day.path, WORDS, "--takes", takes_json, "--out", choice_json)
    document = json.loads(choice_json.read_text())
    document["stretches"][0]["end_frame"] += 1
    choice_json.write_text(json.dumps(document))
    with pytest.raises(ReadError, match="do not fit together"):
        read_choice(choice_json)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a day of one study, with the preview's players as a recording.

    Take 1 lies where it is said, of the place of take 2 a digit was lost.
    """
    folder = tmp_path_factory.mktemp("played")
    settings = Settings(
        letter="A", session_start="01:00:00:00", only=(Section.COPYIST, Section.ENGINEER)
    )
    plan = plan_file(STUDY, settings)
    write_pack(plan, folder / "A")
    (folder / "day.toml").write_text('[[pack]]\nfolder = "A"\n')
    preview = render_preview(plan.performance)
    lead = np.zeros((480_000 - preview.pre_roll_samples, preview.played.shape[1]))
    soundfile.write(folder / "main.wav", np.concatenate([lead, preview.played, lead]), RATE)
    files = (MicrophoneFile(microphone="Main", path="main.wav"),)
    takes = tuple(
        TakeDocument(letter="A", number=number, files=files, phrase_start_frame=start)
        for number, start in ((1, 480_000), (2, 48_000))
    )
    (folder / "takes.json").write_bytes(encoded(TakesDocument(takes=takes)))
    return folder


def test_a_place_that_a_person_states_is_listened_to(played: Path) -> None:
    day, takes = compose_day(played / "day.toml"), read_takes(played / "takes.json")
    assert choose(day, "A = 1", takes, base=played).notices == ()
    with pytest.raises(TakeError, match="take 2: the insert does not begin at frame 48000"):
        choose(day, "A = 1, tail 2", takes, base=played)
    unheard = choose(day, "A = 2", takes, base=played, unheard=True)
    assert unheard.notices == ("take 2: nobody listened whether the insert lies there",)


def test_files_that_begin_at_other_times_are_joined_by_their_stamps(
    day: Day, tmp_path: Path
) -> None:
    """The second microphone of both takes was started 1,000 frames later than the first."""
    for number in (1, 2):
        for name, late in (("main", 0), ("horns", 1_000)):
            sound = np.arange(late, 600_000, dtype=np.int32) << 8
            body = soundfile_bytes(sound)
            (tmp_path / f"{name}{number}.wav").write_bytes(with_stamp(body, 5_000 + late))
    documents = tuple(
        TakeDocument(
            letter="A",
            number=number,
            files=tuple(
                MicrophoneFile(microphone=name, path=f"{name}{number}.wav")
                for name in ("main", "horns")
            ),
            phrase_start_frame=20_000 * number,
            within_frames=2.0,
        )
        for number in (1, 2)
    )
    choice = choose(day, "A = 1:1, 2:2", TakesDocument(takes=documents), base=tmp_path)
    opened = open_takes(choice.takes, tmp_path)
    main, horns = joined_stretches(choice, opened)
    assert [each.span.start for each in main] == [
        20_000 + choice.start_frame,
        40_000 + choice.joins[0].at_frame,
    ]
    for one, other in zip(main, horns, strict=True):
        assert one.span.start - other.span.start == one.span.end - other.span.end == 1_000


def soundfile_bytes(sound: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, sound, RATE, format="WAV", subtype="PCM_24")
    return buffer.getvalue()


def with_stamp(wave: bytes, frames: int) -> bytes:
    """Return a WAV file with a time-stamp (EBU Tech 3285)."""
    bext = bytearray(602)
    struct.pack_into("<IIH", bext, 338, frames, 0, 1)
    chunk = b"bext" + struct.pack("<I", len(bext)) + bytes(bext)
    return wave[:4] + struct.pack("<I", len(wave) + len(chunk) - 8) + b"WAVE" + chunk + wave[12:]
