"""`retro --version` says what is installed."""

from importlib.metadata import version

from typer.testing import CliRunner

from retro.cli import app
from retro.version import VERSION


def test_the_version_is_that_of_the_package() -> None:
    done = CliRunner().invoke(app, ["--version"])
    assert done.exit_code == 0
    assert done.output.strip() == VERSION == version("retro")
