"""What the guides print is what the commands say; what they link to is there."""

import re
import runpy
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from retro.cli import app

ROOT = Path(__file__).parent.parent.parent
DOCS = ROOT / "docs"
GUIDES = ("arranger.md", "copyist.md", "engineer.md")
BUILD = "retro build examples/harbour_pageant.mid --out pack"
ONLY = "--only arranger --only engineer"
"""The whole build is tried elsewhere; the guides read no more of it than this."""

FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
UNTRIED = re.compile(r"--only copyist|^retro listen")
"""What takes long, and what waits for a person."""


NUMBER = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
SMALL, SHARE = 3.0, 0.2
"""How far a measured figure may be from the printed one: so much, or this share of it."""


def is_said(line: str, said: str, *, is_measured: bool) -> bool:
    """Whether a command says a line; a measured figure may be a little different."""
    line = " ".join(line.split())
    return line in said or (is_measured and any(is_about(line, x) for x in said.splitlines()))


def is_about(line: str, other: str) -> bool:
    """Whether two lines have the same words and nearly the same figures."""
    if NUMBER.sub("#", line) != NUMBER.sub("#", other):
        return False
    pairs = zip(NUMBER.findall(line), NUMBER.findall(other), strict=True)
    return all(abs(float(a) - float(b)) <= max(SMALL, SHARE * abs(float(a))) for a, b in pairs)


class Shell:
    """Runs the guides' commands, each once."""

    def __init__(self) -> None:
        self.said: dict[str, str] = {}

    def run(self, command: str) -> str:
        """Return what a command says, on both streams, with single spaces."""
        if command not in self.said:
            typed = f"{command} {ONLY}" if command == BUILD else command
            result = CliRunner().invoke(app, shlex.split(typed)[1:], catch_exceptions=False)
            assert result.exit_code == 0, (command, result.output)
            self.said[command] = "\n".join(" ".join(x.split()) for x in result.output.splitlines())
        return self.said[command]


@pytest.fixture(scope="module")
def shell(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shell]:
    folder = tmp_path_factory.mktemp("guides")
    (folder / "examples").mkdir()
    for path in (ROOT / "examples").glob("harbour_pageant.*"):
        shutil.copy(path, folder / "examples")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        yield Shell()


@pytest.mark.parametrize("guide", GUIDES)
def test_each_command_of_a_guide_says_what_the_guide_prints(guide: str, shell: Shell) -> None:
    said, is_measured = "", False
    compared = 0
    for kind, text in FENCE.findall((DOCS / guide).read_text(encoding="utf-8")):
        if kind == "sh":
            commands = [line for line in text.splitlines() if not UNTRIED.search(line)]
            said = "\n".join(shell.run(command) for command in commands)
            is_measured = text.startswith("retro measure")
        elif kind == "text":
            for line in text.splitlines():
                assert is_said(line, said, is_measured=is_measured), line
                compared += 1
    assert compared or guide == "copyist.md"


def test_the_library_page_runs_as_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (program,) = re.findall(
        r"```python\n(.*?)```", (DOCS / "library.md").read_text(encoding="utf-8"), re.DOTALL
    )
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "program.py").write_text(program, encoding="utf-8")
    runpy.run_path(str(tmp_path / "program.py"))
    assert capsys.readouterr().out.startswith("Insert A ")
    assert (tmp_path / "pack" / "plan.json").exists()
    assert (tmp_path / "pack" / "engineer" / "click.wav").exists()


def test_every_link_leads_somewhere() -> None:
    pages = [*DOCS.glob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    followed = 0
    for page in pages:
        for link in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
            if "://" not in link:
                assert (page.parent / link).exists(), (page.name, link)
                followed += 1
    assert followed > 20


def test_every_page_and_picture_is_linked() -> None:
    index = (DOCS / "index.md").read_text(encoding="utf-8")
    missing = [page.name for page in DOCS.glob("*.md") if page.name not in {"index.md"}]
    assert [name for name in missing if f"({name})" not in index] == []
    text = "".join(page.read_text(encoding="utf-8") for page in DOCS.glob("*.md"))
    pictures = list((DOCS / "pictures").glob("*.png"))
    assert len(pictures) >= 6
    for picture in pictures:
        assert f"(pictures/{picture.name})" in text, picture.name
        assert picture.stat().st_size < 200_000
    assert sum(picture.stat().st_size for picture in pictures) < 1_500_000


def test_every_module_that_rests_on_practice_or_memory_is_listed() -> None:
    listed = (DOCS / "practice.md").read_text(encoding="utf-8")
    resting = []
    for path in sorted((ROOT / "retro").rglob("*.py")):
        if re.search(
            "common practice|from memory", path.read_text(encoding="utf-8"), re.IGNORECASE
        ):
            module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            resting.append(module.removesuffix(".__init__"))
    assert len(resting) > 20
    assert [module for module in resting if f"`{module}`" not in listed] == []
    named = set(re.findall(r"`(retro\.[a-z_.]+)`", listed))
    assert named == set(resting)
