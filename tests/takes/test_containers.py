"""What stands where in a container, to the byte: the places at which a reader is off by a little.

Files are built from the published layouts (EBU Tech 3306, AIFF and AIFC from memory, RFC 9639), so
that no writer's habit hides a slip.
"""

import hashlib
import io
import struct

import numpy as np
import pytest
import soundfile

from retro.errors import AudioError, LimitError, TakeError
from retro.takes.bext import history_line, stamped, with_description
from retro.takes.chunks import LITTLE
from retro.takes.fade import faded
from retro.takes.flac_file import read_metadata
from retro.takes.marks import FrameSpan
from retro.takes.reverse import BLOCK_BYTES, reversed_blocks
from retro.takes.sample_format import Coding, SampleFormat
from retro.takes.take_file import open_take_file
from tests.takes.sound_files import (
    RATE,
    bext_payload,
    chunks_of,
    flip_bytes,
    flip_files,
    format_payload,
    framed,
    noise,
    riff,
    samples,
    w64,
    wav,
)

pytestmark = pytest.mark.usefixtures("unflushed")

PCM_SUBFORMAT = bytes.fromhex("0100000000001000800000aa00389b71")


def looked_at(folder, data, name="take.wav"):
    path = folder / name
    path.write_bytes(data)
    return open_take_file(path)


def flipped_parts(folder, data, start, end, *, order="<", name="take.wav", **settings):
    source = folder / name
    source.write_bytes(data)
    manifest = flip_files(source, folder / "out", start, end, **settings)
    return chunks_of((folder / "out" / manifest.files[0].output).read_bytes(), order), manifest


def wide(parts, *, data_size, frames=0, table=(), unused=b""):
    """Return an RF64 file whose parts state the sizes that come with them."""
    ds64 = struct.pack("<QQQI", 0, data_size, frames, len(table))
    ds64 += b"".join(struct.pack("<4sQ", name, size) for name, size in table) + unused
    inner = b"".join(
        name + struct.pack("<I", shown) + body + bytes(len(body) % 2) for name, shown, body in parts
    )
    return b"RF64\xff\xff\xff\xffWAVE" + framed([(b"ds64", ds64)]) + inner


def aifc(code, sound, *, bits=16, rate=(16383 + 15, RATE << 48), frames=1, after=()):
    common = struct.pack(">hIhHQ", 1, frames, bits, *rate) + code + b"\0\0"
    parts = [(b"COMM", common), (b"SSND", bytes(8) + sound), *after]
    return riff(parts, magic=b"FORM", form=b"AIFC", order=">")


def test_one_missing_byte_is_a_cut_off_file(tmp_path):
    eight_bit = {"bits": 8}
    file = looked_at(tmp_path, wav(bytes(10), **eight_bit)[:-1])
    assert file.frames == 9
    assert any("10 bytes of samples, 9 are there" in notice for notice in file.notices)
    file = looked_at(tmp_path, wav(bytes(10), after=[(b"LIST", bytes(100))], **eight_bit)[:-1])
    assert file.frames == 10
    assert "the cut-off chunk LIST at the end is left out" in file.notices


def test_one_byte_after_the_last_chunk_is_told(tmp_path):
    file = looked_at(tmp_path, wav(bytes(12)) + b"\0")
    assert file.notices == ("1 bytes after the last chunk are left out",)


@pytest.mark.parametrize("after", [[], [(b"LIST", b"INFO")], [(b"JUNK", b"")]])
def test_an_empty_take_does_not_take_the_next_chunk_for_samples(tmp_path, after):
    file = looked_at(tmp_path, wav(b"", after=after))
    assert (file.frames, file.notices) == (0, ())


@pytest.mark.parametrize("size", range(1, 10))
def test_w64_chunks_begin_at_multiples_of_eight(tmp_path, size):
    parts = [(b"fmt ", format_payload(bits=8)), (bytes(range(16)), bytes(size)), (b"data", b"ab")]
    flipped = flip_bytes(tmp_path, w64(parts), "take.w64")
    assert flipped == w64([*parts[:2], (b"data", b"ba")])


