import io
import subprocess
import sys
from pathlib import Path

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


def test_a_sound_of_minutes_is_written(tmp_path: Path) -> None:
    """Given at once it would overrun the stack of the library, which ends the whole program."""
    code = (
        "import sys; import numpy as np; from pathlib import Path;"
        "from retro.model.settings import SoundFormat; from retro.render.wav import write_audio;"
        "sound = np.zeros((4_500_000, 2), np.float32);"
        "write_audio(Path(sys.argv[1]), sound, 48_000, SoundFormat.OGG)"
    )
    path = tmp_path / "long.ogg"
    subprocess.run([sys.executable, "-c", code, str(path)], check=True, timeout=120)
    assert soundfile.info(path).frames == 4_500_000
