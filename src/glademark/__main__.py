"""Run the command line with ``python -m glademark``."""

from glademark.hosts.cli import main

main()
