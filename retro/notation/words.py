"""Words for players: playing advice and divisi."""

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

from retro.model.instruments import Family, Player, Sound
from retro.model.performance import Performance
from retro.model.phrase import PEDAL_DOWN, SUSTAIN_PEDAL
from retro.model.settings import Settings
from retro.notation.score import Chord, Direction

ON_THE_BEAT = "release together on the click"
WHERE_WRITTEN = "cut exactly where written"
SWUNG = "swing turned round: the first eighth of each pair is short, the second long"
STRAIGHT = "straight, not swung"
BETWEEN_COMMAS = "hold full value, breathe at the commas only"
ROLLED = "strike on the click, rolls with their last tone"
VOWEL = 'sing on "ah", no consonants'
"""No text comes with the notes, and a consonant turned round stands behind its vowel; voices
without words sing "ah" (common practice)."""

AFTERWARDS = "let the room ring, silence until the tail is gone"


def advice(
    player: Player,
    chords: Sequence[Chord],
    releases: Sequence[Direction],
    *,
    is_rolled: bool = False,
    has_commas: bool = False,
) -> Direction:
    """Return the line of playing advice at the top of a part, as its own notes have it.

    `releases` are its `release_marks`; some chords may have the sign of a roll, some ends commas.
    """
    if player.instrument.sound is Sound.SUSTAINED:
        are_on_beats = all(_is_on_a_count(mark) for mark in releases)
        held = BETWEEN_COMMAS if has_commas else "hold full value"
        text = f"{held}, {ON_THE_BEAT if are_on_beats else WHERE_WRITTEN}"
    elif all(chord.on_beats.denominator == 1 for chord in chords):
        text = ROLLED if is_rolled else "strike together on the click"
    else:
        text = "strike exactly where written"
    return Direction(at_beats=Fraction(0), text=f"{text}; {AFTERWARDS}", is_general=True)


def _is_on_a_count(mark: Direction) -> bool:
    count = mark.text.partition(" ")[2]
    return count.isdecimal() or count == "at the end"


def keyboard_words(
    performance: Performance, part: int, releases: Sequence[Direction]
) -> tuple[Direction, ...]:
    """Return "no pedal" for a piano whose keys are damped and whose song lifts no dampers."""
    pedal = performance.insert.parts[part].controller(SUSTAIN_PEDAL)
    is_pedalled = pedal is not None and max(pedal.values) >= PEDAL_DOWN
    if performance.players[part].instrument.id != "piano" or is_pedalled or not releases:
        return ()
    return (Direction(at_beats=Fraction(0), text="no pedal", above=False),)


def vowel_words(player: Player) -> tuple[Direction, ...]:
    """Return what singers sing, since the insert has no text."""
    if player.instrument.family is not Family.VOICE:
        return ()
    return (Direction(at_beats=Fraction(0), text=VOWEL, is_general=True),)


def swing_words(settings: Settings, *, is_straight: bool) -> tuple[Direction, ...]:
    """Return how pairs are to be read that are written as even halves.

    `is_straight` says that they are even where the song swings.
    """
    if not (settings.straighten_swing or is_straight):
        return ()
    text = STRAIGHT if is_straight else SWUNG
    return (Direction(at_beats=Fraction(0), text=text, is_general=True),)


def divisi(player: Player, chords: Sequence[Chord]) -> tuple[Direction, ...]:
    """Return "div." where a section's notes part and "unis." where they meet again.

    `chords` are all of the section, in order of their beginnings.
    """
    if not player.instrument.section or player.instrument.staves > 1:
        return ()
    words: list[Direction] = []
    now = 1
    for on, depth in _depths(chords):
        if depth == now:
            continue
        text = "unis." if depth == 1 else "div." if depth == 2 else f"div. in {depth}"
        words.append(Direction(at_beats=on, text=text))
        now = depth
    return tuple(words)


def _depths(chords: Sequence[Chord]) -> list[tuple[Fraction, int]]:
    """How many notes sound at once from each beginning on."""
    changes: Counter[Fraction] = Counter()
    for chord in chords:
        changes[chord.on_beats] += len(chord.pitches)
        changes[chord.off_beats] -= len(chord.pitches)
    beginnings = {chord.on_beats for chord in chords}
    depths, sounding = [], 0
    for at in sorted(changes):
        sounding += changes[at]
        if at in beginnings:
            depths.append((at, sounding))
    return depths
