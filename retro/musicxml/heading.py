"""What stands at the top of the insert: its name, the song, the bars that it replaces."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What stands at the top of the first page: song, letter of the insert, and what it replaces.

    The song may be empty; the bars are as printed: "bars 21–28". `creators`, (what one did, name)
    of who made the song, are for programs and not printed.
    """

    song: str
    letter: str
    bars: str
    creators: tuple[tuple[str, str], ...] = ()

    @property
    def insert(self) -> str:
        """Name of the insert: "Insert A"."""
        return f"Insert {self.letter}"

    @property
    def title(self) -> str:
        """Name of the insert and of the song."""
        return f"{self.insert} — {self.song}" if self.song else self.insert

    @property
    def subtitle(self) -> str:
        """What the insert is for."""
        return f"replaces {self.bars}; recorded separately, played backwards in the mix"
