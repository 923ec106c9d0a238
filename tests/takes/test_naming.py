"""Names of outputs: the user's pattern, and nothing that some system cannot store."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.errors import RetroError, SettingsError, WriteError
from retro.takes.naming import DEVICES, FORBIDDEN, Naming

SOURCES = [Path("take 3/violin.wav"), Path("take 3/horn 1.wav")]


def test_the_default_says_that_a_file_is_flipped():
    assert Naming().names(SOURCES) == ("violin_flipped.wav", "horn 1_flipped.wav")


def test_every_field_is_filled_in():
    naming = Naming(pattern="{insert}_{n:02}_{folder}_{stem}{suffix}", insert="B")
    assert naming.names(SOURCES) == ("B_01_take 3_violin.wav", "B_02_take 3_horn 1.wav")


@pytest.mark.parametrize(
    "pattern",
    [
        *("{take}{suffix}", "{stem.parent}{suffix}", "{stem!r}{suffix}", "{}{suffix}", "{stem"),
        *("{stem:99}{suffix}", "{n:999999999}{suffix}", "{n:{n}}{suffix}"),
        *("{stem}", "{stem}.mp3", "", "{stem}_{suffix} "),
        *("../{stem}{suffix}", "a/{stem}{suffix}", "a\\{stem}{suffix}", "C:{stem}{suffix}"),
        *(
            ".{stem}{suffix}",
            " {stem}{suffix}",
            "con{suffix}",
            "LPT1.{stem}{suffix}",
            "a\nb{suffix}",
        ),
        "x" * 250 + "{suffix}",
    ],
)
def test_patterns_that_mean_nothing_or_are_unsafe_are_refused(pattern):
    with pytest.raises(SettingsError) as refusal:
        Naming(pattern=pattern).names(SOURCES[:1])
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    "sources",
    [
        [Path("a/mic.wav"), Path("b/mic.wav")],
        [Path("Mic.wav"), Path("mic.wav")],
        [Path("caf\u00e9.wav"), Path("cafe\u0301.wav")],
    ],
)
def test_names_that_would_collide_on_some_system_are_refused(sources):
    with pytest.raises(WriteError, match="would both become"):
        Naming().names(sources)
    assert len(set(Naming(pattern="{n}_{stem}{suffix}").names(sources))) == 2


@given(st.text(max_size=30), st.text(max_size=30))
def test_whatever_the_pattern_a_name_is_safe_or_refused(pattern, stem):
    stem = stem.replace("/", "").replace("\0", "") or "x"
    try:
        (name,) = Naming(pattern=pattern + "{stem}{suffix}").names([Path(f"{stem}.wav")])
    except RetroError:
        return
    assert not set(name) & FORBIDDEN
    assert Path(name).name == name
    assert name.endswith(".wav")
    assert name.partition(".")[0].casefold() not in DEVICES
