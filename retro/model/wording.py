"""How findings, refusals and reports put a list into a line."""

from collections.abc import Sequence


def listed(items: Sequence[str], most: int) -> str:
    """Return at most so many texts with commas between them, and how many more there are."""
    more = len(items) - most
    return ", ".join(items[:most]) + (f" and {more} more" if more > 0 else "")
