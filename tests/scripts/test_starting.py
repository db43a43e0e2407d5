"""The two commands of the README: what they need, and what they say where it is missing."""

import ast
import importlib.util
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "scripts"
STARTING = ("demo", "environment", "open_data", "test")


def _script(name: str, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(SCRIPTS))
    spec = importlib.util.spec_from_file_location(f"script_{name}", SCRIPTS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _imported(tree: ast.Module) -> set[str]:
    plain = {
        name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names
    }
    whole = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    return {name.partition(".")[0] for name in plain | whole}


@pytest.mark.parametrize("name", STARTING)
def test_starting_needs_the_standard_library_only(name: str) -> None:
    """Nothing has to be installed before the first command is typed."""
    tree = ast.parse((SCRIPTS / f"{name}.py").read_text(encoding="utf-8"))

    assert _imported(tree) <= sys.stdlib_module_names | set(STARTING)


@pytest.mark.parametrize("name", ["demo", "test"])
def test_old_python_gets_as_far_as_the_message(name: str) -> None:
    """The grammar is that of Python 3.7, and the version is looked at before anything else."""
    text = (SCRIPTS / f"{name}.py").read_text(encoding="utf-8")
    first = ast.parse(text, feature_version=(3, 7)).body[1:3]

    assert isinstance(first[0], ast.Import)
    assert [alias.name for alias in first[0].names] == ["sys"]
    assert isinstance(first[1], ast.If)
    assert "version_info" in ast.unparse(first[1].test)
    assert "Python 3.11 or newer is needed" in ast.unparse(first[1])


def test_groups_come_from_pyproject(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the tests need is said once, in pyproject.toml."""
    environment = _script("environment", monkeypatch)
    groups = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

    assert set(environment.requirements("test")) >= {
        entry for entry in groups["dependency-groups"]["test"] if isinstance(entry, str)
    }
    assert environment.requirements("no such group") == []


def test_missing_part_of_python_is_named_with_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    """Debian keeps the part that makes environments in a package of its own."""
    environment = _script("environment", monkeypatch)

    with pytest.raises(SystemExit, match=r"module no_such_part is missing\.\n.*python3-venv"):
        environment._check_modules("ast", "no_such_part")  # noqa: SLF001 - its words are tested


def test_missing_network_is_guessed_from_the_installer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a network the installer's page of text becomes a question."""
    environment = _script("environment", monkeypatch)
    offline = "x\n" * 50 + "NewConnectionError: Failed to establish a new connection"
    said = environment._installer_failed(offline)  # noqa: SLF001 - its words are tested
    other = environment._installer_failed("No space left on device")  # noqa: SLF001 - its words

    assert "Is there a network connection?" in said
    assert len(said.splitlines()) < 20
    assert "network" not in other
    assert "No space left on device" in other


def test_broken_environment_is_seen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An environment whose Python is missing or does not start is made again."""
    environment = _script("environment", monkeypatch)
    broken = tmp_path / "python"
    broken.write_text("#!/bin/sh\nexit 1\n", encoding="ascii")
    broken.chmod(0o755)

    assert environment._version(tmp_path / "none") is None  # noqa: SLF001 - decides on a new one
    assert environment._version(broken) is None  # noqa: SLF001 - decides on a new one
    assert environment._version(Path(sys.executable)) is not None  # noqa: SLF001 - decides too


def test_every_check_is_a_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lint, format, types, docstrings, site and tests all run, and options reach the last."""
    script = _script("test", monkeypatch)
    steps = script._steps(Path(sys.executable), ["-k", "corridor"])  # noqa: SLF001 - the list itself

    assert list(steps) == ["types", "lint", "format", "docstrings", "site", "tests"]
    assert steps["tests"][-4:] == ["-n", "logical", "-k", "corridor"]


def test_failed_step_shows_its_faults(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A step that fails shows what it said, with its exit code; one that passes one line."""
    script = _script("test", monkeypatch)
    fails = [sys.executable, "-c", "print('a fault'); raise SystemExit(3)"]
    passes = [sys.executable, "-c", "print('fine')"]
    outcomes = [script._passed("lint", fails), script._passed("types", passes)]  # noqa: SLF001 - pure
    said = capfd.readouterr().out

    assert outcomes == [False, True]
    assert "a fault\nlint: failed with exit code 3 (" in said
    assert "types: passed (" in said
    assert "fine" not in said


def test_closing_line_of_the_tests_reaches_the_terminal() -> None:
    """What the tests themselves say is not swallowed."""
    command = (
        "import test; test._passed('tests', [test.sys.executable, '-c', 'print(\"7 passed\")'])"
    )
    done = subprocess.run(  # noqa: S603 - our own script
        [sys.executable, "-c", command], cwd=SCRIPTS, capture_output=True, text=True, check=True
    )

    assert done.stdout.splitlines()[0] == "7 passed"
    assert done.stdout.splitlines()[1].startswith("tests: passed (")


def test_open_data_elsewhere_than_debian_are_passed_over(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where there is no apt, it is said, and tests on real trees are skipped."""
    open_data = _script("open_data", monkeypatch)
    monkeypatch.setenv("PATH", str(tmp_path))
    fetched = open_data.fetch(tmp_path / "open_data")

    assert fetched is False
    assert "comes from Debian, and this system has no apt-get" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


def test_open_data_that_are_there_are_not_fetched_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A second start skips what is done."""
    open_data = _script("open_data", monkeypatch)
    monkeypatch.setenv("PATH", str(tmp_path))
    trees = tmp_path / open_data.TREES
    trees.parent.mkdir(parents=True)
    trees.write_bytes(b"")

    assert open_data.fetch(tmp_path) is True
    assert capsys.readouterr().out == "open data: ready\n"


def test_ci_runs_the_same_command() -> None:
    """What runs by itself is what a person types."""
    text = (ROOT / ".ci" / "run").read_text(encoding="utf-8")

    assert "set -euo pipefail" in text
    assert text.rstrip().endswith('exec python3 scripts/test.py "$@"')
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o100
