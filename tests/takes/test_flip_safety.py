"""Whatever stops a flip, no source is touched and no half file stands under a final name."""

import contextlib
import hashlib
import json
import os
import resource
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retro.errors import ReadError, TakeError, WriteError
from retro.files.safe_file import TEMPORARY_SUFFIX, one_writer, whole_file
from retro.takes import flip as flip_module
from retro.takes import flip_file
from retro.takes.common_range import open_take
from retro.takes.flip import FlipSettings, flip_take
from retro.takes.manifest import MANIFEST_NAME, read_manifest
from retro.takes.naming import Naming
from tests.takes.sound_files import RATE, flip_files, noise, samples, wav

IN_PLACE = Naming(pattern="{stem}{suffix}")


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def make_files(folder: Path, count: int, frames: int = 1_000, coding: str = "PCM_24") -> list[Path]:
    folder.mkdir(exist_ok=True)
    paths = [folder / f"mic{number:02}.wav" for number in range(1, count + 1)]
    for number, path in enumerate(paths):
        soundfile.write(path, noise(frames, 1, number), RATE, coding)
    return paths


def started_slowly(arguments: list[str]) -> subprocess.Popen[bytes]:
    """Start a flip that rests after every block, so that a kill hits it however fast the disk."""
    code = (
        "import runpy, sys, time;"
        "from retro.takes.flip_file import Meter;"
        "Meter.advance = lambda *_: time.sleep(0.05);"
        "runpy.run_module('retro', run_name='__main__')"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code, "flip", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )


def test_seventy_files_at_once(tmp_path):
    sources = make_files(tmp_path / "take", 70)
    before = [sha256(path) for path in sources]
    manifest = flip_files(tmp_path / "take", tmp_path / "out")
    assert [sha256(path) for path in sources] == before
    assert [file.source for file in manifest.files] == [path.name for path in sources]
    for file in manifest.files:
        assert sha256(tmp_path / "out" / file.output) == file.output_sha256
    assert names_in(tmp_path / "out") == [
        MANIFEST_NAME,
        *(f"mic{n:02}_flipped.wav" for n in range(1, 71)),
    ]
    assert read_manifest(tmp_path / "out") == manifest
    assert manifest.is_complete


def test_sources_are_opened_for_reading_only(tmp_path, monkeypatch):
    (source,) = make_files(tmp_path / "take", 1)
    real, modes = Path.open, []

    def records(path, mode="r", *rest, **more):
        if path == source:
            modes.append(mode)
        return real(path, mode, *rest, **more)

    monkeypatch.setattr(Path, "open", records)
    flip_files(source, tmp_path / "out")
    assert set(modes) == {"rb"}


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_a_full_disk_leaves_no_half_file(tmp_path, suffix):
    """The system refuses to let any file grow beyond a limit, as a full disk does."""
    take = tmp_path / "take"
    take.mkdir()
    soundfile.write(take / f"long.{suffix}", noise(400_000), RATE, "PCM_24")
    limit = 300_000
    code = (
        "import resource, runpy, sys;"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}));"
        "runpy.run_module('retro', run_name='__main__')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "flip", str(take), "--out", str(tmp_path / "out")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != limit
    assert done.returncode == 1
    assert done.stderr.strip().count("\n") == 0
    assert "File too large" in done.stderr
    assert [name for name in names_in(tmp_path / "out") if name != MANIFEST_NAME] == []


def test_a_disk_that_is_too_small_is_told_before_anything_is_written(tmp_path, monkeypatch):
    make_files(tmp_path / "take", 2)
    usage = type("Usage", (), {"free": 5_999})
    monkeypatch.setattr(flip_module.shutil, "disk_usage", lambda _: usage)
    with pytest.raises(WriteError, match="5999 bytes left and 6000 are needed"):
        flip_files(tmp_path / "take", tmp_path / "out")
    assert names_in(tmp_path / "out") == []


