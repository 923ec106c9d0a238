"""Playability: each kind of finding on its side of its limit and not on the other."""

from dataclasses import replace
from fractions import Fraction

import pytest

from retro.model.instruments import Instrument, Player
from retro.model.orchestra import INSTRUMENTS, by_id
from retro.model.performance import Finding, Severity, Window
from retro.model.phrase import Note, Phrase
from retro.model.settings import Settings
from retro.model.sound import Room
from retro.model.time import Steps
from retro.plan.compose import plan_song
from retro.playability.check import check
from retro.playability.judge import MAX_OF_A_KIND
from retro.read.song import Song
from retro.reversal.compensate import perform
from retro.units import pitch_name
from tests.conftest import make_note, make_part, make_phrase
from tests.example import example_plan

DRY = replace(Settings(), room=Room(0.3, 6.0))


def player(id_: str, *, seats: int = 0, name: str | None = None) -> Player:
    instrument = by_id(id_)
    return Player(
        name=name or instrument.name, instrument=instrument, numbers=tuple(range(1, seats + 1))
    )


def judge(
    *parts: tuple[Player, list[Note]],
    settings: Settings = DRY,
    bars: int = 4,
    song: Phrase | None = None,
    start: int = 0,
    us_per_quarter: int = 500_000,
) -> tuple[Finding, ...]:
    """Judge a window of some bars of 4/4 in which the target's parts play."""
    phrase = make_phrase(
        *(make_part(*notes) for _, notes in parts), bars=bars, us_per_quarter=us_per_quarter
    )
    song = song or phrase
    window = Window(
        start_beats=Fraction(start),
        end_beats=start + phrase.length_beats,
        start_s=song.tempo.seconds_at(Fraction(start)),
        end_s=song.tempo.seconds_at(start + phrase.length_beats),
        start_bar=start // 4 + 1,
        end_bar=start // 4 + bars,
    )
    performance = perform(phrase, tuple(who for who, _ in parts), settings)
    return check(performance, window, song)


def kinds(findings: tuple[Finding, ...]) -> set[str]:
    return {finding.kind for finding in findings} - {"pre-swell"}


def only(findings: tuple[Finding, ...], kind: str) -> Finding:
    (finding,) = [finding for finding in findings if finding.kind == kind]
    return finding


@pytest.mark.parametrize("instrument", INSTRUMENTS, ids=[i.id for i in INSTRUMENTS])
def test_the_ends_of_every_range_are_playable_and_the_notes_beyond_are_not(
    instrument: Instrument,
) -> None:
    pitches = (instrument.low - 1, instrument.low, instrument.high, instrument.high + 1)
    sounding = [pitch for pitch in pitches if 0 <= pitch <= 127]
    notes = [make_note(2 * i, 2 * i + 1, pitch) for i, pitch in enumerate(sounding)]
    found = judge((Player(name="Somebody", instrument=instrument), notes))
    ranges = [finding.what for finding in found if finding.kind == "range"]
    shift = instrument.transposition.semitones
    beyond = [pitch_name(p - shift) for p in sounding if p in (pitches[0], pitches[3])]
    assert {what.split()[1] for what in ranges} == set(beyond)


def test_a_note_out_of_range_is_named_as_the_player_reads_it_and_as_it_sounds() -> None:
    finding = only(judge((player("horn-in-f"), [make_note(4, 8, 80)])), "range")
    assert finding.severity is Severity.STOP
    assert "written Eb6 (sounds Ab5)" in finding.what
    # Target beats 4 to 8 of 16 are played from beat 8 on: bar 3.
    assert (finding.bar, finding.beat) == (3, 1.0)
    assert "an octave lower, written Eb5" in finding.advice


def test_a_free_player_who_has_the_note_is_named_and_a_busy_one_is_not() -> None:
    low = [make_note(4, 8, 50)]
    cello = player("solo-cello")
    free = only(judge((player("solo-violin"), low), (cello, [make_note(0, 4, 50)])), "range")
    assert "give it to Solo Cello" in free.advice
    busy = only(judge((player("solo-violin"), low), (cello, [make_note(6, 7, 50)])), "range")
    assert "Cello" not in busy.advice


