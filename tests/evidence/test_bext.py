"""Independent readers of the broadcast chunk and of the samples agree with what was written.

wavinfo reads `bext`, `cue` and `ds64` with code of its own; libsndfile reads the samples. Offsets
by hand: EBU Tech 3285 version 2.
"""

import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo
from hypothesis import given
from hypothesis import strategies as st

from retro.takes.bext import stamped, time_reference_in
from tests.takes.sound_files import (
    bext_payload,
    chunks_of,
    flip_bytes,
    flip_files,
    format_payload,
    framed,
    noise,
    riff,
    samples,
    wav,
)

BEYOND_32_BITS = 2**32 + 192_000 * 3
IXML = b"<BWFXML><BEXT><BWF_TIME_REFERENCE_LOW>5</BWF_TIME_REFERENCE_LOW></BEXT></BWFXML>"


def broadcast_of(path: Path) -> wavinfo.wave_bext_reader.WavBextReader:
    return wavinfo.WavInfoReader(path).bext


@pytest.mark.parametrize("version", [0, 1, 2])
def test_wavinfo_reads_the_place_and_all_other_fields_unchanged(tmp_path, version):
    history = b"A=ANALOGUE,M=mono,T=preamplifier\r\n"
    source = tmp_path / "take.wav"
    source.write_bytes(
        wav(bytes(range(90)), (b"bext", bext_payload(7, history=history, version=version)))
    )
    flip_files(source, tmp_path / "out", 10, 30, time_reference_samples=BEYOND_32_BITS)
    flipped = tmp_path / "out" / "take_flipped.wav"
    before, after = broadcast_of(source).to_dict(), broadcast_of(flipped).to_dict()
    assert after["time_reference"] == BEYOND_32_BITS
    line = "A=PCM,F=48000,W=24,M=mono,T=retro 0.6.0; reversed frames 10 to 30\r\n"
    assert after["coding_history"] == history.decode() + line
    for changed in ("time_reference", "coding_history"):
        del before[changed], after[changed]
    assert after == before
    np.testing.assert_array_equal(samples(flipped), samples(source)[10:30][::-1])


def test_a_new_stamp_stands_where_the_standard_puts_it(tmp_path):
    flipped = flip_bytes(tmp_path, wav(bytes(30)), time_reference_samples=BEYOND_32_BITS)
    name, payload = chunks_of(flipped)[0]
    assert name == b"bext"
    assert struct.unpack_from("<IIH", payload, 338) == (192_000 * 3, 1, 1)
    assert payload[602:].startswith(b"A=PCM,F=48000,W=24,M=mono,T=retro")
    assert payload.rstrip(b"\0").endswith(b"\r\n")
    assert broadcast_of(tmp_path / "out" / "take_flipped.wav").time_reference == BEYOND_32_BITS


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
def test_wavinfo_and_libsndfile_agree_on_every_wav_that_can_hold_a_stamp(
    tmp_path, form, record_evidence
):
    source = tmp_path / "take.wav"
    soundfile.write(source, noise(4_801, 3), 96_000, "PCM_24", format=form)
    flip_files(source, tmp_path / "out", time_reference_samples=345_600_000)
    flipped = tmp_path / "out" / "take_flipped.wav"
    info = wavinfo.WavInfoReader(flipped)
    assert info.bext.time_reference == 345_600_000
    assert info.data.frame_count == 4_801
    assert (info.fmt.sample_rate, info.fmt.channel_count) == (96_000, 3)
    np.testing.assert_array_equal(samples(flipped), samples(source)[::-1])
    record_evidence(
        what=f"TimeReference of a flipped {form} file",
        source="wavinfo",
        expected=345_600_000,
        found=info.bext.time_reference,
    )
    record_evidence(
        what=f"samples of a flipped {form} file",
        source="libsndfile",
        expected="those of the source backwards",
        found=f"all {samples(flipped).size} equal",
    )