def test_a_kill_in_mid_write_leaves_no_half_file_and_the_next_run_goes_on(tmp_path):
    sources = make_files(tmp_path / "take", 6, frames=1_000_000)
    out = tmp_path / "out"
    process = started_slowly([str(tmp_path / "take"), "--out", str(out)])
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and process.poll() is None:
        if largest_half_file(out) > 300_000:
            break
        time.sleep(0.001)
    process.kill()
    _, told = process.communicate()
    assert process.returncode == -signal.SIGKILL, told
    assert temporaries(out), "the kill came too late to prove anything"
    for path in out.glob("mic*.wav"):
        source = sources[int(path.name[3:5]) - 1]
        np.testing.assert_array_equal(samples(path), samples(source)[::-1])
    manifest = flip_files(sources, out, resume=True)
    assert manifest.is_complete
    assert not temporaries(out)
    assert len(names_in(out)) == 7


def largest_half_file(folder: Path) -> int:
    """Bytes of the largest sound file that is being written; it may get its name meanwhile."""
    sizes = [0]
    for path in folder.glob(f".mic*{TEMPORARY_SUFFIX}"):
        with contextlib.suppress(FileNotFoundError):
            sizes.append(path.stat().st_size)
    return max(sizes)


def temporaries(folder: Path) -> list[Path]:
    return list(folder.glob(f".*{TEMPORARY_SUFFIX}"))


def wait_for(path):
    deadline = time.monotonic() + 10.0
    while not path.exists():
        assert time.monotonic() < deadline
        time.sleep(0.001)


def test_a_failing_file_leaves_the_others_whole_and_told(tmp_path, monkeypatch):
    sources = make_files(tmp_path / "take", 3)
    real = flip_file.plan_rewriting

    def fails_for_the_second(file, *rest):
        if file.path == sources[1]:
            wait_for(tmp_path / "out" / "mic01_flipped.wav")  # else there may be none to tell of
            raise OSError(28, "No space left on device")
        return real(file, *rest)

    monkeypatch.setattr(flip_file, "plan_rewriting", fails_for_the_second)
    with pytest.raises(OSError, match="No space left"):
        flip_files(sources, tmp_path / "out")
    manifest = read_manifest(tmp_path / "out")
    assert not manifest.is_complete
    told = {file.output for file in manifest.files}
    assert told == set(names_in(tmp_path / "out")) - {MANIFEST_NAME}
    assert "mic01_flipped.wav" in told
    assert "mic02_flipped.wav" not in told


def test_a_refused_flip_does_not_hinder_the_corrected_one(tmp_path, monkeypatch):
    (source,) = make_files(tmp_path / "take", 1)

    def fails(*_):
        raise TakeError("refused")

    with monkeypatch.context() as broken:
        broken.setattr(flip_file, "plan_rewriting", fails)
        with pytest.raises(TakeError, match="refused"):
            flip_files(source, tmp_path / "out")
    assert flip_files(source, tmp_path / "out").is_complete


def test_a_refused_overwrite_leaves_the_older_manifest(tmp_path, monkeypatch):
    (source,) = make_files(tmp_path / "take", 1)
    older = flip_files(source, tmp_path / "out")

    def fails(*_):
        raise TakeError("refused")

    monkeypatch.setattr(flip_file, "plan_rewriting", fails)
    with pytest.raises(TakeError, match="refused"):
        flip_files(source, tmp_path / "out", 0, 10, overwrite=True)
    assert read_manifest(tmp_path / "out") == older


def test_a_file_made_while_the_flip_ran_is_not_replaced(tmp_path, monkeypatch):
    (source,) = make_files(tmp_path / "take", 1)
    mine = tmp_path / "out" / "mic01_flipped.wav"
    real = flip_file._refuse_to_lose

    def comes_too_late(*arguments):
        real(*arguments)
        mine.write_bytes(b"mine")

    monkeypatch.setattr(flip_file, "_refuse_to_lose", comes_too_late)
    with pytest.raises(FileExistsError):
        flip_files(source, tmp_path / "out")
    assert mine.read_bytes() == b"mine"


def test_a_folder_that_cannot_be_written_is_one_line(tmp_path, monkeypatch):
    make_files(tmp_path / "take", 1)

    def refuses(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(tmp_path / "out"))

    monkeypatch.setattr(Path, "open", refuses_writing(Path.open, refuses))
    with pytest.raises(PermissionError):
        flip_files(tmp_path / "take", tmp_path / "out")
    assert names_in(tmp_path / "out") == []


