"""MIDI fixtures: hexadecimal bytes with comments, so that a person can read and change them."""

from pathlib import Path

FOLDER = Path(__file__).parents[1] / "data" / "midi"


def fixtures(folder: str) -> list[Path]:
    """Return the fixtures of ``valid`` or ``invalid``."""
    return sorted((FOLDER / folder).glob("*.hex"))


def load(path: Path) -> bytes:
    """Return the bytes; what follows a # is comment."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return bytes.fromhex(" ".join(line.partition("#")[0] for line in lines))


def stated(path: Path, mark: str) -> list[str]:
    """Return what the comment lines that begin with a mark state."""
    lines = path.read_text(encoding="utf-8").splitlines()
    start = f"# {mark} "
    return [line.removeprefix(start) for line in lines if line.startswith(start)]