@pytest.mark.skipif(shutil.which("mediainfo") is None, reason="mediainfo is not installed")
def test_mediainfo_reads_the_place_as_a_delay(tmp_path, record_evidence):
    """It divides TimeReference by the rate."""
    place = 48_000 * 3_605 + 12_000
    source = tmp_path / "take.wav"
    soundfile.write(source, noise(480), 48_000, "PCM_24")
    flip_files(source, tmp_path / "out", time_reference_samples=place)
    flipped = tmp_path / "out" / "take_flipped.wav"
    told = subprocess.run(
        ["mediainfo", "--Output=Audio;%Delay/String3%", str(flipped)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    assert told == "01:00:05.250"
    record_evidence(
        what="place of a flipped file, 1 h 5.25 s after midnight",
        source="MediaInfo",
        expected="01:00:05.250",
        found=told,
    )


def test_wavinfo_reads_the_cues_where_they_were_mirrored_to(tmp_path):
    offsets = (1, 6)
    records = [
        struct.pack("<II4sIII", number, offset, b"data", 0, 0, offset)
        for number, offset in enumerate(offsets, start=1)
    ]
    label = framed([(b"labl", struct.pack("<I", 2) + b"letter B\0")])
    data = wav(
        bytes(30),
        after=[
            (b"cue ", struct.pack("<I", 2) + b"".join(records)),
            (b"LIST", b"adtl" + label),
        ],
    )
    flip_bytes(tmp_path, data)
    cues = wavinfo.WavInfoReader(tmp_path / "out" / "take_flipped.wav").cues
    assert [cue.sample_offset for cue in cues.cues] == [9, 4]
    assert cues.label_and_note(2)[0] == "letter B"


def test_ixml_and_unknown_chunks_stay_byte_for_byte_in_their_order(tmp_path):
    parts = [
        (b"JUNK", bytes(27)),
        (b"bext", bext_payload(5)),
        (b"fmt ", format_payload()),
        (b"iXML", IXML),
        (b"zzzz", bytes(range(255))),
    ]
    after = [(b"LIST", b"INFOISFT\4\0\0\0own\0"), (b"id3 ", b"odd")]
    source = tmp_path / "take.wav"
    source.write_bytes(riff([*parts, (b"data", bytes(30)), *after]))
    manifest = flip_files(source, tmp_path / "out", time_reference_samples=9)
    written = chunks_of((tmp_path / "out" / "take_flipped.wav").read_bytes())
    assert [name for name, _ in written] == [
        *(name for name, _ in parts),
        b"data",
        *(name for name, _ in after),
    ]
    same = [part for part in written if part[0] not in (b"bext", b"data")]
    assert same == [part for part in (*parts, *after) if part[0] != b"bext"]
    assert any("iXML" in notice for notice in manifest.files[0].notices)


def test_without_a_stated_place_the_clip_lies_over_where_it_was_recorded(tmp_path):
    source = tmp_path / "take.wav"
    source.write_bytes(wav(bytes(30), (b"bext", bext_payload(1_000))))
    flip_files(source, tmp_path / "out", 4, 9)
    assert broadcast_of(tmp_path / "out" / "take_flipped.wav").time_reference == 1_004


@given(
    reference=st.integers(0, 2**64 - 1),
    history=st.binary(max_size=50).map(lambda text: text.rstrip(b"\0")),
    padding=st.integers(0, 300),
)
def test_padding_is_used_up_before_the_chunk_grows(reference, history, padding):
    payload = bext_payload(3, history=history + bytes(padding))
    changed = stamped(payload, time_reference_samples=reference, history="A=PCM")
    assert time_reference_in(changed, "<") == reference
    written = len(changed.rstrip(b"\0"))
    assert len(changed) == max(len(payload), written + written % 2)
    assert changed[602:].rstrip(b"\0").endswith(b"A=PCM\r\n")
    assert changed[602:].startswith(history)
    assert changed[:338] + changed[346:602] == payload[:338] + payload[346:602]


def test_a_cut_off_stamp_is_kept_as_it_is(tmp_path):
    data = wav(bytes(30), (b"bext", bytes(100)))
    flipped = chunks_of(flip_bytes(tmp_path, data, time_reference_samples=5))
    assert flipped[0] == (b"bext", bytes(100))