def test_a_long_tone_is_longer_than_a_breath_and_a_rest_makes_it_two() -> None:
    # 24 beats at 120 are 12 s; a flute's breath lasts about 10 s at mf.
    flute = player("flute")
    long = judge((flute, [make_note(0, 24, 72)]), bars=7)
    assert only(long, "breath").severity is Severity.WARN
    rested = judge((flute, [make_note(0, 12, 72), make_note(13, 24, 72)]), bars=7)
    assert "breath" not in kinds(rested)


def test_a_loud_tone_takes_more_breath_than_a_soft_one() -> None:
    flute = player("flute")
    soft = judge((flute, [make_note(0, 24, 72, velocity=40)]), bars=7)
    loud = judge((flute, [make_note(0, 24, 72, velocity=112)]), bars=7)
    assert "breath" not in kinds(soft)
    assert only(loud, "breath").severity is Severity.STOP


def test_a_second_player_on_the_line_breathes_in_turns() -> None:
    finding = only(judge((player("flute", seats=2), [make_note(0, 24, 72)]), bars=7), "breath")
    assert finding.severity is Severity.NOTE
    assert finding.advice == (
        "stagger breathing, as the part has it: 1 at bar 3 beat 4, 2 at bar 5 beat 4"
    )


def test_strings_need_no_breath() -> None:
    assert "breath" not in kinds(judge((player("violins"), [make_note(0, 60, 72)]), bars=16))


def test_a_leap_without_a_rest_is_told_and_a_prepared_one_is_not() -> None:
    trumpet = player("trumpet-in-c")
    at_once = [make_note(4, 5, 58), make_note(5, 6, 58 + 13)]
    assert "13 semitones" in only(judge((trumpet, at_once)), "leap").what
    assert "leap" not in kinds(judge((trumpet, [make_note(4, 5, 58), make_note(6, 7, 71)])))
    assert "leap" not in kinds(judge((trumpet, [make_note(4, 5, 58), make_note(5, 6, 70)])))


def repeated(times: int, every: Fraction, pitch: int = 60) -> list[Note]:
    return [make_note(4 + i * every, 4 + (i + 1) * every, pitch) for i in range(times)]


def test_repetition_faster_than_the_tongue_is_told_and_double_tongues_go_further() -> None:
    # Sixteenths at 150 quarters a minute are 10 a second: a clarinet has about 8, a flute 12.
    fast = repeated(8, Fraction(1, 4), 70)
    clarinet = judge((player("clarinet-in-b-flat"), fast), us_per_quarter=400_000)
    assert "repeats one note 10 times a second" in only(clarinet, "speed").what
    assert "speed" not in kinds(judge((player("flute"), fast), us_per_quarter=400_000))
    assert "speed" not in kinds(judge((player("clarinet-in-b-flat"), fast), us_per_quarter=600_000))


def test_a_harp_string_is_not_plucked_as_fast_as_a_bow_repeats() -> None:
    assert "speed" in kinds(judge((player("harp"), repeated(6, Fraction(1, 4)))))
    assert "speed" not in kinds(judge((player("violins"), repeated(6, Fraction(1, 4)))))


def test_a_high_soft_exposed_first_note_is_cold_and_a_low_one_is_not() -> None:
    horn = player("horn-in-f")
    high = only(judge((horn, [make_note(4, 16, 74, velocity=40)])), "cold entry")
    assert (high.severity, high.bar) == (Severity.WARN, 1)
    assert "soft and exposed" in high.what
    assert "cold entry" not in kinds(judge((horn, [make_note(4, 16, 55, velocity=40)])))


