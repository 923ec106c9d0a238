import subprocess
import sys
from importlib.metadata import version

import retro


def test_every_public_name_is_there() -> None:
    for name in retro.__all__:
        assert getattr(retro, name).__doc__, name


def test_the_list_of_names_and_their_homes_agree() -> None:
    assert sorted(retro._HOMES) == sorted(retro.__all__)


def test_the_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, retro.cli; "
        "print(sorted({'numpy', 'mido', 'music21', 'scipy', 'soundfile', 'verovio', 'typst'} "
        "& set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_a_build_loads_no_library_before_it_needs_it() -> None:
    code = (
        "import sys, retro.plan.compose, retro.pack.write; "
        "print(sorted({'scipy', 'music21', 'verovio', 'typst', 'jinja2'} "
        "& set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_the_package_states_the_version_that_is_installed() -> None:
    assert version("retro") == retro.__version__
