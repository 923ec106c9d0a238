from dataclasses import replace
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from retro.model.phrase import EXPRESSION, Key, Marker, Part, Phrase
from retro.model.tempo_words import TempoKind, TempoWord
from retro.model.time import Bar, Meter, Steps, TempoMap
from retro.reversal.mirror import mirror
from tests.conftest import make_note, make_part, make_phrase

METERS = [Meter.plain(4, 4), Meter.plain(3, 4), Meter.plain(7, 8), Meter.plain(5, 8)]


def steps(length: Fraction, values: st.SearchStrategy[object]) -> st.SearchStrategy[Steps]:
    places = st.integers(0, 4 * int(length * 480) // 4).map(lambda t: Fraction(t, 480))
    changes = st.lists(st.tuples(places, values), max_size=6)
    return st.builds(
        lambda c, before: Steps.from_changes(c, length=length, before=before), changes, values
    )


@st.composite
def phrases(draw: st.DrawFn) -> Phrase:
    meters = draw(st.lists(st.sampled_from(METERS), min_size=1, max_size=5))
    bars, at = [], Fraction(0)
    for meter in meters:
        bars.append(Bar(at, meter.length_beats, meter))
        at += meter.length_beats
    ticks = int(at * 480)

    def note(span: tuple[int, int], pitch: int, velocity: int) -> object:
        on, off = sorted(span)
        return make_note(Fraction(on, 480), Fraction(off + 1, 480), pitch, velocity)

    spans = st.tuples(st.integers(0, ticks - 1), st.integers(0, ticks - 1))
    notes = st.lists(st.builds(note, spans, st.integers(0, 127), st.integers(1, 127)), max_size=8)
    parts = draw(
        st.lists(
            st.builds(
                lambda ns, cc, bend: Part(
                    name="Part",
                    channel=0,
                    program=None,
                    notes=tuple(sorted(ns)),
                    controllers=((EXPRESSION, cc),),
                    bend=bend,
                ),
                notes,
                steps(at, st.integers(0, 127)),
                steps(at, st.integers(-8192, 8191)),
            ),
            max_size=3,
        )
    )
    places = st.integers(0, ticks).map(lambda t: Fraction(t, 480))
    markers = draw(st.lists(st.builds(Marker, places, st.sampled_from("ab")), max_size=4))
    words = st.builds(
        lambda span, kind, text: TempoWord(
            start_beats=Fraction(min(span), 480),
            end_beats=Fraction(max(span) + 1, 480),
            kind=kind,
            text=text,
        ),
        spans,
        st.sampled_from(TempoKind),
        st.sampled_from(("", "poco", "Vivo")),
    )
    return Phrase(
        title="Law",
        tempo=TempoMap(draw(steps(at, st.integers(200_000, 2_000_000)))),
        bars=tuple(bars),
        keys=draw(steps(at, st.builds(Key, st.integers(-7, 7), st.booleans()))),
        markers=tuple(sorted(markers)),
        parts=tuple(parts),
        tempo_words=tuple(sorted(draw(st.lists(words, max_size=3)))),
    )


@given(phrases())
def test_a_mirrored_phrase_mirrors_back(phrase: Phrase) -> None:
    assert mirror(mirror(phrase)) == phrase


@given(phrases())
def test_the_mirror_keeps_the_length_in_beats_and_in_seconds(phrase: Phrase) -> None:
    assert mirror(phrase).length_beats == phrase.length_beats
    assert mirror(phrase).length_s == phrase.length_s


@given(phrases(), st.fractions(0, 20, max_denominator=480))
def test_an_instant_goes_to_the_length_minus_it_in_seconds_too(
    phrase: Phrase, share: Fraction
) -> None:
    beats = share * phrase.length_beats / 20
    mirrored = mirror(phrase)
    assert mirrored.tempo.seconds_at(
        phrase.length_beats - beats
    ) == phrase.length_s - phrase.tempo.seconds_at(beats)


def test_a_note_is_played_from_the_mirror_of_its_end_to_the_mirror_of_its_start() -> None:
    turned = mirror(make_phrase(make_part(make_note(1, 3)))).parts[0].notes[0]
    assert (turned.on_beats, turned.off_beats) == (5, 7)


def test_beat_groups_inside_a_bar_are_reversed() -> None:
    phrase = make_phrase(make_part(), meter=Meter(7, 8, (2, 2, 3)))
    assert mirror(phrase).bars[0].meter.groups == (3, 2, 2)


def test_a_pick_up_bar_becomes_a_short_last_bar() -> None:
    four = Meter.plain(4, 4)
    phrase = make_phrase(make_part(), bars=2).cut(Fraction(3), Fraction(8))
    assert [bar.is_full for bar in phrase.bars] == [False, True]
    assert mirror(phrase).bars == (
        Bar(Fraction(0), Fraction(4), four, number=2),
        Bar(Fraction(4), Fraction(1), four, number=1),
    )


def test_an_accelerando_becomes_a_ritardando() -> None:
    tempo = TempoMap(Steps(Fraction(4), (Fraction(0), Fraction(1)), (600_000, 400_000)))
    mirrored = tempo.mirrored()
    assert mirrored.us_per_quarter.values == (400_000, 600_000)
    assert mirrored.us_per_quarter.starts == (0, 3)


def test_a_crescendo_becomes_a_diminuendo() -> None:
    swell = Steps(Fraction(4), (Fraction(0), Fraction(1), Fraction(3)), (20, 60, 100))
    assert list(swell.mirrored().spans()) == [(0, 1, 100), (1, 3, 60), (3, 4, 20)]


def test_notes_over_the_edge_are_clipped_and_marked() -> None:
    phrase = make_phrase(make_part(make_note(0, 5), make_note(5, 8)), bars=2)
    first, second = phrase.cut(Fraction(4), Fraction(6)).parts[0].notes
    assert (first.on_beats, first.off_beats, first.cut_before, first.cut_after) == (0, 1, 1, 0)
    assert (second.on_beats, second.off_beats, second.cut_before, second.cut_after) == (1, 2, 0, 1)


@given(phrases(), st.fractions(0, 4, max_denominator=960))
def test_beats_and_seconds_convert_back_exactly(phrase: Phrase, beats: Fraction) -> None:
    assert phrase.tempo.beats_at(phrase.tempo.seconds_at(beats)) == beats


def test_everything_that_a_phrase_holds_is_turned_round() -> None:
    length = Fraction(8)
    halves = Steps(length, (Fraction(0), Fraction(2)), (10, 90))
    note = replace(make_note(0, 2), cut_before=True)
    part = replace(make_part(note), controllers=((EXPRESSION, halves),), bend=halves)
    phrase = replace(
        make_phrase(part),
        keys=Steps(length, (Fraction(0), Fraction(2)), (Key(2), Key(-1))),
        markers=(Marker(Fraction(1), "swell"),),
    )
    turned = mirror(phrase)
    assert list(turned.parts[0].controllers[0][1].spans()) == [(0, 6, 90), (6, 8, 10)]
    assert turned.parts[0].bend is not None
    assert list(turned.parts[0].bend.spans()) == [(0, 6, 90), (6, 8, 10)]
    assert list(turned.keys.spans()) == [(0, 6, Key(-1)), (6, 8, Key(2))]
    assert turned.markers == (Marker(Fraction(7), "swell"),)
    assert (turned.parts[0].notes[0].cut_before, turned.parts[0].notes[0].cut_after) == (0, 1)
