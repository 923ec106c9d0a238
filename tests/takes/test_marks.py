"""Cues, regions, loops and markers go where their sound goes."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.takes.marks import (
    FrameSpan,
    MirroredCues,
    mirror_cues,
    mirror_instrument,
    mirror_labels,
    mirror_loops,
    mirror_markers,
    mirror_peaks,
    region_lengths,
)
from tests.takes.sound_files import chunks_of, flip_bytes, flip_files, framed, wav

pytestmark = pytest.mark.usefixtures("unflushed")


def cues(
    *offsets: int,
    order: str = "<",
) -> bytes:
    records = [
        struct.pack(f"{order}II4sIII", number, offset, b"data", 0, 0, offset)
        for number, offset in enumerate(offsets, start=1)
    ]
    return struct.pack(f"{order}I", len(records)) + b"".join(records)


def cue_offsets(payload: bytes) -> list[int]:
    (count,) = struct.unpack_from("<I", payload)
    return [struct.unpack_from("<I", payload, 24 + 24 * index)[0] for index in range(count)]


def adtl(lengths: dict[int, int], order: str = "<") -> bytes:
    notes = []
    for cue, frames in lengths.items():
        notes.append((b"labl", struct.pack(f"{order}I", cue) + b"mark\0"))
        if frames:
            region = struct.pack(f"{order}II4sHHHH", cue, frames, b"rgn ", 0, 0, 0, 0)
            notes.append((b"ltxt", region))
    return b"adtl" + framed(notes, order)


def loops(*spans: tuple[int, int], order: str = "<") -> bytes:
    head = bytes(28) + struct.pack(f"{order}II", len(spans), 3)
    each = [struct.pack(f"{order}6I", 1, 0, *span, 0, 0) for span in spans]
    return head + b"".join(each) + b"own"


def markers(*positions: int) -> bytes:
    each = [
        struct.pack(">HI", number, position) + b"\4mark\0"
        for number, position in enumerate(positions, start=1)
    ]
    return struct.pack(">H", len(each)) + b"".join(each)


def test_a_cue_keeps_its_sound():
    """Frame 3 stands after boundary 3 of 10, and before boundary 7 of the flip."""
    mirrored = mirror_cues(cues(0, 3, 10), {}, FrameSpan(0, 10), "<")
    assert cue_offsets(mirrored.payload) == [10, 7, 0]
    assert mirrored.left_out == ()


def test_a_region_is_mirrored_as_a_span():
    mirrored = mirror_cues(cues(2), {1: 5}, FrameSpan(0, 10), "<")
    assert cue_offsets(mirrored.payload) == [3]
    assert mirrored.region_frames == {1: 5}


def test_a_region_that_reaches_out_of_the_range_is_cut():
    mirrored = mirror_cues(cues(2), {1: 5}, FrameSpan(4, 10), "<")
    assert cue_offsets(mirrored.payload) == [3]
    assert mirrored.region_frames == {1: 3}


def test_a_region_that_only_touches_the_range_is_left_out():
    for offset in (0, 8):
        mirrored = mirror_cues(cues(offset), {1: 4}, FrameSpan(4, 8), "<")
        assert (mirrored.left_out, mirrored.payload) == ((1,), struct.pack("<I", 0))


def test_a_play_order_is_no_frame_and_stays():
    """`dwPosition` is a place in the playlist; many writers put the frame there as well."""
    own = struct.pack("<III4sIII", 1, 7, 2, b"data", 0, 0, 3)
    mirrored = struct.pack("<III4sIII", 1, 7, 2, b"data", 0, 0, 6)
    assert mirror_cues(own, {}, FrameSpan(0, 9), "<").payload == mirrored
    assert mirror_cues(cues(3), {}, FrameSpan(0, 9), "<").payload == cues(6)


def test_big_endian_marks_are_mirrored_as_such():
    span = FrameSpan(4, 10)
    regions = region_lengths(adtl({1: 5}, ">"), ">")
    assert regions == {1: 5}
    mirrored = mirror_cues(cues(2, order=">"), regions, span, ">")
    assert mirrored.payload == cues(3, order=">")
    assert mirror_labels(adtl({1: 5}, ">"), mirrored, ">") == adtl({1: 3}, ">")
    assert mirror_loops(loops((5, 6), order=">"), span, ">")[0] == loops((3, 4), order=">")
    peaks = struct.pack(">IIfI", 1, 0, 0.5, 5)
    assert mirror_peaks(peaks, span, ">") == struct.pack(">IIfI", 1, 0, 0.5, 4)


def test_a_cut_region_is_told_in_its_label(tmp_path):
    data = wav(bytes(30), after=[(b"cue ", cues(2)), (b"LIST", adtl({1: 5}))])
    (tmp_path / "take.wav").write_bytes(data)
    flip_files(tmp_path / "take.wav", tmp_path / "out", 4, 10)
    parts = dict(chunks_of((tmp_path / "out" / "take_flipped.wav").read_bytes()))
    assert (parts[b"cue "], parts[b"LIST"]) == (cues(3), adtl({1: 3}))


def test_regions_may_stand_in_two_lists(tmp_path):
    lists = [(b"LIST", adtl({1: 5})), (b"LIST", b"adtl"), (b"LIST", adtl({2: 3}))]
    data = wav(bytes(30), after=[(b"cue ", cues(2, 6)), *lists])
    assert dict(chunks_of(flip_bytes(tmp_path, data)))[b"cue "] == cues(3, 1)


def test_cues_outside_the_range_go_with_their_labels(tmp_path):
    notes = adtl({1: 0, 2: 6, 3: 0})
    data = wav(bytes(30), after=[(b"cue ", cues(1, 3, 9)), (b"LIST", notes)])
    (tmp_path / "take.wav").write_bytes(data)
    manifest = flip_files(tmp_path / "take.wav", tmp_path / "out", 2, 8)
    parts = dict(chunks_of((tmp_path / "out" / "take_flipped.wav").read_bytes()))
    assert cue_offsets(parts[b"cue "]) == [0]
    assert parts[b"LIST"] == adtl({2: 5})
    assert manifest.files[0].notices == ("2 cues outside the range are left out",)


def test_labels_stay_byte_for_byte_while_every_cue_does(tmp_path):
    notes = adtl({1: 0, 2: 4}) + b"\0\0"
    data = wav(bytes(30), after=[(b"cue ", cues(1, 3)), (b"LIST", notes)])
    assert dict(chunks_of(flip_bytes(tmp_path, data)))[b"LIST"] == notes


@given(st.data())
def test_marks_mirrored_twice_are_the_first_ones(data):
    frames = data.draw(st.integers(1, 2**31))
    span = FrameSpan(0, frames)
    offsets = data.draw(st.lists(st.integers(0, frames), max_size=5))
    regions = {
        number: data.draw(st.integers(0, frames - offset))
        for number, offset in enumerate(offsets, start=1)
    }
    once = mirror_cues(cues(*offsets), regions, span, "<")
    assert mirror_cues(once.payload, regions, span, "<").payload == cues(*offsets)
    assert mirror_markers(mirror_markers(markers(*offsets), span)[0], span)[0] == markers(*offsets)
    inside = [(min(a, frames - 1), frames - 1) for a in offsets]
    twice = mirror_loops(mirror_loops(loops(*inside), span, "<")[0], span, "<")[0]
    assert twice == loops(*inside)


def test_a_loop_keeps_its_frames():
    """A loop's end is its last frame: 2 to 4 of 10 frames is 5 to 7 of the flip."""
    assert mirror_loops(loops((2, 4)), FrameSpan(0, 10), "<") == (loops((5, 7)), 0)
    assert mirror_loops(loops((2, 4), (0, 1)), FrameSpan(2, 10), "<") == (loops((5, 7)), 1)
    assert mirror_loops(loops((2, 4)), FrameSpan(0, 4), "<") == (loops(), 1)


