"""What is kept stands in the settings file, and nothing else there is touched."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.errors import RetroError, SettingsError
from retro.listening.keep import keep
from retro.listening.moves import Moves, PartMove, moved_settings
from retro.listening.toml_lines import Edit, edited
from retro.model.settings import Landing
from retro.read.settings import read_settings

TARGET = Path("song.mid")
WRITTEN = """\
# My settings.   Do not lose this line.

onset_db = 8 # as she likes it
title = "A # in a title"

[room] # the hall
  reverberation_s   =   1.9   # measured
# about the ratio
direct_to_reverberant_db = -2

[[part]]
match = 'Harp' # the small one
landing = "end"

# the last words
[[part]]
match = "Celli"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "song.toml"
    path.write_text(text, encoding="utf-8", newline="")
    return path


def test_only_the_moved_values_change(tmp_path: Path) -> None:
    path = write(tmp_path, WRITTEN)
    moves = Moves(
        reverberation_s=2.5,
        onset_db=9.5,
        audible_db=50.0,
        parts=(
            PartMove(match="Harp", landing=Landing.START),
            PartMove(match="Celli", leave_out=True),
            PartMove(match='Solo "A"', leave_out=False),
        ),
    )
    wanted = moved_settings(path, (), moves)
    keep(path, TARGET, (), moves)
    assert (
        path.read_text(encoding="utf-8")
        == """\
# My settings.   Do not lose this line.

onset_db = 9.5 # as she likes it
title = "A # in a title"
audible_db = 50.0

[room] # the hall
  reverberation_s   =   2.5   # measured
# about the ratio
direct_to_reverberant_db = -2

[[part]]
match = 'Harp' # the small one
landing = "start"

# the last words
[[part]]
match = "Celli"
leave_out = true

[[part]]
match = "Solo \\"A\\""
leave_out = false
"""
    )
    assert read_settings(path) == wanted


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("", "onset_db = 9.0\n"),
        ("# Mine.\n", "# Mine.\nonset_db = 9.0\n"),
        ('[window]\nbars = "1"\n', 'onset_db = 9.0\n\n[window]\nbars = "1"\n'),
        (
            '# Mine.\n\n# The window.\n[window]\nbars = "1"\n',
            '# Mine.\n\nonset_db = 9.0\n\n# The window.\n[window]\nbars = "1"\n',
        ),
        ('# Mine.\n[window]\nbars = "1"\n', '# Mine.\nonset_db = 9.0\n\n[window]\nbars = "1"\n'),
        ("letter = 'B'", "letter = 'B'\nonset_db = 9.0\n"),
        ("letter = 'B'\r\n\r\n", "letter = 'B'\r\nonset_db = 9.0\r\n"),
    ],
)
def test_a_new_line_stands_where_a_person_would_put_it(before: str, after: str) -> None:
    assert edited(before, [Edit(table="", key="onset_db", value=9.0)]) == after


@pytest.mark.parametrize(
    "text",
    [
        "room = { reverberation_s = 1.9 }\n",
        "room.reverberation_s = 1.9\n",
        'title = """\n[room]\nreverberation_s = 1.0\n"""\n[room]\nreverberation_s = 1.9\n',
        '"room"."reverberation_s" = 1.9\n',
    ],
)
def test_a_file_of_another_layout_is_left_and_the_page_says_what_to_write(
    tmp_path: Path, text: str
) -> None:
    path = write(tmp_path, text)
    with pytest.raises(RetroError) as refusal:
        keep(path, TARGET, (), Moves(reverberation_s=2.5))
    assert path.read_text(encoding="utf-8") == text
    assert "reverberation_s = 2.5" in str(refusal.value) or "settings" in str(refusal.value)


def test_a_file_is_made_where_there_is_none(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    said = keep(path, TARGET, (), Moves(reverberation_s=2.5, lands_on="29.1"))
    assert said == ["[room] reverberation_s = 2.5", 'lands_on = "29.1"']
    settings = read_settings(path)
    assert (settings.room.reverberation_s, settings.lands_on) == (2.5, "29.1")
    assert path.read_text().startswith("# Settings of song.mid, kept from its listening page.\n")


def test_where_nothing_is_moved_nothing_is_written(tmp_path: Path) -> None:
    assert keep(tmp_path / "song.toml", TARGET, (), Moves()) == []
    assert list(tmp_path.iterdir()) == []


def test_flags_are_kept_too_but_not_the_bounce(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    keep(path, TARGET, (("bars", "3-4"), ("over", "song.wav")), Moves(audible_db=45.0))
    assert tomllib.loads(path.read_text()) == {"window": {"bars": "3-4"}, "audible_db": 45.0}


def test_flags_that_choose_other_bars_than_the_file_are_not_mixed_with_it(tmp_path: Path) -> None:
    text = '[window]\nfrom = "3.1"\nto = "5.1"\n'
    path = write(tmp_path, text)
    with pytest.raises(SettingsError):
        keep(path, TARGET, (("bars", "3-4"),), Moves())
    assert path.read_text() == text


def test_a_link_is_left_alone(tmp_path: Path) -> None:
    real = tmp_path / "real.toml"
    real.write_text("onset_db = 8\n")
    path = tmp_path / "song.toml"
    path.symlink_to(real)
    with pytest.raises(RetroError, match="link"):
        keep(path, TARGET, (), Moves(onset_db=9.0))
    assert path.is_symlink()
    assert real.read_text() == "onset_db = 8\n"


def test_a_byte_order_mark_stays(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    path.write_bytes(b"\xef\xbb\xbfonset_db = 8\n")
    keep(path, TARGET, (), Moves(onset_db=9.0))
    assert path.read_bytes() == b"\xef\xbb\xbfonset_db = 9.0\n"


LINES = st.lists(
    st.sampled_from(
        [
            "",
            "# words",
            "[room]",
            "reverberation_s = 1.0",
            "onset_db = 7 # x",
            'title = "a = b # c"',
            "[[part]]",
            'match = "Harp"',
            "leave_out = false",
            "'''",
            'title = """',
            "x = [",
            "]",
        ]
    ),
    max_size=12,
)


@given(lines=LINES, ending=st.sampled_from(["\n", "\r\n"]), row=st.integers(0, 2))
def test_whatever_the_layout_the_wanted_change_and_no_other_is_made(
    lines: list[str], ending: str, row: int
) -> None:
    text = ending.join(lines)
    try:
        before = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    edits = [
        Edit(table="room", key="reverberation_s", value=2.5),
        Edit(table="", key="onset_db", value=9.0),
    ]
    parts = before.get("part", [])
    if isinstance(parts, list) and row <= len(parts):
        edits.append(Edit(table="part", row=row, key="leave_out", value=True))
    new = edited(text, edits)
    if new is None:
        return
    after = tomllib.loads(new)
    assert after["room"].pop("reverberation_s") == 2.5
    assert after.pop("onset_db") == 9.0
    if len(edits) == 3:
        assert after["part"][row].pop("leave_out") is True
        before.setdefault("part", [{}] if row == len(parts) else [])
        if row == len(parts) and parts:
            before["part"].append({})
        before["part"][row].pop("leave_out", None)
    before.setdefault("room", {}).pop("reverberation_s", None)
    before.pop("onset_db", None)
    assert after == before
    kept = [line for line in lines if line.startswith("#")]
    assert [line for line in new.splitlines() if line.startswith("#")] == kept