def test_another_player_who_rests_is_named_for_a_cold_entry() -> None:
    one, two = (player("trumpet-in-b-flat", name=f"Trumpet {number}") for number in (1, 2))
    high, low = [make_note(4, 16, 77, velocity=40)], [make_note(0, 1, 65)]
    cold = only(judge((one, high), (two, low)), "cold entry")
    assert cold.advice == "let the player sound it before the count-in, or give it to Trumpet 2"


def test_company_makes_a_loud_high_entry_safe() -> None:
    band = [(player("violins", name=f"Violin {i}"), [make_note(0, 16, 60)]) for i in range(3)]
    horn = (player("horn-in-f"), [make_note(4, 16, 74, velocity=100)])
    assert "cold entry" not in kinds(judge(horn, *band))


def test_two_notes_at_once_want_two_wind_players() -> None:
    chord = [make_note(4, 8, 60), make_note(4, 8, 64)]
    alone = only(judge((player("oboe"), chord)), "chord")
    assert alone.severity is Severity.WARN
    assert "C4 E4 sound at once" in alone.what
    assert "chord" not in kinds(judge((player("oboe", seats=2), chord)))
    third = [*chord, make_note(5, 6, 67)]
    fuller = only(judge((player("oboe", seats=2), third)), "chord")
    assert fuller.severity is Severity.STOP
    assert '([[part]] name = "Oboe 1.2.3")' in fuller.advice


def test_divisi_deeper_than_the_desk_is_told() -> None:
    def chord(size: int) -> list[Note]:
        return [make_note(4, 8, 60 + 3 * i) for i in range(size)]

    violins = player("violins")
    assert "divisi" not in kinds(judge((violins, chord(2))))
    assert only(judge((violins, chord(3))), "divisi").severity is Severity.NOTE
    assert only(judge((violins, chord(5))), "divisi").severity is Severity.WARN


@pytest.mark.parametrize(
    ("pitches", "kind"),
    [
        ((55, 62), None),  # two open strings
        ((60, 69), None),  # a sixth on the lower strings
        ((56, 58), "chord"),  # both only on the G string
        ((55, 62, 71, 76), "double stop"),  # a broken chord over four strings
        ((64, 67, 71, 74, 79), "chord"),  # more notes than strings
    ],
)
def test_a_violin_alone_plays_two_strings_together(pitches: tuple[int, ...], kind: str) -> None:
    found = kinds(judge((player("solo-violin"), [make_note(4, 8, pitch) for pitch in pitches])))
    assert found & {"chord", "double stop"} == ({kind} if kind else set())


def test_hands_span_a_tenth_each() -> None:
    def of(*pitches: int) -> set[str]:
        return kinds(judge((player("piano"), [make_note(4, 8, pitch) for pitch in pitches])))

    assert "hands" not in of(36, 52, 60, 76)
    assert "hands" in of(36, 53, 60, 77)
    assert "chord" in of(*range(36, 47))


def test_a_harp_part_gets_its_pedals_and_impossible_clusters() -> None:
    found = judge((player("harp"), [make_note(4, 8, pitch) for pitch in (67, 68, 69)]))
    assert only(found, "chord").severity is Severity.STOP
    fine = judge((player("harp"), [make_note(4, 8, pitch) for pitch in (60, 64, 70)]))
    assert "set D C Bb | E F G A; 0 changes" in only(fine, "pedals").what


def test_a_hurried_pedal_is_told_with_its_time() -> None:
    notes = [make_note(4, 6, p) for p in (67, 69)] + [make_note(6, 7, p) for p in (67, 68)]
    found = judge((player("harp"), notes), us_per_quarter=100_000)
    change = only(found, "pedal change")
    assert change.severity is Severity.WARN
    assert "Ab to A leaves 0.10 s for one pedal" in change.what


