"""What `retro day judge` writes: ranks, remarks, takes for a choice, and the page."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from retro.cli import app
from retro.day.choose import open_takes
from retro.day.compose import Day
from retro.day.judge import ALONE, _ranked, _remarks
from retro.day.judge_page import page_html
from retro.day.judged_document import JudgedDocument, JudgedNoise, JudgedTake, PlayedNoiseDocument
from retro.day.takes_document import MicrophoneFile, TakeDocument, TakesDocument, read_takes
from retro.measuring.pitches import Doubtful, without_bleed
from retro.model.encoding import encoded
from tests.day.made_takes import MICROPHONES, RATE, Played, day_of, played, write_takes

DOCS = Path(__file__).parents[2] / "docs"
STARTS = {"A": {1: 200_000, 2: 700_001}, "B": {1: 1_400_000}}


@pytest.fixture(scope="module")
def takes_json(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_takes(tmp_path_factory.mktemp("judged-takes"), STARTS)


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    return done.exit_code, done.output


def test_noise_is_no_take_and_the_recordings_stay_as_they_are(
    day_toml: Path, takes_json: Path, tmp_path: Path
) -> None:
    before = {path: path.read_bytes() for path in takes_json.parent.iterdir()}
    out = tmp_path / "judged"
    code, said = run("day", "judge", day_toml, "--takes", takes_json, "--out", out, "--quiet")
    assert code == 0, said
    document = json.loads((out / "judged.json").read_text())
    schema = json.loads((DOCS / "judged.schema.json").read_text())
    Draft202012Validator(schema).validate(document)
    ranks = {(take["letter"], take["number"]): take["rank"] for take in document["takes"]}
    assert sorted(ranks) == [("A", 1), ("A", 2), ("B", 1)]
    assert ranks["B", 1] == 1
    for take in document["takes"]:
        assert take["is_there"] is not True
        assert take["remarks"]
    assert {path: path.read_bytes() for path in takes_json.parent.iterdir()} == before


def test_a_false_start_is_called_so_and_no_other_take_is_held_against_it(
    alike: Path, tmp_path: Path
) -> None:
    day = day_of(alike, "A")
    own = [Played(20 * RATE, ticks=True, seconds=5.0), Played(60 * RATE, ticks=True)]
    main = played(day, tmp_path / "main.wav", own)
    takes, out = tmp_path / "takes.json", tmp_path / "judged"
    assert run("day", "find", day.path, main, "--out", takes, "--quiet")[0] == 0
    code, said = run("day", "judge", day.path, "--takes", takes, "--out", out, "--quiet")
    assert code == 0, said
    judged = json.loads((out / "judged.json").read_text())["takes"]
    first, last = sorted(judged, key=lambda take: take["rank"])
    assert (first["number"], first["is_there"], first["remarks"]) == (2, True, [ALONE])
    assert first["not_heard"] == [ALONE]
    assert first["level_over_others_db"] is None
    assert (last["number"], last["is_there"]) == (1, False)
    (words,) = last["remarks"]
    assert words.startswith("a false start, or another insert")
    assert not last["sections"]
    assert not last["noises"]


def test_a_false_start_that_is_followed_by_quiet_comes_last_and_says_where(
    alike: Path, tmp_path: Path
) -> None:
    day = day_of(alike, "A")
    own = [Played(20 * RATE, seconds=8.0, talks=False), Played(60 * RATE)]
    main = played(day, tmp_path / "main.wav", own)
    files = (MicrophoneFile(microphone="Main", path=main.name),)
    takes = tuple(
        TakeDocument(
            letter="A", number=number, files=files, phrase_start_frame=one.start, within_frames=2.0
        )
        for number, one in enumerate(own, start=1)
    )
    (tmp_path / "takes.json").write_bytes(encoded(TakesDocument(takes=takes)))
    words = ("--takes", tmp_path / "takes.json", "--out", tmp_path / "judged", "--quiet")
    assert run("day", "judge", day.path, *words)[0] == 0
    judged = json.loads((tmp_path / "judged" / "judged.json").read_text())["takes"]
    first, last = sorted(judged, key=lambda take: take["rank"])
    assert (first["number"], first["is_there"]) == (2, True)
    assert (last["number"], last["is_there"]) == (1, False)
    assert "the insert breaks off: nothing is heard of the insert after its bar" in last["place"]


def test_what_is_wrong_with_a_take_is_told_before_anything_is_listened_to(
    day_toml: Path, takes_json: Path, tmp_path: Path
) -> None:
    known = json.loads(takes_json.read_text())
    for change, words in (
        ({"plan_sha256": "0" * 64}, "take 1 of Insert B was played from another plan"),
        ({"letter": "Z"}, "the day has no Insert Z"),
        ({"files": [{"microphone": "Main", "path": "moved.wav"}]}, "there is no such file"),
    ):
        *others, last = known["takes"]
        path = takes_json.with_name("by-hand.json")
        path.write_text(json.dumps({**known, "takes": [*others, last | change]}))
        heard = CliRunner().invoke(
            app,
            [
                *("day", "judge", str(day_toml), "--takes", str(path)),
                *("--out", str(tmp_path / "judged")),
            ],
        )
        path.unlink()
        assert heard.exit_code == 1
        assert words in str(heard.exception)
        assert not heard.output, "nothing was listened to"


def test_takes_with_remarks_are_takes_for_a_choice(
    day_toml: Path, takes_json: Path, tmp_path: Path
) -> None:
    out = tmp_path / "judged"
    assert run("day", "judge", day_toml, "--takes", takes_json, "--out", out, "--quiet")[0] == 0
    takes = json.loads((out / "takes.json").read_text())["takes"]
    assert all(take["remarks"] for take in takes)
    for file in takes[0]["files"]:
        assert (out / file["path"]).is_file()
        assert file["microphone"] in MICROPHONES
    code, said = run(
        *("day", "choose", day_toml, "A = 2", "--takes", out / "takes.json"),
        *("--out", tmp_path / "choice.json"),
    )
    assert code == 0, said
    notices = json.loads((tmp_path / "choice.json").read_text())["notices"]
    assert any(takes[1]["remarks"][0] in notice for notice in notices)
    again = open_takes(read_takes(out / "takes.json").takes[:1], out)
    assert again[1].take.files[0].path == takes_json.parent / "main.wav"


def test_a_recording_that_ends_too_early_says_by_how_much(
    day_toml: Path, takes_json: Path, tmp_path: Path
) -> None:
    takes = json.loads(takes_json.read_text())
    packs = day_toml.parent
    placement = json.loads((packs / "A" / "plan.json").read_text())["placement"]
    whole = round((placement["length_samples"] + placement["roll_samples"]) * RATE / 48_000)
    takes["takes"][0]["end_frame"] = STARTS["A"][1] + whole - RATE // 10
    short = takes_json.with_name("short.json")
    short.write_text(json.dumps(takes))
    out = tmp_path / "judged"
    code, said = run("day", "judge", day_toml, "--takes", short, "--out", out, "--quiet")
    short.unlink()
    assert code == 0, said
    (first,) = [
        take
        for take in json.loads((out / "judged.json").read_text())["takes"]
        if (take["letter"], take["number"]) == ("A", 1)
    ]
    assert abs(first["roll_short_s"] - 0.1) < 0.01
    assert "the recording ends 0.10 s too early" in first["remarks"]


def test_the_microphone_whose_file_ends_too_early_is_named(alike: Path, tmp_path: Path) -> None:
    day = day_of(alike, "A")
    main = played(day, tmp_path / "main.wav", [Played(20 * RATE, ticks=True)])
    heard, _ = soundfile.read(main, dtype="int16")
    whole = float(day.inserts[0].plan.length_s + day.inserts[0].plan.placement.roll_s)
    end = 20 * RATE + round((whole - 0.5) * RATE)
    soundfile.write(tmp_path / "horns.wav", heard[:end], RATE)
    files = tuple(
        MicrophoneFile(microphone=name, path=f"{name.lower()}.wav") for name in ("Main", "Horns")
    )
    take = TakeDocument(
        letter="A", number=1, files=files, phrase_start_frame=20 * RATE, within_frames=2.0
    )
    (tmp_path / "takes.json").write_bytes(encoded(TakesDocument(takes=(take,))))
    words = ("--takes", tmp_path / "takes.json", "--out", tmp_path / "judged", "--quiet")
    assert run("day", "judge", day.path, *words)[0] == 0
    (judged,) = json.loads((tmp_path / "judged" / "judged.json").read_text())["takes"]
    assert judged["short_in"] == ["Horns"]
    assert "the recording ends 0.50 s too early in Horns" in judged["remarks"]


def test_a_noise_while_people_play_is_told_on_the_page_and_puts_a_take_behind(day: Day) -> None:
    noise = PlayedNoiseDocument(
        bar=2, beat=1.25, at_frame=96_000, length_s=0.3, over_db=12.0, microphone="<Main>"
    )
    quiet = replace(a_take(), number=2, level_over_others_db=4.0)
    noisy = replace(quiet, number=1, level_over_others_db=None, played_noises=(noise,) * 3)
    takes = _ranked([replace(one, remarks=tuple(_remarks(one))) for one in (noisy, quiet)])
    assert [(take.number, take.rank) for take in takes] == [(2, 1), (1, 2)]
    words = "a noise at bar 2 beat 1.2 of the insert, 12 dB over the other takes in <Main>"
    assert takes[1].remarks == (words, words, "more noises while people play: 1")
    page = page_html(day, JudgedDocument(takes=tuple(takes))).decode()
    assert page.count("Take 1: a noise, bar 2 beat 1.2 of the insert, frame 96000, 0.3 s long") == 3
    assert "<Main>" not in page


def a_take() -> JudgedTake:
    """Return a take that nothing is against."""
    return JudgedTake(
        letter="A",
        number=1,
        rank=1,
        is_there=True,
        place="",
        lateness_ms=None,
        lateness_uncertainty_ms=None,
        sections=(),
        peak_dbfs=-3.0,
        level_dbfs=-20.0,
        level_over_others_db=None,
        noises=(),
        played_noises=(),
        roll_short_s=0.0,
        short_in=(),
        early_s=None,
        not_heard=(),
        remarks=(),
    )


def test_a_sure_fault_in_the_tail_comes_after_any_doubt() -> None:
    """The tail begins the flipped clip; what is only to be listened to may be nothing."""
    cough = JudgedNoise(after_release_s=0.8, length_s=0.2, over_db=9.0, microphone="Main")
    played = PlayedNoiseDocument(
        bar=2, beat=1.0, at_frame=96_000, length_s=0.3, over_db=12.0, microphone="Main"
    )
    worst_first = [
        {"is_there": False, "place": "a false start"},
        {"noises": (cough,)},
        {"roll_short_s": 0.4},
        {"early_s": 0.3},
        {"played_noises": (played,) * 3, "level_over_others_db": 4.0},
        {"is_there": None, "place": "few attacks", "level_over_others_db": 4.0},
        {"peak_dbfs": 0.0},
        {},
    ]
    takes = [replace(a_take(), number=n, **told) for n, told in enumerate(worst_first, start=1)]
    ranked = _ranked([replace(one, remarks=tuple(_remarks(one))) for one in takes])
    assert [take.number for take in ranked] == [8, 7, 6, 5, 2, 3, 4, 1]
    assert [take.rank for take in ranked] == list(range(1, 9))


def test_an_older_judgement_is_renewed_and_nothing_else_is(
    day_toml: Path, takes_json: Path, tmp_path: Path
) -> None:
    words = ("day", "judge", day_toml, "--takes", takes_json, "--quiet", "--out")
    other = tmp_path / "other"
    other.mkdir()
    (other / "notes.txt").write_text("mine")
    assert run(*words, other)[0] == 1
    assert run(*words, other, "--overwrite")[0] == 1
    assert [path.name for path in other.iterdir()] == ["notes.txt"]


def test_a_wrong_note_is_told_in_the_section_where_it_is_clearest(day: Day) -> None:
    plan = day.inserts[0].plan
    together = [index for index, note in enumerate(plan.notes) if note.played_on_s < 0.1]
    first = together[0]
    pitch = plan.notes[first].pitch
    octave = next(i for i in together[1:] if (plan.notes[i].pitch - pitch) % 12 == 0)
    other = next(i for i in together if (plan.notes[i].pitch - pitch) % 12 not in {0, 1, 11})
    wrong = Doubtful(note=first, semitones=1, better_db=9.0)
    louder = Doubtful(note=octave, semitones=1, better_db=12.0)
    apart = Doubtful(note=other, semitones=1, better_db=7.0)
    assert without_bleed([[wrong], [louder, apart]], plan) == [
        [],
        sorted([louder, apart], key=lambda one: one.note),
    ]
    assert without_bleed([[wrong], [apart]], plan) == [[wrong], [apart]]
