"""The limits in docs/limits.md are those of the code, and none that a refusal names is left out."""

import ast
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NAME = re.compile(r"(MAX|MIN)_[A-Z_0-9]+")


def rows() -> Iterator[tuple[str, list[str]]]:
    """Yield what each row states, and the constants that it names."""
    for line in (ROOT / "docs" / "limits.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("|") and "`" in line:
            _, stated, constants = (cell.strip() for cell in line.strip("|").split("|"))
            yield stated, re.findall(r"`([^`]+)`", constants)


def value(constant: str) -> float:
    module, _, name = constant.rpartition(".")
    return getattr(import_module(f"retro.{module}"), name)


def named_in_refusals() -> Iterator[str]:
    """Yield the constants of every refusal's text."""
    for path in sorted((ROOT / "retro").rglob("*.py")):
        module = ".".join(path.relative_to(ROOT / "retro").with_suffix("").parts)
        tree = ast.parse(path.read_text(encoding="utf-8"))
        own = {
            target.id
            for node in tree.body
            if isinstance(node, ast.Assign)
            for target in ast.walk(node)
            if isinstance(target, ast.Name) and isinstance(target.ctx, ast.Store)
        }
        origin = {
            alias.name: node.module.removeprefix("retro.")
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module
            for alias in node.names
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Raise):
                for name in ast.walk(node):
                    if isinstance(name, ast.Name) and NAME.fullmatch(name.id):
                        yield f"{module if name.id in own else origin[name.id]}.{name.id}"


@pytest.mark.parametrize(("stated", "constants"), [*rows()], ids=lambda cell: str(cell)[:60])
def test_a_stated_limit_is_the_constant(stated: str, constants: list[str]) -> None:
    numbers = [int(text.replace(",", "")) for text in re.findall(r"\b\d[\d,]*\b", stated)]
    assert numbers == [value(constant) for constant in constants]


def test_every_limit_that_a_refusal_names_is_documented() -> None:
    documented = {constant for _, constants in rows() for constant in constants}
    named = set(named_in_refusals())
    assert len(named) > 15
    assert named - documented == set()
