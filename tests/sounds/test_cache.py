"""What is kept of banks from run to run."""

import importlib.metadata
import os

import msgspec
import pytest

from retro.sounds import cache
from retro.sounds.envelope import Envelope

pytest.importorskip("platformdirs")
TONE = Envelope(held=bytes(range(200)), after=b"\x10\x20")


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.setattr(cache, "cache_path", lambda sha256: tmp_path / "deep" / f"{sha256}.tones")
    monkeypatch.setattr(importlib.metadata, "version", lambda _: "1.2.3")


def test_tones_are_kept_beside_those_that_are_kept():
    assert cache.read_tones("a") == {}
    cache.write_tones("a", {"one": TONE})
    cache.write_tones("a", {"two": Envelope(held=b"", after=b"")})
    assert cache.read_tones("a") == {"one": TONE, "two": Envelope(held=b"", after=b"")}
    assert cache.read_tones("b") == {}


@pytest.mark.parametrize("content", [b"", b"\x00" * 50, b"not a cache", b"\x81\xa7version\x01"])
def test_a_damaged_cache_is_as_none_and_is_written_anew(content):
    cache.write_tones("a", {"one": TONE})
    cache.cache_path("a").write_bytes(content)
    assert cache.read_tones("a") == {}
    cache.write_tones("a", {"two": TONE})
    assert cache.read_tones("a") == {"two": TONE}


@pytest.mark.parametrize("changed", [{"version": 0}, {"player": "another 1"}])
def test_a_cache_of_another_version_or_player_is_as_none(changed):
    cache.write_tones("a", {"one": TONE})
    path = cache.cache_path("a")
    path.write_bytes(
        msgspec.msgpack.encode({**msgspec.msgpack.decode(path.read_bytes()), **changed})
    )
    assert cache.read_tones("a") == {}


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write everywhere")
def test_a_cache_that_cannot_be_written_is_no_fault(tmp_path):
    tmp_path.chmod(0o500)
    cache.write_tones("a", {"one": TONE})
    tmp_path.chmod(0o700)
    assert cache.read_tones("a") == {}


def test_a_file_in_the_place_of_the_cache_s_folder_is_no_fault(tmp_path):
    (tmp_path / "deep").write_bytes(b"")
    cache.write_tones("a", {"one": TONE})
    assert cache.read_tones("a") == {}