def test_a_note_too_short_for_its_room_says_how_early_it_begins() -> None:
    note = [make_note(4, "9/2", 60)]
    wet = replace(Settings(), room=Room(2.2, -6.0))
    finding = only(judge((player("violins"), note), settings=wet), "short")
    assert "ms early" in finding.what
    assert "starts" not in finding.advice
    assert "short" not in kinds(judge((player("flute"), note)))
    strokes = only(judge((player("timpani"), note), settings=wet), "short")
    assert 'land on their starts ([[part]] landing = "start")' in strokes.advice


@pytest.mark.parametrize(
    ("note", "is_switch"),
    [
        (make_note(4, "33/8", 24), True),
        (make_note(4, 8, 12), True),
        (make_note(4, 8, 24), False),
    ],
    ids=["short", "far below", "a long tone"],
)
def test_a_note_that_may_switch_the_sounds_of_a_sampler_is_told_as_such(note, is_switch) -> None:
    found = only(judge((player("double-basses"), [note])), "range")
    assert ("delete it where it only switches the sounds of a sampler" in found.advice) == is_switch


def test_swells_that_clash_are_told_for_the_worst_bars_only() -> None:
    wet = replace(Settings(), room=Room(3.5, -6.0))
    line = [make_note(i, i + 1, 60 + i % 2) for i in range(16)]
    found = [f for f in judge((player("violins"), line), settings=wet) if f.kind == "bleed"]
    assert 1 <= len(found) <= MAX_OF_A_KIND
    assert "C4 (Violin) against C#4 (Violin)" in found[0].what
    consonant = [make_note(i, i + 1, 60 + 4 * (i % 2)) for i in range(16)]
    assert "bleed" not in kinds(judge((player("violins"), consonant), settings=wet))
    assert "bleed" not in kinds(judge((player("violins"), line)))


def test_the_swell_before_the_window_is_placed_in_the_song() -> None:
    song = make_phrase(make_part(make_note(0, 64)), bars=16)
    found = judge((player("violins"), [make_note(0, 4)]), song=song, start=16, settings=Settings())
    finding = only(found, "pre-swell")
    assert "from song bar 4 beat" in finding.what
    assert "before bar 5" in finding.what


def test_what_the_grid_cannot_say_is_told() -> None:
    # The second note stops 0.3 beats (150 ms) before the grid's place for it; the last one, at
    # which the clip is anchored, stands on the grid.
    on = [make_note(0, 1), make_note(6, 8)]
    off = [on[0], make_note(2, "37/10"), on[1]]
    settings = replace(DRY, grid_beats=Fraction(1), keep_gaps=True)
    finding = only(judge((player("violins"), off), settings=settings), "grid")
    assert "1 of 3 notes is off" in finding.what
    assert "lands 150 ms late" in finding.what
    assert "grid" not in kinds(judge((player("violins"), on)))


def test_many_findings_of_a_kind_are_counted() -> None:
    found = judge((player("flute"), [make_note(i, i + 1, 40) for i in range(16)]))
    ranges = [finding for finding in found if finding.kind == "range"]
    assert len(ranges) == MAX_OF_A_KIND
    assert ranges[-1].what == "14 more like it (range), in bars 1, 2, 3, 4"


def test_a_silent_window_has_nothing_against_it() -> None:
    assert judge((player("flute"), [])) == ()


def test_the_plan_carries_the_findings_the_gravest_first() -> None:
    findings = example_plan().findings
    order = [list(Severity).index(finding.severity) for finding in findings]
    assert order == sorted(order)
    assert {"breath", "pedals", "pre-swell"} <= {finding.kind for finding in findings}


ARPEGGIO = (36, 43, 48, 52)


def low_arpeggio(times: int) -> list[Note]:
    """Return an arpeggio below a celesta's range again and again, a note an eighth."""
    return [
        make_note(Fraction(i, 2), Fraction(i + 1, 2), ARPEGGIO[i % 4]) for i in range(4 * times)
    ]


def range_advice(*parts: tuple[Player, list[Note]]) -> list[str]:
    return [f.advice for f in judge(*parts) if f.kind == "range" and f.player == "Celesta"]


