"""Who plays is read from a track's name, else from its program, and settings go before both."""

import tomllib
from dataclasses import replace
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retro.errors import RetroError, SettingsError
from retro.model.orchestra import INSTRUMENTS, by_id
from retro.model.performance import Severity
from retro.model.phrase import Part
from retro.model.settings import Landing, PartSettings, Settings
from retro.read.guess import assign_players, guess_player, sure_ids
from retro.read.settings import load_settings
from retro.read.trackname import plain, read_name
from tests.conftest import make_phrase

# track name: instrument, printed name. The spellings are common practice.
NAMED = {
    # English
    "Piccolo": ("piccolo", "Piccolo"),
    "Flute": ("flute", "Flute"),
    "Flutes 1.2": ("flute", "Flute 1.2"),
    "Fl. 2": ("flute", "Flute 2"),
    "Alto Flute": ("alto-flute", "Alto Flute"),
    "Bass Flute": ("bass-flute", "Bass Flute"),
    "Oboe d'amore": ("oboe-d-amore", "Oboe d'amore"),
    "English Horn": ("english-horn", "English Horn"),
    "EnglishHorn": ("english-horn", "English Horn"),
    "Clarinet": ("clarinet-in-b-flat", "Clarinet in B flat"),
    "Clarinet in Bb 1/2": ("clarinet-in-b-flat", "Clarinet in B flat 1.2"),
    "Clarinet in E flat": ("clarinet-in-e-flat", "Clarinet in E flat"),
    "E♭ Clarinet": ("clarinet-in-e-flat", "Clarinet in E flat"),
    "1st Bb Clarinet": ("clarinet-in-b-flat", "Clarinet in B flat 1"),
    "clarinet-in-a": ("clarinet-in-a", "Clarinet in A"),
    "Cl. in A 2": ("clarinet-in-a", "Clarinet in A 2"),
    "B. Cl.": ("bass-clarinet", "Bass Clarinet"),
    "Bsn 2": ("bassoon", "Bassoon 2"),
    "Contrabassoon": ("contrabassoon", "Contrabassoon"),
    "Alto Sax": ("alto-saxophone", "Alto Saxophone"),
    "Bari Sax": ("baritone-saxophone", "Baritone Saxophone"),
    "Horns 1-3": ("horn-in-f", "Horn in F 1.2.3"),
    "3 Horns": ("horn-in-f", "Horn in F 1.2.3"),
    "Horn in F 1.2": ("horn-in-f", "Horn in F 1.2"),
    "1st & 2nd Horns": ("horn-in-f", "Horn in F 1.2"),
    "French Horn IV": ("horn-in-f", "Horn in F 4"),
    "HornsI&II": ("horn-in-f", "Horn in F 1.2"),
    "Tpt 1 (C)": ("trumpet-in-c", "Trumpet in C 1"),
    "C Trumpet 2": ("trumpet-in-c", "Trumpet in C 2"),
    "Trumpet in Bb 3": ("trumpet-in-b-flat", "Trumpet in B flat 3"),
    "Picc. Tpt.": ("piccolo-trumpet", "Piccolo Trumpet in B flat"),
    "Cornet": ("cornet", "Cornet in B flat"),
    "Flugelhorn": ("flugelhorn", "Flugelhorn in B flat"),
    "Trombones 1, 2 & 3": ("trombone", "Trombone 1.2.3"),
    "Bass Trombone": ("bass-trombone", "Bass Trombone"),
    "Tuba": ("tuba", "Tuba"),
    "Timp.": ("timpani", "Timpani"),
    "Glock": ("glockenspiel", "Glockenspiel"),
    "Tubular Bells": ("tubular-bells", "Tubular Bells"),
    "Perc. 2 (Tam-tam)": ("tam-tam", "Tam-tam"),
    "Percussion 2": ("percussion", "Percussion 2"),
    "Celesta": ("celesta", "Celesta"),
    "Arp.": ("harp", "Harp"),
    "Rullante": ("snare-drum", "Snare Drum"),
    "Tambor": ("snare-drum", "Snare Drum"),
    "Knabenchor": ("choir", "Choir"),
    "Pno": ("piano", "Piano"),
    "Harp 2": ("harp", "Harp 2"),
    "1st Violins": ("violins", "Violin I"),
    "First Violins": ("violins", "Violin I"),
    "Violins II": ("violins", "Violin II"),
    "VlnII": ("violins", "Violin II"),
    "Vln II div.": ("violins", "Violin II div."),
    "Violin 1a": ("violins", "Violin I div. a"),
    "Violins II div. b": ("violins", "Violin II div. b"),
    "12 Violins": ("violins", "Violin"),
    "Solo Violin": ("solo-violin", "Solo Violin"),
    "Viola (solo)": ("solo-viola", "Solo Viola"),
    "Vla": ("violas", "Viola"),
    "Vc.": ("cellos", "Cello"),
    "Celli": ("cellos", "Cello"),
    "Double Basses": ("double-basses", "Double Bass"),
    "Cb.": ("double-basses", "Double Bass"),
    # Italian
    "Ottavino": ("piccolo", "Piccolo"),
    "Flauto contralto": ("alto-flute", "Alto Flute"),
    "Oboi I-II": ("oboe", "Oboe 1.2"),
    "Corno inglese": ("english-horn", "English Horn"),
    "Clarinetto in La": ("clarinet-in-a", "Clarinet in A"),
    "Clarinetto in Sib 1": ("clarinet-in-b-flat", "Clarinet in B flat 1"),
    "Clarinetto basso": ("bass-clarinet", "Bass Clarinet"),
    "Corno di bassetto": ("basset-horn", "Basset Horn in F"),
    "Fagotti": ("bassoon", "Bassoon"),
    "Controfagotto": ("contrabassoon", "Contrabassoon"),
    "Corni 1°-2°": ("horn-in-f", "Horn in F 1.2"),
    "Tromba in Do": ("trumpet-in-c", "Trumpet in C"),
    "Tr-be 1.2": ("trumpet-in-b-flat", "Trumpet in B flat 1.2"),
    "Tr-ni": ("trombone", "Trombone"),
    "Trombone basso": ("bass-trombone", "Bass Trombone"),
    "Gran Cassa": ("bass-drum", "Bass Drum"),
    "Piatti": ("cymbals", "Cymbals"),
    "Arpa": ("harp", "Harp"),
    "Violini I": ("violins", "Violin I"),
    "Violini secondi": ("violins", "Violin II"),
    "Viole": ("violas", "Viola"),
    "Violoncelli": ("cellos", "Cello"),
    "Contrabbassi": ("double-basses", "Double Bass"),
    # German
    "Kleine Flöte": ("piccolo", "Piccolo"),
    "2. Flöte": ("flute", "Flute 2"),
    "Altflöte": ("alto-flute", "Alto Flute"),
    "Englischhorn": ("english-horn", "English Horn"),
    "Klar. in A": ("clarinet-in-a", "Clarinet in A"),
    "Klarinette in B 1": ("clarinet-in-b-flat", "Clarinet in B flat 1"),
    "Es-Klarinette": ("clarinet-in-e-flat", "Clarinet in E flat"),
    "Baßklarinette": ("bass-clarinet", "Bass Clarinet"),
    "Fg.": ("bassoon", "Bassoon"),
    "Kontrafagott": ("contrabassoon", "Contrabassoon"),
    "1. 2. Hörner": ("horn-in-f", "Horn in F 1.2"),
    "Trompete": ("trumpet-in-b-flat", "Trumpet in B flat"),
    "Pos.": ("trombone", "Trombone"),
    "Bassposaune": ("bass-trombone", "Bass Trombone"),
    "Pauken": ("timpani", "Timpani"),
    "Hängendes Becken": ("suspended-cymbal", "Suspended Cymbal"),
    "Harfe": ("harp", "Harp"),
    "Erste Violinen": ("violins", "Violin I"),
    "I. Violine": ("violins", "Violin I"),
    "Bratsche": ("violas", "Viola"),
    "Kb.": ("double-basses", "Double Bass"),
    "Kontrabässe": ("double-basses", "Double Bass"),
    # French
    "Petite flûte": ("piccolo", "Piccolo"),
    "Flûte en sol": ("alto-flute", "Alto Flute"),
    "Hautbois": ("oboe", "Oboe"),
    "Cor anglais": ("english-horn", "English Horn"),
    "Cor": ("horn-in-f", "Horn in F"),
    "Cors en fa 3.4": ("horn-in-f", "Horn in F 3.4"),
    "Clarinette en la 2": ("clarinet-in-a", "Clarinet in A 2"),
    "Cornet à pistons": ("cornet", "Cornet in B flat"),
    "1ers violons": ("violins", "Violin I"),
    "Violoncelles": ("cellos", "Cello"),
    "Contrebasse": ("double-basses", "Double Bass"),
    "Chœur": ("choir", "Choir"),
    # Spanish
    "Flautín": ("piccolo", "Piccolo"),
    "Corno inglés": ("english-horn", "English Horn"),
    "Clarinete bajo": ("bass-clarinet", "Bass Clarinet"),
    "Trompa": ("horn-in-f", "Horn in F"),
    "Trompetas 1 y 2": ("trumpet-in-b-flat", "Trumpet in B flat 1.2"),
    "Trombón bajo": ("bass-trombone", "Bass Trombone"),
    "Violonchelo": ("cellos", "Cello"),
    "Contrabajos": ("double-basses", "Double Bass"),
    # with techniques, as mock-up templates have them
    "Strings - Violins 1 Sustain": ("violins", "Violin I"),
    "VN1_pizz": ("violins-pizzicato", "Violin I pizz."),
    "Solo Cello pizz": ("solo-cello-pizzicato", "Solo Cello pizz."),
    "Strings pizz.": ("strings-pizzicato", "Strings pizz."),
    "Flute 1 - Legato v2": ("flute", "Flute 1"),
    "01 Flute": ("flute", "Flute"),
    "2 - Oboe": ("oboe", "Oboe"),
    "Flutes a2": ("flute", "Flute"),
    "Strings": ("strings", "Strings"),
}


