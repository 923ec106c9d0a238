"""What a page checker finds."""

from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Finding:
    """One thing that is wrong: its kind, and where, and what."""

    kind: str
    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.where}: {self.what}"
