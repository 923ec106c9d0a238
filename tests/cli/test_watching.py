"""`build --watch` builds once for every save, however a program saves, and survives every fault."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from soundfile import LibsndfileError

from retro.cli import watching
from retro.cli.watching import Watched
from retro.errors import MidiError


class EndError(Exception):
    """No more steps."""


def nothing() -> None:
    return


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "song.mid"
    path.write_text("one")
    return path


def built(
    watched: Watched,
    monkeypatch: pytest.MonkeyPatch,
    *steps: Callable[[], object],
    build: Callable[[], None] = nothing,
) -> int:
    """Take a step between any two looks; return how often it was built."""
    count = 0

    def counted() -> None:
        nonlocal count
        count += 1
        build()

    waiting: Iterator[Callable[[], object]] = iter([*steps, nothing, nothing])

    def sleep(_: float) -> None:
        step = next(waiting, None)
        if step is None:
            raise EndError
        step()

    monkeypatch.setattr(watching.time, "sleep", sleep)
    with pytest.raises(EndError):
        watched.build_again_at_every_save(counted)
    return count


def test_nothing_is_built_where_nothing_is_saved(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert built(Watched(target, None), monkeypatch, nothing) == 0


def test_a_file_that_is_deleted_and_renamed_is_built_once(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new = target.with_name("new")
    new.write_text("two")
    steps = (target.unlink, nothing, nothing, lambda: new.rename(target))
    assert built(Watched(target, None), monkeypatch, *steps) == 1


def test_a_file_that_is_emptied_and_filled_is_built_when_it_rests(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[str] = []
    steps = (lambda: target.write_text(""), lambda: target.write_text("two!"))
    watched = Watched(target, None)
    assert built(watched, monkeypatch, *steps, build=lambda: seen.append(target.read_text())) == 1
    assert seen == ["two!"]


def test_settings_beside_the_target_come_change_and_go(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = target.with_suffix(".toml")
    steps = (
        lambda: settings.write_text("letter = 'B'"),
        nothing,
        lambda: settings.write_text("letter = 'BB'"),
        nothing,
        settings.unlink,
        nothing,
    )
    assert built(Watched(target, None), monkeypatch, *steps) == 3


def test_named_settings_are_waited_for(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = target.with_name("mine.toml")
    settings.write_text("")
    watched = Watched(target, settings)
    assert built(watched, monkeypatch, settings.unlink, nothing, nothing) == 0


def test_the_main_score_is_watched_too_and_waited_for(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    main = target.with_name("main.musicxml")
    main.write_text("<one/>")
    watched = Watched(target, None, [main])
    steps = (lambda: main.write_text("<more/>"), nothing, main.unlink, nothing, nothing)
    assert built(watched, monkeypatch, *steps) == 1


def test_a_save_while_it_is_built_is_built_again(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    texts = iter(["three", "four!"])

    def saved_meanwhile() -> None:
        text = next(texts, None)
        if text is not None:
            target.write_text(text)

    watched = Watched(target, None)
    target.write_text("two!")  # during the first build, after the files were looked at
    rests = (nothing,) * 6
    assert built(watched, monkeypatch, *rests, build=saved_meanwhile) == 3


@pytest.mark.parametrize(
    "fault",
    [
        OSError(28, "No space left on device"),
        MidiError("no MIDI file"),
        MemoryError(),
        LibsndfileError(2),
        KeyError("x"),
    ],
)
def test_whatever_fails_is_told_and_the_next_save_is_built(
    target: Path,
    fault: Exception,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def fails() -> None:
        raise fault

    steps = (lambda: target.write_text("two!"), nothing, lambda: target.write_text("three"))
    assert built(Watched(target, None), monkeypatch, *steps, build=fails) == 2
    assert [line[:7] for line in capsys.readouterr().err.splitlines()] == ["retro: "] * 2