# The words of a register decide which member of a family is meant, in every language and number.
REGISTERS = {
    "Clarinetti bassi": "bass-clarinet",
    "Clarinettes basses": "bass-clarinet",
    "Flauti bassi": "bass-flute",
    "Flûtes basses": "bass-flute",
    "Fl. basse": "bass-flute",
    "Contrabass Clarinets": "contrabass-clarinet",
    "Bass Drums": "bass-drum",
    "Bassetthörner": "basset-horn",
    "Contrabass Flute": "neutral",
    "Bass Oboe": "neutral",
    "Bass Recorder": "neutral",
    "Tenor Horn": "neutral",
    "Alto Clarinet": "neutral",
    "Viola da gamba": "neutral",
    "Ten Sax": "tenor-saxophone",
    "Barit. Sax": "baritone-saxophone",
    "Alt Sax": "alto-saxophone",
    "Ctr Bsn": "contrabassoon",
    "Dbl. Bsn": "contrabassoon",
    "Bs Fl": "bass-flute",
    "Wag. Tuba": "wagner-tuba-in-f",
    "Vlni. II": "violins",
    "V.le": "violas",
    "Tbni": "trombone",
    "Hrf": "harp",
    "BD": "bass-drum",
    "Gr. C.": "bass-drum",
    "Tgl": "triangle",
    "Tymp.": "timpani",
}


