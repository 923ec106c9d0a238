"""Words for the tempo in MusicXML scores, and what the mirror makes of them."""

from fractions import Fraction

import pytest

from retro.model.settings import Settings
from retro.model.tempo_words import TempoKind, TempoWord
from retro.notation.tempo import tempo_marks
from retro.plan.compose import Plan, plan_song
from retro.read.musicxml import read_score_song
from retro.read.musicxml_tempo import is_tempo
from retro.reversal.mirror import mirror
from tests.read.test_musicxml import FULL, note, phrase, score

BAR = "".join(note(pitch) for pitch in ("C4", "D4", "E4", "F4"))


def words(text: str, tempo: float | None = None, offset: int = 0) -> str:
    """Words over the stave; `offset` in eighths, `tempo` in quarters a minute."""
    sound = "" if tempo is None else f'<sound tempo="{tempo}"/>'
    return (
        f"<direction><direction-type><words>{text}</words></direction-type>"
        f"<offset>{offset}</offset>{sound}</direction>"
    )


def steps(*tempos: float) -> str:
    """A new tempo on every quarter of a bar."""
    notes = (note(pitch) for pitch in ("C4", "D4", "E4", "F4"))
    pairs = zip(tempos, notes, strict=True)
    return "".join(f'<sound tempo="{tempo}"/>{quarter}' for tempo, quarter in pairs)


def read(*bars: str) -> list[tuple[float, float, str, str]]:
    return [
        (float(word.start_beats), float(word.end_beats), word.kind.value, word.text)
        for word in phrase(score(*bars)).tempo_words
    ]


def played(*bars: str, window: str = "") -> list[tuple[float, str]]:
    """Place and text of every mark of the insert: words, then number."""
    song = read_score_song(score(*bars), "song.musicxml")
    insert = plan(song, window).performance.insert
    marks = tempo_marks(insert.tempo, insert.bars, insert.tempo_words)
    return [(float(m.at_beats), f"{m.words} {m.per_minute}".strip()) for m in marks]


def plan(song: object, window: str = "") -> Plan:
    return plan_song(song, Settings(bars=window or None, count_in_bars=0))


def test_a_tempo_word_holds_until_the_next_one() -> None:
    bars = (words("Allegro", 120) + BAR, BAR, words("Andante", 80) + BAR)
    assert read(*bars) == [(0, 8, "steady", "Allegro"), (8, 12, "steady", "Andante")]


def test_a_tempo_stands_where_it_begins_in_the_insert() -> None:
    bars = (words("Allegro", 120) + BAR, BAR, words("Andante", 80) + BAR)
    assert played(*bars) == [(0, "Andante 80"), (4, "Allegro 120")]


def test_a_word_from_before_the_window_holds_in_it() -> None:
    bars = (words("Allegro", 120) + BAR, BAR, BAR)
    assert played(*bars, window="2-3") == [(0, "Allegro 120")]


def test_a_ritardando_is_played_as_an_accelerando_that_leads_back_to_the_tempo() -> None:
    bars = (
        words("Allegro", 120) + BAR,
        words("molto rit.") + steps(110, 100, 90, 80),
        words("a tempo", 120) + BAR,
    )
    assert played(*bars) == [
        (0, "Allegro 120"),
        (4, "80"),
        (4, "molto accel."),
        (8, "a tempo 120"),
    ]


def test_two_steps_are_gradual_where_the_composer_says_so() -> None:
    slowing = (words("Allegro", 120) + BAR, words("rit.") + steps(120, 110, 100, 100))
    assert played(*slowing) == [(0, "100"), (0, "accel."), (3, "Allegro 120")]


def test_an_accelerando_at_the_end_becomes_a_ritardando_at_the_beginning() -> None:
    bars = (words("Andante", 80) + BAR, words("stringendo") + steps(90, 100, 110, 120))
    assert played(*bars) == [(0, "120"), (0, "rit."), (4, "Andante 80")]


def test_a_change_without_numbers_is_not_on_the_page_but_found() -> None:
    song = read_score_song(
        score(words("Allegro", 120) + BAR, words("rit.", offset=2) + BAR), "song.musicxml"
    )
    found = [f.what for f in plan(song).findings if f.kind == "tempo"]
    assert len(found) == 1
    assert found[0].startswith('"rit." at bar 2 beat 2 of the song')
    insert = plan(song).performance.insert
    marks = tempo_marks(insert.tempo, insert.bars, insert.tempo_words)
    assert [(mark.at_beats, mark.words) for mark in marks] == [(0, "Allegro")]


