"""
Run the tests with the lowest versions that pyproject.toml allows: ``scripts/check_floors.py``.

Makes an environment of its own in `.venv-floors`, with uv where it is installed, else with pip and
a constraints file written from the floors. What stands behind the options is handed to pytest;
without it, all tests run, part by part. ``--newest`` installs the newest versions instead.
Standard library only.
"""

import argparse
import re
import shutil
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path

from environment import ROOT, requirements, start

FOLDER = ROOT / ".venv-floors"
EXTRA = "scale"
_FLOOR = re.compile(r"([A-Za-z0-9._-]+)(?:\[[^]]*\])?\s*>=\s*([^,;\s]+)")


def main(words: Sequence[str]) -> int:
    """Exit code: 0 where every part passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--python", default=sys.executable, help="interpreter of the environment")
    parser.add_argument("--newest", action="store_true", help="newest versions, not the lowest")
    asked, tests = parser.parse_known_args(words)
    python = _environment(asked.python, newest=asked.newest)
    parts = [[*tests]] if tests else [[part] for part in _parts()]
    failed = [part for part in parts if start([python, "-m", "pytest", "-q", *part]).returncode]
    print(f"failed: {failed}" if failed else "all parts passed", flush=True)
    return 1 if failed else 0


def floors(wanted: Iterable[str]) -> list[str]:
    """Each requirement at its floor; one without a floor is left as it is."""
    found = ((_FLOOR.match(one), one) for one in wanted)
    return [f"{match[1]}=={match[2]}" if match else one for match, one in found]


def _parts() -> list[str]:
    """Folders of tests and single files of them: one process each, so that memory is freed."""
    tests = sorted((ROOT / "tests").iterdir())
    folders = [path for path in tests if path.is_dir() and list(path.glob("test_*.py"))]
    files = [path for path in tests if path.match("test_*.py")]
    return [str(path.relative_to(ROOT)) for path in (*folders, *files)]


def _environment(interpreter: str, *, newest: bool) -> Path:
    """Python of a new environment with the package, its tests and the extra."""
    shutil.rmtree(FOLDER, ignore_errors=True)
    python = FOLDER / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    alone = requirements("test-alone")
    alone = alone if newest else floors(alone)
    uv = shutil.which("uv")
    if uv:
        _done([uv, "venv", "--quiet", "--python", interpreter, FOLDER])
        install: list[str | Path] = [uv, "pip", "install", "--quiet", "--python", python]
        lowest = [] if newest else ["--resolution", "lowest-direct"]
        _done([*install, *lowest, "--editable", f".[{EXTRA}]", *requirements("test")])
    else:
        _done([interpreter, "-m", "venv", FOLDER])
        install = [python, "-m", "pip", "install", "--quiet"]
        with tempfile.TemporaryDirectory() as folder:
            limits = Path(folder) / "floors.txt"
            limits.write_text("" if newest else "\n".join(floors(_direct())), encoding="utf-8")
            wanted = ["--editable", f".[{EXTRA}]", *requirements("test")]
            _done([*install, "--constraint", limits, *wanted])
    _done([*install, "--no-deps", *alone])
    return python


def _direct() -> list[str]:
    """All requirements that pyproject.toml names for a run with tests."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extra = project["optional-dependencies"][EXTRA]
    return [*project["dependencies"], *extra, *requirements("test")]


def _done(command: Sequence[str | Path]) -> None:
    """Run a command that must succeed."""
    if start(command).returncode:
        sys.exit("The environment could not be made; see above.")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
