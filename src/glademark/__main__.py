"""Run the command line with ``python -m glademark``."""

from glademark.cli import main

main()
