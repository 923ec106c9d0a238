"""Clips that are joined of several takes, and what goes with a clip."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from retro.errors import TakeError
from retro.takes.assemble import Stretch, equal_power, refuse_unlike
from retro.takes.clip_of import ClipOf, new_ixml, with_note
from retro.takes.common_range import open_take
from retro.takes.flip import FlipSettings, flip_take
from retro.takes.marks import FrameSpan
from retro.takes.take_file import open_take_file

RATE = 8000
OF = ClipOf(
    song="The Lantern & Co",
    letter="A",
    take="2:1-3, 1:4",
    plan_sha256="ab" * 32,
    phrase_start_frame=100,
    lateness_ms=12.0,
)
FORMS = [
    ("PCM_16", "WAV"),
    ("PCM_24", "WAV"),
    ("FLOAT", "WAV"),
    ("PCM_24", "AIFF"),
    ("PCM_U8", "WAV"),
]


def write(path: Path, frames: int, seed: int, subtype: str, form: str) -> None:
    sound = np.random.default_rng(seed).uniform(-0.9, 0.9, (frames, 2))
    soundfile.write(path, sound, RATE, subtype=subtype, format=form)


def joined(folder: Path, subtype: str, form: str) -> tuple[Path, list[Stretch]]:
    """Flip three stretches of two files as one; give the clip's path and the stretches."""
    one, two = folder / f"one.{form.lower()}", folder / f"two.{form.lower()}"
    write(one, 40_000, 1, subtype, form)
    write(two, 30_000, 2, subtype, form)
    first, second = open_take_file(one), open_take_file(two)
    stretches = [
        Stretch(file=first, span=FrameSpan(100, 9_000), fade_frames=200),
        Stretch(file=second, span=FrameSpan(8_000, 20_123), fade_frames=64),
        Stretch(file=first, span=FrameSpan(21_000, 39_000), fade_frames=0),
    ]
    length = sum(stretch.span.frames for stretch in stretches)
    flip_take(
        open_take([one]),
        folder / "clips",
        start_frame=100,
        end_frame=100 + length,
        settings=FlipSettings(time_reference_samples=5_000, insert=OF, joined=(tuple(stretches),)),
    )
    return folder / "clips" / f"one_flipped.{form.lower()}", stretches


def read(path: Path, subtype: str) -> np.ndarray:
    kind = "float64" if subtype == "FLOAT" else "int32"
    return soundfile.read(path, dtype=kind)[0]


@pytest.mark.parametrize(("subtype", "form"), FORMS)
def test_outside_the_crossfades_a_clip_is_the_hand_joined_take_reversed(
    tmp_path: Path, subtype: str, form: str
) -> None:
    clip, stretches = joined(tmp_path, subtype, form)
    sounds = {each.file.path: read(each.file.path, subtype) for each in stretches}
    by_hand = np.concatenate(
        [sounds[each.file.path][each.span.start : each.span.end] for each in stretches]
    )
    flipped = read(clip, subtype)[::-1]
    assert flipped.shape == by_hand.shape
    outside = np.ones(len(by_hand), dtype=bool)
    at = 0
    for each in stretches[:-1]:
        at += each.span.frames
        half = each.fade_frames // 2
        outside[at - half : at + half] = False
    assert np.array_equal(flipped[outside], by_hand[outside])
    assert np.count_nonzero(~outside) == 264
    assert not np.array_equal(flipped[~outside], by_hand[~outside])


def test_a_crossfade_is_the_sum_of_both_takes_with_equal_power(tmp_path: Path) -> None:
    clip, (first, second, _) = joined(tmp_path, "FLOAT", "WAV")
    flipped = read(clip, "FLOAT")[::-1]
    rising, falling = equal_power(200)
    assert np.allclose(rising**2 + falling**2, 1.0)
    one, two = (read(each.file.path, "FLOAT") for each in (first, second))
    wanted = one[8_900:9_100] * falling[:, None] + two[7_900:8_100] * rising[:, None]
    assert np.allclose(flipped[8_800:9_000], wanted, atol=1e-6)


