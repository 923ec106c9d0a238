"""Which tracks of a song take part: what is plainly no player is left out, and said."""

from dataclasses import replace

import pytest

from retro.errors import SettingsError, WindowError
from retro.model.phrase import Part, Phrase
from retro.model.settings import PartSettings, Settings
from retro.plan.compose import Plan, plan_song
from retro.read.settings import load_settings
from retro.read.song import Song
from retro.read.tracks import left_out_finding, left_out_tracks
from tests.conftest import make_note, make_phrase


def a_track(name: str, program: int | None = None, channel: int = 0) -> Part:
    return Part(name=name, channel=channel, program=program, notes=(make_note(0, 4),))


# A song as it is exported: orchestra, band and guides. Programs by General MIDI Level 1.
SONG = make_phrase(
    a_track("Violins I", 48),
    a_track("Horns 1-2", 60),
    a_track("Lead Vocal", 53),
    a_track("Drums", 0, 9),
    a_track("Click", 115),
    a_track("Warm", 89),
    a_track("E-Git", 29),
    a_track("Timpani", 0, 9),
    a_track("Harp", 46),
)
LEFT_OUT = {
    "Lead Vocal": "a sung lead",
    "Drums": "a drum kit on channel 10",
    "Click": "a click or guide track",
    "Warm": "a synthesizer pad",
    "E-Git": "an electric guitar",
}


def reasons(phrase: Phrase, settings: Settings) -> dict[str, str]:
    return {track.name: track.reason for track in left_out_tracks(phrase, settings)}


def test_what_is_plainly_no_player_is_left_out_with_the_reason() -> None:
    assert reasons(SONG, Settings()) == LEFT_OUT


@pytest.mark.parametrize(
    ("name", "program", "why"),
    [
        ("Lead Voca", 65, "a sung lead"),
        ("Lead Voice", 53, "a sung lead"),
        ("Warmpad", 51, "a synthesizer pad"),
        ("SynBrass1", 61, "a synthesizer"),
        ("808Tom", 118, "a synthesizer drum"),
        ("Electric Guitar", 1, "an electric instrument"),
        ("", 4, "an electric piano"),
        ("", 63, "synthesizer brass"),
        ("Brass", 62, None),
        ("Strings Pad", 89, None),
        ("Voices", 52, None),
    ],
)
def test_a_name_and_a_program_say_together_who_is_no_player(name, program, why) -> None:
    song = make_phrase(a_track("Violins I", 48), a_track(name, program))
    assert reasons(song, Settings()) == ({} if why is None else {name: why})


@pytest.mark.parametrize("name", ["Bass", "Fing Bass", "bass 2", "Guitar", "Lead Gtr.", "Clav"])
def test_beside_a_drum_kit_the_program_says_whose_bass_it_is(name: str) -> None:
    """General MIDI: 7 clavinet, 29 overdriven guitar, 33 fingered electric bass."""
    program = 7 if name == "Clav" else 33 if "ass" in name else 29
    orchestra = [a_track("Violins I", 48), a_track(name, program)]
    assert reasons(make_phrase(*orchestra), Settings()) == {}
    with_kit = make_phrase(*orchestra, a_track("Drums", 0, 9))
    assert set(reasons(with_kit, Settings())) == {name, "Drums"}


@pytest.mark.parametrize("name", ["Double Bass", "Contrabass", "Bass Drum", "Bass Clarinet"])
def test_an_orchestras_bass_stays_beside_a_drum_kit(name: str) -> None:
    song = make_phrase(a_track(name, 33), a_track("Drums", 0, 9), a_track("Oboe", 68))
    assert set(reasons(song, Settings())) == {"Drums"}


def test_pieces_of_a_kit_go_with_it_and_drums_of_an_orchestra_stay() -> None:
    kit = [a_track(name, None, 9) for name in ("BD", "SD", "HH")]
    song = make_phrase(*kit, a_track("Snare Drum", None, 9), a_track("Oboe", 68))
    assert set(reasons(song, Settings())) == {"BD", "SD", "HH"}


def test_a_finding_lists_what_is_left_out_and_how_to_keep_it() -> None:
    (finding,) = left_out_finding(left_out_tracks(SONG, Settings()))
    assert all(f"'{name}' ({reason})" in finding.what for name, reason in LEFT_OUT.items())
    assert "--tracks" in finding.advice
    assert left_out_finding(()) == ()


