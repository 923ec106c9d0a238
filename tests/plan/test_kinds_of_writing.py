"""Six kinds of writing, each with what is played, heard and printed.

A drum kit, a glissando of the harp, graces of a flute, a swung passage, stabs and a swell by
expression. What is played is read from `played.mid` with mido, what is heard is measured in the
flipped preview, what is printed is the MusicXML of the insert. The pages were looked at.
"""

import io
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

import mido
import numpy as np
import pytest
from lxml import etree

from retro.model.findings import FindingKind
from retro.model.phrase import EXPRESSION, Note, Part
from retro.model.settings import Landing, PartSettings, Settings
from retro.model.time import Steps
from retro.notation.words import SWUNG
from retro.pack.copyist import copy_out
from retro.plan.compose import Plan, plan_song
from retro.read.song import Song
from retro.render.played import performance_midi
from retro.render.preview import render_preview
from tests.conftest import make_note, make_part, make_phrase

BPM = 100
BEAT_S = 60 / BPM
RATE = 22_050
F = Fraction


@dataclass(frozen=True)
class Made:
    """A plan and its three sides."""

    plan: Plan

    @cached_property
    def page(self) -> etree._Element:
        return etree.fromstring(copy_out(self.plan).xml.parts[0])

    @cached_property
    def flipped(self) -> np.ndarray:
        """The flipped preview from the window's first frame on, in mono."""
        preview = render_preview(self.plan.performance)
        return preview.flipped[preview.window_start_sample :].mean(axis=1)

    @property
    def strokes(self) -> list[tuple[float, int]]:
        """Return second of the insert and pitch of every note that begins in `played.mid`."""
        (data,) = performance_midi(self.plan.performance, source_ticks_per_quarter=480)
        file = mido.MidiFile(file=io.BytesIO(data))
        count_in_s = float(self.plan.count_in_beats) * BEAT_S
        at_s, found = 0.0, []
        for message in file:
            at_s += message.time
            if message.type == "note_on" and message.velocity:
                found.append((at_s - count_in_s, message.note))
        return sorted(found)

    @property
    def kinds(self) -> set[str]:
        return {finding.kind for finding in self.plan.findings}

    def level_db(self, start_s: float, end_s: float) -> float:
        """Return the level of a stretch of what is heard."""
        stretch = self.flipped[max(round(start_s * RATE), 0) : round(end_s * RATE)]
        return 10 * float(np.log10(np.mean(stretch**2) + 1e-12))

    def falls_at(self, at_s: float) -> float:
        """Return by how many decibels the sound falls across an instant, 30 ms either way."""
        return self.level_db(at_s - 0.04, at_s - 0.01) - self.level_db(at_s + 0.01, at_s + 0.04)

    def places(self) -> list[Fraction]:
        """Return where heads stand on the page, in quarter notes from the insert's first bar."""
        return [at for at, _ in self.heads()]

    def heads(self) -> list[tuple[Fraction, etree._Element]]:
        found, start = [], -self.plan.count_in_beats
        divisions = int(self.page.findtext(".//divisions"))
        for measure in self.page.iter("measure"):
            at = longest = F(0)
            for element in measure:
                length = F(int(element.findtext("duration") or 0), divisions)
                if element.tag == "backup":
                    at -= length
                elif element.tag == "forward" or element.find("rest") is not None:
                    at += length
                elif element.tag == "note":
                    at -= length if element.find("chord") is not None else 0
                    found.append((start + at, element))
                    at += length
                longest = max(longest, at)
            start += longest
        return found

    def words(self) -> list[str]:
        return [" ".join(words.text.split()) for words in self.page.iter("words") if words.text]


def made(*parts: Part, bars: int = 3, window: str | None = None, **settings: object) -> Made:
    us_per_quarter = round(60e6 / BPM)
    phrase = make_phrase(*parts, bars=bars, us_per_quarter=us_per_quarter)
    song = Song(name="s.mid", sha256="0" * 64, ticks_per_quarter=480, phrase=phrase, notices=())
    return Made(plan_song(song, Settings(bars=window, rate=RATE, **settings)))


