"""Banks of sounds that are read, and those that are refused."""

import contextlib
import io
import platform
import random
import shutil
import struct
import sys
import wave

import numpy as np
import pytest
import soundfile

from retro.errors import BankError
from retro.model.phrase import PERCUSSION_CHANNEL
from retro.sounds.bank import DRUM_BANK, open_bank
from retro.sounds.line import set_up, smf, strike
from retro.sounds.player import played
from retro.sounds.presets import Preset
from retro.sounds.soundfont import COMPRESSED, EFFECTS, SAMPLE, SoundFont


def scale(bank: int, program: int) -> bytes:
    """Return a file that plays low to high, soft and loud, with one preset."""
    channel = PERCUSSION_CHANNEL if bank == DRUM_BANK else 0
    events = [*set_up(channel, Preset(bank=bank, program=program))]
    for number, key in enumerate((36, 48, 60, 72)):
        for at, velocity in ((0, 40), (6_000, 110)):
            on = 640 + 20_000 * number + at
            events += strike(channel, key, velocity, on, on + 12_000)
    return smf(events, 100_000)


def test_a_bank_says_which_presets_it_holds(bank):
    assert {(0, 0), (0, 60), (DRUM_BANK, 0)} <= bank.presets
    assert len(bank.sha256) == 64


@pytest.mark.parametrize("content", [b"", b"RIFF", b"RIFF" + bytes(100), b"\0" * 1000])
@pytest.mark.usefixtures("bank")
def test_what_is_no_bank_is_refused_in_one_line(content, tmp_path):
    path = tmp_path / "bank.sf2"
    path.write_bytes(content)
    with pytest.raises(BankError, match="is no SoundFont 2 bank") as refusal:
        open_bank(path)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
def test_a_bank_that_was_cut_is_refused(bank, share, tmp_path):
    path = tmp_path / "bank.sf2"
    content = bank.path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    with pytest.raises(BankError):
        open_bank(path)


@pytest.mark.usefixtures("bank")
def test_a_missing_bank_and_a_folder_are_refused(tmp_path):
    with pytest.raises(BankError, match="No such file"):
        open_bank(tmp_path / "none.sf2")
    with pytest.raises(BankError, match="is no file"):
        open_bank(tmp_path)


def test_without_the_player_one_line_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "midirenderer", None)
    monkeypatch.setattr(platform, "machine", lambda: "x86_64")
    with pytest.raises(BankError, match=r"is not installed; pip install 'retro\[sounds\]'"):
        open_bank(tmp_path / "bank.sf2")


@pytest.mark.parametrize(("system", "machine"), [("Linux", "aarch64"), ("Windows", "ARM64")])
def test_where_there_is_no_player_one_line_says_so_and_what_else_to_do(
    system, machine, monkeypatch, tmp_path
):
    monkeypatch.setitem(sys.modules, "midirenderer", None)
    monkeypatch.setattr(platform, "system", lambda: system)
    monkeypatch.setattr(platform, "machine", lambda: machine)
    with pytest.raises(BankError) as refusal:
        open_bank(tmp_path / "bank.sf2")
    assert str(refusal.value) == (
        f"a bank is played by a library of which there is none for {system} on {machine}; "
        "`retro probe` and `retro learn` take the sounds of any sampler instead"
    )


def test_a_bank_that_is_saved_anew_while_it_is_read_is_refused(bank, tmp_path):
    path = tmp_path / "bank.sf2"
    shutil.copy(bank.path, path)
    opened = open_bank(path)
    path.write_bytes(bank.path.read_bytes() + bytes(2))
    with pytest.raises(BankError, match="cannot be played: it was changed meanwhile"):
        opened.play(scale(0, 48), [(0, 48)])
    assert open_bank(path).sha256 != opened.sha256


ASKED = [(0, 0), (0, 48), (0, 73), (DRUM_BANK, 0), (DRUM_BANK, 77), (5, 60), (5, 121)]


@pytest.mark.parametrize("asked", ASKED)
def test_presets_alone_sound_as_the_whole_bank_does(bank, asked):
    midi = scale(*asked)
    alone = bank.play(midi, [asked])
    assert np.abs(alone).max() > 300
    with wave.open(io.BytesIO(played(dry(bank.path.read_bytes()), midi))) as file:
        whole = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
    assert np.array_equal(alone.ravel(), whole)


