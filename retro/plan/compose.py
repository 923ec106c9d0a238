"""Composes the flow, one way: a song and settings in, a plan out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from retro.drafting.bars import window_bars
from retro.drafting.stretch import stretched, swell_span
from retro.errors import WindowError
from retro.model.findings import FindingKind
from retro.model.instruments import Player, Sound
from retro.model.performance import Finding, Performance, Severity, Window, gravest_first
from retro.model.phrase import Part, Phrase
from retro.model.placement import Placement
from retro.model.settings import Landing, Settings
from retro.model.tempo_words import TempoKind
from retro.model.time import count_in_bars, printed_place
from retro.model.wording import listed
from retro.placement.place import place_performance
from retro.plan.limits import refuse_crowded
from retro.playability.check import check
from retro.read.guess import assign_players
from retro.read.song import Song
from retro.read.sounds import read_sounds, with_sounds
from retro.read.target import read_song
from retro.read.tracks import LeftOut, left_out_finding, left_out_tracks
from retro.read.window import choose_window, replaced_window
from retro.render.click import Click, clicks
from retro.reversal.compensate import SamplerFigures, perform
from retro.units import seconds_to_ms

MAX_NAMED = 6
"""Players that one finding names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that retro works out for one window of one song.

    Parameters
    ----------
    song
        The file as read.
    window
        The bars of the song that the insert replaces; the target's own, if not drafted apart.
    performance
        What is played, written and heard.
    placement
        Where the flipped take belongs.
    silent
        Players who have nothing in the window; a tacet sheet tells them so.
    findings
        Everything that a person should know, the gravest first.
    """

    song: Song
    window: Window
    performance: Performance
    placement: Placement
    silent: tuple[Player, ...]
    findings: tuple[Finding, ...]

    @property
    def heading(self) -> str:
        """Heading of the insert."""
        return f"Insert {self.performance.settings.letter}"

    @property
    def clicks(self) -> tuple[Click, ...]:
        """Every click, the count-in's first."""
        return clicks(self.performance)

    @property
    def count_in_beats(self) -> Fraction:
        """Length of the count-in in quarter notes."""
        return _count_in_beats(self.performance)


def plan_file(path: Path, settings: Settings) -> Plan:
    """Read a MIDI file or a score and plan the window that the settings name.

    Raises
    ------
    RetroError
        If the file cannot be read, or the window is not in it, or nothing sounds in it.
    """
    return plan_song(read_song(path, meter_groups=settings.meter_groups), settings)


def plan_song(
    song: Song, settings: Settings, hearing: Callable[[int, int], None] | None = None
) -> Plan:
    """Plan the window of a song that the settings name.

    Parameters
    ----------
    song, settings
        What is planned, and how.
    hearing
        Told how many tones of how many a bank of sounds was heard, where it was not before.

    Raises
    ------
    WindowError
        If the window is not in the song, or nothing sounds in it.
    LimitError
        If a part has more notes in a beat than anybody plays.
    BankError
        If the bank of sounds cannot be played.
    """
    return plan_performed(perform_song(song, settings, hearing))


@dataclass(frozen=True, slots=True, kw_only=True)
class PerformedSong:
    """The window of a song as it is performed: what is heard is known, the rest of a plan not yet.

    Parameters
    ----------
    song, performance, silent
        As in `Plan`.
    phrase
        The song with the title of the settings.
    drafted, window
        The bars that are performed, and those of the song that they replace.
    everyone, guesses
        Who plays the present tracks, and what is said of those who were guessed.
    left_out
        Tracks that take no part.
    """

    song: Song
    phrase: Phrase
    drafted: Window
    window: Window
    everyone: tuple[Player, ...]
    guesses: tuple[Finding, ...]
    left_out: tuple[LeftOut, ...]
    silent: tuple[Player, ...]
    performance: Performance


