"""The engine makes what changed, and gives what a build would make."""

import os
import shutil
import threading
import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retro.listening.engine import Engine
from retro.model.latest import Latest
from retro.model.performance import Performance
from retro.model.settings import Landing, PaperSize, PartSettings, Section
from retro.model.sound import Room
from retro.pack.write import write_pack
from retro.plan.compose import plan_file
from retro.plan.document import plan_json
from retro.read.settings import read_settings
from retro.render.preview import Preview, render_preview
from retro.sounds import renderer
from retro.sounds.bank import Bank, Sound16
from tests.example import TARGET
from tests.sounds.conftest import bank

__all__ = ["bank"]

SETTINGS = read_settings(TARGET.with_suffix(".toml"))


@pytest.fixture(scope="module")
def engine() -> Engine:
    return Engine(TARGET)


def test_its_plan_and_sound_are_those_of_a_build(engine: Engine) -> None:
    settings = replace(SETTINGS, room=Room(2.3, -1.0))
    plan = plan_file(TARGET, settings)
    assert plan_json(engine.plan(settings)) == plan_json(plan)
    made, wanted = engine.renderer.preview(plan.performance), render_preview(plan.performance)
    assert np.array_equal(made.played, wanted.played)
    assert np.array_equal(made.target, wanted.target)


def test_what_is_not_heard_renders_nothing_anew(engine: Engine) -> None:
    first = engine.renderer.rendering(engine.plan(SETTINGS).performance)
    for changes in (
        {"letter": "C"},
        {"paper": PaperSize.LETTER},
        {"audible_db": 50.0},
        {"lands_on": "25.2"},
        {"count_in_bars": 1},
    ):
        plan = engine.plan(replace(SETTINGS, **changes))
        assert engine.renderer.rendering(plan.performance).number == first.number, changes


def test_what_is_heard_is_rendered_anew(engine: Engine) -> None:
    numbers = {engine.renderer.rendering(engine.plan(SETTINGS).performance).number}
    harp = PartSettings(match="Harp", landing=Landing.START)
    for changes in (
        {"room": Room(1.7, 0.0)},
        {"onset_db": 8.0},
        {"parts": (*SETTINGS.parts, harp)},
        {"parts": (*SETTINGS.parts, PartSettings(match="Harp", leave_out=True))},
        {"seed": 2},
    ):
        performance = engine.plan(replace(SETTINGS, **changes)).performance
        numbers.add(engine.renderer.rendering(performance).number)
    assert len(numbers) == 6


def test_packs_that_sound_the_same_are_rendered_once(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rendered: list[int] = []

    def counted(performance: Performance) -> Preview:
        rendered.append(1)
        return render_preview(performance)

    monkeypatch.setattr(renderer, "render_preview", counted)
    only = (Section.ARRANGER,)
    for number, changes in enumerate(({}, {"letter": "D"}, {"room": Room(0.7, 3.0)})):
        settings = replace(SETTINGS, bars="27-28", only=only, **changes)
        out = tmp_path / str(number)
        write_pack(engine.plan(settings), out, renderer=engine.renderer)
    first, second, third = (
        (tmp_path / name / "arranger" / "played.wav").read_bytes() for name in "012"
    )
    assert first == second != third
    assert len(rendered) == 2


def test_with_a_bank_of_sounds_it_plays_what_a_build_writes(
    bank: Bank, engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played: list[bytes] = []
    play = Bank.play

    def counted(self: Bank, midi: bytes, presets: Iterable[tuple[int, int]]) -> Sound16:
        played.append(midi)
        return play(self, midi, presets)

    settings = replace(SETTINGS, bars="27-28", soundfont=str(bank.path), only=(Section.ARRANGER,))
    before = engine.renderer.preview(engine.plan(settings).performance)
    monkeypatch.setattr(Bank, "play", counted)
    harp = PartSettings(match="Harp", landing=Landing.START)
    moved = replace(settings, parts=(*settings.parts, harp))
    preview = engine.renderer.preview(engine.plan(moved).performance)
    assert 1 <= len(played) <= 2  # the harp, and its target
    assert preview.played.shape != before.played.shape or np.any(preview.played != before.played)
    write_pack(plan_file(TARGET, moved), tmp_path / "pack")
    for name, sound in (("flipped", preview.flipped), ("target", preview.target)):
        written, _ = soundfile.read(tmp_path / "pack/arranger" / f"{name}.wav", dtype="float32")
        assert np.array_equal(written, sound)


def test_a_target_that_is_saved_is_read_anew(tmp_path: Path) -> None:
    target = tmp_path / "song.mid"
    shutil.copy(TARGET, target)
    engine = Engine(target)
    before = engine.song(SETTINGS)
    assert engine.song(SETTINGS) is before
    status = target.stat()
    os.utime(target, ns=(status.st_atime_ns, status.st_mtime_ns + 1))
    again = engine.song(SETTINGS)
    assert again is not before
    assert again == before


def test_sounds_that_are_learned_anew_are_heard(engine: Engine, tmp_path: Path) -> None:
    path = tmp_path / "sounds.toml"
    settings = replace(SETTINGS, sounds=str(path))
    played, numbers = [], set()
    for attack_s in (0.05, 0.25):
        path.write_text(
            f'[[player]]\nname = "Viola"\nattack_s = {attack_s}\ndecay_s = 0.4\n'
            "attack_spread_s = 0.0\ndecay_spread_s = 0.0\n"
        )
        performance = engine.plan(settings).performance
        numbers.add(engine.renderer.rendering(performance).number)
        viola = next(i for i, each in enumerate(performance.players) if each.name == "Viola")
        played.append([n.played_on_s for n in performance.notes if n.part == viola])
    assert len(numbers) == 2
    early = [first - second for first, second in zip(*played, strict=True)]
    assert min(early) > 0.03


def test_what_two_ask_for_at_once_is_made_once() -> None:
    made: list[int] = []
    latest: Latest[int, object] = Latest(2)

    def make() -> object:
        made.append(1)
        time.sleep(0.05)
        return object()

    found: list[object] = []
    threads = [threading.Thread(target=lambda: found.append(latest.get(1, make))) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 1
    assert len(set(map(id, found))) == 1


def test_only_the_latest_are_kept_and_what_is_heavy_goes_first() -> None:
    latest: Latest[str, str] = Latest(3, len, 5)
    for key in "abcab":
        latest.get(key, lambda: "x")
    made = []
    for key in ("c", "a", "b"):
        latest.get(key, lambda: made.append("anew") or "x")
    assert made == []
    latest.get("long", lambda: "xxxxxxxx")
    assert latest.get("long", lambda: "other") == "xxxxxxxx"
    latest.get("b", lambda: made.append("anew") or "x")
    assert made == ["anew"]


def test_a_refusal_is_not_kept() -> None:
    latest: Latest[int, int] = Latest(2)
    with pytest.raises(ZeroDivisionError):
        latest.get(1, lambda: 1 // 0)
    assert latest.get(1, lambda: 5) == 5
