"""Banks of sounds that are read, and those that are refused."""

import shutil
import struct

import pytest

from retro.errors import BankError
from retro.sounds.bank import COMPRESSED, DRUM_BANK, SAMPLE_BYTES, SAMPLE_KIND_AT, open_bank


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


def test_compressed_samples_are_refused_with_what_to_do(bank, tmp_path):
    path = tmp_path / "bank.sf3"
    shutil.copy(bank.path, path)
    content = bytearray(path.read_bytes())
    at = content.rindex(b"shdr") + 8
    kind_at = at + 3 * SAMPLE_BYTES + SAMPLE_KIND_AT
    (kind,) = struct.unpack_from("<H", content, kind_at)
    struct.pack_into("<H", content, kind_at, kind | COMPRESSED)
    path.write_bytes(content)
    with pytest.raises(BankError, match=r"compressed samples \(sf3\).*give the bank as \.sf2"):
        open_bank(path)


def test_without_the_player_one_line_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setitem(__import__("sys").modules, "midirenderer", None)
    with pytest.raises(BankError, match=r"pip install 'retro\[sounds\]'"):
        open_bank(tmp_path / "bank.sf2")
