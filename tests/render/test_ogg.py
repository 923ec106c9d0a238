import io

import numpy as np
import soundfile

from retro.render.ogg import CHECKSUM_OFFSET, SERIAL_OFFSET, checksum, with_serial


def encoded() -> bytes:
    stream = io.BytesIO()
    sound = np.random.default_rng(1).uniform(-0.5, 0.5, (96_000, 2)).astype(np.float32)
    soundfile.write(stream, sound, 48_000, "VORBIS", format="OGG")
    return stream.getvalue()


def test_the_encoders_own_checksum_is_met() -> None:
    stream = encoded()
    second = stream.index(b"OggS", 4)
    page = bytearray(stream[:second])
    stated = int.from_bytes(page[CHECKSUM_OFFSET : CHECKSUM_OFFSET + 4], "little")
    page[CHECKSUM_OFFSET : CHECKSUM_OFFSET + 4] = bytes(4)
    assert checksum(page) == stated


def test_its_own_serial_changes_nothing_and_another_still_decodes_to_the_same_sound() -> None:
    stream = encoded()
    serial = int.from_bytes(stream[SERIAL_OFFSET : SERIAL_OFFSET + 4], "little")
    assert with_serial(stream, serial) == stream
    renamed = with_serial(stream, 7)
    assert renamed != stream
    before, _ = soundfile.read(io.BytesIO(stream))
    after, _ = soundfile.read(io.BytesIO(renamed))
    assert np.array_equal(before, after)