def dry(content: bytes) -> bytes:
    """Return a bank whose instruments send nothing to the player's chorus and reverb."""
    dried = bytearray(content)
    for name in (b"pgen", b"igen"):
        start, size = _chunk(content, name)
        for at in range(start, start + size, 4):
            if struct.unpack_from("<H", content, at)[0] in EFFECTS:
                struct.pack_into("<h", dried, at + 2, 0)
    return bytes(dried)


def test_a_bank_that_asks_for_effects_of_the_player_gets_none(bank):
    font = SoundFont.read(bank.path)
    assert any(_sends(bank.path.read_bytes()))
    dried = _sends(font.only(font.presets))
    assert dried
    assert not any(dried)


def _sends(content: bytes) -> list[int]:
    start, size = _chunk(content, b"igen")
    pairs = struct.iter_unpack("<Hh", content[start : start + size])
    return [amount for operator, amount in pairs if operator in EFFECTS]


def test_a_bank_of_some_presets_names_them_alone_and_is_small(bank, tmp_path):
    path = tmp_path / "some.sf2"
    path.write_bytes(SoundFont.read(bank.path).only([(0, 48), (0, 73)]))
    assert open_bank(path).presets == {(0, 48), (0, 73)}
    assert path.stat().st_size < 0.2 * bank.path.stat().st_size


def compressed(content: bytes) -> bytes:
    """Return a bank with every sample as an Ogg Vorbis stream, as sf3 has them."""
    start, size = _chunk(content, b"smpl")
    heads_at, heads_size = _chunk(content, b"shdr")
    heads = np.frombuffer(content[heads_at : heads_at + heads_size], dtype=SAMPLE).copy()
    streams = b""
    for head in heads[:-1]:
        first, last = int(head["start"]), int(head["end"])
        sound = np.frombuffer(content[start + 2 * first : start + 2 * last], dtype="<i2")
        stream = io.BytesIO()
        soundfile.write(stream, sound, int(head["rate"]), format="OGG", subtype="VORBIS")
        head["loop"] -= first
        head["start"], head["end"] = len(streams), len(streams) + len(stream.getvalue())
        head["kind"] |= COMPRESSED
        streams += stream.getvalue()
    list_at = content.rindex(b"LIST", 0, start)
    rest = content[start + size : heads_at] + heads.tobytes()
    sized = b"LIST" + struct.pack("<I", len(streams) + 12) + b"sdtasmpl"
    body = content[12:list_at] + sized + struct.pack("<I", len(streams)) + streams + rest
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"sfbk" + body


def _chunk(content: bytes, name: bytes) -> tuple[int, int]:
    at = content.index(name)
    return at + 8, struct.unpack_from("<I", content, at + 4)[0]


def test_a_compressed_bank_sounds_as_the_plain_one(bank, tmp_path):
    plain, path = tmp_path / "plain.sf2", tmp_path / "bank.sf3"
    plain.write_bytes(SoundFont.read(bank.path).only([(0, 48), (0, 73)]))
    path.write_bytes(compressed(plain.read_bytes()))
    assert path.stat().st_size < 0.6 * plain.stat().st_size
    for asked in ((0, 48), (0, 73)):
        wanted, got = (
            open_bank(each).play(scale(*asked), [asked]).astype(float) for each in (plain, path)
        )
        assert wanted.shape == got.shape
        assert np.sum((wanted - got) ** 2) < 0.01 * np.sum(wanted**2)


def test_a_compressed_sample_that_is_damaged_is_refused(bank, tmp_path):
    path = tmp_path / "bank.sf3"
    content = bytearray(compressed(SoundFont.read(bank.path).only([(0, 73)])))
    start, size = _chunk(content, b"smpl")
    content[start : start + size] = bytes(size)
    path.write_bytes(content)
    with pytest.raises(BankError, match="cannot be played: it is damaged"):
        open_bank(path).play(scale(0, 73), [(0, 73)])


@pytest.mark.parametrize("seed", range(30))
def test_a_damaged_bank_is_refused_or_played(small, seed, tmp_path):
    chance = random.Random(seed)
    path = tmp_path / "bank.sf2"
    for _ in range(3):
        content = bytearray(small)
        for _ in range(chance.randint(1, 6)):
            place = chance.randrange(content.index(b"pdta") - 4, len(content))
            content[place] = chance.choice([0, 255, chance.randrange(256)])
        path.unlink(missing_ok=True)
        path.write_bytes(content)
        with contextlib.suppress(BankError):
            assert open_bank(path).play(scale(0, 73), [(0, 73)]).shape[1] == 2


@pytest.fixture(scope="session")
def small(bank):
    """A bank of one preset."""
    return SoundFont.read(bank.path).only([(0, 73)])