def test_a_w64_chunk_that_states_no_size_does_not_stop_the_walk(tmp_path):
    data = w64([(b"fmt ", format_payload(bits=8)), (bytes(range(16)), b""), (b"data", b"ab")])
    at = data.index(bytes(range(16))) + 16
    file = looked_at(tmp_path, data[:at] + bytes(8) + data[at + 8 :], "take.w64")
    assert file.frames == 2


def test_a_w64_frame_count_is_64_bits_wide(tmp_path):
    parts = [
        (b"fmt ", format_payload(bits=8)),
        (b"fact", struct.pack("<Q", 2**32 + 5)),
        (b"data", b"abc"),
    ]
    flipped = flip_bytes(tmp_path, w64(parts), "take.w64")
    assert flipped == w64([parts[0], (b"fact", struct.pack("<Q", 3)), (b"data", b"cba")])


def test_samples_beyond_32_bits_are_found_by_ds64(tmp_path):
    """The file is sparse: it takes no room on the disk."""
    size, end = 5 << 30, bytes(range(1, 7))
    head = wide([(b"fmt ", 16, format_payload(bits=8)), (b"data", 0xFFFFFFFF, b"")], data_size=size)
    path = tmp_path / "long.wav"
    with path.open("wb") as file:
        file.write(head)
        file.seek(len(head) + size - len(end))
        file.write(end + b"LIST" + struct.pack("<I", 4) + b"INFO")
    found = open_take_file(path)
    assert (found.frames, found.notices) == (size, ())
    assert [chunk.name for chunk in found.layout.chunks][-1] == b"LIST"
    span = FrameSpan(size - 5, size)
    with path.open("rb") as file:
        (block,) = reversed_blocks(file, data_offset=found.data_offset, frame_bytes=1, span=span)
    assert block.tobytes() == end[:0:-1]


def test_a_chunk_whose_size_stands_in_the_table_of_ds64_is_kept_with_it(tmp_path):
    parts = [
        (b"fmt ", 16, format_payload(bits=8)),
        (b"zzzz", 0xFFFFFFFF, b"odd"),
        (b"data", 0xFFFFFFFF, b"abcd"),
        (b"LIST", 4, b"INFO"),
    ]
    unused = struct.pack("<4sQ", b"none", 77)
    data = wide(parts, data_size=4, table=[(b"zzzz", 3)], unused=unused)
    (tmp_path / "wide.wav").write_bytes(data)
    flip_files(tmp_path / "wide.wav", tmp_path / "out", 1, 4)
    flipped = (tmp_path / "out" / "wide_flipped.wav").read_bytes()
    ds64 = struct.pack("<QQQI", len(flipped) - 8, 3, 3, 1) + struct.pack("<4sQ", b"zzzz", 3)
    assert flipped == b"RF64\xff\xff\xff\xffWAVE" + framed([(b"ds64", ds64 + unused)]) + framed(
        [(b"fmt ", parts[0][2]), (b"zzzz", b"odd")]
    ) + b"data\xff\xff\xff\xffdcb\0" + framed([(b"LIST", b"INFO")])


def test_a_size_that_32_bits_cannot_say_is_left_unknown():
    assert LITTLE.header(b"long", 5 << 30) == b"long\xff\xff\xff\xff"


@pytest.mark.parametrize(("spare", "magic"), [(0, b"RIFF"), (-1, b"RF64")])
def test_a_riff_becomes_wide_when_it_is_one_byte_too_large(tmp_path, monkeypatch, spare, magic):
    data = wav(bytes(300))
    monkeypatch.setattr("retro.takes.rewrite.MAX_32", len(data) + spare)
    assert flip_bytes(tmp_path, data)[:4] == magic


def test_a_large_unknown_chunk_is_copied_whole(tmp_path):
    body = np.random.default_rng(1).bytes(2 * BLOCK_BYTES + 1_001)
    parts = dict(chunks_of(flip_bytes(tmp_path, wav(b"abcabc", (b"zzzz", body)))))
    assert hashlib.sha256(parts[b"zzzz"]).digest() == hashlib.sha256(body).digest()