def a_track(name: str = "", program: int | None = None, channel: int = 0) -> Part:
    return Part(name=name, channel=channel, program=program, notes=())


@pytest.mark.parametrize(("name", "wanted"), NAMED.items(), ids=list(NAMED))
def test_a_track_name_says_who_plays(name: str, wanted: tuple[str, str]) -> None:
    player, finding = guess_player(a_track(name))
    assert (player.instrument.id, player.name) == wanted
    assert player.guessed_from == "track name"
    assert finding is None


@pytest.mark.parametrize(("name", "wanted"), REGISTERS.items(), ids=list(REGISTERS))
def test_a_register_is_never_lost(name: str, wanted: str) -> None:
    assert guess_player(a_track(name))[0].instrument.id == wanted


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("Fl/Picc", "flute"),
        ("Ob. 2/E.H.", "oboe"),
        ("Cl 2 / Bass Clarinet", "clarinet-in-b-flat"),
        ("Winds/Bassoon", "bassoon"),
    ],
)
def test_of_woodwinds_that_one_player_doubles_the_first_is_meant(name: str, wanted: str) -> None:
    # Common practice: the instrument that is named first is the player's own.
    assert guess_player(a_track(name))[0].instrument.id == wanted


@pytest.mark.parametrize(
    ("name", "word"),
    [("Flute / Piccolo", "piccolo"), ("Horns bassi", "bassi"), ("Dbl. Ob.", "dbl")],
)
def test_an_instrument_word_that_stays_unexplained_is_asked_about(name: str, word: str) -> None:
    _, finding = guess_player(a_track(name))
    assert finding is not None
    assert finding.severity is Severity.WARN
    assert f"'{word}' stays unexplained" in finding.what
    assert "[[part]]" in finding.advice