def refuses_writing(real, refuses):
    def opened(path, mode="r", *rest, **more):
        return refuses() if "x" in mode else real(path, mode, *rest, **more)

    return opened


def test_the_source_itself_is_never_a_target(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    before = source.read_bytes()
    for overwrite in (False, True):
        with pytest.raises(WriteError, match="is the source"):
            flip_files(source, tmp_path / "take", naming=IN_PLACE, overwrite=overwrite)
    assert source.read_bytes() == before
    assert names_in(tmp_path / "take") == ["mic01.wav"]


@pytest.mark.parametrize("link", ["symlink_to", "hardlink_to"])
def test_a_link_to_the_source_is_never_a_target(tmp_path, link):
    (source,) = make_files(tmp_path / "take", 1)
    (tmp_path / "out").mkdir()
    getattr(tmp_path / "out" / "mic01_flipped.wav", link)(source)
    before = source.read_bytes()
    with pytest.raises(WriteError, match="is the source"):
        flip_files(source, tmp_path / "out", overwrite=True)
    assert source.read_bytes() == before


def test_a_linked_folder_does_not_hide_the_source(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    (tmp_path / "same").symlink_to(tmp_path / "take")
    with pytest.raises(WriteError, match="is the source"):
        flip_files(source, tmp_path / "same", naming=IN_PLACE, overwrite=True)


def test_a_symlink_in_the_way_is_replaced_and_what_it_names_is_not(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    (tmp_path / "out").mkdir()
    other = tmp_path / "other.wav"
    other.write_bytes(b"mine")
    target = tmp_path / "out" / "mic01_flipped.wav"
    target.symlink_to(other)
    with pytest.raises(WriteError, match="exists already"):
        flip_files(source, tmp_path / "out")
    flip_files(source, tmp_path / "out", overwrite=True)
    assert other.read_bytes() == b"mine"
    assert not target.is_symlink()


def test_a_source_through_a_symlink_is_flipped(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    link = tmp_path / "linked.wav"
    link.symlink_to(source)
    flip_files(link, tmp_path / "out")
    flipped = tmp_path / "out" / "linked_flipped.wav"
    np.testing.assert_array_equal(samples(flipped), samples(source)[::-1])


def test_existing_outputs_are_refused_before_anything_is_written(tmp_path):
    sources = make_files(tmp_path / "take", 3)
    (tmp_path / "out").mkdir()
    mine = tmp_path / "out" / "mic03_flipped.wav"
    mine.write_bytes(b"mine")
    with pytest.raises(WriteError, match="exists already"):
        flip_files(sources, tmp_path / "out")
    assert names_in(tmp_path / "out") == ["mic03_flipped.wav"]
    with pytest.raises(WriteError, match="differs from what this flip gives"):
        flip_files(sources, tmp_path / "out", resume=True)
    assert mine.read_bytes() == b"mine"
    flip_files(sources, tmp_path / "out", overwrite=True)
    np.testing.assert_array_equal(samples(mine), samples(sources[2])[::-1])


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_a_source_that_changes_is_refused(tmp_path, suffix):
    source = tmp_path / f"take.{suffix}"
    soundfile.write(source, noise(1_000), RATE, "PCM_24")
    take = open_take([source])
    data = bytearray(source.read_bytes())
    data[-1] ^= 1
    source.write_bytes(data)
    os.utime(source, ns=(1, 1))
    with pytest.raises(TakeError, match="changed while it was read"):
        flip_take(take, tmp_path / "out", start_frame=0, end_frame=1_000)
    assert names_in(tmp_path / "out") in ([], [MANIFEST_NAME])


@pytest.mark.parametrize("how", ["written to", "replaced"])
def test_a_source_that_changes_while_it_is_read_is_refused(tmp_path, how):
    (source,) = make_files(tmp_path / "take", 1)
    other = tmp_path / "other.wav"
    other.write_bytes(source.read_bytes())

    def changes(done: int, total: int) -> None:
        if done < total:
            return
        if how == "replaced":
            other.replace(source)
        else:
            os.utime(source, ns=(1, 1))

    with pytest.raises(TakeError, match="changed while it was read"):
        flip_take(
            open_take([source]),
            tmp_path / "out",
            start_frame=0,
            end_frame=1_000,
            progress=changes,
        )
    assert names_in(tmp_path / "out") == []


def test_a_source_that_is_cut_off_meanwhile_is_refused(tmp_path, monkeypatch):
    source = tmp_path / "take.wav"
    soundfile.write(source, noise(200_000), RATE, "PCM_24")
    take = open_take([source])
    real = flip_file.plan_rewriting

    def cuts(*arguments):
        plan = real(*arguments)
        os.truncate(source, 1_000)
        return plan

    monkeypatch.setattr(flip_file, "plan_rewriting", cuts)
    with pytest.raises(TakeError, match="became shorter while it was read"):
        flip_take(take, tmp_path / "out", start_frame=0, end_frame=200_000)
    assert names_in(tmp_path / "out") in ([], [MANIFEST_NAME])


def test_resume_keeps_what_is_done_and_right_and_makes_the_rest(tmp_path):
    sources = make_files(tmp_path / "take", 4)
    out = tmp_path / "out"
    flip_files(sources, out)
    kept, lost, damaged, _ = sorted(out.glob("mic*.wav"))
    times = {path: path.stat().st_mtime_ns for path in (kept, damaged)}
    lost.unlink()
    damaged.write_bytes(damaged.read_bytes()[:-1])
    with pytest.raises(WriteError, match=r"mic03_flipped\.wav: exists already and differs"):
        flip_files(sources, out, resume=True)
    flip_files(sources, out, resume=True, overwrite=True)
    assert kept.stat().st_mtime_ns == times[kept]
    for source, flipped in zip(sources, sorted(out.glob("mic*.wav")), strict=True):
        np.testing.assert_array_equal(samples(flipped), samples(source)[::-1])
    assert read_manifest(out).is_complete


def test_while_files_are_replaced_the_manifest_is_not_complete(tmp_path):
    sources = make_files(tmp_path / "take", 2)
    out = tmp_path / "out"
    flip_files(sources, out)
    seen = []
    flip_take(
        open_take(sources),
        out,
        start_frame=0,
        end_frame=500,
        settings=FlipSettings(overwrite=True),
        progress=lambda _done, _total: seen.append(read_manifest(out).is_complete),
    )
    assert set(seen) == {False}
    assert read_manifest(out).is_complete


def test_resume_does_not_mistake_another_range_or_place_for_done(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    out = tmp_path / "out"
    flip_files(source, out, 0, 500, time_reference_samples=1)
    for start, settings in ((0, {"time_reference_samples": 2}), (10, {})):
        with pytest.raises(WriteError, match="differs"):
            flip_files(source, out, start, 500, resume=True, **settings)
    flip_files(source, out, 0, 500, resume=True, overwrite=True, time_reference_samples=2)
    assert read_manifest(out).files[0].time_reference == 2


@pytest.mark.parametrize("changed", ["source", "output"])
def test_resume_does_not_trust_a_size(tmp_path, changed):
    """One bit of a sample is another than when the manifest was written."""
    (source,) = make_files(tmp_path / "take", 1)
    out = tmp_path / "out"
    flip_files(source, out)
    path = source if changed == "source" else out / "mic01_flipped.wav"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    with pytest.raises(WriteError, match="differs"):
        flip_files(source, out, resume=True)


def test_resume_does_not_mistake_another_fade_for_done(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    out = tmp_path / "out"
    flip_files(source, out)
    with pytest.raises(WriteError, match="differs"):
        flip_files(source, out, resume=True, fade_out_ms=1.0)


def test_resume_leaves_the_manifest_of_another_flip_alone(tmp_path):
    first, second = make_files(tmp_path / "take", 2)
    flip_files(first, tmp_path / "out")
    with pytest.raises(WriteError, match="which is not of this flip"):
        flip_files(second, tmp_path / "out", resume=True)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "retro-flip/2", "files": [{}]}'])
def test_a_broken_manifest_is_refused_in_one_line(tmp_path, text):
    (source,) = make_files(tmp_path / "take", 1)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / MANIFEST_NAME).write_text(text)
    with pytest.raises(ReadError, match="no manifest of a flip"):
        flip_files(source, tmp_path / "out", resume=True)
    flip_files(source, tmp_path / "out", overwrite=True)
    (tmp_path / "out" / MANIFEST_NAME).unlink()
    assert flip_files(source, tmp_path / "out", resume=True).is_complete


def test_the_manifest_names_no_folder_and_no_time(tmp_path):
    make_files(tmp_path / "take", 1)
    flip_files(tmp_path / "take", tmp_path / "out", time_reference_samples=7)
    text = (tmp_path / "out" / MANIFEST_NAME).read_text("utf-8")
    assert str(tmp_path) not in text
    document = json.loads(text)
    assert document["schema"] == "retro-flip/2"
    assert document["is_complete"] is True
    assert document["files"][0]["time_reference"] == 7


def test_one_folder_has_one_writer(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    (tmp_path / "out").mkdir()
    with one_writer(tmp_path / "out"), pytest.raises(WriteError, match="another run"):
        flip_files(source, tmp_path / "out")


def test_a_system_without_posix_locks_flips_as_well(tmp_path):
    """A process in which `fcntl` cannot be imported, as on Windows."""
    (source,) = make_files(tmp_path / "take", 1)
    code = (
        "import runpy, sys;"
        "sys.modules['fcntl'] = None;"
        "runpy.run_module('retro', run_name='__main__')"
    )
    command = [sys.executable, "-c", code, "flip", str(source), "--out", str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    flipped = tmp_path / "out" / "mic01_flipped.wav"
    np.testing.assert_array_equal(samples(flipped), samples(source)[::-1])
    assert read_manifest(tmp_path / "out").is_complete


def test_what_a_killed_run_left_is_cleared_away(tmp_path):
    (source,) = make_files(tmp_path / "take", 1)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / f".old_flipped.wav{TEMPORARY_SUFFIX}").write_bytes(b"half")
    flip_files(source, tmp_path / "out")
    assert names_in(tmp_path / "out") == [MANIFEST_NAME, "mic01_flipped.wav"]


def test_a_file_appears_only_when_it_is_whole(tmp_path):
    path = tmp_path / "file.wav"
    with pytest.raises(TypeError), whole_file(path) as file:
        file.write("no bytes")
    assert names_in(tmp_path) == []
    with whole_file(path) as file:
        file.write(b"whole")
        assert not path.exists()
    assert path.read_bytes() == b"whole"


def test_a_file_reaches_the_disk_before_it_gets_its_name(tmp_path, monkeypatch):
    done = []
    flush, rename = os.fsync, Path.replace

    def records(file: int) -> None:
        done.append(os.fstat(file).st_size)
        flush(file)

    monkeypatch.setattr(os, "fsync", records)
    monkeypatch.setattr(Path, "replace", lambda path, to: (done.append("named"), rename(path, to)))
    with whole_file(tmp_path / "file.wav") as file:
        file.write(b"whole")
    assert done == [len(b"whole"), "named"]


def test_the_names_of_a_complete_flip_reach_the_disk(tmp_path, monkeypatch):
    sources = make_files(tmp_path / "take", 3)
    real, folders = os.fsync, []

    def records(file: int) -> None:
        if stat.S_ISDIR(os.fstat(file).st_mode):
            folders.append(names_in(tmp_path / "out"))
        real(file)

    monkeypatch.setattr(os, "fsync", records)
    flip_files(sources, tmp_path / "out")
    assert folders == [[MANIFEST_NAME, *(f"mic{n:02}_flipped.wav" for n in (1, 2, 3))]]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "take.wav").write_bytes(wav(bytes(30)))
    (tmp_path / "out").write_bytes(b"mine")
    with pytest.raises(WriteError, match="no folder"):
        flip_files(tmp_path / "take.wav", tmp_path / "out")


def test_a_stop_by_the_user_leaves_no_half_file(tmp_path):
    sources = make_files(tmp_path / "take", 2, frames=300_000)
    take = open_take(sources)

    def stops(done: int, _total: int) -> None:
        if done > 500_000:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        flip_take(
            take,
            tmp_path / "out",
            start_frame=0,
            end_frame=300_000,
            settings=FlipSettings(),
            progress=stops,
        )
    assert all(path.suffix in (".wav", ".json") for path in (tmp_path / "out").iterdir())
    assert not temporaries(tmp_path / "out")
