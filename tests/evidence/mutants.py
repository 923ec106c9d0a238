"""Breaks the heart of the program one line at a time, and looks whether a test notices.

    python -m tests.evidence.mutants [ROOM...]

Works on a copy. A mutant that survives is either a gap in the tests or means the same; what was
found to mean the same says why in the file and is counted apart. Tests that hang have noticed, too.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]

TESTS = {
    "mirror": ("tests/reversal/test_mirror.py", "tests/evidence/test_retrograde.py"),
    "compensate": ("tests/reversal/test_compensate.py",),
    "place": ("tests/placement/test_place.py",),
    "sheet": ("tests/sheet/test_data.py",),
    "plan": ("tests/sheet/test_data.py", "tests/plan/test_document.py"),
    "notation": (
        *(f"tests/notation/test_{name}.py" for name in ("clefs", "releases", "dynamics")),
        "tests/model/test_loudness.py",
    ),
    "measuring": ("tests/measuring/test_measure.py", "tests/evidence/test_decay_rooms.py"),
    "riff": (
        *(f"tests/takes/test_{name}.py" for name in ("containers", "marks", "odd_files")),
        "tests/takes/test_common_range.py",
        *(
            f"tests/takes/test_{name}.py"
            for name in ("flip", "flip_command", "flip_safety", "frame_hash")
        ),
        "tests/evidence/test_bext.py",
    ),
}
MUTANTS = Path(__file__).with_suffix(".toml")
MAX_RUN_S = 180


def noticed_by(copy: Path, room: str) -> str | None:
    """Run the tests of a room and name the first that fails, or None where all pass.

    Nothing is compiled to files, which a quick change could outrun.
    """
    command = [sys.executable, "-B", "-m", "pytest", "-p", "no:cacheprovider", "-xq", *TESTS[room]]
    try:
        result = subprocess.run(
            command,
            cwd=copy,
            env={**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            check=False,
            timeout=MAX_RUN_S,
        )
    except subprocess.TimeoutExpired:
        return "its time is over"
    if result.returncode == 0:
        return None
    failed = re.search(r"^(?:FAILED|ERROR) (.*?)(?: - .*)?$", result.stdout, re.MULTILINE)
    return failed[1] if failed else "the tests did not run"


def outcome(copy: Path, mutant: dict[str, str]) -> tuple[str, str]:
    """Return `killed`, `survived`, `same`, or `stale` where the line is not there exactly once.

    With it goes the test that noticed, or why none can.
    """
    path = copy / mutant["file"]
    source = path.read_text(encoding="utf-8")
    if source.count(mutant["old"]) != 1:
        return "stale", ""
    path.write_text(source.replace(mutant["old"], mutant["new"]), encoding="utf-8")
    try:
        test = noticed_by(copy, mutant["room"])
    finally:
        path.write_text(source, encoding="utf-8")
    if test is not None:
        return "killed", test
    return ("same", mutant["same"]) if "same" in mutant else ("survived", "")


def main() -> int:
    rooms = sys.argv[1:] or list(TESTS)
    mutants = tomllib.loads(MUTANTS.read_text(encoding="utf-8"))["mutant"]
    tried = [mutant for mutant in mutants if mutant["room"] in rooms]
    outcomes: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        skip = shutil.ignore_patterns(".*", "__pycache__", "build", "dist")
        shutil.copytree(ROOT, copy, ignore=skip)
        for room in rooms:
            test = noticed_by(copy, room)
            if test is not None:
                sys.exit(f"{room}: before anything is broken a test fails: {test}")
        for mutant in tried:
            found, why = outcome(copy, mutant)
            outcomes[found] += 1
            sys.stdout.write(f"{found:9}{mutant['file']}: {mutant['old']!r} -> {mutant['new']!r}\n")
            sys.stdout.write(f"{'':9}{why}\n" if why else "")
            sys.stdout.flush()
    counts = ", ".join(f"{count} {found}" for found, count in outcomes.items())
    sys.stdout.write(f"of {len(tried)}: {counts}\n")
    return 1 if outcomes["survived"] or outcomes["stale"] else 0


if __name__ == "__main__":
    sys.exit(main())
