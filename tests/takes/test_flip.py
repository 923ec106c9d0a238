"""Flipping: samples come back bit for bit whatever the file's form, and twice is once."""

import struct
import tempfile
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from retro.errors import AudioError, LimitError, TakeError
from retro.takes import reverse
from retro.takes.common_range import open_take
from retro.takes.flip import FlipSettings, flip_take
from retro.takes.reverse import reverse_frames
from tests.takes.sound_files import (
    RATE,
    bext_payload,
    chunks_of,
    flip_bytes,
    flip_files,
    format_payload,
    framed,
    noise,
    rf64,
    riff,
    samples,
    w64,
    wav,
)

pytestmark = pytest.mark.usefixtures("unflushed")

FORMS = [
    *(("WAV", "wav", coding) for coding in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32")),
    *(("WAV", "wav", coding) for coding in ("FLOAT", "DOUBLE", "ALAW", "ULAW")),
    *(("WAVEX", "wav", coding) for coding in ("PCM_24", "FLOAT")),
    ("RF64", "rf64", "PCM_24"),
    *(("W64", "w64", coding) for coding in ("PCM_16", "PCM_24", "DOUBLE")),
    *(("AIFF", "aif", coding) for coding in ("PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT")),
    *(("AIFF", "aifc", coding) for coding in ("DOUBLE", "ALAW", "ULAW")),
    *(("FLAC", "flac", coding) for coding in ("PCM_S8", "PCM_16", "PCM_24")),
]


@pytest.mark.parametrize(("form", "suffix", "coding"), FORMS)
def test_libsndfile_reads_the_flip_as_the_source_backwards(tmp_path, form, suffix, coding):
    source = tmp_path / f"take.{suffix}"
    soundfile.write(source, noise(70_003, 3), RATE, coding, format=form)
    flip_files(source, tmp_path / "out", time_reference_samples=1234)
    flipped = tmp_path / "out" / f"take_flipped.{suffix}"
    np.testing.assert_array_equal(samples(flipped), samples(source)[::-1])
    before, after = soundfile.info(source), soundfile.info(flipped)
    assert (after.format, after.subtype) == (before.format, before.subtype)
    assert (after.samplerate, after.channels) == (before.samplerate, before.channels)


@pytest.mark.parametrize(("form", "suffix", "coding"), FORMS)
def test_a_range_is_flipped_alone(tmp_path, form, suffix, coding):
    source = tmp_path / f"take.{suffix}"
    soundfile.write(source, noise(5_000, 2), RATE, coding, format=form)
    flip_files(source, tmp_path / "out", 1_001, 4_444)
    flipped = samples(tmp_path / "out" / f"take_flipped.{suffix}")
    np.testing.assert_array_equal(flipped, samples(source)[1_001:4_444][::-1])


@given(
    form=st.sampled_from(FORMS),
    frames=st.one_of(st.integers(0, 3), st.integers(0, 3_000)),
    channels=st.integers(1, 8),
)
def test_flipping_twice_gives_the_samples_back(form, frames, channels):
    kind, suffix, coding = form
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        source = folder / f"take.{suffix}"
        frames = max(frames, int(kind == "FLAC"))  # libsndfile writes no FLAC file without frames
        soundfile.write(source, noise(frames, channels, frames), RATE, coding, format=kind)
        flip_files(source, folder / "once")
        flip_files(folder / "once", folder / "twice")
        twice = folder / "twice" / f"take_flipped_flipped.{suffix}"
        np.testing.assert_array_equal(samples(twice), samples(source))


@given(
    frame_bytes=st.integers(1, 40),
    frames=st.integers(0, 200),
    seed=st.integers(0, 2**32 - 1),
)
def test_frames_of_any_width_are_reversed_whole(frame_bytes, frames, seed):
    data = np.random.default_rng(seed).integers(0, 256, frames * frame_bytes, dtype=np.uint8)
    turned = np.empty_like(data)
    reverse_frames(data, frame_bytes, turned)
    rows = [data[at : at + frame_bytes].tobytes() for at in range(0, data.size, frame_bytes)]
    assert turned.tobytes() == b"".join(reversed(rows))


def test_blocks_do_not_show_in_the_samples(tmp_path, monkeypatch):
    source = tmp_path / "take.wav"
    soundfile.write(source, noise(1_000, 2), RATE, "PCM_24")
    monkeypatch.setattr(reverse, "BLOCK_BYTES", 100)
    flip_files(source, tmp_path / "out")
    np.testing.assert_array_equal(
        samples(tmp_path / "out" / "take_flipped.wav"), samples(source)[::-1]
    )


def test_flipping_a_plain_file_twice_gives_its_bytes_back(tmp_path):
    data = wav(bytes(range(99)), (b"JUNK", b"abc"), after=[(b"LIST", b"INFOabcd"), (b"zzzz", b"x")])
    once = flip_bytes(tmp_path, data)
    assert once != data
    assert flip_bytes(tmp_path, once) == data


def test_sixty_four_channels_and_floats_that_are_no_numbers_come_back(tmp_path):
    frames = np.random.default_rng(3).integers(0, 256, (50, 64 * 4), dtype=np.uint8)
    data = riff([(b"fmt ", format_payload(64, 32, tag=3)), (b"data", frames.tobytes())])
    parts = dict(chunks_of(flip_bytes(tmp_path, data)))
    assert parts[b"data"] == frames[::-1].tobytes()


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_wide_riff_states_its_sizes_in_ds64(tmp_path, magic):
    data = rf64(bytes(range(30)), 10, magic=magic, after=[(b"zzzz", b"abc")])
    flipped = flip_bytes(tmp_path, data, time_reference_samples=5)
    assert flipped[:16] == magic + b"\xff\xff\xff\xffWAVEds64"
    riff_size, data_size, frames = struct.unpack_from("<QQQ", flipped, 20)
    assert (riff_size, data_size, frames) == (len(flipped) - 8, 30, 10)
    at = flipped.index(b"data")
    assert flipped[at + 4 : at + 8] == b"\xff\xff\xff\xff"
    assert flipped.endswith(b"zzzz\x03\0\0\0abc\0")


def test_a_riff_that_grows_too_large_becomes_wide(tmp_path, monkeypatch):
    monkeypatch.setattr("retro.takes.rewrite.MAX_32", 200)
    flipped = flip_bytes(tmp_path, wav(bytes(300)))
    assert flipped[:4] == b"RF64"
    assert struct.unpack_from("<QQQ", flipped, 20) == (len(flipped) - 8, 300, 100)
    assert soundfile.info(tmp_path / "out" / "take_flipped.wav").frames == 100


def test_an_aiff_that_grows_too_large_is_refused(tmp_path, monkeypatch):
    soundfile.write(tmp_path / "take.aif", noise(100), RATE, "PCM_24", format="AIFF")
    monkeypatch.setattr("retro.takes.rewrite.MAX_32", 200)
    with pytest.raises(LimitError, match="do not fit into AIFF"):
        flip_files(tmp_path / "take.aif", tmp_path / "out")


def test_w64_keeps_unknown_chunks_and_eight_byte_steps(tmp_path):
    parts = [
        (b"fmt ", format_payload()),
        (b"fact", struct.pack("<Q", 5)),
        (bytes(range(16)), b"strange"),
        (b"data", bytes(range(15))),
    ]
    flipped = flip_bytes(tmp_path, w64(parts), "take.w64")
    turned = bytes([12, 13, 14, 9, 10, 11, 6, 7, 8, 3, 4, 5, 0, 1, 2])
    assert flipped == w64([*parts[:3], (b"data", turned)])


def test_big_endian_riff_keeps_its_byte_order(tmp_path):
    parts = [(b"fmt ", format_payload(bits=16, order=">")), (b"data", b"\1\2\3\4\5\6")]
    data = riff(parts, magic=b"RIFX", order=">")
    flipped = flip_bytes(tmp_path, data, time_reference_samples=7)
    assert flipped == riff([parts[0], (b"data", b"\5\6\3\4\1\2")], magic=b"RIFX", order=">")


def test_little_endian_aifc_is_reversed_in_whole_samples(tmp_path):
    common = struct.pack(">hIhHQ", 1, 3, 16, 16383 + 15, 48_000 << 48) + b"sowt\0\0"
    parts = [
        (b"FVER", bytes.fromhex("a2805140")),
        (b"COMM", common),
        (b"SSND", bytes(8) + b"\1\2\3\4\5\6"),
    ]
    data = riff(parts, magic=b"FORM", form=b"AIFC", order=">")
    flipped = chunks_of(flip_bytes(tmp_path, data, "take.aifc"), ">")
    assert flipped == [*parts[:2], (b"SSND", bytes(8) + b"\5\6\3\4\1\2")]


def test_the_frame_count_follows_the_range(tmp_path):
    data = riff(
        [
            (b"fmt ", format_payload(bits=32, tag=3)),
            (b"fact", struct.pack("<I", 9)),
            (b"data", bytes(36)),
        ]
    )
    (tmp_path / "take.wav").write_bytes(data)
    flip_files(tmp_path / "take.wav", tmp_path / "out", 2, 6)
    parts = dict(chunks_of((tmp_path / "out" / "take_flipped.wav").read_bytes()))
    assert parts[b"fact"] == struct.pack("<I", 4)


def test_flac_tags_and_pictures_are_kept_and_old_seek_tables_are_not(tmp_path):
    plain = tmp_path / "plain.flac"
    soundfile.write(plain, noise(9_000), RATE, "PCM_24")
    data = plain.read_bytes()
    end = 8 + int.from_bytes(data[5:8], "big")
    picture = struct.pack(">II9sIIIIII", 0, 9, b"image/png", 0, 1, 1, 24, 0, 4) + b"dots"
    kept = [(2, b"mine1234"), (6, picture), (1, bytes(10))]
    lost = [(3, bytes(18)), (2, b"riffWAVE")]
    blocks = b"".join(
        bytes([kind]) + len(body).to_bytes(3, "big") + body for kind, body in [*lost, *kept]
    )
    source = tmp_path / "take.flac"
    source.write_bytes(data[:4] + b"\0" + data[5:end] + blocks + data[end:])
    flip_files(source, tmp_path / "out")
    flipped = (tmp_path / "out" / "take_flipped.flac").read_bytes()
    assert all(body in flipped for _, body in kept)
    assert b"riffWAVE" not in flipped
    np.testing.assert_array_equal(
        samples(tmp_path / "out" / "take_flipped.flac"), samples(source)[::-1]
    )


@pytest.mark.parametrize(("form", "suffix", "coding"), FORMS)
def test_a_fade_touches_only_the_end(tmp_path, form, suffix, coding):
    source = tmp_path / f"take.{suffix}"
    soundfile.write(source, noise(1_000, 2), RATE, coding, format=form)
    if "LAW" in coding:
        with pytest.raises(TakeError, match="cannot be faded"):
            flip_files(source, tmp_path / "out", fade_out_ms=2.0)
        return
    manifest = flip_files(source, tmp_path / "out", fade_out_ms=2.0)
    assert manifest.files[0].faded_frames == 96
    plain = soundfile.read(source, always_2d=True)[0][::-1]
    flipped = soundfile.read(tmp_path / "out" / f"take_flipped.{suffix}", always_2d=True)[0]
    np.testing.assert_array_equal(flipped[:-96], plain[:-96])
    gains = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, 97) / 96)
    bits = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16}.get(coding, 24)
    np.testing.assert_allclose(
        flipped[-96:], plain[-96:] * gains[:, np.newaxis], rtol=1e-7, atol=0.51 / 2 ** (bits - 1)
    )
    np.testing.assert_array_equal(flipped[-1], 0)


