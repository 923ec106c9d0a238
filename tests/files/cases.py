"""The commands that write, each with what stands there first, to be stopped or refused in trials.

They run inside one process that has imported everything and that copies itself for every trial.
"""

import contextlib
import hashlib
import io
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from retro.cli import app, watching
from retro.cli.refusing import refuse
from retro.day import folders as day_folders
from retro.day import judge as day_judge
from retro.day import prepare as day_prepare
from retro.day.clicks import patterned_click
from retro.day.compose import compose_day
from retro.model.settings import Settings
from retro.plan import compose
from retro.sounds import learning
from retro.sounds.probe import length_s, read_probe
from retro.units import pitch_to_hz
from tests.example import TARGET
from tests.sounds.made_tones import made_tone

SONG, SAVED = Path("song.mid"), Path("song.toml")
"""What a watched build reads, and the settings beside it that are saved while it watches."""

BUILD = ["build", str(TARGET), "--out", "pack", "--only", "engineer", "--quiet"]
NEW_BUILD = [*BUILD, "--bars", "23-23"]
WATCH = ["build", str(SONG), "--out", "pack", "--only", "engineer", "--quiet", "--overwrite"]
DRAFT = ["draft", "swell.mid", "--players", "flute", "--pitches", "C5", "--song", str(TARGET)]
FLIP = ["flip", "take", "--out", "out", "--quiet"]
PLACE = ["place", "pack/plan.json", "--csv", "place.csv"]
STUDY = TARGET.parent / "studies" / "violin_run.mid"
PROBE = ["probe", str(STUDY), "--out", "probe.mid"]
BOUNCE_RATE = 16_000
LEARN = ["learn", "bounce.wav", "--probe", "probe.mid", "--out", "sounds.toml"]
PACK = ["build", str(STUDY), "--bars", "1-1", "--session-start", "01:00:00:00", "--out", "pack"]
PREPARE = ["day", "prepare", "day.toml", "--out", "day", "--quiet"]
FIND = ["day", "find", "day.toml", "reel.wav", "--out", "takes.json", "--quiet"]
JUDGE = ["day", "judge", "day.toml", "--out", "judged", "--quiet"]
CHOOSE = ["day", "choose", "day.toml", "A = 1", "--out", "choice.json"]
FLIP_CHOICE = ["flip", "--choice", "choice.json", "--out", "clips", "--quiet"]
DELIVER = ["day", "deliver", "day.toml", "--clips", "clips", "--out", "deliver"]
REEL_S = 14


@dataclass(frozen=True, kw_only=True)
class Case:
    """What stands there first, the command that is tried, and the run after it.

    ``output`` is what the command makes. With ``saves`` the command watches: that is called while
    it does, and then it is stopped.
    """

    output: str
    prepare: Callable[[], None] = lambda: None
    command: list[str]
    again: list[str]
    saves: Callable[[], None] | None = None

    def run(self, start: Callable[[], None] = lambda: None) -> int:
        """Run the command here; return its exit code. It is tried from `start` on."""
        return self.told(start)[0]

    def told(self, start: Callable[[], None] = lambda: None) -> tuple[int, str]:
        """Likewise; return also what it said on standard error."""
        if self.saves is None:
            start()
            return told(self.command)
        looks = iter([lambda: None, self.saves, start, lambda: None, _interrupt])
        watching.time.sleep = lambda _: next(looks)()
        return told(self.command)


def run(words: list[str]) -> int:
    """Run a command line here, in silence; return its exit code."""
    return told(words)[0]


def told(words: list[str]) -> tuple[int, str]:
    """Run a command line here; return its exit code and what it said on standard error."""
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        try:
            app(words, standalone_mode=False)
        except Exception as fault:
            refuse(fault)
            return 1, said.getvalue()
    return 0, said.getvalue()


def without_overwrite(words: list[str]) -> list[str]:
    """Return a command that may replace nothing."""
    return [word for word in words if word != "--overwrite"]


def state() -> dict[str, str]:
    """Return the hash of every file here, hidden ones too, but for the watched ones."""
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(Path().rglob("*"))
        if path.is_file() and path not in (SONG, SAVED)
    }


