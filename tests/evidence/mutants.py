"""Breaks the heart of the program one line at a time, and looks whether a test notices.

    python -m tests.evidence.mutants

Works on a copy. A mutant that survives is either a gap in the tests or means the same.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]

TESTS = {
    "mirror": ("tests/test_mirror.py", "tests/evidence/test_retrograde.py"),
    "compensate": ("tests/test_compensate.py",),
    "place": ("tests/takes/test_place.py",),
    "riff": ("tests/takes",),
}
MUTANTS = Path(__file__).with_suffix(".toml")


def outcome(copy: Path, mutant: dict[str, str]) -> str:
    """Give `killed`, `survived`, or `stale` where the line is no longer there."""
    path = copy / mutant["file"]
    source = path.read_text(encoding="utf-8")
    if mutant["old"] not in source:
        return "stale"
    path.write_text(source.replace(mutant["old"], mutant["new"], 1), encoding="utf-8")
    tests = TESTS[mutant["room"]]
    try:
        result = subprocess.run(
            [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-x", "-q", *tests],
            cwd=copy,
            env={**os.environ, "PYTHONPATH": str(copy)},
            capture_output=True,
            check=False,
        )
    finally:
        path.write_text(source, encoding="utf-8")
    return "survived" if result.returncode == 0 else "killed"


def main() -> int:
    mutants = tomllib.loads(MUTANTS.read_text(encoding="utf-8"))["mutant"]
    alive = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        skip = shutil.ignore_patterns(".*", "__pycache__", "build", "dist")
        shutil.copytree(ROOT, copy, ignore=skip)
        for mutant in mutants:
            found = outcome(copy, mutant)
            alive += found != "killed"
            sys.stdout.write(f"{found:9}{mutant['file']}: {mutant['old']!r} -> {mutant['new']!r}\n")
            sys.stdout.flush()
    sys.stdout.write(f"{len(mutants) - alive} of {len(mutants)} killed\n")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