def test_a_change_in_numbers_is_not_found() -> None:
    song = read_score_song(score(words("rit.") + steps(120, 110, 100, 90)), "song.musicxml")
    assert [f for f in plan(song).findings if f.kind == "tempo"] == []


def test_meno_mosso_is_said_by_what_went_before_in_the_insert() -> None:
    to_and_fro = (
        words("Allegro", 120) + BAR,
        words("poco meno mosso", 100) + BAR,
        words("Tempo I", 120) + BAR,
    )
    assert played(*to_and_fro) == [
        (0, "Allegro 120"),
        (4, "poco meno mosso 100"),
        (8, "a tempo 120"),
    ]
    ever_slower = (
        words("Allegro", 120) + BAR,
        words("meno mosso", 100) + BAR,
        words("Adagio", 60) + BAR,
    )
    assert played(*ever_slower) == [(0, "Adagio 60"), (4, "più mosso 100"), (8, "Allegro 120")]
    at_the_end = (words("Allegro", 120) + BAR, words("meno mosso", 100) + BAR)
    assert played(*at_the_end) == [(0, "100"), (4, "Allegro 120")]


def test_a_tempo_goes_back_to_the_last_and_tempo_primo_to_the_first() -> None:
    bars = (
        words("Lento", 60) + BAR,
        words("Vivo", 160) + BAR,
        words("rit.") + steps(150, 140, 130, 120),
        words("a tempo", 160) + BAR,
        words("Tempo I", 60) + BAR,
    )
    assert [text for *_, text in read(*bars)] == ["Lento", "Vivo", "", "Vivo", "Lento"]


def test_a_word_has_its_number_however_small_the_change_is() -> None:
    bars = (words("Vivo", 120) + BAR, words("Allegro", 119) + BAR)
    assert played(*bars) == [(0, "Allegro 119"), (4, "Vivo 120")]


def test_a_metronome_mark_in_the_words_is_left_to_the_numbers() -> None:
    assert read(words("Allegro (♩ = c. 132)", 132) + FULL)[0][3] == "Allegro"
    assert read(words("Moderato, ♩=96", 96) + FULL)[0][3] == "Moderato"


def test_a_repeated_bar_has_the_words_that_hold_where_it_stands() -> None:
    back = '<barline location="right"><repeat direction="backward"/></barline>'
    bars = (words("Allegro", 120) + BAR, words("Andante", 80) + BAR + back)
    assert read(*bars) == [
        (0, 4, "steady", "Allegro"),
        (4, 8, "steady", "Andante"),
        (8, 12, "steady", "Allegro"),
        (12, 16, "steady", "Andante"),
    ]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("poco rit.", TempoKind.SLOWING),
        ("rallentando", TempoKind.SLOWING),
        ("allarg.", TempoKind.SLOWING),
        ("Cédez", TempoKind.SLOWING),
        ("langsamer werden", TempoKind.SLOWING),
        ("accel. poco a poco", TempoKind.QUICKENING),
        ("string.", TempoKind.QUICKENING),
        ("schneller werden", TempoKind.QUICKENING),
        ("più lento", TempoKind.AT_ONCE_SLOWER),
        ("Meno mosso", TempoKind.AT_ONCE_SLOWER),
        ("Più mosso", TempoKind.AT_ONCE_FASTER),
        ("Andante con moto", TempoKind.STEADY),
        ("Tempo di valse", TempoKind.STEADY),
        ("Slowly", TempoKind.STEADY),
        ("Sehr langsam", TempoKind.STEADY),
    ],
)
def test_words_are_told_apart_by_what_they_do(text: str, kind: TempoKind) -> None:
    assert [found for *_, found, _ in read(words(text) + FULL)] == [kind.value]


@pytest.mark.parametrize(
    "text", ["strings only", "slow vib.", "ritmico", "pizz.", "con sord.", "large", "fast trem."]
)
def test_words_for_players_are_no_tempo(text: str) -> None:
    assert not is_tempo(text)


def test_words_mirror_back() -> None:
    song = phrase(score(words("Vivo", 120) + BAR, words("rit.") + steps(110, 100, 90, 80)))
    assert song.tempo_words[1] == TempoWord(
        start_beats=Fraction(4), end_beats=Fraction(8), kind=TempoKind.SLOWING, text=""
    )
    assert mirror(song).tempo_words[0].kind is TempoKind.QUICKENING
    assert mirror(mirror(song)) == song