def in_sight(state: dict[str, str]) -> dict[str, str]:
    """Return a state without hidden files and folders."""
    return {path: text for path, text in state.items() if "/." not in f"/{path}"}


def in_child(work: Callable[[], int]) -> int:
    """Do something in a copy of this process; return its exit code."""
    child = os.fork()
    if child == 0:
        code = 70
        try:
            code = work()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def load(case: Case, place: Path) -> None:
    """Let this process import what a command needs, so that its copies need not."""
    learning.learn = learned_once
    compose.plan_file = planned_once
    day_folders._count = _count_once
    day_prepare.folder_pdf = _folder_pdf_once
    day_judge.judge = _judge_once
    place.mkdir(parents=True)
    os.chdir(place)
    case.prepare()
    case.run()
    run(case.again)


_plan_file = compose.plan_file
_plans: dict[str, compose.Plan] = {}


def planned_once(path: Path, settings: Settings) -> compose.Plan:
    """Plan each window once: the plan writes nothing, and every trial would plan it anew."""
    key = f"{path} {settings}"
    if key not in _plans:
        _plans[key] = _plan_file(path, settings)
    return _plans[key]


_learn = learning.learn
_learned: list[learning.Learned] = []


def learned_once(*bounced: object, **about: object) -> learning.Learned:
    """Listen to the bounce once: that writes nothing, and every trial would listen anew."""
    if not _learned:
        _learned.append(_learn(*bounced, **about))  # type: ignore[arg-type]
    return _learned[0]


def once(work: Callable[..., object], key: Callable[..., str]) -> Callable[..., object]:
    """Do what writes nothing once for each key: every trial would do it anew."""
    done: dict[str, object] = {}

    def remembered(*given: object, **about: object) -> object:
        name = key(*given, **about)
        if name not in done:
            done[name] = work(*given, **about)
        return done[name]

    return remembered


_count_once = once(day_folders._count, lambda pdf: f"{pdf.name}")
_folder_pdf_once = once(day_prepare.folder_pdf, lambda cover, *_, **__: f"{cover}")
_judge_once = once(day_judge.judge, lambda *_, **__: "")


def _interrupt() -> None:
    raise KeyboardInterrupt


def _old_pack() -> None:
    run([*BUILD, "--bars", "22-22"])
    Path("pack/notes.txt").write_text("mine")
    Path("pack/engineer/placement.csv").write_text("changed")


def _watched() -> None:
    shutil.copy(TARGET, SONG)
    SAVED.write_text('[window]\nbars = "22-22"\n')
    run(WATCH)
    Path("pack/notes.txt").write_text("mine")


def _save() -> None:
    """Save as many programs do: delete the old file, then rename the new one."""
    SAVED.unlink()
    new = Path("song.new")
    new.write_text('[window]\nbars = "23-23"\n')
    new.rename(SAVED)


def _old_draft() -> None:
    run([*DRAFT, "--bar", "33"])


def _take() -> None:
    Path("take").mkdir()
    for number in range(2):
        sound = np.random.default_rng(number).uniform(-0.5, 0.5, 500)
        soundfile.write(f"take/mic{number}.wav", sound, 48_000, "PCM_24")


def _old_flip() -> None:
    _take()
    run(["flip", "take", "--out", "out", "--range", "0-400", "--quiet"])


def _plan() -> None:
    run(NEW_BUILD)


def _bounced() -> None:
    """Write the probe of one player, and what a sampler makes of it."""
    run(PROBE)
    tones = read_probe(Path("probe.mid"))
    sound = np.zeros((round(length_s(tones) * BOUNCE_RATE), 2))
    for tone in tones:
        piece = made_tone(
            pitch_hz=pitch_to_hz(tone.pitch),
            attack_s=0.05,
            decay_s=0.4,
            held_s=tone.held_s,
            after_s=1.9,
            is_struck=tone.is_struck,
            rate=BOUNCE_RATE,
        )
        room = sound[round(tone.on_s * BOUNCE_RATE) :][: len(piece)]
        room += piece[: len(room)] * (tone.velocity / 127.0)
    soundfile.write("bounce.wav", sound[:, 0], BOUNCE_RATE, "PCM_16")