@pytest.mark.parametrize("order", "<>")
def test_the_time_stamp_has_the_byte_order_of_its_file(tmp_path, order):
    payload = bytearray(bext_payload(0))
    struct.pack_into(f"{order}II", payload, 338, 7, 3)
    magic = {"<": b"RIFF", ">": b"RIFX"}[order]
    parts = [(b"bext", bytes(payload)), (b"fmt ", format_payload(order=order)), (b"data", b"abc")]
    data = riff(parts, magic=magic, order=order)
    assert looked_at(tmp_path, data).time_reference_samples == 3 * 2**32 + 7
    flipped, _ = flipped_parts(
        tmp_path, data, 0, 1, order=order, time_reference_samples=5 * 2**32 + 11
    )
    assert struct.unpack_from(f"{order}II", dict(flipped)[b"bext"], 338) == (11, 5)


def test_big_endian_frame_counts_stay_big_endian(tmp_path):
    parts = [
        (b"fmt ", format_payload(bits=32, tag=3, order=">")),
        (b"fact", struct.pack(">I", 3)),
        (b"data", bytes(12)),
    ]
    data = riff(parts, magic=b"RIFX", order=">")
    flipped, _ = flipped_parts(tmp_path, data, 0, 2, order=">")
    assert dict(flipped)[b"fact"] == struct.pack(">I", 2)


def test_a_history_without_its_line_end_gets_one_and_padding_goes():
    for kept, ending in ((b"A=ANALOGUE", b"\r\n"), (b"A=ANALOGUE\r\n", b"")):
        payload = bext_payload(3, history=kept + bytes(101))
        changed = stamped(payload, time_reference_samples=4, history="A=PCM")
        assert len(changed) == len(payload)
        assert changed[602:].rstrip(b"\0") == kept + ending + b"A=PCM\r\n"


@pytest.mark.parametrize("charset", ["utf-8", "latin-1"])
def test_texts_of_a_stamp_are_latin_letters_and_no_question_marks(charset):
    # EBU Tech 3285: Description and CodingHistory are ASCII.
    payload = "Großer Saal".encode(charset).ljust(256, b"\0") + bext_payload(0)[256:]
    described = with_description(payload, "Insert B of Été à Łódź — 夜")
    text = described[:256].rstrip(b"\0").decode("ascii")
    assert text.startswith("Insert B of Ete a Lodz - ")
    assert text.endswith(" | Grosser Saal")
    assert "?" not in text
    changed = stamped(payload, time_reference_samples=4, history="T=take Übung")
    assert changed[602:].rstrip(b"\0") == b"T=take Ubung\r\n"


def test_a_line_of_history_says_the_bits_that_count_and_has_no_stray_comma():
    sample = SampleFormat(
        rate=RATE, channels=2, coding=Coding.INTEGER, bits=20, sample_bytes=3, byte_order="<"
    )
    line = history_line(sample, "one, two")
    assert line.startswith("A=PCM,F=48000,W=20,M=stereo,T=retro ")
    assert line.endswith("; one; two")


def test_peaks_are_left_out_of_a_faded_clip(tmp_path):
    peaks = struct.pack("<IIfI", 1, 0, 0.5, 9)
    data = wav(bytes(40 * 48), (b"PEAK", peaks), bits=32, tag=3)
    for fade_ms, is_kept in ((0.0, True), (1.0, False)):
        flipped, manifest = flipped_parts(
            tmp_path, data, 0, 480, fade_out_ms=fade_ms, overwrite=True
        )
        assert (b"PEAK" in dict(flipped)) is is_kept
        told = "its PEAK chunk is not true of the clip and left out" in manifest.files[0].notices
        assert told is not is_kept


@pytest.mark.parametrize(
    ("subformat", "is_known"), [(PCM_SUBFORMAT, True), (PCM_SUBFORMAT[:-1] + b"\0", False)]
)
@pytest.mark.parametrize("order", "<>")
def test_only_known_subformats_of_an_extensible_header_are_taken(
    tmp_path, order, subformat, is_known
):
    if order == ">":
        numbers = struct.unpack("<IHH", subformat[:8])
        subformat = struct.pack(">IHH", *numbers) + subformat[8:]
    fmt = format_payload(bits=16, tag=0xFFFE, order=order)
    fmt += struct.pack(f"{order}HHI", 22, 16, 4) + subformat
    magic = {"<": b"RIFF", ">": b"RIFX"}[order]
    data = riff([(b"fmt ", fmt), (b"data", bytes(8))], magic=magic, order=order)
    if is_known:
        assert looked_at(tmp_path, data).frames == 4
    else:
        with pytest.raises(AudioError, match="0xfffe"):
            looked_at(tmp_path, data)