@pytest.mark.parametrize(
    ("tracks", "kept"),
    [
        ("Violins I, Horns, Harp", ["Violins I", "Horns 1-2", "Harp"]),
        ("Drums", ["Drums"]),
        ("9, 1", ["Violins I", "Harp"]),
    ],
)
def test_tracks_are_chosen_by_name_by_player_and_by_number(tracks: str, kept: list[str]) -> None:
    absent = reasons(SONG, load_settings(None, {"tracks": tracks}))
    assert [part.name for part in SONG.parts if part.name not in absent] == kept


def test_a_track_that_is_not_there_is_refused_with_the_near_name() -> None:
    with pytest.raises(SettingsError, match=r"'Violinz'.*'Violins I'"):
        left_out_tracks(SONG, Settings(tracks=("Violinz",)))


def test_a_part_is_left_out_or_kept_by_its_own_setting() -> None:
    said = (
        PartSettings(match="Harp", leave_out=True),
        PartSettings(match="Drums", leave_out=False),
        PartSettings(match="Warm", instrument="strings"),
    )
    absent = reasons(SONG, Settings(parts=said))
    assert absent["Harp"] == "left out in the settings"
    assert "Drums" not in absent
    assert "Warm" not in absent


def test_where_nothing_would_be_left_nothing_is_left_out() -> None:
    assert reasons(make_phrase(a_track("Drums", 0, 9)), Settings()) == {}


def plan_of(phrase: Phrase) -> Plan:
    song = Song(name="s.mid", sha256="0" * 64, ticks_per_quarter=480, phrase=phrase, notices=())
    return plan_song(song, Settings())


def test_what_is_left_out_touches_nothing() -> None:
    orchestra = make_phrase(*(part for part in SONG.parts if part.name not in LEFT_OUT))
    whole, alone = plan_of(SONG), plan_of(orchestra)
    assert whole.performance == alone.performance
    assert whole.placement == alone.placement
    assert [f for f in whole.findings if f.kind != "left-out"] == list(alone.findings)


def test_a_window_where_only_left_out_tracks_sound_is_refused_by_their_names() -> None:
    later = replace(a_track("Harp", 46), notes=(make_note(8, 12),))
    song = Song(
        name="song.mid",
        sha256="0" * 64,
        phrase=make_phrase(a_track("Drums", 0, 9), later, bars=3),
        ticks_per_quarter=480,
        notices=(),
    )
    with pytest.raises(WindowError, match=r"nobody plays in bar 1.*left out, Drums.*--tracks"):
        plan_song(song, Settings(bars="1"))
    with pytest.raises(WindowError, match="nothing sounds in bar 2"):
        plan_song(song, Settings(bars="2"))


@pytest.mark.parametrize("name", ["Percussioni", "Schlagzeug", "Percussion 2"])
def test_an_orchestras_percussion_on_the_channel_of_kits_stays(name: str) -> None:
    strokes = Part(name=name, channel=9, program=None, notes=(make_note(0, 1, 49),))
    orchestra = [a_track("Oboe", 68), a_track("Violas", 41)]
    assert reasons(make_phrase(*orchestra, strokes), Settings()) == {}
    with_hats = replace(strokes, notes=(*strokes.notes, make_note(1, 2, 42)))
    assert set(reasons(make_phrase(*orchestra, with_hats), Settings())) == {name}
    band = [*orchestra, a_track("Bass", 33), a_track("Click", None)]
    assert name in reasons(make_phrase(*band, strokes), Settings())
    clicked = [*orchestra, a_track("Click", None)]
    assert set(reasons(make_phrase(*clicked, strokes), Settings())) == {"Click"}


def test_a_kit_stays_one_in_a_window_without_its_hi_hat() -> None:
    kit = Part(name="Percussion", channel=9, program=None, notes=(make_note(0, 1, 49),))
    with_hat = replace(kit, notes=(make_note(0, 1, 49), make_note(5, 6, 42)))
    phrase = make_phrase(a_track("Oboe", 68), with_hat)
    song = Song(name="s", sha256="", ticks_per_quarter=480, phrase=phrase, notices=())
    plan = plan_song(song, load_settings(None, {"bars": "1"}))
    assert [player.name for player in plan.performance.players] == ["Oboe"]
