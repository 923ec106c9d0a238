"""`retro instruments` prints the table, or one instrument under any of its names, or JSON."""

import json

import pytest

from retro.cli.instruments import instruments
from retro.errors import RetroError
from retro.model.orchestra import INSTRUMENTS


def test_the_table_has_a_line_for_every_instrument(capsys: pytest.CaptureFixture[str]) -> None:
    instruments()
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines[1:-2]] == [i.id for i in INSTRUMENTS]
    horn = next(line for line in lines if line.startswith("horn-in-f"))
    assert horn.split()[-5:] == ["F#2-C6", "B1-F5", "30-150", "0.16-0.25", "15"]


def test_an_instrument_is_found_under_any_name_that_tracks_have(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for name in ("english-horn", "Cor anglais", "corno inglese", "Englischhorn"):
        instruments(name)
        assert capsys.readouterr().out.startswith("id                       english-horn\n")


def test_json_says_written_and_sounding_range(capsys: pytest.CaptureFixture[str]) -> None:
    instruments("clarinet-in-a", as_json=True)
    figures = json.loads(capsys.readouterr().out)
    assert figures["written_range"] == ["E3", "C7"]
    assert figures["sounding_range"] == ["C#3", "A6"]
    assert figures["transposition_semitones"] == -3
    assert figures["attack_ms"] == {
        "loud high": 15.0, "loud low": 40.0, "soft high": 50.0, "soft low": 100.0,
    }  # fmt: skip
    assert figures["programs_0_to_127"] == [71]


def test_json_of_all_is_a_list_in_score_order(capsys: pytest.CaptureFixture[str]) -> None:
    instruments(as_json=True)
    assert [f["id"] for f in json.loads(capsys.readouterr().out)] == [i.id for i in INSTRUMENTS]


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(RetroError, match="no instrument is called 'kazoo'"):
        instruments("kazoo")


def test_every_figure_names_its_source_its_mark_and_its_range(
    capsys: pytest.CaptureFixture[str],
) -> None:
    instruments(as_json=True)
    for figures in json.loads(capsys.readouterr().out):
        wanted = {"range", "attack", "decay"}
        wanted |= {name for name in ("damper", "breath") if figures[f"{name}_s"] is not None}
        sampled = {"sampler attack", "sampler decay"}
        assert wanted <= set(figures["sources"]) <= wanted | sampled, figures["id"]
        for source in figures["sources"].values():
            assert source["mark"] in {
                "published", "measured", "derived", "from memory", "own estimate",
            }  # fmt: skip
            assert all(source.values())


def test_a_plucked_instrument_has_an_attack_of_its_own_in_a_sampler(
    capsys: pytest.CaptureFixture[str],
) -> None:
    instruments("harp", as_json=True)
    figures = json.loads(capsys.readouterr().out)
    assert figures["sampler_attack_ms"] == {"high": 2, "low": 30}
    assert figures["attack_ms"]["loud low"] == 15
    assert figures["sources"]["sampler attack"]["mark"] == "measured"


def test_an_instrument_is_printed_with_its_sources(capsys: pytest.CaptureFixture[str]) -> None:
    instruments("violins")
    lines = capsys.readouterr().out.splitlines()
    (sampled,) = [line for line in lines if line.startswith("sampler decay")]
    assert "measured" in sampled
    assert "0.40 to 1.06 s" in sampled
    assert "Merlin" in sampled