# Programs are General MIDI Level 1's, counted from 0: 56 trumpet, 58 tuba, 68 oboe, 73 flute.
@pytest.mark.parametrize(
    ("name", "program", "wanted"),
    [
        ("Oboe / Flöte", 73, "flute"),
        ("Oboe / Flöte", 68, "oboe"),
        ("Trumpet and Tuba", 58, "tuba"),
        ("Trumpet and Tuba", 56, "trumpet-in-b-flat"),
        ("Trumpet and Tuba", 61, "trumpet-in-b-flat"),
    ],
)
def test_of_two_instruments_in_a_name_the_one_that_the_program_sounds_as_plays(
    name: str, program: int, wanted: str
) -> None:
    player, _ = guess_player(a_track(name, program))
    assert (player.instrument.id, player.guessed_from) == (wanted, "track name")


# Programs are General MIDI Level 1's: 33 acoustic bass, 1 grand piano, 49 strings, 62 brass.
@pytest.mark.parametrize(
    ("name", "program", "sounds"),
    [
        ("Bass", 32, "double-basses-pizzicato"),
        ("Voice 1 (Melody)", 0, "piano"),
        ("Flute", 48, "strings"),
    ],
)
def test_a_program_that_contradicts_the_name_is_kept_and_the_player_asked_for(
    name: str, program: int, sounds: str
) -> None:
    player, finding = guess_player(a_track(name, program))
    assert player.instrument.id == sounds
    assert finding is not None
    assert finding.severity is Severity.WARN
    assert f"program {program} (of 0-127) sounds as" in finding.what


@pytest.mark.parametrize(
    ("name", "program"),
    [("Flute", 0), ("Strings", 0), ("Trumpet", 61), ("Violin", 48), ("Harp", 11)],
)
def test_a_program_that_says_no_more_than_the_name_is_no_contradiction(
    name: str, program: int
) -> None:
    player, finding = guess_player(a_track(name, program))
    assert (player.guessed_from, finding) == ("track name", None)


# In capitals "A2" is a key and a number, and words that run together need their humps.
NEEDS_ITS_CAPITALS = {"Flutes a2", "VlnII", "HornsI&II", "EnglishHorn"}


@pytest.mark.parametrize("name", [n for n in NAMED if n not in NEEDS_ITS_CAPITALS])
def test_capitals_do_not_matter(name: str) -> None:
    wanted = NAMED[name]
    for spelled in (name.upper(), name.lower()):
        player, _ = guess_player(a_track(spelled))
        assert (player.instrument.id, player.name) == wanted


def test_every_printed_name_of_an_instrument_leads_back_to_it() -> None:
    for instrument in INSTRUMENTS:
        if instrument.id in ("neutral", "bass", "alto"):
            continue  # nobody's name, and two that mean two things
        name = instrument.name + (" pizz." if instrument.id.endswith("pizzicato") else "")
        assert guess_player(a_track(name))[0].instrument.id == instrument.id


def test_every_id_of_an_instrument_read_as_a_name_leads_to_it() -> None:
    for instrument in INSTRUMENTS:
        if instrument.id not in ("neutral", "bass", "alto"):
            assert guess_player(a_track(instrument.id))[0].instrument.id == instrument.id


def test_abbreviations_as_printed_are_understood() -> None:
    for instrument in INSTRUMENTS:
        if instrument.id in ("neutral", "soprano", "alto", "tenor", "bass", "choir"):
            continue  # one letter says nothing in a track name
        if instrument.id == "celesta" or instrument.id.endswith("pizzicato"):
            continue  # "Cel." means two things; plucked strings share their abbreviation
        found = guess_player(a_track(instrument.abbreviation))[0].instrument
        assert found.id == instrument.id, instrument.abbreviation