def test_a_fade_longer_than_the_clip_is_refused(tmp_path):
    soundfile.write(tmp_path / "take.wav", noise(100), RATE, "PCM_24")
    with pytest.raises(LimitError, match="does not fit a clip of 100 frames"):
        flip_files(tmp_path / "take.wav", tmp_path / "out", fade_out_ms=3.0)


def test_coded_samples_that_cannot_be_reversed_as_frames_are_refused(tmp_path):
    source = tmp_path / "take.wav"
    soundfile.write(source, noise(1_000), RATE, "IMA_ADPCM")
    with pytest.raises(AudioError, match="coded in form 0x0011"):
        open_take([source])


def test_microphone_distances_keep_their_delays_with_the_sign_reversed(tmp_path):
    """A microphone 5 m further away hears 14.57 ms later (2.914 ms a metre at 20 C, shared table);
    in the flipped take it is as much earlier."""
    late, total = 699, 9_600
    click = np.zeros((total, 1), np.int32)
    click[4_000] = 2**30
    soundfile.write(tmp_path / "near.wav", click, RATE, "PCM_24")
    soundfile.write(tmp_path / "far.wav", np.roll(click, late, axis=0), RATE, "PCM_24")
    flip_files([tmp_path / "near.wav", tmp_path / "far.wav"], tmp_path / "out", 1_000, 9_000)
    near = np.argmax(samples(tmp_path / "out" / "near_flipped.wav"))
    far = np.argmax(samples(tmp_path / "out" / "far_flipped.wav"))
    assert far - near == -late


def test_the_same_take_gives_the_same_bytes(tmp_path):
    source = tmp_path / "take.wav"
    source.write_bytes(wav(bytes(range(90)), (b"bext", bext_payload(5))))
    for out in ("one", "two"):
        flip_files(source, tmp_path / out, time_reference_samples=99)
    assert [path.read_bytes() for path in sorted((tmp_path / "one").iterdir())] == [
        path.read_bytes() for path in sorted((tmp_path / "two").iterdir())
    ]


def test_progress_reaches_all_of_the_work(tmp_path):
    source = tmp_path / "take.wav"
    source.write_bytes(wav(bytes(3_000)))
    seen = []
    take = open_take([source])
    flip_take(
        take,
        tmp_path / "out",
        start_frame=0,
        end_frame=1_000,
        settings=FlipSettings(),
        progress=lambda done, total: seen.append((done, total)),
    )
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert seen[-1][0] >= seen[-1][1] > 0


def test_framed_pads_as_the_program_does():
    assert framed([(b"abcd", b"x")]) == b"abcd\1\0\0\0x\0"
