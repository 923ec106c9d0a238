"""Makes targets and settings of every shape that a program or a person may save, from a seed.

They are whole files: what they say is unusual, and not how they are written.
"""

import io
import random
from collections.abc import Callable, Sequence
from fractions import Fraction
from xml.sax.saxutils import escape

import mido

NAMES = (
    *("Flute", "Violins I", "Violin", "Viola", "Celli", "Horn in F", "Harp", "Piano", "Timpani"),
    *("Oboe 1.2", "Soprano", "Organ", "Celesta", "Suspended Cymbal", "Snare Drum", "Drums"),
    *(
        "Bb Clarinet",
        "Contrabass",
        "Trompeten",
        "Strings",
        "Track 1",
        "",
        "\u266b\u202e\x07\x1b[31m",
    ),
    *("x" * 120, "<b>&amp;</b>", "\u7b2c\u4e00\u30f4\u30a1\u30a4\u30aa\u30ea\u30f3", "#set page()"),
)
DIVISIONS = (24, 48, 96, 120, 192, 383, 480, 960, 1000, 15_360)
METERS = ((4, 4), (3, 4), (2, 4), (6, 8), (7, 8), (5, 4), (12, 8), (2, 2), (1, 4), (3, 16))
ODD_METERS = ((64, 32), (64, 16), (48, 32), (63, 32), (32, 8), (17, 16), (11, 4), (1, 16), (21, 8))
TEMPI = (30, 60, 76, 92.5, 120, 137, 180, 300)
KEYS = ("C", "G", "F#", "Cb", "Am", "D#m", "Abm", "Eb")
WORDS = ("pizz.", "arco", "con sord.", "trem.", "tutti", "1.", "div.", "rit.", "poco a poco")
CONTROLLERS = (1, 2, 7, 11, 64, 66, 67)
GM_DRUMS = (35, 38, 42, 46, 49, 51, 55, 57, 76, 81)

Event = tuple[int, int, mido.Message | mido.MetaMessage]


def a_length(chance: random.Random, division: int) -> int:
    """Return a length in ticks: on a grid, off it, a grace, or very long."""
    parts = (1, 2, 3, 4, 6, 8, 12, 16, 5, 7)
    kinds: Sequence[Callable[[], int]] = (
        lambda: division * chance.choice((1, 2, 3, 4, 6)) // chance.choice(parts),
        lambda: division // chance.choice(parts) + chance.randint(-3, 3),
        lambda: chance.randint(1, 4 * division),
        lambda: chance.choice((0, 1, 2, division * 40)),
    )
    return max(chance.choices(kinds, (10, 4, 2, 1))[0](), 0)


def _meters(chance: random.Random, division: int, end: int) -> list[Event]:
    """Return meters; some stand a few ticks off the bar line, and some are odd."""
    found: list[Event] = []
    at = 0
    while at < end and len(found) < chance.choice((1, 1, 2, 8)):
        numerator, denominator = chance.choice(ODD_METERS if chance.random() < 0.2 else METERS)
        off = chance.choice((0, 0, 0, -1, 1, -3, division // 8)) if found else 0
        message = mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator)
        found.append((max(at + off, 0), 0, message))
        at += numerator * 4 * division // denominator * chance.randint(1, 3)
    return found


def _conductor(chance: random.Random, division: int, end: int) -> list[Event]:
    events = _meters(chance, division, end)
    for _ in range(chance.choice((1, 1, 3, 12))):
        tempo = mido.bpm2tempo(chance.choice(TEMPI))
        events.append((chance.randint(0, end), 0, mido.MetaMessage("set_tempo", tempo=tempo)))
    for _ in range(chance.choice((0, 1, 2))):
        key = mido.MetaMessage("key_signature", key=chance.choice(KEYS))
        events.append((chance.randint(0, end), 0, key))
    for _ in range(chance.choice((0, 0, 2))):
        marker = mido.MetaMessage("marker", text=chance.choice(NAMES))
        events.append((chance.randint(0, end), 0, marker))
    return events


def _played(chance: random.Random, division: int, end: int) -> list[Event]:
    """Return the notes of one track, with pedals, bends and words among them."""
    channel = chance.choice((0, 1, 2, 9))
    low, high = chance.choice(((48, 84), (60, 72), (0, 127), (36, 50)))
    events: list[Event] = []
    at = chance.choice((0, 0, a_length(chance, division)))
    while at < end:
        length = a_length(chance, division)
        for _ in range(chance.choices((1, 2, 3, 8), (12, 3, 2, 1))[0]):
            drum = channel == 9 and chance.random() < 0.9
            pitch = chance.choice(GM_DRUMS) if drum else chance.randint(low, high)
            velocity = chance.choice((1, 40, 64, 100, 127, chance.randint(1, 127)))
            stop = at + length + chance.choice((0, 0, 0, -1, 2, length))
            events.append((at, 2, _note("note_on", channel, pitch, velocity)))
            if chance.random() > 0.005:
                events.append((max(stop, at), 1, _note("note_off", channel, pitch, 0)))
        if chance.random() < 0.1:
            events.append((at, 0, _moved(chance, channel)))
        at += max(length, 1) if chance.random() < 0.8 else a_length(chance, division) + 1
    return events


def _note(kind: str, channel: int, pitch: int, velocity: int) -> mido.Message:
    return mido.Message(kind, channel=channel, note=pitch, velocity=velocity)


def _moved(chance: random.Random, channel: int) -> mido.Message | mido.MetaMessage:
    value = chance.choice((0, 64, 127, chance.randint(0, 127)))
    kind = chance.random()
    if kind < 0.6:
        control = chance.choice(CONTROLLERS)
        return mido.Message("control_change", channel=channel, control=control, value=value)
    if kind < 0.8:
        return mido.Message("pitchwheel", channel=channel, pitch=chance.randint(-8192, 8191))
    return mido.MetaMessage("text", text=chance.choice(WORDS))


def _track(events: list[Event], name: str) -> mido.MidiTrack:
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    before = 0
    for at, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=at - before))
        before = at
    return track


