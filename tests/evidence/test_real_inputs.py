"""MIDI files that nobody here wrote: those that music21 carries, used in place.

They hold what exporters do: 18 tracks with 96 tempos and Shift-JIS names, format 0, UTF-8 and GBK
text, ties over everything. More files are built by hand: see docs/evidence.md.
"""

from importlib import resources
from pathlib import Path

import pytest

from tests.evidence.musicxml_schema import musicxml_schema
from tests.evidence.real_inputs import midi_files, try_file

FILES = list(midi_files([Path(str(resources.files("music21")))]))


def test_music21_carries_the_files():
    assert len(FILES) >= 23


@pytest.mark.parametrize("path", FILES, ids=[path.name for path in FILES])
def test_a_file_of_others_is_built_whole_or_refused_in_one_line(path, record_evidence):
    outcome = try_file(path, musicxml_schema(), "bars")
    assert outcome.kind in {"built", "refused"}, outcome.line
    record_evidence(
        what=f"{path.name}: four bars planned, written, played, previewed",
        source="a file of music21's own tests; MusicXML 4.0 schema",
        expected="built, MusicXML valid, or one clear line",
        found=f"{outcome.kind}: {outcome.line}",
    )
