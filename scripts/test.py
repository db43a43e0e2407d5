"""
Check everything, from nothing but Python 3.11 or newer: ``python3 scripts/test.py``.

Options behind it are handed to pytest.

Makes `.venv`, installs the package with what its tests need, fetches the open data, then runs the
type check and, beside it, lint, docstring check, site and tests. Every step runs; the exit code is
1 if any of them failed.
Standard library only.
"""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 - an older Python must say so, not stumble
    sys.exit("Python 3.11 or newer is needed; this is {}.{}.".format(*sys.version_info))

import os
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from environment import ROOT, prepare, start
from open_data import fetch

BY_FILE = ("--dist=loadfile", "--no-loadscope-reorder")
"""All tests of a file go to one worker, which makes what they share once; slow files first."""


def main(options: Sequence[str]) -> int:
    """Exit code: 0 where every step passed."""
    python = prepare("test", "lint", "docs")
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # tests start Python dozens of times
    failed = [] if fetch() or os.environ.get("CI") != "true" else ["open data"]
    steps = _steps(python, options)
    with ThreadPoolExecutor(2) as two:  # the type check has one core, and takes minutes
        passed = dict(zip(steps, two.map(_passed, steps, steps.values()), strict=True))
    failed += [name for name in steps if not passed[name]]
    print(f"failed: {', '.join(failed)}" if failed else "all steps passed", flush=True)
    return 1 if failed else 0


def _steps(python: Path, options: Sequence[str]) -> dict[str, list[str | Path]]:
    """Commands under the names that are printed."""
    modules = sorted((ROOT / "src" / "glademark").rglob("*.py"))
    return {
        "types": [python, "-m", "mypy"],
        "lint": [python, "-m", "ruff", "check"],
        "format": [python, "-m", "ruff", "format", "--check"],
        "docstrings": [python, "-m", "numpydoc", "lint", *modules],
        "site": [python, "-m", "sphinx", "-q", "-W", ROOT / "docs", ROOT / ".cache" / "site"],
        "tests": [python, "-m", "pytest", *BY_FILE, "-n", "logical", *options],
    }


def _passed(name: str, command: Sequence[str | Path]) -> bool:
    """Whether a step passed; tests show all that they say, other steps only their faults."""
    began = time.monotonic()
    done = start(command, quiet=name != "tests")
    passed = done.returncode == 0
    if not passed and done.stdout:
        print(done.stdout.rstrip())
    outcome = "passed" if passed else f"failed with exit code {done.returncode}"
    print(f"{name}: {outcome} ({time.monotonic() - began:.1f} s)", flush=True)
    return passed


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
