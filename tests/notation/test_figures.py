"""Graces are small notes behind their main note, one player's; a glissando goes from end to end."""

from fractions import Fraction

from lxml import etree

from retro.engraving.engraver_input import ready
from retro.model.instruments import Player
from retro.model.orchestra import by_id
from retro.model.performance import Performance
from retro.model.settings import Settings
from retro.notation.lines import write_parts
from retro.reversal.compensate import perform
from tests.conftest import make_note, make_part, make_phrase
from tests.notation.written import written
from tests.reversal.test_figures import scale, solo_with_graces

F = Fraction


def played(instrument: str, *notes, numbers: tuple[int, ...] = ()) -> Performance:
    phrase = make_phrase(make_part(*notes), us_per_quarter=600_000)
    player = Player(name="Study", instrument=by_id(instrument), numbers=numbers)
    return perform(phrase, (player,), Settings())


def document_of(performance: Performance) -> etree._Element:
    return etree.fromstring(written(performance).parts[0])


def test_graces_stay_with_the_player_who_has_the_main_note():
    performance = played("flute", *solo_with_graces(), numbers=(1, 2))
    (part,) = write_parts(performance)
    (main,) = [c for v in part.staves[0].voices for c in v.chords if c.graces]
    assert main.notes == (3,)
    assert [grace.note for grace in main.graces] == [2, 1]


def test_small_notes_stand_behind_their_main_note_under_a_slur():
    notes = document_of(played("flute", *solo_with_graces())).findall(".//note[@id]")
    names = [note.get("id") for note in notes]
    assert names[:4] == ["n3", "n2", "n1", "n0"]
    assert [note.find("grace") is not None for note in notes[:4]] == [False, True, True, False]
    slurs = [note.find("notations/slur") for note in notes[:3]]
    assert [s is not None and s.get("type") for s in slurs] == ["start", False, "stop"]


def test_the_accidental_of_a_small_note_holds_for_the_bar():
    sharp = [
        make_note(4, F(593, 100), 76),
        make_note(F(593, 100), 6, 73),
        make_note(6, 8, 74),
    ]
    later = [make_note(0, 2, 73), make_note(2, 4, 76)]
    heads = document_of(played("flute", *sharp, *later)).findall(".//note[@id]")
    shown = {head.get("id"): head.findtext("accidental") for head in heads}
    assert shown["n3"] == "sharp"


def test_a_glissando_shows_its_ends_and_says_where_it_goes():
    run = [*scale(60, 62, 64, 65, 67, 69, 71, step="1/13"), make_note(F(20, 13), 3, 72)]
    (part,) = write_parts(played("harp", *run))
    chords = [chord for s in part.staves for v in s.voices for chord in v.chords]
    assert sorted(len(chord.all_notes) for chord in chords) == [1, 7]
    assert "gliss. to C4" in [direction.text for direction in part.directions]
    lines = [line for s in part.staves for v in s.voices for line in v.lines]
    assert [line.kind for line in lines] == ["glissando"]


def test_a_glissando_from_hand_to_hand_is_drawn_from_stave_to_stave():
    flats = [
        n for octave in range(3, 7) for n in (12 * octave + k for k in (11, 13, 15, 16, 18, 20, 22))
    ]
    for keys in (flats, flats[::-1]):
        run = [*scale(*keys, step="1/13"), make_note(F(len(keys), 13), 5, keys[-1])]
        performance = played("harp", *run)
        (part,) = write_parts(performance)
        ((first, last),) = part.slides
        assert not [line for s in part.staves for v in s.voices for line in v.lines]
        xml = written(performance).parts[0]
        ends = {
            note.get("id").partition("-")[0]: note.find("notations/glissando").get("type")
            for note in etree.fromstring(xml).iterfind(".//note[notations]")
            if note.find("notations/glissando") is not None
        }
        assert ends == {f"n{first}": "start", f"n{last}": "stop"}
        source = ready(xml, alone=True)
        # Upwards the end stands before the beginning, and the engraver is helped.
        is_up = performance.notes[first].target.pitch < performance.notes[last].target.pitch
        assert [(a.partition("-")[0], b) for a, b in source.slides] == (
            [(f"n{first}", f"n{last}")] if is_up else []
        )
        assert ("<glissando" in source.musicxml) == (not is_up)


def test_every_note_stands_in_one_chord_or_behind_one():
    performance = played("flute", *solo_with_graces())
    (part,) = write_parts(performance)
    chords = [chord for v in part.staves[0].voices for chord in v.chords]
    standing = [i for chord in chords for i in (*chord.all_notes, *(g.note for g in chord.graces))]
    assert sorted(standing) == list(range(len(performance.notes)))


def test_small_strokes_of_a_drum_have_its_place():
    flam = [make_note("1.93", 2, 38), make_note(2, 3, 36)]
    grace = document_of(played("percussion", *flam)).find(".//note[grace]")
    assert etree.QName(grace[1]).localname == "unpitched"
