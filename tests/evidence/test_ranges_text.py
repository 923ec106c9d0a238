"""Written ranges against two published texts, both sides of every limit as `retro check` has them.

Sources, read in stored copies: *Ranges of Orchestral Instruments*, reference table of the orchestra
librarians' site orchestralibrary.com (reftables/rang.html), which names Del Mar, Read and Kennan
for more; and a textbook of composition with a chapter on orchestration (issuhub.com, view 5685,
page 178) for oboe and harp. Only the woodwind rows of the first could be read.
"""

import pytest

from retro.compensate import perform
from retro.model.instruments import Player
from retro.model.orchestra import by_id
from retro.model.performance import Window
from retro.model.settings import Settings
from retro.plan.check import check
from retro.units import named_pitch
from tests.conftest import make_note, make_part, make_phrase

TABLE = "orchestralibrary.com, Ranges of Orchestral Instruments"
BOOK = "textbook of composition, part IV, p. 178"

WRITTEN = [
    ("piccolo", "D4", "C7", TABLE),
    ("flute", "C4", "D7", TABLE),
    ("oboe-d-amore", "Bb3", "E6", TABLE),
    ("english-horn", "B3", "G6", TABLE),
    ("clarinet-in-b-flat", "E3", "C7", TABLE),
    ("clarinet-in-a", "E3", "C7", TABLE),
    ("bass-clarinet", "Eb3", "G6", TABLE),
    ("oboe", "Bb3", "A6", BOOK),
]

MORE_CAUTIOUS = [
    # Ours end lower, from memory; the low end is the same.
    ("alto-flute", "C4", "C7", TABLE),
    ("basset-horn", "C3", "G6", TABLE),
]


def is_out_of_range(id_: str, written: int) -> bool:
    """Whether `retro check` says that the instrument has not got a written pitch."""
    instrument = by_id(id_)
    sounding = written + instrument.transposition.semitones
    phrase = make_phrase(make_part(make_note(0, 1, sounding)))
    player = Player(name="Somebody", instrument=instrument)
    window = Window(
        start_beats=phrase.bars[0].start_beats,
        end_beats=phrase.length_beats,
        start_s=phrase.tempo.seconds_at(phrase.bars[0].start_beats),
        end_s=phrase.length_s,
        start_bar=1,
        end_bar=2,
    )
    findings = check(perform(phrase, (player,), Settings()), window, phrase)
    return any(finding.kind == "range" for finding in findings)


@pytest.mark.parametrize(
    ("id_", "low", "high", "source"), WRITTEN, ids=[id_ for id_, *_ in WRITTEN]
)
def test_the_published_ends_are_playable_and_the_notes_beyond_are_not(
    id_: str, low: str, high: str, source: str, record_evidence
) -> None:
    lowest, highest = named_pitch(low), named_pitch(high)
    assert not is_out_of_range(id_, lowest)
    assert is_out_of_range(id_, lowest - 1)
    assert not is_out_of_range(id_, highest)
    assert is_out_of_range(id_, highest + 1)
    record_evidence(
        what=f"{by_id(id_).name}: written range",
        source=source,
        expected=f"{low} to {high}",
        found="the same: both ends pass, the semitones beyond are found",
    )


@pytest.mark.parametrize(
    ("id_", "low", "high", "source"), MORE_CAUTIOUS, ids=[id_ for id_, *_ in MORE_CAUTIOUS]
)
def test_where_ours_is_more_cautious_the_low_end_agrees_and_the_high_end_is_below(
    id_: str, low: str, high: str, source: str, record_evidence
) -> None:
    instrument = by_id(id_)
    assert not is_out_of_range(id_, named_pitch(low))
    assert is_out_of_range(id_, named_pitch(low) - 1)
    ours = instrument.high - instrument.transposition.semitones
    assert ours < named_pitch(high)
    record_evidence(
        what=f"{instrument.name}: written range",
        source=source,
        expected=f"{low} to {high}",
        found=f"the same low end; ours ends {named_pitch(high) - ours} semitones lower",
    )


def test_the_harp_reaches_the_published_top_and_all_but_its_flattened_lowest_string(
    record_evidence,
) -> None:
    # The book has C flat 1: the lowest string with its pedal flat. Ours begins at C1.
    assert not is_out_of_range("harp", named_pitch("G#7"))
    assert is_out_of_range("harp", named_pitch("A7"))
    assert not is_out_of_range("harp", named_pitch("C1"))
    record_evidence(
        what="Harp: range",
        source=BOOK,
        expected="Cb1 to G#7",
        found="C1 to G#7: the lowest string is not taken for flat",
    )
