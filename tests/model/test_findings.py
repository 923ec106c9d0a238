"""The kinds of findings in the list are the kinds that the program reports."""

import ast
from collections.abc import Iterator
from pathlib import Path

import retro
from retro.model.findings import FindingKind

SOURCES = sorted(Path(retro.__file__).parent.rglob("*.py"))
REPORTS = {"Finding", "Judgement"}


def nodes() -> Iterator[ast.AST]:
    for path in SOURCES:
        yield from ast.walk(ast.parse(path.read_text(encoding="utf-8")))


def kinds_used() -> set[str]:
    return {
        node.attr
        for node in nodes()
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == FindingKind.__name__
    }


def test_every_kind_in_the_list_is_reported_and_every_reported_kind_is_in_the_list():
    assert kinds_used() == set(FindingKind.__members__)


def test_no_finding_is_made_with_a_kind_in_plain_text():
    calls = [n for n in nodes() if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)]
    kinds = [
        keyword.value
        for call in calls
        if isinstance(call.func, ast.Name) and call.func.id in REPORTS
        for keyword in call.keywords
        if keyword.arg == "kind"
    ]
    assert len(kinds) > 10
    assert not [ast.unparse(kind) for kind in kinds if isinstance(kind, ast.Constant)]


def test_every_kind_has_one_line_of_its_own():
    meanings = [kind.meaning for kind in FindingKind]
    assert len(set(meanings)) == len(meanings)
    assert all(meaning and "\n" not in meaning for meaning in meanings)
