"""Which of the files that were recorded in a day run together, and which microphone each is of.

Files with time-stamps run together where their times overlap; those without, where they are equally
long, and with other microphones' files that all have one time-stamp and that length. The name of a
microphone is found in the name of its file.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from retro.errors import TakeError
from retro.takes.take_file import TakeFile, open_take_file

CLICK_WORDS = frozenset(["click", "klick", "clic"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """The file of one microphone.

    Parameters
    ----------
    microphone
        Its name.
    file
        What it is.
    """

    microphone: str
    file: TakeFile

    @property
    def start_frame(self) -> int:
        """Frames from midnight, or 0 where the file does not say."""
        return self.file.time_reference_samples or 0

    @property
    def is_click(self) -> bool:
        """Whether it is the click itself, recorded beside the microphones."""
        return not CLICK_WORDS.isdisjoint(_words(self.microphone))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel:
    """Files that run together: one a microphone.

    Parameters
    ----------
    tracks
        The first one begins first: the frames of a take count from there.
    """

    tracks: tuple[Track, ...]

    @property
    def rate(self) -> int:
        """Frames a second, the same in all files."""
        return self.tracks[0].file.sample.rate

    @property
    def end_frame(self) -> int:
        """First frame that some file has no longer."""
        return min(self.offset(track) + track.file.frames for track in self.tracks)

    def offset(self, track: Track) -> int:
        """Frame at which a track begins; 0 where one of the two does not say when it does."""
        stamps = [each.file.time_reference_samples for each in (self.tracks[0], track)]
        return 0 if None in stamps else track.start_frame - self.tracks[0].start_frame


def reels_of(paths: Sequence[Path], microphones: Sequence[str]) -> tuple[Reel, ...]:
    """Return the files that run together, in the order of their times, else of their names.

    The names of `microphones` that are known tell which of them a file is.

    Raises
    ------
    AudioError
        If one is no sound file that can be flipped.
    TakeError
        If files that run together have several rates.
    """
    common = _common_words(paths)
    tracks = [
        Track(microphone=_microphone(path, microphones, common), file=open_take_file(path))
        for path in sorted(paths, key=lambda path: path.name)
    ]
    reels = [Reel(tracks=own) for together in _together(tracks) for own in _apart(together)]
    for reel in reels:
        _refuse_rates(reel)
    return tuple(reels)


def _refuse_rates(reel: Reel) -> None:
    counts = Counter(track.file.sample.rate for track in reel.tracks).most_common()
    usual = counts[0][0]
    for track in reel.tracks:
        if track.file.sample.rate != usual:
            raise TakeError(
                f"has {track.file.sample.rate} Hz, and files that run together with it {usual} Hz",
                where=track.file.path,
                advice=f"convert it to {usual} Hz first, or leave it out",
            )


def _together(tracks: Sequence[Track]) -> Iterator[list[Track]]:
    """Yield the tracks that run together."""
    together = list(_overlapping(tracks))
    by_length: dict[tuple[int, int], list[Track]] = {}
    for track in tracks:
        if track.file.time_reference_samples is None:
            by_length.setdefault(_length(track), []).append(track)
    for length, bare in by_length.items():
        alike = [own for own in together if _has_one(length, own)]
        if len(alike) == 1 and _are_other_microphones(bare, alike[0]):
            alike[0].extend(bare)
        else:
            together.append(bare)
    yield from together


def _length(track: Track) -> tuple[int, int]:
    return track.file.sample.rate, track.file.frames


def _has_one(length: tuple[int, int], own: Sequence[Track]) -> bool:
    """Return whether tracks all begin at one moment and have that length."""
    return {_length(track) for track in own} == {length} and (
        len({track.start_frame for track in own}) == 1
    )


def _are_other_microphones(bare: Sequence[Track], own: Sequence[Track]) -> bool:
    names = [track.microphone for track in (*bare, *own)]
    return len(set(names)) == len(names)


def _overlapping(tracks: Sequence[Track]) -> Iterator[list[Track]]:
    """Yield the tracks whose times overlap."""
    stamped = [track for track in tracks if track.file.time_reference_samples is not None]
    stamped.sort(key=lambda track: (track.start_frame / track.file.sample.rate, track.microphone))
    own: list[Track] = []
    end_s = 0.0
    for track in stamped:
        start_s = track.start_frame / track.file.sample.rate
        if own and start_s >= end_s:
            yield own
            own = []
        end_s = max(end_s if own else 0.0, start_s + track.file.frames / track.file.sample.rate)
        own.append(track)
    if own:
        yield own


def _apart(tracks: Sequence[Track]) -> Iterator[tuple[Track, ...]]:
    """Yield the tracks again, so that no reel has a microphone twice: by their order."""
    seen: dict[str, int] = {}
    numbered = []
    for track in tracks:
        seen[track.microphone] = seen.get(track.microphone, 0) + 1
        numbered.append((seen[track.microphone], track))
    numbered.sort(key=lambda one: (one[0], one[1].start_frame))
    for _, own in groupby(numbered, key=lambda one: one[0]):
        yield tuple(track for _, track in own)


def _microphone(path: Path, known: Sequence[str], common: frozenset[str]) -> str:
    """Return the known name that stands in a file's name, the longest; else its own words."""
    words = _words(path.stem)
    named = [name for name in known if _stands_in(_words(name), words)]
    if named:
        return max(named, key=lambda name: (len(_words(name)), len(name)))
    own = [word for word in words if word not in common and not word.isdecimal()]
    return " ".join(own) if own else path.stem


def _stands_in(name: Sequence[str], words: Sequence[str]) -> bool:
    size = len(name)
    return size > 0 and any(
        list(words[at : at + size]) == list(name) for at in range(len(words) - size + 1)
    )


def _common_words(paths: Sequence[Path]) -> frozenset[str]:
    """Return the words that the names of several files all have: they tell no microphone."""
    if len(paths) < 2:
        return frozenset()
    return frozenset.intersection(*(frozenset(_words(path.stem)) for path in paths))


def _words(name: str) -> list[str]:
    return [word for word in re.split(r"[\W_]+", name.casefold()) if word]
