"""Music that is its own reversal: what is printed as the second voice is what retro makes.

Sources: J. S. Bach, Musical Offering BWV 1079 (1747), canon cancrizans; J. S. Bach, canons on the
ground of the Goldberg Variations BWV 1087, canons 1 and 2 (public score library Mutopia, after the
autograph); G. M. Bononcini, *Musico prattico* (1673), p. 105 (see `tests.evidence.scores`); two
twelve-note rows that are their own reversal at another pitch, as music21 lists them. Readers:
partitura and music21 for the insert's MusicXML, verovio through its own MIDI.
"""

import io
import warnings
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mido
import music21
import pytest
from lxml import etree
from music21 import serial

from retro.model.phrase import Note
from retro.model.settings import Compensate, Settings
from retro.pack.copyist import copy_out
from retro.plan.compose import Plan, plan_song
from retro.read.midi import read_song_bytes
from retro.read.musicxml import read_score_song
from retro.reversal.mirror import mirror
from tests.conftest import make_part, make_phrase
from tests.evidence.scores import (
    CANCRIZANS_BACKWARDS,
    CANCRIZANS_FORWARDS,
    CONTRARY_BACKWARDS,
    CONTRARY_FORWARDS,
    INVERTED_BACKWARDS,
    INVERTED_FORWARDS,
    SUBJECT_BACKWARDS,
    SUBJECT_FORWARDS,
    voice,
)
from tests.evidence.test_musicxml_schema import heard

with warnings.catch_warnings():
    # Its parser imports modules of the standard library that are deprecated.
    warnings.simplefilter("ignore", DeprecationWarning)
    import partitura

TICKS = 480
PITCH = ("step", "alter", "octave")
Spans = list[tuple[Fraction, Fraction, int]]

PRINTED = {
    "J. S. Bach, BWV 1079, canon cancrizans": (CANCRIZANS_FORWARDS, CANCRIZANS_BACKWARDS, 0, 18),
    "J. S. Bach, BWV 1087, canon 1 (second voice an octave lower)": (
        SUBJECT_FORWARDS,
        SUBJECT_BACKWARDS,
        -12,
        2,
    ),
    "J. S. Bach, BWV 1087, canon 2": (INVERTED_FORWARDS, INVERTED_BACKWARDS, 0, 2),
}


def spans(notes: tuple[Note, ...], octave: int = 0) -> Spans:
    return sorted((note.on_beats, note.off_beats, note.pitch + octave) for note in notes)


def midi_of(notes: tuple[Note, ...], name: str) -> bytes:
    """Write a voice with mido alone, as a stranger would."""
    events = [(note.on_beats, 1, "note_on", note.pitch) for note in notes]
    events += [(note.off_beats, 0, "note_off", note.pitch) for note in notes]
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    track.append(mido.MetaMessage("time_signature", numerator=4, denominator=4))
    now = 0
    for at_beats, _, kind, pitch in sorted(events):
        tick = int(at_beats * TICKS)
        track.append(mido.Message(kind, note=pitch, velocity=80, time=tick - now))
        now = tick
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS, tracks=[track])
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def insert_of(words: str) -> Plan:
    song = read_song_bytes(midi_of(voice(words), "Cello"), "canon.mid")
    return plan_song(song, replace(Settings(), compensate=Compensate.NONE, count_in_bars=0))


def read_by_partitura(document: Path) -> Spans:
    with warnings.catch_warnings():
        # It warns of words that are no tempo, such as advice on how to play.
        warnings.simplefilter("ignore", UserWarning)
        part = partitura.load_musicxml(document)[0]
    notes = part.note_array()
    return sorted(
        (
            Fraction(float(note["onset_quarter"])).limit_denominator(960),
            Fraction(float(note["onset_quarter"] + note["duration_quarter"])).limit_denominator(
                960
            ),
            int(note["pitch"]),
        )
        for note in notes
    )


def read_by_music21(document: Path) -> Spans:
    score = music21.converter.parse(document, format="musicxml", forceSource=True)
    sounding = score.stripTies().toSoundingPitch().flatten().notes
    return sorted(
        (
            Fraction(note.offset),
            Fraction(note.offset) + Fraction(note.quarterLength),
            note.pitch.midi,
        )
        for note in sounding
    )


@pytest.mark.parametrize("work", PRINTED)
def test_the_mirror_of_a_printed_voice_is_the_other_printed_voice(work, record_evidence):
    forwards, backwards, octave, bars = PRINTED[work]
    first, second = voice(forwards), voice(backwards)
    assert first[-1].off_beats == second[-1].off_beats == bars * 4
    canon = make_phrase(make_part(*first), make_part(*second), bars=bars)
    upper, lower = mirror(canon).parts
    assert spans(upper.notes, octave) == spans(second)
    assert spans(lower.notes) == spans(first, octave)
    record_evidence(
        what="the mirror of the first voice",
        source=f"{work}: the second voice as printed",
        expected=f"its {len(second)} notes, pitch and time",
        found=f"{len(upper.notes)} of {len(second)} equal, and the other way round",
    )