def perform_song(
    song: Song, settings: Settings, hearing: Callable[[int, int], None] | None = None
) -> PerformedSong:
    """Return the first half of a plan, after which its sound can be made.

    Raises
    ------
    RetroError
        See `plan_song`.
    """
    if settings.swell_beats is not None:
        song, settings = _with_swell(song, settings, settings.swell_beats)
    phrase = replace(song.phrase, title=settings.title or song.phrase.title)
    drafted = choose_window(phrase, settings)
    window = replaced_window(phrase, drafted, settings.replaces)
    whole = phrase.cut(drafted.start_beats, drafted.end_beats)
    refuse_crowded(whole, drafted.start_bar)
    if window != drafted:
        whole = _numbered_from(whole, window.start_bar)
    left_out = left_out_tracks(phrase, settings)
    absent = {track.number - 1 for track in left_out}
    everyone, guesses = assign_players(whole, settings, left_out=absent)
    if settings.sounds is not None:
        everyone = with_sounds(everyone, read_sounds(Path(settings.sounds)))
    present = tuple(part for i, part in enumerate(whole.parts) if i not in absent)
    target, players, silent = _who_plays(replace(whole, parts=present), everyone)
    if not target.parts:
        raise _silence(song, drafted, [t.name for t in left_out if whole.parts[t.number - 1].notes])
    sampler = _in_its_bank(target, players, settings, hearing)
    return PerformedSong(
        song=song,
        phrase=phrase,
        drafted=drafted,
        window=window,
        everyone=everyone,
        guesses=guesses,
        left_out=left_out,
        silent=silent,
        performance=perform(target, players, settings, sampler=sampler),
    )


def plan_performed(performed: PerformedSong) -> Plan:
    """Return the plan of what is performed: where its take goes, and what should be known of it."""
    song, phrase, performance = performed.song, performed.phrase, performed.performance
    drafted, window, left_out = performed.drafted, performed.window, performed.left_out
    absent = {track.number - 1 for track in left_out}
    every_stray = phrase.strays(drafted.start_beats, drafted.end_beats)
    strays = tuple(count for i, count in enumerate(every_stray) if i not in absent)
    placement = place_performance(performance, window=window, song=phrase)
    findings = (
        *song.notices,
        *performed.guesses,
        *left_out_finding(left_out),
        *_not_learned(performance.players, performance.settings),
        *_clipped(performance),
        *_strayed(strays, performed.everyone),
        *_unmoved(performance),
        *_untold_changes(phrase, drafted),
        *performance.findings,
        *check(performance, window, phrase),
        *placement.findings,
        *_before_the_count_in(performance),
    )
    return Plan(
        song=song,
        window=window,
        performance=performance,
        placement=placement,
        silent=performed.silent,
        findings=gravest_first(findings),
    )


def _with_swell(song: Song, settings: Settings, length_beats: Fraction) -> tuple[Song, Settings]:
    """Return a song whose drafted swell is so long, and settings that choose its bars."""
    phrase = stretched(song.phrase, length_beats)
    span = swell_span(phrase)
    bars = window_bars(phrase, span.start_beats, span.landing_beats) if span is not None else None
    chosen = replace(settings, bars=bars, start=None, end=None, start_marker=None, end_marker=None)
    return replace(song, phrase=phrase), chosen


def _not_learned(players: tuple[Player, ...], settings: Settings) -> list[Finding]:
    """Name the players of whom the learned sounds say nothing: of those who were heard, if any."""
    if settings.sounds is None:
        return []
    sampled = [player.name for player in players if player.learned is None]
    people = [player.name for player in players if player.learned_people is None]
    asked = [
        (sampled, "in played.mid", "probe again with them, and learn"),
        (people, "on paper", "learn from a take in which they stand free"),
    ]
    told = [each for each in asked if len(each[0]) < len(players)] or asked[:1]
    return [
        Finding(
            severity=Severity.NOTE,
            kind=FindingKind.SOUNDS,
            what=f"the learned sounds say nothing of {', '.join(names)}: their usual figures hold "
            f"{where}",
            advice=advice,
        )
        for names, where, advice in told
        if names
    ]


def _in_its_bank(
    target: Phrase,
    players: tuple[Player, ...],
    settings: Settings,
    hearing: Callable[[int, int], None] | None,
) -> SamplerFigures | None:
    """Return what gives tones their figures in the bank that the settings name, if any."""
    if settings.soundfont is None:
        return None
    from retro.sounds.probing import figures_in_its_bank  # noqa: PLC0415 (slow to import)

    return figures_in_its_bank(target, players, settings, hearing)


def _silence(song: Song, window: Window, left_out: list[str]) -> WindowError:
    if not left_out:
        return WindowError(
            f"nothing sounds in {window.bar_words}",
            where=song.name,
            advice="choose other bars; `retro show` lists what is in the file",
        )
    return WindowError(
        f"nobody plays in {window.bar_words}: what sounds there is in tracks that are left out, "
        f"{', '.join(left_out)}",
        where=song.name,
        advice="name the tracks that shall play with --tracks, or choose other bars",
    )


