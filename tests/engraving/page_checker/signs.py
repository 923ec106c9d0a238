"""Signs of a MusicXML document that say something wrong: spelling, slurs, ties, hairpins."""

from collections.abc import Iterator
from fractions import Fraction

from tests.engraving.page_checker.bars import Staff, Written
from tests.engraving.page_checker.findings import Finding

SHARPS = "FCGDAEB"


def wrong_signs(part: Staff) -> Iterator[Finding]:
    """Yield what is wrong with the signs of a part."""
    yield from misspelled(part)
    yield from wrong_slurs(part)
    yield from wrong_ties(part)
    yield from open_hairpins(part)


def signature(fifths: int) -> dict[int, tuple[str, int]]:
    """The notes of a signature: of each pitch class, its letter and how it is altered."""
    altered = dict.fromkeys("CDEFGAB", 0)
    for n in range(abs(fifths)):
        altered[SHARPS[n % 7] if fifths > 0 else SHARPS[6 - n % 7]] += 1 if fifths > 0 else -1
    natural = dict(zip("CDEFGAB", (0, 2, 4, 5, 7, 9, 11), strict=True))
    return {(natural[step] + alter) % 12: (step, alter) for step, alter in altered.items()}


def misspelled(part: Staff) -> Iterator[Finding]:
    """Yield notes of the signature that are spelled otherwise."""
    for note in part.notes:
        if note.pitch is None:
            continue
        fifths = part.key_at(note.on, note.staff)
        own = signature(fifths).get(note.pitch.number % 12)
        if own is not None and own != (note.pitch.step, note.pitch.alter):
            yield Finding(
                "signature note spelled otherwise",
                part.where(note.bar),
                f"{note.pitch} under a signature of {fifths:+d}",
            )


def wrong_slurs(part: Staff) -> Iterator[Finding]:
    """Yield slurs that lack an end, or join notes that they do not belong to, or cross."""
    opened: dict[str, Written] = {}
    whole: list[tuple[Written, Written]] = []
    for note in part.notes:
        # One slur may end where the next of its number begins.
        for kind, number in sorted(note.slurs, reverse=True):
            if kind == "start":
                if number in opened:
                    yield _slur(part, note, f"slur {number} begins while {number} is open")
                opened[number] = note
            elif kind == "stop":
                begun = opened.pop(number, None)
                if begun is not None:
                    whole.append((begun, note))
                if wrong := _wrong_end(begun, note):
                    yield _slur(part, note, wrong)
    for number, note in opened.items():
        yield _slur(part, note, f"slur {number} never ends")
    yield from _crossing_slurs(part, whole)


def _wrong_end(begun: Written | None, note: Written) -> str:
    """What is wrong with a slur that ends at a note, or nothing."""
    if begun is None:
        return "a slur ends that never began"
    if (begun.staff, begun.voice) != (note.staff, note.voice):
        return "a slur joins two voices or staves"
    return "a slur ends before it begins" if begun.on > note.on else ""


def _crossing_slurs(part: Staff, whole: list[tuple[Written, Written]]) -> Iterator[Finding]:
    for n, (a, b) in enumerate(whole):
        for c, d in whole[n + 1 :]:
            same = (a.staff, a.voice) == (c.staff, c.voice)
            if same and (a.on < c.on < b.on < d.on or c.on < a.on < d.on < b.on):
                yield _slur(part, c, "two slurs of a voice cross")


def _slur(part: Staff, note: Written, what: str) -> Finding:
    return Finding("wrong slur", part.where(note.bar), what)


def wrong_ties(part: Staff) -> Iterator[Finding]:
    """Yield ties that do not lead from a note to the next of its pitch."""
    sounding = [note for note in part.notes if note.pitch is not None and not note.is_grace]
    begins: dict[tuple[Fraction, int, str], list[Written]] = {}
    for note in sounding:
        begins.setdefault((note.on, note.pitch.number, note.staff), []).append(note)
    reached = set()
    for note in sounding:
        if "start" not in note.ties:
            continue
        ends = [
            other
            for other in begins.get((note.end, note.pitch.number, note.staff), [])
            if "stop" in other.ties
        ]
        if not ends:
            yield _tie(part, note, f"the tie of {note.pitch} leads to no note")
        elif all(other.pitch != note.pitch for other in ends):
            yield _tie(part, note, f"a tie joins {note.pitch} and {ends[0].pitch}")
        reached |= {id(other) for other in ends}
    for note in sounding:
        if "stop" in note.ties and id(note) not in reached:
            yield _tie(part, note, f"a tie leads to {note.pitch} from nowhere")


def _tie(part: Staff, note: Written, what: str) -> Finding:
    return Finding("wrong tie", part.where(note.bar), what)


def open_hairpins(part: Staff) -> Iterator[Finding]:
    """Yield hairpins without an end, or without a level to lead to."""
    onsets = sorted({note.on for note in part.notes if not note.is_rest})
    opened: dict[tuple[str, str], Fraction] = {}
    for at, kind, number, staff, is_niente in part.wedges:
        if kind in ("crescendo", "diminuendo"):
            if (number, staff) in opened:
                yield _hairpin(part, at, "a hairpin begins inside another")
            opened[number, staff] = at
            continue
        if kind != "stop":
            continue
        if opened.pop((number, staff), None) is None:
            yield _hairpin(part, at, "a hairpin ends that never began")
        elif not is_niente and not _leads_to_a_level(part, at, staff, onsets):
            yield _hairpin(part, at, "a hairpin ends without a level")
    for at in opened.values():
        yield _hairpin(part, at, "a hairpin never ends")


def _leads_to_a_level(part: Staff, at: Fraction, staff: str, onsets: list[Fraction]) -> bool:
    """Whether a level, or the next hairpin, stands between a hairpin's end and the next note."""
    until = next((on for on in onsets if on >= at), at + 4)
    levels = [place for place, _, of in part.levels if of == staff]
    begins = [p for p, kind, _, of, _ in part.wedges if of == staff and kind != "stop"]
    return any(at <= place <= until for place in (*levels, *begins))


def _hairpin(part: Staff, at: Fraction, what: str) -> Finding:
    bar = max(n for n, bar in enumerate(part.bars) if bar.start <= at)
    return Finding("wrong hairpin", part.where(bar), what)
