"""MusicXML to engrave, written by hand so that it depends on nothing else; 12 divisions a beat."""

from collections.abc import Sequence
from xml.sax.saxutils import escape

STEPS = "CDEFGAB"
TYPES = {48: "whole", 24: "half", 12: "quarter", 6: "eighth", 4: "eighth"}
TEMPO = (
    '<direction placement="above"><direction-type><words font-weight="bold">Slow</words>'
    "</direction-type><direction-type><metronome><beat-unit>quarter</beat-unit>"
    "<per-minute>66</per-minute></metronome></direction-type><sound tempo='66'/></direction>"
)
REST = "<note><rest measure='yes'/><duration>48</duration><voice>1</voice></note>"


def words(text: str) -> str:
    return (
        f'<direction placement="above"><direction-type><words>{escape(text)}</words>'
        "</direction-type></direction>"
    )


def note(step: str, octave: int, duration: int, extra: str = "", name: str = "") -> str:
    name = f' id="{name}"' if name else ""
    return (
        f"<note{name}><pitch><step>{step}</step><octave>{octave}</octave></pitch>"
        f"<duration>{duration}</duration><voice>1</voice><type>{TYPES[duration]}</type>"
        f"{extra}</note>"
    )


def attributes(
    fifths: int,
    *,
    opening: bool = False,
    clef: str = "G2",
    chromatic: int = 0,
) -> str:
    text = "<attributes>" + ("<divisions>12</divisions>" if opening else "")
    text += f"<key><fifths>{fifths}</fifths></key>"
    if opening:
        text += "<time><beats>4</beats><beat-type>4</beat-type></time>"
        text += f"<clef><sign>{clef[0]}</sign><line>{clef[1]}</line></clef>"
        if chromatic:
            text += f"<transpose><chromatic>{chromatic}</chromatic></transpose>"
    return text + "</attributes>"


def bar(number: int, octave: int = 4) -> str:
    """A bar of 4/4: long notes with a hairpin, eighths, or triplets and a release mark."""
    steps = [STEPS[(number * 3 + i) % 7] for i in range(8)]
    if number % 3 == 0:
        return (
            '<direction placement="below"><direction-type><wedge type="crescendo"/>'
            f"</direction-type></direction>{note(steps[0], octave, 24)}"
            '<direction placement="below"><direction-type><wedge type="stop"/>'
            f"</direction-type></direction>{note(steps[1], octave, 24)}"
        )
    if number % 3 == 1:
        return "".join(note(step, octave, 6) for step in steps)
    ratio = (
        "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes>"
        "</time-modification>"
    )
    marks = ('<tuplet type="start"/>', "", '<tuplet type="stop"/>')
    triplet = "".join(
        note(steps[i], octave, 4, f"{ratio}<notations>{mark}</notations>")
        for i, mark in enumerate(marks)
    )
    return triplet + note(steps[3], octave, 12) + words("off 3") + note(steps[4], octave, 24)


def document(parts: Sequence[tuple[str, str, Sequence[str]]]) -> bytes:
    """A score of (name, abbreviation, bars)."""
    names = "".join(
        f'<score-part id="P{i}"><part-name>{escape(name)}</part-name>'
        f"<part-abbreviation>{escape(short)}</part-abbreviation></score-part>"
        for i, (name, short, _) in enumerate(parts)
    )
    music = ""
    for i, (_, _, bars) in enumerate(parts):
        inside = "".join(f'<measure number="A{n}">{b}</measure>' for n, b in enumerate(bars, 1))
        music += f'<part id="P{i}">{inside}</part>'
    return (
        f'<score-partwise version="4.0"><part-list>{names}</part-list>{music}</score-partwise>'
    ).encode()


def part(bars: int = 12, rests: Sequence[int] = (), first_words: str = "") -> bytes:
    """A horn part with bars of rest (counted from 1)."""
    music = [REST if n in rests else bar(n, 5) for n in range(1, bars + 1)]
    opening = attributes(0, opening=True, chromatic=-7) + TEMPO
    music[0] = opening + (words(first_words) if first_words else "") + music[0]
    return document([("Horn in F 1", "Hn. 1", music)])


SCORE = (
    ("Flute", "Fl.", "G2", 0, 0),
    ("Clarinet in B♭", "Cl.", "G2", 2, -2),
    ("Horn in F", "Hn.", "G2", 1, -7),
    ("Violoncello", "Vc.", "F4", 0, 0),
)


def score(copies: int = 1, bars: int = 6, change: int = 4, by: int = 3) -> bytes:
    """A transposing score in F that changes its key by so many fifths at a bar."""
    parts = []
    for name, short, clef, fifths, chromatic in SCORE * copies:
        octave = 3 if clef == "F4" else 5
        music = [bar(n, octave) for n in range(1, bars + 1)]
        music[0] = (
            attributes(fifths - 1, opening=True, clef=clef, chromatic=chromatic) + TEMPO + music[0]
        )
        if 1 < change <= bars:
            music[change - 1] = attributes(fifths - 1 + by) + music[change - 1]
        parts.append((name, short, music))
    return document(parts)


def harp() -> bytes:
    """A part on two staves."""
    music = []
    for n in range(1, 5):
        upper = "".join(note(STEPS[(n + i) % 7], 5, 12, "<staff>1</staff>") for i in range(4))
        lower = note(STEPS[n % 7], 3, 48, "<staff>2</staff>").replace(
            "<voice>1</voice>", "<voice>5</voice>"
        )
        music.append(f"{upper}<backup><duration>48</duration></backup>{lower}")
    music[0] = (
        "<attributes><divisions>12</divisions><key><fifths>0</fifths></key>"
        "<time><beats>4</beats><beat-type>4</beat-type></time><staves>2</staves>"
        '<clef number="1"><sign>G</sign><line>2</line></clef>'
        '<clef number="2"><sign>F</sign><line>4</line></clef></attributes>'
    ) + music[0]
    return document([("Harp", "Hp.", music)])