@pytest.mark.parametrize("work", PRINTED)
def test_readers_of_the_insert_find_the_other_printed_voice(work, tmp_path, record_evidence):
    forwards, backwards, octave, _ = PRINTED[work]
    document = tmp_path / "part.musicxml"
    document.write_bytes(copy_out(insert_of(forwards)).xml.parts[0])
    printed = [(on, off, pitch - octave) for on, off, pitch in spans(voice(backwards))]
    readers = {
        "partitura": read_by_partitura(document),
        "music21": read_by_music21(document),
        "verovio": heard(document.read_bytes(), Fraction(0)),
    }
    for reader, found in readers.items():
        assert found == printed, reader
    record_evidence(
        what="the insert of the first voice, re-read from its MusicXML",
        source=f"{work}; readers {', '.join(readers)}",
        expected=f"the {len(printed)} notes of the second voice as printed",
        found=f"{len(printed)} of {len(printed)} with each reader",
    )


def named(words: str) -> list[tuple[str, Fraction]]:
    """Return the names and lengths of the notes of a printed voice."""
    pairs = (word.split(":") for word in words.split())
    return [(name, Fraction(quarters)) for name, quarters in pairs if name != "r"]


def score_of(words: str) -> bytes:
    """Write a voice as MusicXML with music21 alone, as a stranger would."""
    part = music21.stream.Part()
    part.partName = "Cello"
    part.append(music21.meter.TimeSignature("4/4"))
    for word in words.split():
        name, quarters = word.split(":")
        event = music21.note.Rest() if name == "r" else music21.note.Note(name.replace("b", "-"))
        event.quarterLength = Fraction(quarters)
        part.append(event)
    return music21.musicxml.m21ToXml.GeneralObjectExporter(part).parse()


@pytest.mark.parametrize("work", PRINTED)
def test_a_voice_that_comes_in_as_musicxml_is_spelled_in_retrograde_as_the_print_spells_it(
    work, record_evidence
):
    forwards, backwards, octave, _ = PRINTED[work]
    song = read_score_song(score_of(forwards), "canon.musicxml")
    as_midi = read_song_bytes(midi_of(voice(forwards), "Cello"), "canon.mid")
    assert spans(song.phrase.parts[0].notes) == spans(as_midi.phrase.parts[0].notes)
    plan = plan_song(song, replace(Settings(), compensate=Compensate.NONE, count_in_bars=0))
    document = etree.fromstring(copy_out(plan).xml.parts[0])
    found = []
    for note in document.iter("note"):
        is_tied = any(tie.get("type") == "stop" for tie in note.findall("tie"))
        if note.find("pitch") is None or is_tied:
            continue
        step, alter, height = (note.findtext(f"pitch/{tag}", "0") for tag in PITCH)
        sign = "#" * int(alter) + "b" * -int(alter)
        found.append(f"{step}{sign}{int(height) + octave // 12}")
    printed = [name for name, _ in named(backwards)]
    assert found == printed
    record_evidence(
        what="the names of the notes, in as MusicXML and out as the insert",
        source=f"{work}: the second voice as printed; written with music21",
        expected=f"{len(printed)} names as the print spells them",
        found=f"{sum(a == b for a, b in zip(found, printed, strict=True))} of {len(printed)}",
    )


def staff_step(pitch: int) -> int:
    """The place of a natural note on the staff."""
    octave, semitones = divmod(pitch, 12)
    return 7 * octave + (0, 2, 4, 5, 7, 9, 11).index(semitones)


def test_the_mirror_of_a_canon_in_contrary_motion_has_the_times_of_its_other_voice(record_evidence):
    first, second = voice(CONTRARY_FORWARDS), voice(CONTRARY_BACKWARDS)
    mirrored = mirror(make_phrase(make_part(*first), bars=16)).parts[0].notes
    pairs = list(zip(spans(mirrored), spans(second), strict=True))
    assert all(ours[:2] == printed[:2] for ours, printed in pairs)
    # Contrary motion: what one voice rises, the other falls, so the steps have one sum.
    assert len({staff_step(ours[2]) + staff_step(printed[2]) for ours, printed in pairs}) == 1
    record_evidence(
        what="the mirror of the first voice",
        source="G. M. Bononcini, Musico prattico (1673), canon in retrograde and contrary motion",
        expected=f"the times of the second voice's {len(second)} notes, its steps upside down",
        found=f"{len(pairs)} of {len(second)} so",
    )


@pytest.mark.parametrize("name", ["RowWebernOp21", "RowBergLyricSuite"])
def test_a_row_that_is_its_own_reversal_comes_back_a_tritone_away(name, record_evidence):
    row = serial.getHistoricalRowByName(name)
    theirs = row.originalCenteredTransformation("R", 0).pitchClasses()
    assert theirs == row.originalCenteredTransformation("T", 6).pitchClasses()
    words = " ".join(f"{note.name.replace('-', 'b')}4:1" for note in row)
    played = [n.pitch % 12 for n in insert_of(words).performance.insert.parts[0].notes]
    assert played == theirs
    assert played == [(pitch_class + 6) % 12 for pitch_class in row.pitchClasses()]
    record_evidence(
        what="the insert of a palindromic twelve-note row",
        source=f"{row.composer}, {row.opus or ''} {row.title}, by music21's list of rows",
        expected="the row a tritone away",
        found=" ".join(map(str, played)),
    )
