import re
import xml.etree.ElementTree as ET
from dataclasses import replace

from retro.model.instruments import Sound
from retro.model.settings import Settings
from retro.render.picture import picture_png, picture_svg
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase, make_player
from tests.notation.written import numbered

NAMESPACE = {"svg": "http://www.w3.org/2000/svg"}


def picture(name: str = "Horn", title: str = "Study") -> str:
    phrase = make_phrase(make_part(make_note(2, 6)), make_part(make_note(0, 3)))
    players = (
        replace(make_player(), name=name),
        make_player(Sound.STRUCK, decay_s=3.0),
    )
    return picture_svg(perform(numbered(replace(phrase, title=title)), players, Settings()))


def test_each_note_is_drawn_as_target_played_and_heard_with_its_landing() -> None:
    root = ET.fromstring(picture())
    groups = root.findall(".//svg:g[@class='note']", NAMESPACE)
    assert [group.get("data-note") for group in groups] == ["0", "1"]
    for group in groups:
        assert [child.get("class") for child in group][1:] == [
            "target",
            "played",
            "heard",
            "landing",
        ]


def test_a_landing_is_drawn_where_the_target_ends() -> None:
    root = ET.fromstring(picture())
    group = root.find(".//svg:g[@data-note='0']", NAMESPACE)
    assert group is not None
    target, landing = group[1], group[4]
    end_px = float(target.get("x", "")) + float(target.get("width", ""))
    tip_px = float(landing.get("points", "").split(",")[0])
    assert abs(end_px - tip_px) < 0.05


def test_song_bars_run_forwards_and_insert_bars_backwards() -> None:
    words = re.findall(r">([^<>]+)</text>", picture())
    assert [word for word in words if word in {"21", "22"}] == ["21", "22"]
    assert [word for word in words if re.fullmatch(r"A\d", word)] == ["A2", "A1"]


def test_names_are_shown_as_text() -> None:
    svg = picture(name="<img src=x onerror=alert(1)>", title="</svg><script>")
    assert "<img" not in svg
    assert "<script" not in svg
    ET.fromstring(svg)


def test_the_picture_becomes_the_same_png_twice() -> None:
    png = picture_png(picture(), dots_per_inch=72)
    assert png.startswith(b"\x89PNG")
    assert png == picture_png(picture(), dots_per_inch=72)
