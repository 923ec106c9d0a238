"""Who has nothing to play gets a sheet that says so."""

from lxml import etree

from retro.model.settings import Settings
from retro.notation.silent import TACET
from retro.pack.copyist import copy_out, sheets
from retro.plan.compose import plan_file
from tests.example import TARGET


def test_silent_players_get_a_tacet_sheet_and_no_stave_in_the_score() -> None:
    plan = plan_file(TARGET, Settings(bars="1-4"))
    copy = copy_out(plan)
    silent = [player.name for player in plan.silent]
    assert "Celesta" in silent
    assert len(copy.xml.silent) == len(copy.silent) == len(silent)
    score = etree.fromstring(copy.xml.score)
    assert "Celesta" not in score.xpath("//part-name/text()")
    by_player = {
        sheet.player: (stem, sheet) for stem, sheet in sheets(plan, copy) if "parts/" in stem
    }
    stem, sheet = by_player["Bass Clarinet in B♭"]
    assert stem.startswith("parts/")
    assert stem.endswith("-bass-clarinet-in-b-flat")
    assert sheet.advice == (TACET,)
    music = etree.fromstring(sheet.musicxml)
    assert music.find(".//pitch") is None
    assert music.findtext(".//multiple-rest") == "4"
    assert music.findtext(".//transpose/chromatic") == "-2"


def test_the_numbers_of_part_files_keep_score_order_with_the_silent_ones_among_them() -> None:
    plan = plan_file(TARGET, Settings(bars="1-4"))
    copy = copy_out(plan)
    stems = dict(sorted((stem, sheet.player) for stem, sheet in sheets(plan, copy)))
    files = [player for stem, player in stems.items() if stem.startswith("parts/")]
    every = sorted((*copy.parts, *copy.silent), key=lambda part: part.instrument.score_order)
    assert files == [part.name for part in every]
    assert files.index("Bass Clarinet in B♭") < files.index(copy.parts[-1].name)