def test_a_drum_kit_lands_on_its_strokes_and_stands_on_eighths():
    hats = [make_note(F(i, 2), F(i, 2) + F(1, 10), 42, 80) for i in range(24)]
    kicks = [make_note(2 * i, 2 * i + F(1, 10), 36, 110) for i in range(6)]
    snares = [make_note(2 * i + 1, 2 * i + 1 + F(1, 10), 38, 100) for i in range(6)]
    kit = make_part(*hats, *kicks, *snares, name="Drum Kit", program=0, channel=9)
    # From the second half of beat 4 on: no stroke begins with the window's very start.
    case = made(kit, start="1.4+1/4", end="3.4+1/4", tracks=("Drum Kit",))
    length_s = float(case.plan.window.length_s)
    notes = case.plan.performance.notes
    wanted_s = [note.target_on_s for note in notes]
    assert [note.lands_s for note in notes] == pytest.approx(wanted_s, abs=0.001)
    played_s = sorted(round(length_s - on_s, 2) for on_s in wanted_s)
    assert [on_s for on_s, _ in case.strokes] == pytest.approx(played_s, abs=0.02)
    # A hi-hat alone stops under the swell of the louder drum that follows.
    for note in notes:
        least_db = 2.0 if note.target.pitch == 42 else 6.0
        assert case.falls_at(note.target_on_s) > least_db
    heads = [(at, head) for at, head in case.heads() if head.find("unpitched") is not None]
    assert {(at - F(1, 4)) % F(1, 2) for at, _ in heads} == {F(0)}
    assert len(heads) == len(notes)
    crosses = [head for _, head in heads if head.findtext("notehead") == "x"]
    assert len(crosses) == sum(note.target.pitch == 42 for note in notes)


def test_a_glissando_of_the_harp_is_one_sweep_that_lands_on_its_top():
    white = [48 + 12 * octave + step for octave in range(3) for step in (0, 2, 4, 5, 7, 9, 11)]
    step = F(2, len(white))
    sweep = [make_note(2 + i * step, 2 + (i + 1) * step, p, 80) for i, p in enumerate(white)]
    chord = [make_note(4, 8, pitch, 90) for pitch in (60, 64, 67, 72)]
    case = made(make_part(*sweep, *chord, name="Harp", program=46))
    notes = case.plan.performance.notes
    down = [pitch for _, pitch in case.strokes[-len(white) :]]
    assert down == white[::-1]
    lands_s = [note.lands_s for note in notes if note.target.off_beats <= 4]
    assert lands_s == sorted(lands_s)
    assert lands_s[-1] == pytest.approx(4 * BEAT_S, abs=0.005)
    assert case.falls_at(8 * BEAT_S) > 6.0
    signs = [sign.get("type") for sign in case.page.iter("glissando", "slide")]
    assert signs == ["start", "stop"]
    assert any(words.startswith("gliss. to C") for words in case.words())
    # Two chords of whole notes and the two ends of the sweep: nothing between them is printed.
    assert len({head.get("id") for _, head in case.heads()}) <= 4 + 2 + 1
    said = " ".join(f"{finding.what} {finding.advice}" for finding in case.plan.findings)
    assert "times a second" not in said
    assert "leave" not in said.replace("leave room", "")


def test_graces_of_a_flute_lead_in_as_heard_and_follow_as_played():
    flute = make_part(
        make_note(0, F(186, 100), 76, 80),
        make_note(F(186, 100), F(193, 100), 77, 70),
        make_note(F(193, 100), 2, 79, 70),
        make_note(2, 4, 81, 90),
        make_note(4, 12, 74, 80),
        name="Flute",
        program=73,
    )
    case = made(flute)
    order = [pitch for _, pitch in case.strokes]
    assert order == [74, 81, 79, 77, 76]
    graces = [head for _, head in case.heads() if head.find("grace") is not None]
    steps = [head.findtext("pitch/step") + head.findtext("pitch/octave") for head in graces]
    assert steps == ["G5", "F5"]
    mains = [at for at, head in case.heads() if head.find("grace") is None]
    assert mains[:4] == [F(0), F(4), F(8), F(10)]
    first, second = (n for n in case.plan.performance.notes if n.target.pitch in (77, 79))
    assert first.lands_s < second.lands_s
    assert second.lands_s == pytest.approx(2 * BEAT_S, abs=0.02)
    assert [player.name for player in case.plan.performance.players] == ["Flute"]
    assert "sound at once" not in " ".join(finding.what for finding in case.plan.findings)


def swung() -> Part:
    notes: list[Note] = []
    for beat in range(8):
        notes.append(make_note(beat, beat + F(2, 3), 62 + beat, 90))
        notes.append(make_note(beat + F(2, 3), beat + 1, 63 + beat, 80))
    return make_part(*notes, make_note(8, 12, 62, 90), name="Trumpet in Bb", program=56)