def test_what_the_clip_is_of_goes_with_it(tmp_path: Path) -> None:
    clip, stretches = joined(tmp_path, "PCM_24", "WAV")
    info = WavInfoReader(str(clip))
    assert info.bext.description.startswith("Insert A of The Lantern & Co, take 2:1-3, 1:4, played")
    assert "plan abababababab" in info.bext.description
    assert "joined and reversed: one.wav 100 to 9000; two.wav" in info.bext.coding_history
    assert b"<NOTE>Insert A of The Lantern &amp; Co" in clip.read_bytes()
    manifest = json.loads((tmp_path / "clips" / "flip.json").read_text())
    assert manifest["insert"]["take"] == "2:1-3, 1:4"
    assert [
        (each["source"], each["start_frame"], each["end_frame"], each["fade_frames"])
        for each in manifest["files"][0]["stretches"]
    ] == [(s.file.path.name, s.span.start, s.span.end, s.fade_frames) for s in stretches]


def test_a_loud_sum_is_held_at_full_and_never_wraps(tmp_path: Path) -> None:
    for name in ("one", "two"):
        soundfile.write(tmp_path / f"{name}.wav", np.full(2_000, 0.999), RATE, subtype="PCM_16")
    first, second = (open_take_file(tmp_path / f"{name}.wav") for name in ("one", "two"))
    pair = (
        Stretch(file=first, span=FrameSpan(0, 1_000), fade_frames=400),
        Stretch(file=second, span=FrameSpan(1_000, 2_000), fade_frames=0),
    )
    flip_take(
        open_take([first.path]),
        tmp_path / "clips",
        start_frame=0,
        end_frame=2_000,
        settings=FlipSettings(joined=(pair,)),
    )
    clip = soundfile.read(tmp_path / "clips" / "one_flipped.wav", dtype="int16")[0]
    assert clip.min() > 30_000
    assert clip.max() == 32_767


def test_a_note_goes_into_every_kind_of_ixml() -> None:
    note = b"<NOTE>take &lt;3&gt;</NOTE>"
    assert with_note(b"<BWFXML><NOTE>loud</NOTE></BWFXML>", "take <3>") == (
        b"<BWFXML><NOTE>loud; take &lt;3&gt;</NOTE></BWFXML>"
    )
    assert with_note(b"<BWFXML><NOTE/></BWFXML>", "take <3>") == b"<BWFXML>" + note + b"</BWFXML>"
    assert note in (with_note(b"<BWFXML></BWFXML>", "take <3>") or b"")
    assert with_note(b"scribble", "take <3>") is None
    assert note in new_ixml("take <3>")


@pytest.mark.parametrize("words", ["take 1", "take 10"])
def test_a_wide_clip_with_a_note_is_read_by_another_library(tmp_path: Path, words: str) -> None:
    # libsndfile loses the data of an RF64 file behind a chunk of odd size.
    path = tmp_path / "wide.rf64"
    soundfile.write(path, np.arange(8, dtype=np.int16), 48_000, format="RF64")
    data, note = path.read_bytes(), new_ixml(words)
    behind = data.index(b"fmt ")
    path.write_bytes(data[:behind] + framed(b"iXML", note) + data[behind:])
    assert soundfile.info(path).frames == 8
    assert len(with_note(note, "more") or b"") % 2 == 0


def framed(name: bytes, payload: bytes) -> bytes:
    return name + len(payload).to_bytes(4, "little") + payload + b"\0" * (len(payload) % 2)


def test_takes_of_another_form_and_crossfades_without_room_are_refused(tmp_path: Path) -> None:
    write(tmp_path / "one.wav", 4_000, 1, "PCM_16", "WAV")
    write(tmp_path / "two.wav", 4_000, 2, "PCM_24", "WAV")
    one, two = (open_take_file(tmp_path / name) for name in ("one.wav", "two.wav"))
    with pytest.raises(TakeError, match=r"two\.wav: .* while one\.wav is"):
        refuse_unlike(
            [
                Stretch(file=one, span=FrameSpan(0, 1_000), fade_frames=10),
                Stretch(file=two, span=FrameSpan(1_000, 2_000), fade_frames=0),
            ]
        )
    with pytest.raises(TakeError, match="a crossfade needs frames 3995-4005"):
        refuse_unlike(
            [
                Stretch(file=one, span=FrameSpan(0, 4_000), fade_frames=10),
                Stretch(file=one, span=FrameSpan(2_000, 4_000), fade_frames=0),
            ]
        )