def midi_target(chance: random.Random) -> bytes:
    """Return a MIDI file of one to eight tracks."""
    division = chance.choice(DIVISIONS)
    end = division * chance.choice((4, 8, 8, 12, 16, 32))
    file = mido.MidiFile(ticks_per_beat=division, charset="utf-8")
    file.tracks.append(_track(_conductor(chance, division, end), chance.choice(NAMES)))
    for _ in range(chance.choice((1, 1, 2, 3, 8))):
        file.tracks.append(_track(_played(chance, division, end), chance.choice(NAMES)))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


TYPES = {
    Fraction(4): "whole",
    Fraction(2): "half",
    Fraction(1): "quarter",
    Fraction(1, 2): "eighth",
    Fraction(1, 4): "16th",
    Fraction(1, 8): "32nd",
}
NOTATIONS = (
    *(
        "",
        "",
        "",
        "<articulations><staccato/></articulations>",
        "<ornaments><trill-mark/></ornaments>",
    ),
    *(
        "<articulations><accent/><tenuto/></articulations>",
        '<ornaments><tremolo type="single">3</tremolo></ornaments>',
    ),
    *(
        "<technical><snap-pizzicato/></technical>",
        "<fermata/>",
        "<arpeggiate/>",
        '<slur type="start" number="1"/>',
    ),
    *(
        '<slur type="stop" number="1"/>',
        '<glissando type="start" number="1"/>',
        "<technical><harmonic/></technical>",
    ),
)
DIRECTIONS = (
    *("<dynamics><f/></dynamics>", "<dynamics><ppp/></dynamics>", '<wedge type="crescendo"/>'),
    *(
        '<wedge type="stop"/>',
        "<words>pizz.</words>",
        "<words>arco</words>",
        '<pedal type="start"/>',
    ),
    *('<pedal type="stop"/>', '<octave-shift type="down" size="8"/>', "<rehearsal>A</rehearsal>"),
    *(
        "<words>\u266b &lt;b&gt;</words>",
        '<octave-shift type="stop" size="8"/>',
        "<segno/>",
        "<coda/>",
    ),
)
STEPS = "CDEFGAB"
TUPLET = (
    "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes>"
    "</time-modification>"
)


def _xml_note(chance: random.Random, beats: Fraction, divisions: int, staff: int) -> str:
    chord = "<chord/>" if chance.random() < 0.15 else ""
    grace = '<grace slash="yes"/>' if not chord and chance.random() < 0.05 else ""
    if not chord and not grace and chance.random() < 0.15:
        body = "<rest/>"
    else:
        alter = chance.choice(
            ("", "", "", "<alter>1</alter>", "<alter>-1</alter>", "<alter>2</alter>")
        )
        octave = chance.choice((2, 3, 4, 4, 5, 6))
        body = f"<pitch><step>{chance.choice(STEPS)}</step>{alter}<octave>{octave}</octave></pitch>"
    duration = "" if grace else f"<duration>{int(beats * divisions)}</duration>"
    tie = chance.choice(("", "", "", '<tie type="start"/>', '<tie type="stop"/>'))
    kind = f"<type>{TYPES[beats]}</type>" if beats in TYPES else ""
    marks = chance.choice(NOTATIONS)
    return (
        f"<note>{grace}{chord}{body}{duration}{'' if grace else tie}<voice>{staff}</voice>{kind}"
        f"{TUPLET if beats.denominator % 3 == 0 else ''}"
        f"{f'<notations>{marks}</notations>' if marks else ''}</note>"
    )