def test_advice_is_true_of_every_note_that_its_line_stands_for() -> None:
    celesta = (player("celesta"), low_arpeggio(7))
    free = (player("piano"), [make_note(15, 16, 60)])
    busy_at_times = (player("piano"), [make_note(8, 9, 60)])
    assert "give them to Piano, who is free and has them" in range_advice(celesta, free)[-1]
    *first, counted = range_advice(celesta, busy_at_times)
    assert "Piano" not in counted
    assert all("Piano" in advice for advice in first)


def test_nobody_gives_a_line_to_drums_that_are_tuned_to_a_few_notes() -> None:
    timpani = (player("timpani"), [make_note(15, 16, 43)])
    assert not any(
        "Timpani" in a for a in range_advice((player("celesta"), low_arpeggio(4)), timpani)
    )


def test_a_chord_is_given_to_who_can_play_it_whole() -> None:
    chord = [make_note(2 * i, 2 * i + 1, pitch) for i in range(6) for pitch in (48, 52, 55)]
    one = (player("bassoon"), [make_note(15, 16, 48)])
    three = (player("bassoon", seats=3), [make_note(15, 16, 48)])
    flute = player("flute")

    def advice(other: tuple[Player, list[Note]]) -> str:
        found = judge((flute, chord), other)
        return [f.advice for f in found if f.kind == "range"][-1]

    assert "Bassoon" not in advice(one)
    assert "give them to Bassoon" in advice(three)


STEP = Fraction(7, 100)
GRACED = [
    make_note(0, 2 - 2 * STEP, 72),
    make_note(2 - 2 * STEP, 2 - STEP, 74),
    make_note(2 - STEP, 2, 76),
    make_note(2, 4, 77),
]
SCALE = [
    make_note(2 + Fraction(i, 8), 2 + Fraction(i + 1, 8), 60 + s)
    for i, s in enumerate((0, 2, 4, 5, 7, 9, 11, 12))
]


def test_graces_ask_for_no_second_player_and_for_no_speed() -> None:
    assert kinds(judge((player("flute"), GRACED), us_per_quarter=600_000)) <= {"short"}


@pytest.mark.parametrize("id_", ["harp", "piano", "xylophone", "violins", "flute"])
def test_a_fast_scale_is_judged_as_a_run(id_: str) -> None:
    low = 0 if id_ != "xylophone" else 12
    notes = [replace(note, pitch=note.pitch + low) for note in SCALE]
    found = judge((player(id_), notes), us_per_quarter=550_000)
    assert kinds(found) <= {"pedals", "short", "grid", "cold entry"}


def test_a_run_faster_than_fingers_go_is_told() -> None:
    assert "speed" in kinds(judge((player("flute"), SCALE), us_per_quarter=450_000))


def test_a_glissando_sets_the_pedals_for_all_its_strings() -> None:
    e_flat = [replace(note, pitch=note.pitch - (note.pitch % 12 in (4, 9, 11))) for note in SCALE]
    found = judge((player("harp"), e_flat), us_per_quarter=600_000)
    assert only(found, "pedals").what == "set D C Bb | Eb F G Ab; 0 changes"


@pytest.mark.parametrize(("bend", "is_told"), [(4096, True), (1000, False)])
def test_a_bend_within_a_note_is_told_since_no_sign_says_it(bend: int, is_told: bool) -> None:
    changes = [(Fraction(5), bend), (Fraction(6), 0)]
    curve = Steps.from_changes(changes, length=Fraction(16), before=0)
    note = make_note(4, 8, 60)
    plan = plan_song(
        Song(
            name="song",
            sha256="",
            ticks_per_quarter=480,
            phrase=make_phrase(replace(make_part(note, name="Horn"), bend=curve), bars=4),
            notices=(),
        ),
        Settings(),
    )
    told = [finding.what for finding in plan.findings if finding.kind == "bend"]
    words = "1 note bends by up to 1.0 semitones; on paper stand slides to the next note only"
    assert told == ([words] if is_told else [])
