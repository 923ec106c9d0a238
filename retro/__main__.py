"""``python -m retro``."""

from retro.cli import main

main()