@pytest.mark.parametrize(("channels", "frame_bytes", "bits"), [(2, 5, 16), (1, 2, 24)])
def test_frames_that_do_not_hold_their_samples_are_refused(tmp_path, channels, frame_bytes, bits):
    fmt = struct.pack("<HHIIHH", 1, channels, RATE, RATE * frame_bytes, frame_bytes, bits)
    with pytest.raises(AudioError, match="makes no sense"):
        looked_at(tmp_path, riff([(b"fmt ", fmt), (b"data", bytes(20))]))


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        *((b"NONE", ">i2"), (b"twos", ">i2"), (b"sowt", "<i2"), (b"in32", ">i4")),
        *((b"fl32", ">f4"), (b"FL32", ">f4"), (b"fl64", ">f8"), (b"FL64", ">f8")),
    ],
)
def test_a_fade_reads_every_aifc_coding_as_it_is(tmp_path, code, kind):
    numbers = np.full(48, 12_345).astype(kind)
    data = aifc(code, numbers.tobytes(), bits=8 * numbers.itemsize, frames=48)
    flipped, _ = flipped_parts(tmp_path, data, 0, 48, order=">", name="take.aifc", fade_out_ms=1.0)
    found = np.frombuffer(dict(flipped)[b"SSND"][8:], kind)
    gains = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, 49) / 48)
    np.testing.assert_allclose(found, 12_345 * gains, rtol=1e-6, atol=0.5)


def test_companded_aifc_has_a_byte_a_sample_whatever_its_header_counts(tmp_path):
    for code in (b"alaw", b"ulaw"):
        assert looked_at(tmp_path, aifc(code, b"abcd", bits=16), "take.aifc").frames == 4


def test_twenty_bits_take_three_bytes(tmp_path):
    file = looked_at(tmp_path, aifc(b"NONE", b"abcdef", bits=20), "take.aifc")
    assert (file.frames, file.sample.bits) == (2, 20)


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000, 384_000])
def test_an_80_bit_rate_is_read_exactly_and_a_broken_one_refused(tmp_path, rate):
    exponent = 16383 + rate.bit_length() - 1
    mantissa = rate << (64 - rate.bit_length())
    whole = aifc(b"NONE", bytes(4), rate=(exponent, mantissa))
    assert looked_at(tmp_path, whole, "take.aifc").sample.rate == rate
    with pytest.raises(AudioError, match="makes no sense"):
        looked_at(tmp_path, aifc(b"NONE", bytes(4), rate=(exponent, mantissa | 1)), "take.aifc")


def test_samples_of_an_aiff_begin_after_the_offset_that_it_states(tmp_path):
    common = struct.pack(">hIhHQ", 1, 4, 8, 16383 + 15, RATE << 48)
    sound = struct.pack(">II", 3, 512) + b"xyz" + b"abcd"
    parts = [(b"COMM", common), (b"SSND", sound)]
    data = riff(parts, magic=b"FORM", form=b"AIFF", order=">")
    flipped, _ = flipped_parts(tmp_path, data, 1, 4, order=">", name="take.aif")
    assert dict(flipped)[b"SSND"] == sound[:11] + b"dcb"
    assert dict(flipped)[b"COMM"] == common[:2] + struct.pack(">I", 3) + common[6:]


def flac_with(folder, blocks, name="take.flac"):
    """Return a FLAC file with metadata blocks (kind, payload) after the encoder's STREAMINFO."""
    plain = folder / "plain.flac"
    soundfile.write(plain, noise(9_000), RATE, "PCM_24")
    with plain.open("rb") as file:
        made = read_metadata(file)
        sound = file.read()
    parts = [(made[0].kind, made[0].payload), *blocks]
    data = b"fLaC"
    for index, (kind, payload) in enumerate(parts):
        last = 0x80 if index == len(parts) - 1 else 0
        data += bytes([kind | last]) + len(payload).to_bytes(3, "big") + payload
    (folder / name).write_bytes(data + sound)
    return folder / name