def test_aiff_markers_and_instrument_loops_are_mirrored():
    assert mirror_markers(markers(1, 4), FrameSpan(0, 5)) == (markers(4, 1), 0)
    assert mirror_markers(markers(1), FrameSpan(2, 5)) == (struct.pack(">H", 0), 1)
    instrument = bytes(8) + struct.pack(">HHHHHH", 1, 7, 8, 2, 9, 10)
    assert mirror_instrument(instrument)[8:] == struct.pack(">HHHHHH", 1, 8, 7, 2, 10, 9)


def test_peaks_point_at_the_same_sample():
    peaks = struct.pack("<IIfIfI", 1, 0, 0.5, 2, 0.25, 9)
    mirrored = struct.pack("<IIfIfI", 1, 0, 0.5, 7, 0.25, 0)
    assert mirror_peaks(peaks, FrameSpan(0, 10), "<") == mirrored
    assert mirror_peaks(peaks, FrameSpan(0, 9), "<") is None


def test_peaks_and_pictures_that_are_no_longer_true_are_left_out(tmp_path):
    peaks = struct.pack("<IIfI", 1, 0, 0.5, 9)
    data = wav(bytes(30), (b"PEAK", peaks), (b"levl", bytes(200)))
    (tmp_path / "take.wav").write_bytes(data)
    flip_files(tmp_path / "take.wav", tmp_path / "out", 0, 9)
    parts = chunks_of((tmp_path / "out" / "take_flipped.wav").read_bytes())
    assert [name for name, _ in parts] == [b"fmt ", b"data"]


def test_region_lengths_are_read_from_the_labels():
    assert region_lengths(adtl({1: 0, 2: 6}), "<") == {2: 6}
    cut = MirroredCues(b"", {2: 4}, (1,))
    assert mirror_labels(adtl({1: 0, 2: 6}), cut, "<") == adtl({2: 4})