def _numbered_from(phrase: Phrase, first: int) -> Phrase:
    """Return a phrase whose bars have the numbers of those that it replaces."""
    bars = (replace(bar, number=number) for number, bar in enumerate(phrase.bars, start=first))
    return replace(phrase, bars=tuple(bars))


def _who_plays(
    phrase: Phrase, players: tuple[Player, ...]
) -> tuple[Phrase, tuple[Player, ...], tuple[Player, ...]]:
    pairs = list(zip(phrase.parts, players, strict=True))
    playing = [(part, player) for part, player in pairs if part.notes]
    silent = tuple(player for part, player in pairs if not part.notes)
    parts: tuple[Part, ...] = tuple(part for part, _ in playing)
    return replace(phrase, parts=parts), tuple(player for _, player in playing), silent


def _clipped(performance: Performance) -> list[Finding]:
    findings = []
    for part, player in zip(performance.target.parts, performance.players, strict=True):
        cut = sum(note.cut_before or note.cut_after for note in part.notes)
        if cut:
            findings.append(
                Finding(
                    severity=Severity.NOTE,
                    kind=FindingKind.CLIPPED,
                    player=player.name,
                    what=f"{cut} note{'s' if cut > 1 else ''} over the window's edge "
                    f"{'are' if cut > 1 else 'is'} clipped to it",
                    advice="choose bars that hold the phrase whole if that is not wanted",
                )
            )
    return findings


def _strayed(strays: Sequence[int], players: Sequence[Player]) -> list[Finding]:
    """Say whose notes of the bars beside the window were left out: by hand, they lie over it."""
    return [
        Finding(
            severity=Severity.NOTE,
            kind=FindingKind.CLIPPED,
            player=player.name,
            what=f"{count} note{'s' if count > 1 else ''} of the bars beside the window "
            f"reach{'' if count > 1 else 'es'} into it by less than a 32nd and "
            f"{'are' if count > 1 else 'is'} left out",
            advice="move the window's edge if they belong to it",
        )
        for count, player in zip(strays, players, strict=True)
        if count
    ]


def _untold_changes(song: Phrase, window: Window) -> list[Finding]:
    """Say which words for a change of tempo stand in a window without the numbers for it."""
    findings = []
    for word in song.tempo_words:
        begins_inside = window.start_beats <= word.start_beats < window.end_beats
        if not word.kind.is_gradual or not begins_inside or word.is_told(song.tempo):
            continue
        text = "rit." if word.kind is TempoKind.SLOWING else "accel."
        findings.append(
            Finding(
                severity=Severity.WARN,
                kind=FindingKind.TEMPO,
                what=f'"{text}" at {printed_place(song.bars, word.start_beats)} of the song is not '
                "in its tempo, so the click does not change there and the page does not say it",
                advice="write the change in numbers (MusicXML: sound tempo) if the song makes it",
            )
        )
    return findings


def _unmoved(performance: Performance) -> list[Finding]:
    """Say whom a landing on starts, set for everybody, does not move: those who sustain."""
    if performance.settings.landing is not Landing.START:
        return []
    names = [
        player.name
        for player in performance.players
        if player.instrument.sound is Sound.SUSTAINED and not player.lands_at_start
    ]
    if not names:
        return []
    return [
        Finding(
            severity=Severity.NOTE,
            kind=FindingKind.LANDING,
            what=f'landing = "start" moves tones that ring by pitch; all others land on '
            f"the ends of their notes: {listed(names, MAX_NAMED)}",
            advice='where stabs shall stop on their beats, say landing = "start" of their own '
            "[[part]]",
        )
    ]


def _count_in_beats(performance: Performance) -> Fraction:
    bars = count_in_bars(performance.insert.bars[0], performance.settings.count_in_bars)
    return sum((bar.length_beats for bar in bars), Fraction(0))


def _before_the_count_in(performance: Performance) -> list[Finding]:
    """Say where a tone would have to begin before the files do."""
    start_s = float(performance.insert.tempo.seconds_at(-_count_in_beats(performance)))
    first = min(performance.notes, key=lambda note: note.played_on_s)
    if first.played_on_s >= start_s:
        return []
    return [
        Finding(
            severity=Severity.WARN,
            kind=FindingKind.COUNT_IN,
            player=performance.players[first.part].name,
            what=f"begins {seconds_to_ms(start_s - first.played_on_s):.0f} ms before the "
            "count-in does, so played.mid has it late by as much",
            advice="count in one bar more",
        )
    ]