def test_only_true_metadata_of_a_flac_file_is_kept_and_none_twice(tmp_path):
    comment = struct.pack("<I", 2) + b"me" + struct.pack("<I", 0)
    sheet = bytearray(396 + 36)
    sheet[395] = 1
    sheet[396 + 8] = 170
    lost = [(3, bytes(18)), (5, bytes(sheet))]
    lost += [(2, name + b"1234") for name in (b"riff", b"aiff", b"w64 ")]
    kept = [(4, comment), (2, b"mine1234"), (1, bytes(10))]
    source = flac_with(tmp_path, [*lost, *kept])
    flip_files(source, tmp_path / "out")
    flipped = tmp_path / "out" / "take_flipped.flac"
    with flipped.open("rb") as file:
        found = [(block.kind, block.payload) for block in read_metadata(file)]
    assert found[0][0] == 0
    assert found[1:] == kept
    np.testing.assert_array_equal(samples(flipped), samples(source)[::-1])


@pytest.mark.parametrize("frames", [500, 70_003])
@pytest.mark.parametrize("bits", [16, 24])
def test_a_flipped_flac_states_the_md5_of_its_reversed_samples(tmp_path, bits, frames):
    """RFC 9639: the MD5 of the samples, interleaved, signed, little-endian, in whole bytes.

    The short file fits a buffer whole, and is hashed after it left it all the same.
    """
    source = tmp_path / "take.flac"
    soundfile.write(source, noise(frames, 2), RATE, f"PCM_{bits}")
    manifest = flip_files(source, tmp_path / "out", 101, frames - 4)
    flipped = tmp_path / "out" / "take_flipped.flac"
    with flipped.open("rb") as file:
        stated = read_metadata(file)[0].payload[18:34]
    wanted = np.ascontiguousarray(samples(source)[101 : frames - 4][::-1]) >> (32 - bits)
    raw = wanted.astype("<i4").view(np.uint8).reshape(-1, 4)[:, : bits // 8]
    assert stated == hashlib.md5(raw.tobytes(), usedforsecurity=False).digest()
    whole = hashlib.sha256(flipped.read_bytes()).hexdigest()
    assert manifest.files[0].output_sha256 == whole
    assert manifest.files[0].output_bytes == flipped.stat().st_size


def test_a_flac_file_that_does_not_say_how_long_it_is_is_refused(tmp_path):
    source = flac_with(tmp_path, [])
    data = bytearray(source.read_bytes())
    data[8 + 13] &= 0xF0
    data[8 + 14 : 8 + 18] = bytes(4)
    source.write_bytes(data)
    with pytest.raises(AudioError, match="how long"):
        open_take_file(source)


def test_frames_wider_than_a_block_are_turned_one_by_one():
    wide_frames = np.random.default_rng(1).bytes(3 * (BLOCK_BYTES + 1))
    span = FrameSpan(0, 3)
    blocks = [
        block.tobytes()
        for block in reversed_blocks(
            io.BufferedReader(io.BytesIO(wide_frames)),
            data_offset=0,
            frame_bytes=BLOCK_BYTES + 1,
            span=span,
        )
    ]
    rows = [wide_frames[k * (BLOCK_BYTES + 1) :][: BLOCK_BYTES + 1] for k in range(3)]
    assert blocks == rows[::-1]


def test_a_block_that_is_only_partly_there_is_refused():
    file = io.BufferedReader(io.BytesIO(bytes(9)))
    with pytest.raises(TakeError, match="became shorter"):
        list(reversed_blocks(file, data_offset=0, frame_bytes=1, span=FrameSpan(0, 10)))


def test_a_fade_goes_on_over_blocks():
    frames = np.ones((10, 1))
    blocks = iter([frames[:4], frames[4:7], frames[7:]])

    def scale(block, gains):
        return block * gains[:, np.newaxis]

    done = list(faded(blocks, frames=10, fade_frames=5, frame_items=1, scale=scale))
    gains = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, 6) / 5)
    np.testing.assert_allclose(np.concatenate(done)[:, 0], [1, 1, 1, 1, 1, *gains], atol=1e-12)


def test_a_stamp_that_64_bits_cannot_say_is_refused(tmp_path):
    with pytest.raises(LimitError, match="no time-stamp can say frame 18446744073709551616"):
        flip_bytes(tmp_path, wav(b"abc"), time_reference_samples=2**64)
    assert flip_bytes(tmp_path, wav(b"abc"), time_reference_samples=2**64 - 1)
