"""Names of files from names of players."""

from hypothesis import given
from hypothesis import strategies as st

from retro.pack.names import MAX_NAME, part_file_names


def test_names_in_any_script_make_files_in_latin_letters() -> None:
    # Common romanisations, as `anyascii` gives them.
    names = ("Violin I", "Скрипка", "ヴァイオリン", "小提琴", "Bass Clarinet in B♭ 2", "???", "con")
    assert part_file_names(names) == [
        "01-violin-i",
        "02-skripka",
        "03-vuaiorin",
        "04-xiaotiqin",
        "05-bass-clarinet-in-b-flat-2",
        "06-part",
        "07-part",
    ]


@given(st.lists(st.text(max_size=90), max_size=12))
def test_file_names_are_plain_short_and_different(names: list[str]) -> None:
    made = part_file_names(names)
    assert len(set(made)) == len(names)
    assert all(name.isascii() and len(name) <= MAX_NAME + 3 for name in made)
    assert all(set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-") for name in made)