def _xml_measure(chance: random.Random, number: int, meter: tuple[int, int], *, first: bool) -> str:
    divisions = 24
    whole = Fraction(4 * meter[0], meter[1])
    attributes = (
        f"<attributes><divisions>{divisions}</divisions>"
        f"<key><fifths>{chance.randint(-7, 7)}</fifths></key>"
        f"<time><beats>{meter[0]}</beats><beat-type>{meter[1]}</beat-type></time></attributes>"
        if first or chance.random() < 0.1
        else ""
    )
    voices = []
    for voice in range(1, chance.choice((1, 1, 2, 3)) + 1):
        left, notes = whole, ""
        while left > 0:
            choices = [*TYPES, Fraction(1, 3), Fraction(1, 6), Fraction(3, 2), Fraction(5, 8), left]
            beats = min(chance.choice(choices), left)
            notes += _xml_note(chance, beats, divisions, voice)
            left -= beats
            if chance.random() < 0.1:
                kind = chance.choice(DIRECTIONS)
                notes += f"<direction><direction-type>{kind}</direction-type></direction>"
        voices.append(notes)
    back = f"<backup><duration>{int(whole * divisions)}</duration></backup>"
    sound = f'<sound tempo="{chance.choice(TEMPI)}"/>' if chance.random() < 0.3 else ""
    repeat = chance.choice(("forward", "backward")) if chance.random() < 0.05 else ""
    line = f'<barline><repeat direction="{repeat}"/></barline>' if repeat else ""
    return f'<measure number="{number}">{attributes}{sound}{back.join(voices)}{line}</measure>'


def xml_target(chance: random.Random) -> bytes:
    """Return a MusicXML score of one to four parts."""
    bars = chance.choice((1, 2, 4, 8))
    meters = [chance.choice(ODD_METERS if chance.random() < 0.1 else METERS)] * bars
    if chance.random() < 0.3:
        meters = [chance.choice(METERS) for _ in range(bars)]
    parts = [f"P{number}" for number in range(1, chance.choice((1, 1, 2, 4)) + 1)]
    printable = [name for name in NAMES if name.isprintable()]
    names = {part: escape(chance.choice(printable)) for part in parts}
    listed = "".join(
        f'<score-part id="{part}"><part-name>{name}</part-name></score-part>'
        for part, name in names.items()
    )
    text = '<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0">'
    text += f"<part-list>{listed}</part-list>"
    for part in parts:
        text += f'<part id="{part}">'
        for number, meter in enumerate(meters, 1):
            is_new = number == 1 or meter != meters[number - 2]
            text += _xml_measure(chance, number, meter, first=is_new)
        text += "</part>"
    return (text + "</score-partwise>").encode()


CHOICES: dict[str, tuple[str, ...]] = {
    "onset_db": ("1.0", "6.0", "40.0"),
    "audible_db": ("10.0", "60.0", "120.0"),
    "compensate": ('"both"', '"none"', '"release"', '"attack"'),
    "habit": ('"speak"', '"start"'),
    "landing": ('"end"', '"start"'),
    "shortest_s": ("0.01", "0.2", "2.0"),
    "keep_gaps": ("true", "false"),
    "grid_beats": ('"1/4"', '"1/3"', '"1/16"', '"1"', '"1/12"'),
    "straighten_swing": ("true",),
    "count_in_bars": ("0", "8"),
    "rate": ("44100", "96000"),
    "session_start": ('"00:00:00:00"', '"23:59:59:24"', '"01:00:00:00"'),
    "frame_rate": ('"29.97df"', '"24"'),
    "lateness_s": ("-1.0", "0.05", "1.0"),
    "letter": ('"ZZZ"',),
    "title": ('"\u266b <b>\\\\ #"', '"' + "W" * 200 + '"'),
    "temperature_c": ("-20.0", "50.0"),
    "seed": ("0", "4294967295"),
    "tracks": ('["1"]', '["2", "Flute"]', '["Nobody"]'),
}
WINDOWS = (
    'bars = "1"',
    'bars = "1-2"',
    'bars = "2-3"',
    'bars = "1-99999"',
    'from = "1.2"\nto = "2.1"',
)
ROOMS = ("reverberation_s = 0.05", "reverberation_s = 20.0", "direct_to_reverberant_db = -40.0")
PACKS = (
    'paper = "letter"',
    'paper = "concert"',
    'sound_format = "flac"',
    'sound_format = "ogg"',
    "stems = true",
)
PARTS = (
    'match = "1"\ninstrument = "tuba"',
    'match = "1"\nleave_out = true',
    'match = "2"\nattack_s = 2.0\ndecay_s = 60.0',
    'match = "Flute"\nname = "Fl."\nlanding = "start"',
)


def settings_text(chance: random.Random) -> str:
    """Return settings with a few keys, each with a value that it may have."""
    keys = chance.sample(sorted(CHOICES), chance.choice((0, 0, 1, 3, 6)))
    text = "".join(f"{key} = {chance.choice(CHOICES[key])}\n" for key in keys)
    for table, choices in (("[window]", WINDOWS), ("[room]", ROOMS), ("[pack]", PACKS)):
        if chance.random() < 0.4:
            text += f"{table}\n{chance.choice(choices)}\n"
    if chance.random() < 0.2:
        text += f"[[part]]\n{chance.choice(PARTS)}\n"
    return text
