"""The arrows of the house: who may know of whom, read from the import statements."""

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
GROUND = {
    "by_stand",
    "elevation",
    "errors",
    "features",
    "inspection",
    "layers",
    "layout",
    "on_the_ground",
    "survey",
    "units",
}

MAY_KNOW = {
    "forestry": {"errors", "units"},
    "project": {"errors", "units"},
    "intake": GROUND | {"after_cut_survey", "forestry", "offline", "project"},
    "measure": GROUND | {"forestry", "project"},
    "uncertainty": GROUND | {"forestry", "project", "measure"},
    "judge": GROUND | {"forestry", "project", "measure", "uncertainty"},
    "advice": GROUND | {"forestry", "project", "measure", "judge"},
    "after_cut": GROUND
    | {"after_cut_layers", "after_cut_survey", "forestry", "measure", "project"},
    "deliver": GROUND
    | {"forestry", "project", "measure", "judge", "advice", "after_cut", ""}
    | {"after_cut_layers", "after_cut_survey"},
    "one_stand": GROUND | {"project", "measure", "uncertainty", "judge", "deliver"},
    "pipeline": GROUND | {"project", "intake", "judge", "one_stand", "deliver", "plugins"},
    "pipeline_stands": GROUND | {"project", "intake", "judge", "one_stand", "deliver", "plugins"},
    "batch": GROUND | {"", "project", "intake", "judge", "deliver", "plugins", "pipeline_stands"},
    "pipeline_advice": GROUND
    | {"project", "intake", "measure", "judge", "advice", "deliver", "plugins"},
    "pipeline_after_cut": GROUND
    | {"project", "intake", "measure", "judge", "after_cut", "deliver", "plugins"},
    "plugins": {"errors", "deliver", "judge"},
    "cli": {
        "",
        "batch",
        "errors",
        "pipeline",
        "pipeline_advice",
        "pipeline_after_cut",
        "pipeline_stands",
        "project",
        "intake",
        "deliver",
        "streams",
        "table_to_carry",
    },
    "table_to_carry": {"errors", "forestry", "units"},
    "layers": {"units"},
    "after_cut_layers": {"layers"},
    "after_cut_survey": {"survey"},
    "units": {"errors"},
    "errors": set(),
    "offline": set(),
    "streams": {"errors"},
    "by_stand": set(),
    "features": set(),
    "inspection": set(),
    "survey": {"elevation", "errors", "units"},
    "elevation": {"errors", "units"},
    "on_the_ground": {"errors", "features", "layers", "units"},
    "layout": {"errors", "layers", "on_the_ground", "units"},
}
"""Wings and modules, each with the other ones that it may import; "" is the package's version."""


def imported(path: Path) -> Iterator[str]:
    """Full names of all modules that a file imports, wherever the statement stands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            yield node.module


def files_of(wing: str) -> list[Path]:
    """Source files of a wing or module."""
    single = PACKAGE / f"{wing}.py"
    found = [single] if single.is_file() else sorted((PACKAGE / wing).rglob("*.py"))
    assert found, f"there is no {wing}"
    return found


def wing_of(module: str) -> str | None:
    """Wing of a module of the package, None for another's."""
    first, _, rest = module.partition(".")
    return rest.partition(".")[0] if first == "glademark" else None


def strangers(wing: str, forbidden: Collection[str]) -> list[str]:
    """Imports of other packages that a wing must not have."""
    return [
        f"{path.relative_to(PACKAGE)}: {module}"
        for path in files_of(wing)
        for module in imported(path)
        if module.partition(".")[0] in forbidden and module not in PLAIN_RASTER
    ]


@pytest.mark.parametrize("wing", MAY_KNOW)
def test_every_wing_knows_only_what_lies_below_it(wing: str) -> None:
    """Data goes one way: a wing imports itself and what stands before it, never what follows."""
    allowed = {wing} | MAY_KNOW[wing]
    broken = [
        f"{path.relative_to(PACKAGE)}: {module}"
        for path in files_of(wing)
        for module in imported(path)
        if wing_of(module) is not None and wing_of(module) not in allowed
    ]

    assert broken == []


def test_every_wing_has_its_rule() -> None:
    """A new module or wing finds its place in the house before it is used."""
    there = {p.stem for p in PACKAGE.glob("*.py") if not p.stem.startswith("__")}
    there |= {p.parent.name for p in PACKAGE.glob("*/__init__.py")}

    assert there == set(MAY_KNOW)


def test_only_the_command_line_starts_the_pipeline() -> None:
    """Nothing in the package but the command line knows of the pipeline, or of itself."""
    others = [path for path in PACKAGE.rglob("*.py") if path.stem not in ("cli", "__main__")]
    broken = [
        str(path.relative_to(PACKAGE))
        for path in others
        for module in imported(path)
        if wing_of(module) in ("batch", "cli", "pipeline", "pipeline_advice", "pipeline_after_cut")
    ]

    assert broken == []


def test_the_ground_floor_knows_no_maps() -> None:
    """The trade's arithmetic works on plain numbers: no GIS library is imported there."""
    assert strangers("forestry", GIS) == []


@pytest.mark.parametrize("wing", ["measure", "judge", "advice", "after_cut"])
def test_measuring_and_judging_touch_no_files(wing: str) -> None:
    """What measures and judges takes frames and gives frames: no files, no terminal."""
    assert strangers(wing, FILES | OUTPUT) == []


@pytest.mark.parametrize("wing", ["forestry", "intake", "measure", "judge", "advice", "after_cut"])
def test_only_the_command_line_and_delivery_speak(wing: str) -> None:
    """No wing that works prints, or asks a terminal anything."""
    printed = [
        f"{path.relative_to(PACKAGE)}: line {node.lineno}"
        for path in files_of(wing)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("print", "input")
    ]

    assert printed == []
    assert strangers(wing, {"click", "rich"}) == []