@pytest.mark.parametrize("straightened", [False, True])
def test_swing_is_written_as_triplets_or_as_even_eighths_with_a_word(straightened):
    case = made(swung(), straighten_swing=straightened)
    # Turned round, the long note of each pair is the second: it begins at the third of its beat.
    middles = [at % 1 for at in case.places() if at % 1 and at >= 4]
    assert set(middles) == {F(1, 2) if straightened else F(1, 3)}
    assert bool(list(case.page.iter("time-modification"))) is not straightened
    assert (SWUNG in case.words()) is straightened
    played_s = sorted(12 * BEAT_S - float(note.off_beats) * BEAT_S for note in swung().notes)
    assert [on_s for on_s, _ in case.strokes] == pytest.approx(played_s, abs=0.07)
    for note in case.plan.performance.notes:
        assert note.lands_s == pytest.approx(note.target_off_s, abs=0.005)
        assert note.written_landing_error_ms == pytest.approx(0.0, abs=5.0)
    assert FindingKind.GRID not in case.kinds


def test_swing_that_is_straightened_is_still_heard_swung_from_players():
    """What players of even eighths with the word do is what is reckoned, not the even eighths."""
    plain, straightened = made(swung()), made(swung(), straighten_swing=True)
    assert straightened.plan.placement.shift_samples == plain.plan.placement.shift_samples


def test_stabs_stop_on_their_beats():
    beats = (F(1), F(5, 2), F(4), F(11, 2), F(7), F(8), F(19, 2), F(11))
    stabs = [make_note(at, at + F(22, 100), p, 112) for at in beats for p in (58, 62, 65)]
    part = make_part(*stabs, name="Trumpets 1-3", program=56)
    said = (PartSettings(match="Trumpets 1-3", landing=Landing.START),)
    case = made(part, parts=said)
    notes = case.plan.performance.notes
    assert [n.lands_s for n in notes] == pytest.approx([n.target_on_s for n in notes], abs=0.005)
    ends_s = sorted({12 * BEAT_S - float(at) * BEAT_S for at in beats})
    starts_s = sorted({round(on_s, 1) for on_s, _ in case.strokes})
    assert starts_s == pytest.approx(ends_s, abs=0.06)
    assert sorted(set(case.places())) == sorted(12 - at for at in beats)
    assert all(case.falls_at(float(at) * BEAT_S) > 6.0 for at in beats)
    types = {head.findtext("type") for _, head in case.heads()}
    assert types <= {"16th", "eighth"}


def test_a_landing_for_everybody_says_whom_it_does_not_move():
    horn = make_part(make_note(4, 5, 58, 90), name="Horn in F", program=60)
    harp = make_part(make_note(4, 5, 70, 90), name="Harp", program=46)
    case = made(horn, harp, landing=Landing.START)
    said = [f.what for f in case.plan.findings if f.kind is FindingKind.LANDING]
    (only,) = said
    assert only.endswith("all others land on the ends of their notes: Horn in F")
    assert FindingKind.LANDING not in made(harp, landing=Landing.START).kinds


def test_a_swell_by_expression_is_heard_and_its_hairpin_is_turned_round():
    curve = [(F(i, 8), 30 + round(90 * i / 32)) for i in range(33)]
    curve += [(4 + F(i, 8), 120 - round(90 * i / 32)) for i in range(1, 33)]
    expression = Steps.from_changes(curve, length=F(12), before=30)
    horn = make_part(
        make_note(0, 8, 58, 90), make_note(8, 12, 60, 90), name="Horn in F", program=60
    )
    case = made(replace(horn, controllers=((EXPRESSION, expression),)))
    (data,) = performance_midi(case.plan.performance, source_ticks_per_quarter=480)
    values = [m.value for m in mido.MidiFile(file=io.BytesIO(data)) if m.type == "control_change"]
    top = values.index(max(values))
    assert values[: top + 1] == sorted(values[: top + 1])
    assert values[top:] == sorted(values[top:], reverse=True)
    swell = [case.level_db(i * BEAT_S, (i + 0.5) * BEAT_S) for i in range(8)]
    assert swell[:4] == sorted(swell[:4])
    assert swell[4:] == sorted(swell[4:], reverse=True)
    # 30 to 120 by the square law of General MIDI is 24 dB.
    assert swell[4] - swell[0] > 12.0
    wedges = [wedge.get("type") for wedge in case.page.iter("wedge")]
    assert wedges == ["crescendo", "stop", "diminuendo", "stop"]
