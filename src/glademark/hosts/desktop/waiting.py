"""A command that has loaded what a layout needs, and waits for its words on standard input."""

import json
import sys
from importlib import import_module

from glademark.hosts.cli import main

_LOADED = (
    "glademark.hosts.made_project",
    "glademark.jobs.layout",
    "glademark.judge.openings",
    "glademark.measure.terrain.measures",
    "contourpy",
    "rasterio.features",
)
"""Modules that a layout of the sample loads late."""


def wait() -> None:
    """Run the words of the first line, a JSON list; an end without a line is no run."""
    for name in _LOADED:
        import_module(name)
    line = sys.stdin.readline()
    if line:
        sys.argv[1:] = json.loads(line)
        main()


if __name__ == "__main__":
    wait()
