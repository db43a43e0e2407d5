"""The package beside a plain script and a database, which share no code with it."""

import importlib
import importlib.util
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import pandas as pd
import pytest

from glademark.jobs.stands import lay_out_stands

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
CELL = ["stand_id", "zone", "product", "species", "size_class"]
COUNT = ["trees", "basal_area_m2"]


@pytest.fixture(scope="module")
def script() -> Iterator[ModuleType]:
    """The plain script; scripts can import one another while it is in use."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.syspath_prepend(str(SCRIPTS))
        yield importlib.import_module("plain_layout")


@pytest.fixture(scope="module")
def folder(script: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Inputs of three stands, two or more with incidental openings, and our layout in `ours`."""
    del script  # only that scripts are found
    folder = tmp_path_factory.mktemp("beside")
    case = importlib.import_module("benchmark_cases").make_case(stands=3, marks=300, seed=26)
    lay_out_stands(case.write(folder / "in"), out=folder / "ours")
    return folder


@pytest.fixture(scope="module")
def plain(script: ModuleType, folder: Path) -> dict[str, pd.DataFrame]:
    """Layers and tables of the plain script."""
    return dict(vars(script.run_plainly(folder / "in", folder / "plain")))


@pytest.fixture(scope="module")
def database(script: ModuleType, folder: Path) -> dict[str, pd.DataFrame]:
    """Layers and tables of the database."""
    del script
    if importlib.util.find_spec("duckdb") is None:
        pytest.skip("DuckDB is not installed: pip install 'glademark[bench]'")
    module = importlib.import_module("duckdb_layout")
    if module.extension_file() is None:
        pytest.skip("the spatial extension of this DuckDB is not installed")
    module.run_in_duckdb(folder / "in", folder / "database")
    layers = {path.stem: gpd.read_file(path) for path in (folder / "database").glob("*.gpkg")}
    table = pd.read_csv(folder / "database" / "volume_by_zone.csv")
    return {**layers, "volume_by_zone": table}


@pytest.mark.parametrize("other", ["plain", "database"])
@pytest.mark.parametrize(
    ("layer", "key"),
    [
        ("corridors", ["stand_id", "corridor"]),
        ("openings", ["stand_id", "group"]),
        ("zones", ["stand_id", "zone"]),
    ],
)
def test_areas_are_the_same(
    other: str, layer: str, key: list[str], folder: Path, request: pytest.FixtureRequest
) -> None:
    """Corridors, openings and zones by hand or in SQL have our areas to a billionth."""
    theirs = request.getfixturevalue(other)[layer].set_index(key)["area_m2"]

    ours = gpd.read_file(folder / "ours" / "layout.gpkg", layer=layer).set_index(key)["area_m2"]

    assert len(ours) >= 9
    assert ours.sort_index().index.equals(theirs.sort_index().index)
    assert ours.sort_index().tolist() == pytest.approx(theirs.sort_index().tolist(), rel=1e-9)


@pytest.mark.parametrize("other", ["plain", "database"])
def test_incidental_openings_are_the_same(
    other: str, folder: Path, request: pytest.FixtureRequest
) -> None:
    """Crowns that touch make the same incidental openings, of the same trees and areas."""
    incidental = request.getfixturevalue(other)["incidental_openings"].sort_values(
        ["stand_id", "area_m2"]
    )

    ours = gpd.read_file(folder / "ours" / "layout.gpkg", layer="incidental_openings")
    ours = ours.sort_values(["stand_id", "area_m2"])

    assert len(ours)
    assert ours["trees"].tolist() == incidental["trees"].tolist()
    assert ours["area_m2"].tolist() == pytest.approx(incidental["area_m2"].tolist(), rel=1e-9)


def test_combined_openings_are_the_same(plain: dict[str, pd.DataFrame], folder: Path) -> None:
    """Strips between openings join the same ones, to the same areas."""
    combined = plain["combined_openings"].sort_values(["stand_id", "area_m2"])

    ours = gpd.read_file(folder / "ours" / "layout.gpkg", layer="combined_openings")
    ours = ours.sort_values(["stand_id", "area_m2"])

    assert ours["openings_count"].tolist() == combined["group"].tolist()
    assert ours["area_m2"].tolist() == pytest.approx(combined["area_m2"].tolist(), rel=1e-9)


def test_distances_are_the_same(plain: dict[str, pd.DataFrame], folder: Path) -> None:
    """Openings lie as far from one another and from the boundary, marks as far from the lines."""
    openings = plain["openings"].set_index(["stand_id", "group"]).sort_index()
    marks = plain["marks"].set_index(["stand_id", "tree_id"]).sort_index()

    package = folder / "ours" / "layout.gpkg"
    our_openings = gpd.read_file(package, layer="openings").set_index(["stand_id", "group"])
    our_marks = gpd.read_file(package, layer="marks").set_index(["stand_id", "tree_id"])

    for name in ("spacing_m", "boundary_m", "perimeter_m", "in_corridor_m2"):
        assert our_openings.sort_index()[name].tolist() == pytest.approx(
            openings[name].tolist(), rel=1e-9, abs=1e-6
        ), name
    assert our_marks.sort_index()["corridor"].tolist() == marks["corridor"].tolist()
    assert our_marks.sort_index()["corridor_distance_m"].abs().tolist() == pytest.approx(
        marks["corridor_distance_m"].tolist(), rel=1e-9, abs=1e-6
    )


@pytest.mark.parametrize("other", ["plain", "database"])
def test_table_is_the_same(other: str, folder: Path, request: pytest.FixtureRequest) -> None:
    """Every cell of the volume table counts the same trees, with the same basal area."""
    table = request.getfixturevalue(other)["volume_by_zone"]
    cells = table.dropna(subset=CELL).astype({"size_class": int})
    theirs = cells.set_index(CELL)[COUNT].sort_index()

    ours = pd.read_csv(folder / "ours" / "volume_by_zone.csv")
    ours = ours[ours["row"] == "cell"]
    classes = ours["size_class"].str.removesuffix(" cm").astype(int)
    ours = ours.assign(size_class=classes).set_index(CELL)[COUNT].sort_index()

    assert ours["trees"].sum() == 900
    assert ours.index.equals(theirs.index)
    assert ours["trees"].tolist() == theirs["trees"].tolist()
    assert ours["basal_area_m2"].tolist() == pytest.approx(
        theirs["basal_area_m2"].tolist(), rel=1e-9
    )
