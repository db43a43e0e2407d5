"""
The repository's own environment, `.venv`: made once, filled once, and then left alone.

Standard library only. Used by `demo.py` and `test.py`.
"""

import hashlib
import importlib.util
import os
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".venv"
OLDEST = (3, 11)

_NO_NETWORK = (
    "newconnectionerror",
    "failed to establish",
    "name resolution",
    "connecttimeout",
    "proxyerror",
)
_LAST_LINES = 12
_PIP = ("--disable-pip-version-check", "--retries", "1", "install", "--quiet", "--no-compile")
"""Python compiles each module when it is first imported: a quarter of those that are installed."""

_NO_VENV = """\
This Python cannot make an environment: its module {module} is missing.
On Debian and Ubuntu it is a package of its own:  sudo apt-get install python3-venv
Elsewhere, install Python 3.11 or newer from python.org, then start this again."""
_NO_PACKAGES = """\
The packages could not be installed. {reason}
What is there stays; start this again when it is mended. The installer's last lines:

{lines}"""


def prepare(*groups: str) -> Path:
    """Python of an environment that holds the package, and the dependency groups asked for."""
    python = _python()
    found = _version(python)
    if found is None:
        _check_modules("venv", "ensurepip")
        import venv  # noqa: PLC0415 - some systems keep it in a package of its own

        print(f"environment: making {FOLDER.name}", flush=True)
        venv.EnvBuilder(with_pip=True, clear=True, symlinks=os.name != "nt").create(FOLDER)
        found = _version(python) or sys.exit(f"{FOLDER} was made, but its Python does not start.")
    stamp = FOLDER / f"installed-{'-'.join(('package', *groups))}.stamp"
    wanted = _fingerprint(found)
    if stamp.is_file() and stamp.read_text(encoding="ascii") == wanted:
        print(f"environment: {FOLDER.name} is ready", flush=True)
        return python
    _install(python, groups)
    stamp.write_text(wanted, encoding="ascii")
    return python


def start(
    command: Sequence[str | Path], *, quiet: bool = False, folder: Path = ROOT
) -> subprocess.CompletedProcess[str]:
    """One command, run in a folder; its output is kept where it is to be quiet."""
    kept = subprocess.PIPE if quiet else None
    sys.stdout.flush()
    return subprocess.run(  # noqa: S603 - a list of words, no shell
        [str(word) for word in command],
        cwd=folder,
        stdout=kept,
        stderr=subprocess.STDOUT if quiet else None,
        text=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )


def requirements(group: str) -> list[str]:
    """Requirements of a dependency group, groups that it includes among them."""
    groups = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))[
        "dependency-groups"
    ]
    return [
        requirement
        for entry in groups.get(group, [])
        for requirement in (
            [entry] if isinstance(entry, str) else requirements(entry["include-group"])
        )
    ]


def _python() -> Path:
    """Where the environment's Python stands."""
    return FOLDER / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _version(python: Path) -> str | None:
    """Version of the environment's Python; None where it is missing, broken or too old."""
    if not python.exists():
        return None
    asked = start([python, "-c", "import sys, pip; print(*sys.version_info[:3])"], quiet=True)
    numbers = asked.stdout.split()
    if asked.returncode or tuple(map(int, numbers[:2])) < OLDEST:
        return None
    return ".".join(numbers)


def _check_modules(*names: str) -> None:
    """Stop where Python came without the parts that make an environment."""
    missing = [name for name in names if importlib.util.find_spec(name) is None]
    if missing:
        sys.exit(_NO_VENV.format(module=" and ".join(missing)))


def _fingerprint(version: str) -> str:
    """What an installation rests on."""
    return f"{version} {hashlib.sha256((ROOT / 'pyproject.toml').read_bytes()).hexdigest()}\n"


def _install(python: Path, groups: Sequence[str]) -> None:
    """The package and the groups; a group that ends in -alone comes without its dependencies."""
    print("environment: installing the package and what it needs (some minutes)", flush=True)
    wanted = [requirement for group in groups for requirement in requirements(group)]
    alone = [requirement for group in groups for requirement in requirements(f"{group}-alone")]
    commands = [["--editable", ".", *wanted]]
    if alone:
        commands.append(["--no-deps", *alone])
    for command in commands:
        done = start([python, "-m", "pip", *_PIP, *command], quiet=True)
        if done.returncode:
            sys.exit(_installer_failed(done.stdout))


def _installer_failed(output: str) -> str:
    """What to tell when the installer gave up."""
    offline = any(word in output.casefold() for word in _NO_NETWORK)
    reason = "Is there a network connection?" if offline else "This is what the installer says:"
    return _NO_PACKAGES.format(reason=reason, lines="\n".join(output.splitlines()[-_LAST_LINES:]))
