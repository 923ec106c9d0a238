"""Prints the lowest versions that pyproject.toml allows, as constraints for pip."""

import re
import tomllib
from pathlib import Path

PROJECT = tomllib.loads(Path("pyproject.toml").read_text(encoding="utf-8"))["project"]

for requirement in PROJECT["dependencies"]:
    found = re.match(r"([A-Za-z0-9_.-]+)>=([0-9.]+)", requirement)
    if found is None:
        raise SystemExit(f"no lowest version is stated: {requirement}")
    print(f"{found[1]}=={found[2]}")
