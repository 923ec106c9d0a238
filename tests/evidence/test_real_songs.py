"""Real songs with drums, singers and pads: nothing is named, the orchestra is kept.

The files are nobody's here and stay where their packages put them: Debian's `openttd-openmsx`, and
the tests of PyPI's `miditok`, whose source archive is unpacked by hand into a folder that the
environment names (``RETRO_SONGS``; `pip download miditok --no-binary :all: --no-deps`). Without
them the tests are skipped. Songs are known by the hash of their file; who should be kept was told
by hand, from track names and General MIDI programs.
"""

import hashlib
import os
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import pytest

from retro.model.findings import FindingKind
from retro.model.settings import Settings
from retro.plan.compose import Plan, plan_song
from retro.read.song import Song
from retro.read.target import read_song
from retro.read.tracks import left_out_tracks

OPENMSX = "Debian openttd-openmsx"
MIDITOK = "PyPI miditok, its tests"
FOLDERS = {
    OPENMSX: Path("/usr/share/games/openttd/baseset/openmsx"),
    MIDITOK: Path(os.environ.get("RETRO_SONGS", "/nowhere")),
}


@dataclass(frozen=True)
class Known:
    """A song of a package, and what is in it: the numbers of the tracks that play on."""

    package: str
    sha256: str
    kept: tuple[int, ...]
    bars: tuple[tuple[str, str], ...]


SONGS = (
    Known(OPENMSX, "10418b9ee951", (1, 4, 5, 6, 7, 8), (("21.2", "25.3"), ("50.3+1/2", "54.2"))),
    Known(OPENMSX, "fceec03c88ea", (1, 2, 3, 4, 6, 7), (("33.2", "36.4"), ("80.3", "83.2"))),
    Known(OPENMSX, "50fea24be396", (1, 4, 5, 6), (("17.2", "21.3"), ("41.2", "44.4"))),
    Known(OPENMSX, "bdd4c9345e08", (2, 3, 4, 6), (("21.3", "24.2"),)),
    Known(MIDITOK, "8e541b40daf5", (6, 7, 8), (("33.2", "36.3"), ("60.3", "64.2"))),
    Known(MIDITOK, "e7f1a7742122", (4,), (("40.2", "101.3"),)),
    Known(MIDITOK, "203bc9b05764", (3, 4, 6, 9), (("41.2", "45.3"), ("82.3", "86.2"))),
    Known(MIDITOK, "ac90c0ad4dbe", (3, 6, 7, 8), (("30.2", "33.3"),)),
    Known(MIDITOK, "74316188b46a", (1, 2, 5, 7), (("55.2", "58.3"), ("110.3", "114.2"))),
    Known(MIDITOK, "62c33f44fa91", (1, 5, 6, 8), (("36.2", "39.3"), ("72.3", "75.2"))),
    Known(MIDITOK, "4dddd4a02b89", tuple(n for n in range(1, 17) if n != 9), (("13.2", "17.3"),)),
)
WINDOWS = [(song, *window) for song in SONGS for window in song.bars]


@cache
def files(package: str) -> dict[str, Path]:
    folder = FOLDERS[package]
    found = sorted(folder.rglob("*.mid")) if folder.is_dir() else []
    return {hashlib.sha256(path.read_bytes()).hexdigest()[:12]: path for path in found}


@cache
def read(known: Known) -> Song:
    path = files(known.package).get(known.sha256)
    if path is None:
        pytest.skip(f"needs the song {known.sha256} of {known.package}")
    return read_song(path)


def planned(song: Song, start: str, end: str) -> Plan:
    return plan_song(song, Settings(start=start, end=end))


def identity(known: Known) -> str:
    return f"{known.package.split()[1]}-{known.sha256}"


@pytest.mark.parametrize("known", SONGS, ids=identity)
def test_the_orchestra_is_kept_and_the_band_is_left_out(known: Known) -> None:
    song = read(known)
    absent = {track.number for track in left_out_tracks(song.phrase, Settings())}
    assert tuple(n for n in range(1, len(song.phrase.parts) + 1) if n not in absent) == known.kept


@pytest.mark.parametrize(
    ("known", "start", "end"), WINDOWS, ids=[f"{identity(w[0])}-{w[1]}" for w in WINDOWS]
)
def test_a_window_is_as_if_the_band_were_not_there(
    known: Known, start: str, end: str, record_evidence
) -> None:
    song = read(known)
    plan = planned(song, start, end)
    left = left_out_tracks(song.phrase, Settings())
    (finding,) = [f for f in plan.findings if f.kind is FindingKind.LEFT_OUT]
    assert all(f"({track.reason})" in finding.what for track in left if track.name)
    orchestra = tuple(song.phrase.parts[number - 1] for number in known.kept)
    alone = planned(replace(song, phrase=replace(song.phrase, parts=orchestra)), start, end)
    assert plan.placement == alone.placement
    assert plan.performance.notes == alone.performance.notes
    others = [f for f in plan.findings if f.kind is not FindingKind.LEFT_OUT]
    assert [(f.kind, f.bar, f.beat) for f in others] == [
        (f.kind, f.bar, f.beat) for f in alone.findings
    ]
    players = [player.name for player in plan.performance.players]
    reasons = sorted({track.reason for track in left})
    record_evidence(
        what=f"song {known.sha256}, {plan.window.bar_words}: nothing named; {len(left)} of "
        f"{len(song.phrase.parts)} tracks left out ({', '.join(reasons)})",
        source=known.package,
        expected="the orchestra kept as told by hand; plan and place as without the other tracks",
        found=f"{', '.join(players)}: {len(plan.performance.notes)} notes, all so",
    )