def test_the_table_of_names_is_plain_and_names_known_instruments() -> None:
    text = resources.files("retro.read").joinpath("names.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    names = [n for of in table["names"].values() for n in {m for ms in of.values() for m in ms}]
    names += [n for of in table["general"].values() for n in of]
    names += table["nobody"]["names"]
    names += [n for others in table["ambiguous"].values() for of in others.values() for n in of]
    assert len(names) > 600
    assert sorted(names) == sorted(set(names))
    assert all(name == plain(name) and " ".join(name.split()) == name for name in names)
    for id_ in (*table["names"], *table["general"], *table["ambiguous"]):
        assert by_id(id_)


@pytest.mark.parametrize("language", ["en", "it", "de", "fr", "es"])
def test_every_instrument_has_names_in_every_language(language: str) -> None:
    text = resources.files("retro.read").joinpath("names.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)["names"]
    assert [id_ for id_, names in table.items() if not names.get(language)] == []


def test_a_number_that_belongs_to_nobody_is_not_printed() -> None:
    assert guess_player(a_track("Perc. 2 (Triangle)"))[0].numbers == ()
    assert guess_player(a_track("Flute 2000"))[0].numbers == ()


def test_numbers_are_kept_for_dealing_out_chords() -> None:
    assert guess_player(a_track("Horns 1-4"))[0].numbers == (1, 2, 3, 4)
    assert guess_player(a_track("Horn 1+3"))[0].numbers == (1, 3)


def test_the_plucked_program_plucks_the_named_strings() -> None:
    player, _ = guess_player(a_track("Violins 1", program=45))
    assert player.instrument.id == "violins-pizzicato"
    assert guess_player(a_track("Violins 1", program=48))[0].instrument.id == "violins"


def test_without_a_known_name_the_program_says_who_plays_and_that_is_told() -> None:
    player, finding = guess_player(a_track("Lead line", program=68), number=3)
    assert (player.instrument.id, player.guessed_from) == ("oboe", "program")
    assert finding is not None
    assert finding.severity is Severity.NOTE
    assert finding.kind == "player"
    assert "'Lead line'" in finding.what
    assert "program 68 (of 0-127)" in finding.what


def test_the_percussion_channel_is_percussion_whatever_its_program() -> None:
    player, finding = guess_player(a_track("Kit", program=0, channel=9))
    assert player.instrument.id == "percussion"
    assert finding is not None
    assert guess_player(a_track("Timpani", channel=9))[0].instrument.id == "timpani"


@pytest.mark.parametrize(
    ("name", "program"), [("Gizmo", None), ("", None), ("Wobble", 99), ("Bass Guitar", 33)]
)
def test_a_track_that_nobody_knows_gets_a_neutral_player_and_a_warning(
    name: str, program: int | None
) -> None:
    player, finding = guess_player(a_track(name, program=program), number=4)
    assert player.instrument.id == "neutral"
    assert player.guessed_from == "nothing"
    assert player.name == (name or "Player 4")
    assert finding is not None
    assert finding.severity is Severity.WARN
    assert "track 4" in finding.what
    assert "[[part]]" in finding.advice


def names_of(*names: str, programs: tuple[int | None, ...] | None = None) -> list[str]:
    tracks = [
        a_track(name, program)
        for name, program in zip(names, programs or (None,) * len(names), strict=True)
    ]
    return [p.instrument.id for p in assign_players(make_phrase(*tracks), Settings())[0]]


def test_bass_is_a_double_bass_among_strings_and_a_voice_among_voices() -> None:
    assert names_of("Violin", "Bass")[1] == "double-basses"
    assert names_of("Soprano", "Tenor", "Bass")[2] == "bass"
    assert names_of("Soprano", "Bass", "Violins", "Double Basses")[1] == "bass"
    assert names_of("Bass", programs=(52,)) == ["bass"]
    assert names_of("Soprano", "Bass", programs=(52, 33))[1] == "double-basses-pizzicato"


def test_alto_is_a_viola_among_strings_and_a_voice_among_voices() -> None:
    assert names_of("Violons", "Altos", "Violoncelles")[1] == "violas"
    assert names_of("Soprano", "Alto", "Violins", "Violas")[1] == "alto"
    assert names_of("Alto", programs=(41,)) == ["violas"]
    assert names_of("Altos", "Alto", "Soprano", "Ténor", programs=(48, 52, 52, 52)) == [
        "violas",
        "alto",
        "soprano",
        "tenor",
    ]


def test_cel_is_a_celesta_where_there_are_cellos_and_a_cello_where_there_are_none() -> None:
    assert names_of("Violins", "Cel.", "Vc.")[1] == "celesta"
    assert names_of("Violins", "Violas", "Cel.")[2] == "cellos"


def test_equal_names_are_told_apart_in_print() -> None:
    tracks = [a_track(n) for n in ("Flute", "Flute", "Viola", "Viola", "Horn 1", "Horn 1", "Oboe")]
    players, _ = assign_players(make_phrase(*tracks), Settings())
    assert [p.name for p in players] == [
        "Flute 1", "Flute 2", "Viola a", "Viola b", "Horn in F 1 a", "Horn in F 1 b", "Oboe",
    ]  # fmt: skip


def test_a_new_name_never_meets_one_that_is_there() -> None:
    tracks = [a_track(n) for n in ("Flute", "Flute 1", "Flute", "Flute 1")]
    players, _ = assign_players(make_phrase(*tracks), Settings())
    assert len({p.name for p in players}) == 4


def test_numbers_of_the_tracks_are_no_numbers_of_players() -> None:
    tracks = [a_track(n) for n in ("1. Flute", "2. Oboe", "3. Violins 1", "4. Violins 2")]
    players, _ = assign_players(make_phrase(*tracks), Settings())
    assert [p.name for p in players] == ["Flute", "Oboe", "Violin I", "Violin II"]


def test_settings_go_before_the_guess_by_name_and_by_number() -> None:
    phrase = make_phrase(a_track("Gizmo"), a_track("Flute 2"), a_track("Harp"))
    said = (
        PartSettings(match="gizmo", instrument="horn-in-f", name="Horn offstage"),
        PartSettings(match="2", instrument="alto-flute", attack_s=0.2, decay_s=0.4),
        PartSettings(match="Harp", landing=Landing.START),
    )
    players, findings = assign_players(phrase, Settings(parts=said))
    assert [p.name for p in players] == ["Horn offstage", "Alto Flute 2", "Harp"]
    assert [p.guessed_from for p in players] == ["settings", "settings", "track name"]
    assert players[1].attack_s(60, 64) == 0.2
    assert players[1].decay_s(60) == 0.4
    assert [p.lands_at_start for p in players] == [False, False, True]
    assert findings == ()


def test_the_landing_of_all_yields_to_the_landing_of_one() -> None:
    phrase = make_phrase(a_track("Harp"), a_track("Piano"))
    said = (PartSettings(match="Piano", landing=Landing.END),)
    players, _ = assign_players(phrase, Settings(landing=Landing.START, parts=said))
    assert [p.lands_at_start for p in players] == [True, False]


def test_drums_land_on_their_starts_and_sustained_tones_only_where_their_part_says_so() -> None:
    phrase = make_phrase(*(a_track(name) for name in ("Bass Drum", "Timpani", "Flute", "Oboe")))
    said = (PartSettings(match="Oboe", landing=Landing.START),)

    def landing(everyone: Landing) -> list[bool]:
        players, _ = assign_players(phrase, Settings(landing=everyone, parts=said))
        return [p.lands_at_start for p in players]

    assert landing(Landing.END) == [True, False, False, True]
    assert landing(Landing.START) == [True, True, False, True]


def test_a_name_is_matched_before_a_number() -> None:
    phrase = make_phrase(a_track("2"), a_track("Flute"))
    said = (PartSettings(match="2", instrument="oboe"),)
    players, _ = assign_players(phrase, Settings(parts=said))
    assert [p.instrument.id for p in players] == ["oboe", "flute"]


def test_settings_for_a_track_that_is_not_there_are_refused_with_the_near_name() -> None:
    phrase = make_phrase(a_track("Horns 1-2"))
    with pytest.raises(SettingsError, match=r"'Horns 1-3'.*'Horns 1-2'"):
        assign_players(phrase, Settings(parts=(PartSettings(match="Horns 1-3"),)))
    with pytest.raises(SettingsError):
        assign_players(phrase, Settings(parts=(PartSettings(match="2"),)))


def test_settings_with_an_unknown_instrument_are_refused() -> None:
    phrase = make_phrase(a_track("Flute"))
    said = Settings(parts=(PartSettings(match="Flute", instrument="flutte"),))
    with pytest.raises(RetroError, match="flute"):
        assign_players(phrase, said)


@given(st.text(max_size=40), st.none() | st.integers(0, 127), st.integers(0, 15))
def test_any_name_finds_a_player(name: str, program: int | None, channel: int) -> None:
    player, finding = guess_player(a_track(name, program, channel))
    assert player.name
    if player.guessed_from != "track name":
        assert finding is not None
    elif finding is not None:
        assert "sounds as" in finding.what or "unexplained" in finding.what


def test_a_name_in_another_script_stays_as_it_is() -> None:
    names = ("ヴァイオリン", "Скрипка III", "כינור", "βιολί")
    phrase = make_phrase(*(a_track(name, 40) for name in names))
    players, findings = assign_players(phrase, Settings())
    assert tuple(player.name for player in players) == names
    assert {player.instrument.id for player in players} == {"violins"}
    assert "'כינור' is taken for Violin by its program 40 (of 0-127)" in findings[2].what
    said = Settings(parts=(PartSettings(match="כינור", instrument="violas"),))
    (_, _, player, _), _ = assign_players(phrase, said)
    assert (player.name, player.instrument.id) == ("כינור", "violas")


words = st.sampled_from(
    [
        "flute",
        "1",
        "2",
        "II",
        "in",
        "A",
        "Bb",
        "-",
        ".",
        "&",
        "solo",
        "div",
        "violins",
        "0007",
        "a2",
    ]
)


@given(st.lists(words, max_size=8).map(" ".join))
def test_numbers_of_players_rise_and_stay_small(name: str) -> None:
    reading = read_name(name)
    numbers = reading.numbers if reading else ()
    assert list(numbers) == sorted(set(numbers))
    assert all(1 <= number <= 16 for number in numbers)


@pytest.mark.parametrize(
    ("name", "id_"),
    [
        ("Cor anglais", "english-horn"),
        ("Bratschen", "violas"),
        ("B-Klarinette", "clarinet-in-b-flat"),
    ],
)
def test_settings_call_an_instrument_as_tracks_do(tmp_path, name, id_) -> None:
    path = tmp_path / "song.toml"
    path.write_text(f'[[part]]\nmatch = "X"\ninstrument = "{name}"\n', encoding="utf-8")
    assert load_settings(path, {}).parts[0].instrument == id_


def test_a_name_in_the_settings_says_how_many_play() -> None:
    phrase = make_phrase(a_track("Fagotti"), a_track("Oboe 1"))
    said = (
        PartSettings(match="Fagotti", name="Bassoon 1.2"),
        PartSettings(match="Oboe 1", name="Oboe off stage"),
    )
    players, _ = assign_players(phrase, Settings(parts=said))
    assert [(p.name, p.numbers) for p in players] == [
        ("Bassoon 1.2", (1, 2)),
        ("Oboe off stage", (1,)),
    ]


@pytest.mark.parametrize(
    ("others", "wanted"),
    [
        (("Violin 1", "Viola", "Soprano", "Alto", "Tenor"), "bass"),
        (("Violin 1", "Viola", "Cello", "Soprano", "Alto", "Tenor"), "double-basses"),
        (("Violin 1", "Viola", "Tenor"), "double-basses"),
    ],
)
def test_a_choir_beside_strings_without_cellos_has_the_bass(
    others: tuple[str, ...], wanted: str
) -> None:
    company = sure_ids(others)
    player, _ = guess_player(a_track("Bass", None), company=company)
    assert player.instrument.id == wanted
    # General MIDI Level 1, from 0: 42 is a cello; a score goes by its names.
    printed = replace(a_track("Bass", 42), signs=())
    assert guess_player(printed, company=company)[0].instrument.id == wanted