_packs: list[Path] = []


def _day() -> None:
    """Build a pack for a day, and record its click.

    It is built once, before this process copies itself: the page setter's threads stay behind then.
    """
    if not _packs:
        run([*PACK, "--only", "engineer", "--only", "copyist", "--letter", "A", "--quiet"])
        _packs.append(Path("pack").absolute())
    else:
        shutil.copytree(_packs[0], "pack")
    Path("day.toml").write_text('[[pack]]\nfolder = "pack"\n')
    day = compose_day(Path("day.toml"))
    click = patterned_click(day.inserts[0], day.patterns[0])
    sound = np.zeros(REEL_S * click.rate)
    sound[: len(click.sound)] = 0.1 * click.sound[:, 0]
    soundfile.write("reel.wav", sound, click.rate, "PCM_16")


def _old_day() -> None:
    """Likewise, with a day that was prepared under another title and changed by a person."""
    _day()
    Path("day.toml").write_text('title = "Old"\n[[pack]]\nfolder = "pack"\n')
    run(PREPARE)
    Path("day.toml").write_text('[[pack]]\nfolder = "pack"\n')


def _found() -> None:
    _day()
    run(FIND)


def _old_judged() -> None:
    _found()
    run(JUDGE)
    Path("day.toml").write_text('title = "New"\n[[pack]]\nfolder = "pack"\n')


def _old_delivery() -> None:
    _found()
    run([*CHOOSE, "--why", "the old one"])
    run(FLIP_CHOICE)
    run(DELIVER)
    shutil.rmtree("clips")
    Path("choice.json").unlink()
    run(CHOOSE)
    run(FLIP_CHOICE)


CASES = {
    "build": Case(output="pack", command=NEW_BUILD, again=[*NEW_BUILD, "--overwrite"]),
    "build --overwrite": Case(
        output="pack",
        prepare=_old_pack,
        command=[*NEW_BUILD, "--overwrite"],
        again=[*NEW_BUILD, "--overwrite"],
    ),
    "build --watch": Case(
        output="pack", prepare=_watched, command=[*WATCH, "--watch"], again=WATCH, saves=_save
    ),
    "draft": Case(
        output="swell.mid",
        command=[*DRAFT, "--bar", "34"],
        again=[*DRAFT, "--bar", "34", "--overwrite"],
    ),
    "draft --overwrite": Case(
        output="swell.mid",
        prepare=_old_draft,
        command=[*DRAFT, "--bar", "34", "--overwrite"],
        again=[*DRAFT, "--bar", "34", "--overwrite"],
    ),
    "flip": Case(output="out", prepare=_take, command=FLIP, again=[*FLIP, "--resume"]),
    "flip --overwrite": Case(
        output="out",
        prepare=_old_flip,
        command=[*FLIP, "--overwrite"],
        again=[*FLIP, "--overwrite"],
    ),
    "place --csv": Case(output="place.csv", prepare=_plan, command=PLACE, again=PLACE),
    "probe": Case(output="probe.mid", command=PROBE, again=PROBE),
    "learn": Case(output="sounds.toml", prepare=_bounced, command=LEARN, again=LEARN),
    "day prepare": Case(
        output="day",
        prepare=_old_day,
        command=[*PREPARE, "--overwrite"],
        again=[*PREPARE, "--overwrite"],
    ),
    "day find": Case(output="takes.json", prepare=_day, command=FIND, again=FIND),
    "day judge": Case(
        output="judged",
        prepare=_old_judged,
        command=[*JUDGE, "--overwrite"],
        again=[*JUDGE, "--overwrite"],
    ),
    "day choose": Case(output="choice.json", prepare=_found, command=CHOOSE, again=CHOOSE),
    "day deliver": Case(
        output="deliver",
        prepare=_old_delivery,
        command=[*DELIVER, "--overwrite"],
        again=[*DELIVER, "--overwrite"],
    ),
}


def command_of(case: str) -> str:
    """Return the words that name the command of a case: one, or two of a group."""
    words = case.split()
    return " ".join(words[:2] if words[0] == "day" else words[:1])
