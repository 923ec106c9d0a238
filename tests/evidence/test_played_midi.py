"""played.mid as an independent reader finds it: pretty_midi, through tempo changes."""

import io

import numpy as np
import pretty_midi

from retro.model.encoding import plain
from retro.model.phrase import Part
from retro.model.settings import Compensate, Settings
from retro.plan.compose import plan_song
from retro.plan.document import plan_document
from retro.read.midi import read_song_bytes
from retro.render.midi_file import ticks_for
from retro.render.played import performance_midi
from retro.reversal.compensate import perform
from retro.reversal.mirror import mirror
from tests.conftest import make_note, make_part, make_phrase, make_player
from tests.evidence.stand_in import needs_orchestra, sounded
from tests.example import example_plan


def test_pretty_midi_finds_the_planned_times_within_one_tick(record_evidence) -> None:
    plan = example_plan()
    ticks = plan.song.ticks_per_quarter
    (data,) = performance_midi(plan.performance, source_ticks_per_quarter=ticks)
    read = pretty_midi.PrettyMIDI(io.BytesIO(data))
    document = plain(plan_document(plan))
    count_in_s = document["insert"]["count_in_s"]
    slowest_us = max(step["us_per_quarter"] for step in document["insert"]["tempo"])
    tick_s = slowest_us / 1e6 / ticks_for(ticks)
    assert len({step["us_per_quarter"] for step in document["insert"]["tempo"]}) > 2
    off_by_s = []
    for part, instrument in zip(document["parts"], _by_part(read, document), strict=True):
        found = sorted((n.pitch, n.start, n.end) for n in instrument)
        wanted = sorted(
            (n["pitch"], n["played_on_s"] + count_in_s, n["played_off_s"] + count_in_s)
            for n in document["notes"]
            if n["part"] == part["index"]
        )
        assert [pitch for pitch, _, _ in found] == [pitch for pitch, _, _ in wanted]
        for (_, on_s, off_s), (_, wanted_on_s, wanted_off_s) in zip(found, wanted, strict=True):
            off_by_s += [abs(on_s - wanted_on_s), abs(off_s - wanted_off_s)]
    assert len(off_by_s) == 2 * len(document["notes"]) > 0
    assert max(off_by_s) <= tick_s
    record_evidence(
        what=f"played.mid of the example, {len(document['notes'])} notes through its tempo "
        "changes: pitches, beginnings and ends against plan.json",
        source="pretty_midi",
        expected=f"the same pitches; times within one tick, {1000 * tick_s:.3f} ms",
        found=f"all pitches; times within {1000 * max(off_by_s):.3f} ms",
    )


def _by_part(read: pretty_midi.PrettyMIDI, document: dict) -> list[list[pretty_midi.Note]]:
    """Return the notes of each part; a part may have been told apart on two tracks."""
    grouped = [[] for _ in document["parts"]]
    names = [part["track"] for part in document["parts"]]
    for instrument in read.instruments:
        grouped[names.index(instrument.name)].extend(instrument.notes)
    return grouped


def test_without_compensation_the_plan_of_played_mid_gives_the_target_back(
    record_evidence,
) -> None:
    plan = example_plan(compensate=Compensate.NONE)
    count = plan.performance.settings.count_in_bars
    (data,) = performance_midi(
        plan.performance, source_ticks_per_quarter=plan.song.ticks_per_quarter
    )
    song = read_song_bytes(data, "played.mid")
    last = count + len(plan.performance.insert.bars)
    again = plan_song(song, example_plan(bars=f"{count + 1}-{last}").performance.settings)
    first = plan.performance.target
    turned = mirror(again.performance.target)
    assert again.performance.target.length_s == first.length_s
    wanted = [
        sorted((n.pitch, n.on_beats, n.off_beats, n.velocity) for n in p.notes) for p in first.parts
    ]
    found = [
        sorted((n.pitch, n.on_beats, n.off_beats, n.velocity) for n in p.notes)
        for p in turned.parts
    ]
    assert found == wanted
    record_evidence(
        what="played.mid of the example without compensation, read, planned and turned round again",
        source="the target MIDI file",
        expected=f"its {sum(map(len, wanted))} notes: pitch, beats and velocity",
        found="all of them, exactly",
    )


@needs_orchestra
def test_the_bounces_of_several_files_add_up_to_every_player_alone(
    tmp_path, record_evidence
) -> None:
    """Source: fluidsynth, which does not heed ports: 18 players on one channel, 18 programs."""
    programs = (73, 68, 71, 70, 60, 56, 57, 58, 46, 11, 40, 41, 42, 43, 48, 52, 19, 24)
    parts = [
        make_part(make_note(i % 4, i % 4 + 2, 60), name=f"P{i}", program=program, channel=0)
        for i, program in enumerate(programs)
    ]

    def bounced(*chosen: Part) -> np.ndarray:
        players = tuple(make_player() for _ in chosen)
        performance = perform(make_phrase(*chosen), players, Settings())
        files = performance_midi(performance, source_ticks_per_quarter=480)
        sounds = [sounded(data, tmp_path, reverb=False) for data in files]
        longest = max(sound.size for sound in sounds)
        return sum(np.pad(sound, (0, longest - sound.size)) for sound in sounds)

    together = bounced(*parts)
    alone = np.zeros_like(together)
    for part in parts:
        sound = bounced(part)[: together.size]
        alone[: sound.size] += sound
    off_db = 10 * np.log10(np.mean((together - alone) ** 2) / np.mean(alone**2))
    assert off_db < -60
    record_evidence(
        what="played.mid and played-2.mid of 18 players who share a channel in the target, bounced "
        "and added, against every player bounced alone",
        source="fluidsynth 2.3",
        expected="a difference below -60 dB",
        found=f"{off_db:.0f} dB",
    )
