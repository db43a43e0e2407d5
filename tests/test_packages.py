"""Which package may import which, and how large a package may be, read from the source."""

import ast
from collections.abc import Collection, Iterator
from pathlib import Path

import pytest

import glademark

PACKAGE = Path(glademark.__file__).parent
GIS = {"fiona", "geopandas", "pyogrio", "pyproj", "rasterio", "shapely"}
FILES = {"csv", "fiona", "io", "os", "pathlib", "pyogrio", "rasterio", "shutil", "sqlite3"}
PLAIN_RASTER = ("rasterio.features", "rasterio.transform")  # arithmetic on arrays, no files
OUTPUT = {"click", "rich", "sys"}
BASE = {"", "errors", "process", "units"}  # "" holds the version
MOST_MODULES = 30
MOST_LINES = 500

MAY_IMPORT = {
    "errors": set(),
    "process": {"errors"},
    "units": {"errors"},
    "contracts": BASE,
    "forestry": BASE,
    "project": BASE | {"forestry"},
    "intake": BASE | {"contracts", "forestry", "project"},
    "measure": BASE | {"contracts", "forestry", "project"},
    "uncertainty": BASE | {"contracts", "forestry", "project", "measure"},
    "judge": BASE | {"contracts", "forestry", "project", "measure", "uncertainty"},
    "advice": BASE | {"contracts", "forestry", "project", "measure", "judge"},
    "proposal": BASE | {"contracts", "forestry", "project", "measure", "judge"},
    "comparison": BASE | {"contracts", "forestry", "project", "measure"},
    "report": BASE
    | {"contracts", "forestry", "project", "measure", "judge", "advice", "proposal", "comparison"},
    "export": BASE
    | {"contracts", "forestry", "project", "measure", "judge", "advice", "proposal", "comparison"}
    | {"report"},
    "jobs": BASE
    | {"contracts", "forestry", "project", "intake", "measure", "uncertainty", "judge", "advice"}
    | {"proposal", "comparison", "report", "export"},
    "hosts": BASE
    | {"contracts", "project", "intake", "measure", "judge", "report", "export", "jobs"},
}
"""Packages from the lowest to the highest, each with those that it may import."""


def imported(path: Path) -> Iterator[str]:
    """Full names of all modules that a file imports, wherever the statement stands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            yield node.module


def files_of(package: str) -> list[Path]:
    """Source files of a package or top-level module; the desktop's plug-in imports none of ours."""
    single = PACKAGE / f"{package}.py"
    found = [single] if single.is_file() else sorted((PACKAGE / package).rglob("*.py"))
    found = [path for path in found if path.parent.name != "plugin"]
    assert found, f"there is no {package}"
    return found


def package_of(module: str) -> str | None:
    """Top-level package of a module of ours, None for another's."""
    first, _, rest = module.partition(".")
    return rest.partition(".")[0] if first == "glademark" else None


def foreign_imports(package: str, forbidden: Collection[str]) -> list[str]:
    """Imports of libraries that a package must not have."""
    return [
        f"{path.relative_to(PACKAGE)}: {module}"
        for path in files_of(package)
        for module in imported(path)
        if module.partition(".")[0] in forbidden and module not in PLAIN_RASTER
    ]


@pytest.mark.parametrize("package", MAY_IMPORT)
def test_no_package_imports_one_above_it(package: str) -> None:
    """Data goes one way: a package imports itself and those below it, so there is no circle."""
    allowed = {package} | MAY_IMPORT[package]
    broken = [
        f"{path.relative_to(PACKAGE)}: {module}"
        for path in files_of(package)
        for module in imported(path)
        if package_of(module) is not None and package_of(module) not in allowed
    ]

    assert broken == []


def test_the_order_of_packages_has_no_circle() -> None:
    """Each package may import only those that stand before it in the table."""
    order = ["", *MAY_IMPORT]

    assert all(
        order.index(below) < order.index(package)
        for package, allowed in MAY_IMPORT.items()
        for below in allowed
    )


def test_every_package_has_its_row() -> None:
    """A new module or package is given its place in the order before it is used."""
    there = {p.stem for p in PACKAGE.glob("*.py") if not p.stem.startswith("__")}
    there |= {p.parent.name for p in PACKAGE.glob("*/__init__.py")}

    assert there == set(MAY_IMPORT)


def test_no_folder_holds_too_many_modules() -> None:
    """A folder can be taken in at a glance: at most thirty modules at one level."""
    folders = {path.parent for path in PACKAGE.rglob("*.py")}
    sizes = {str(folder.relative_to(PACKAGE)): len([*folder.glob("*.py")]) for folder in folders}

    assert {name: size for name, size in sizes.items() if size > MOST_MODULES} == {}


def test_no_module_is_too_long() -> None:
    """A module can be read in one sitting: at most five hundred lines."""
    lengths = {
        str(path.relative_to(PACKAGE)): len(path.read_text(encoding="utf-8").splitlines())
        for path in PACKAGE.rglob("*.py")
    }

    assert {name: length for name, length in lengths.items() if length > MOST_LINES} == {}


def test_forestry_knows_no_maps() -> None:
    """Forestry works on plain numbers: no GIS library is imported there."""
    assert foreign_imports("forestry", GIS) == []


@pytest.mark.parametrize("package", ["measure", "judge", "advice", "comparison"])
def test_measuring_and_judging_touch_no_files(package: str) -> None:
    """What measures and judges takes frames and gives frames: no files, no terminal."""
    assert foreign_imports(package, FILES | OUTPUT) == []


@pytest.mark.parametrize(
    "package", ["forestry", "intake", "measure", "judge", "advice", "comparison"]
)
def test_only_hosts_and_reports_print(package: str) -> None:
    """No package that works prints, or asks a terminal anything."""
    printed = [
        f"{path.relative_to(PACKAGE)}: line {node.lineno}"
        for path in files_of(package)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("print", "input")
    ]

    assert printed == []
    assert foreign_imports(package, {"click", "rich"}) == []
