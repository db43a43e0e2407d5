"""The sample project holds what its README promises, found without any code of the package."""

import csv
import importlib.util
import sys
import tomllib
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from pyproj import Transformer

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_gis"
CRS = "EPSG:26916"
FOOT_M = 0.3048  # exact by definition
ACRE_M2 = 43_560 * FOOT_M**2
CORRIDOR_WIDTH_M = 14 * FOOT_M
STATED_ERROR_M = 1.5

# Bechtold 2003, stand-grown crown width [ft] = b0 + b1 D + b2 D^2, D [in].
CROWN_WIDTH_FT = {
    "sugar maple": (9.96, 1.05, 0),
    "eastern hemlock": (5.66, 1.5, -0.02),
    "yellow birch": (3.27, 2.38, -0.05),
    "red maple": (7.34, 1.43, -0.01),
    "basswood": (7.19, 1.15, 0),
    "american beech": (11.53, 1.13, 0),
}
NAMES = (
    "tree_id",
    "dbh",
    "species",
    "product",
    "paint",
    "group",
    "count",
    "height",
    "time",
    "lon",
    "lat",
    "remark",
)


def _records(marker: str) -> pd.DataFrame:
    with (SAMPLE / f"marks_{marker}.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = [[cell.strip() for cell in row] for row in list(csv.reader(file))[1:]]
    return pd.DataFrame([row for row in rows if any(row)], columns=list(NAMES)).assign(
        marker=marker
    )


@pytest.fixture(scope="module")
def records() -> pd.DataFrame:
    """Both markers' records as text, blank rows left out."""
    return pd.concat([_records("north"), _records("south")], ignore_index=True)


@pytest.fixture(scope="module")
def faulty(records: pd.DataFrame) -> pd.Series:
    """Whether a record cannot be used."""
    no_number = pd.to_numeric(records["dbh"].replace("", "0"), errors="coerce").isna()
    no_fix = (records["lon"].astype(float) == 0) & (records["lat"].astype(float) == 0)
    return no_number | no_fix | records.duplicated(["marker", "tree_id", "time"])


@pytest.fixture(scope="module")
def marks(records: pd.DataFrame, faulty: pd.Series) -> gpd.GeoDataFrame:
    """Every other record, on the map."""
    used = records[~faulty]
    to_map = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    x, y = to_map.transform(used["lon"].astype(float), used["lat"].astype(float))
    frame = used.assign(
        paint=used["paint"].str.casefold(),
        species=used["species"].str.casefold(),
        dbh=pd.to_numeric(used["dbh"]),
    )
    return gpd.GeoDataFrame(frame, geometry=shapely.points(np.asarray(x), np.asarray(y)), crs=CRS)


def _layer(name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(SAMPLE / f"{name}.gpkg")


def _strips() -> gpd.GeoSeries:
    corridors = _layer("corridors")
    width = corridors["width_m"].fillna(CORRIDOR_WIDTH_M)
    strips = corridors.buffer(width / 2, cap_style="flat")
    return strips.set_axis(corridors["corridor"])


@pytest.fixture(scope="module")
def openings(
    request: pytest.FixtureRequest, marks: gpd.GeoDataFrame
) -> dict[str, shapely.Geometry]:
    """Hole of each group, by crowns of 3 m or by a published equation."""
    cut = marks[(marks["group"] != "") & (marks["paint"] == "white")]
    if request.param == "default":
        radius = pd.Series(3.0, cut.index)
    else:
        b0, b1, b2 = np.array([CROWN_WIDTH_FT[name] for name in cut["species"]]).T
        radius = (b0 + b1 * cut["dbh"] + b2 * cut["dbh"] ** 2) * FOOT_M / 2
    crowns = cut.buffer(radius, 32)
    holes = {
        str(group): crowns.loc[rows].union_all()
        for group, rows in cut.groupby("group").groups.items()
    }
    walked = _layer("openings")
    holes |= dict(zip(walked["group"], walked.geometry, strict=True))
    edge = marks[marks["paint"] == "orange"].sort_index()
    holes["8"] = shapely.Polygon(shapely.get_coordinates(edge.geometry))
    return holes


both_crowns = pytest.mark.parametrize("openings", ["default", "equation"], indirect=True)


def test_place_is_said_to_be_invented() -> None:
    """Nobody can take the sample for a real stand."""
    project = tomllib.loads((SAMPLE / "harvest.toml").read_text(encoding="utf-8"))

    assert "INVENTED" in project["project"]["name"]
    assert "do not exist" in (SAMPLE / "README.md").read_text(encoding="utf-8")
    assert "invented" in _layer("stand")["name"].iloc[0]


def test_folder_is_small() -> None:
    """The sample stays under 3 MB, its terrain under 300 kB."""
    size = sum(file.stat().st_size for file in SAMPLE.rglob("*") if file.is_file())

    assert size < 3_000_000
    assert (SAMPLE / "terrain.tif").stat().st_size < 300_000


def test_stand_has_an_inlet_and_a_hole() -> None:
    """The boundary is of the awkward kind, and the stand measures about 22 ha."""
    stand = _layer("stand").geometry.iloc[0]

    assert 21e4 < stand.area < 23e4
    assert len(stand.interiors) == 1
    assert stand.convex_hull.area - shapely.Polygon(stand.exterior).area > 1000


def test_corridors_take_less_than_their_limit() -> None:
    """Corridors take under 12 % of the stand, with room to spare."""
    stand = _layer("stand").geometry.iloc[0]
    share = _strips().union_all().intersection(stand).area / stand.area

    assert 0.03 < share < 0.12 * 0.9


def test_main_corridor_exists_and_runs_past_the_boundary() -> None:
    """One corridor was there before, and it comes in from outside."""
    corridors = _layer("corridors")
    existing = corridors[corridors["state"] == "existing"]
    stand = _layer("stand").geometry.iloc[0]

    assert list(existing["corridor"]) == ["A"]
    assert existing.geometry.iloc[0].difference(stand).length > 20


def test_one_branch_stops_short() -> None:
    """Corridor C ends 0.4 m before the main strip, within the 0.5 m over which it is carried on."""
    strips = _strips()
    branch = _layer("corridors").set_index("corridor").geometry["C"]
    end = shapely.Point(branch.coords[0])

    assert 0.3 < end.distance(strips["A"]) < 0.45


def test_three_records_are_faulty(records: pd.DataFrame, faulty: pd.Series) -> None:
    """A diameter that is no number, a position 0, 0 and a record saved twice: these three only."""
    reasons = records[faulty]

    assert len(reasons) == 3
    assert (reasons["dbh"] == "see photo").sum() == 1
    assert (reasons["lon"] == "0").sum() == 1
    assert records.duplicated(list(NAMES)).sum() == 1


def test_both_markers_number_from_one(records: pd.DataFrame) -> None:
    """The same number stands for two trees; only marker and number together are a key."""
    first = records.groupby("marker")["tree_id"].first()

    assert dict(first) == {"north": "1", "south": "1"}
    assert 550 <= len(records) <= 700


@both_crowns
def test_one_opening_is_too_large(openings: dict[str, shapely.Geometry]) -> None:
    """Only group 1 is over half an acre, by more than a tenth; no other comes within a tenth."""
    leave = _layer("leave_trees").buffer(4).union_all()
    net = {group: hole.difference(leave).area / ACRE_M2 for group, hole in openings.items()}
    others = [area for group, area in net.items() if group != "1"]

    assert sorted(net) == list("123456789")
    assert net["1"] > 0.5 * 1.1
    assert max(hole.area / ACRE_M2 for group, hole in openings.items() if group != "1") < 0.5 * 0.9
    assert min(others) > 0.1 * 1.1


@both_crowns
def test_one_pair_is_too_close(openings: dict[str, shapely.Geometry]) -> None:
    """Groups 3 and 4 have crown edges closer than 100 ft; every other pair is clearly farther."""
    apart = {
        pair: openings[pair[0]].distance(openings[pair[1]]) / FOOT_M
        for pair in combinations(sorted(openings), 2)
    }
    closest = min(apart, key=lambda pair: apart[pair])
    rest = [feet for pair, feet in apart.items() if pair != closest]

    assert closest == ("3", "4")
    assert 0 < apart[closest] < 100 * 0.9
    assert min(rest) > 100 * 1.2


@both_crowns
def test_a_corridor_joins_that_pair_and_no_other(openings: dict[str, shapely.Geometry]) -> None:
    """With the strip within one width of each, groups 3 and 4 are one hole of over 0.7 acre."""
    strips = _strips()
    width = _layer("corridors").set_index("corridor")["width_m"].fillna(CORRIDOR_WIDTH_M)
    combined = {}
    for group, hole in openings.items():
        at_hole = [
            strips[name].intersection(hole.buffer(width[name]))
            for name in strips.index
            if strips[name].intersects(hole)
        ]
        combined[group] = shapely.union_all([hole, *at_hole])
    touching = {
        pair
        for pair in combinations(sorted(combined), 2)
        if combined[pair[0]].intersects(combined[pair[1]])
    }
    area = {group: hole.area / ACRE_M2 for group, hole in combined.items()}
    pair_area = combined["3"].union(combined["4"]).area / ACRE_M2

    assert touching == {("3", "4")}
    assert pair_area > 0.7 * 1.1
    assert max(area[group] for group in area if group not in {"3", "4"}) < 0.7 * 0.95


def test_paint_and_place_disagree(marks: gpd.GeoDataFrame) -> None:
    """A handful of trees are off by less than a receiver can tell, and exactly two by far."""
    strips = _strips().union_all()
    pink = marks[marks["paint"] == "pink"].distance(strips)
    white_inside = marks[(marks["paint"] == "white") & marks.within(strips)]
    within = ((pink > 0) & (pink <= 2 * STATED_ERROR_M / np.sqrt(2))).sum() + len(white_inside)

    assert (pink > 20).sum() == 2
    assert 5 <= within <= 25
    assert ((pink > 2 * STATED_ERROR_M / np.sqrt(2)) & (pink <= 20)).sum() == 0
    assert white_inside.distance(strips.boundary).max() < STATED_ERROR_M


def test_nothing_is_marked_where_nothing_is_to_be_cut(marks: gpd.GeoDataFrame) -> None:
    """No mark, crown of an opening or corridor lies in the seep or in the strip along the brook."""
    brook = _layer("water").buffer(4 / 2 + 50 * FOOT_M).union_all()
    seep = _layer("exclusions").union_all()
    trees = marks[marks["paint"] != "orange"]

    assert trees.distance(seep).min() > 3
    assert trees.distance(brook).min() > 2
    assert _strips().union_all().distance(brook.union(seep)) > 5


@both_crowns
def test_openings_keep_clear_of_water(openings: dict[str, shapely.Geometry]) -> None:
    """Every opening is farther than 75 ft from the bank, by more than a tenth."""
    bank = _layer("water").buffer(4 / 2).union_all()

    assert min(hole.distance(bank) for hole in openings.values()) > 75 * FOOT_M * 1.1


def test_line_trees_stand_on_the_line(marks: gpd.GeoDataFrame) -> None:
    """Two trees are on the property line, one threatens people, and all other trees are inside."""
    stand = _layer("stand").geometry.iloc[0]
    line_trees = marks[marks["paint"] == "yellow"]
    others = marks[marks["paint"] != "yellow"]

    assert len(line_trees) == 2
    assert line_trees.distance(stand.exterior).max() < 0.05
    assert (marks["paint"] == "red").sum() == 1
    assert others.within(stand).all()


def test_some_crowns_merely_touch(marks: gpd.GeoDataFrame) -> None:
    """Marks without a group form two gaps of at least 0.05 acre and four trees."""
    singles = marks[(marks["group"] == "") & marks["paint"].isin(["white", ""])]
    gaps = shapely.get_parts(singles.buffer(3, 32).union_all())
    large = [gap for gap in gaps if gap.area >= 0.05 * ACRE_M2 and singles.within(gap).sum() >= 4]

    assert len(large) == 2


def test_cruise_has_twenty_points_in_the_stand_and_an_empty_one() -> None:
    """A point without trees counts, so it is in the file."""
    plots = pd.read_csv(SAMPLE / "cruise.csv")
    centres = plots.drop_duplicates("plot")
    points = gpd.GeoSeries.from_xy(centres["lon"], centres["lat"], crs="EPSG:4326").to_crs(CRS)

    assert len(centres) == 20
    assert points.within(_layer("stand").geometry.iloc[0]).all()
    assert plots["dbh_in"].isna().sum() == 1
    assert set(plots["baf_ft2_ac"]) == {10}


def test_terrain_covers_the_stand() -> None:
    """Every cell over the stand has an elevation."""
    with rasterio.open(SAMPLE / "terrain.tif") as raster:
        cover = shapely.box(*raster.bounds)
        heights = raster.read(1, masked=True)

        assert raster.crs.to_epsg() == 26916
    assert cover.contains(_layer("stand").geometry.iloc[0])
    assert heights.count() == heights.size


def test_volume_table_serves_every_tree(marks: gpd.GeoDataFrame) -> None:
    """Each product and species has the 2-inch class of every marked diameter."""
    table = pd.read_csv(SAMPLE / "volume_table.csv")
    known = set(
        zip(table["product"], table["species"].str.casefold(), table["dbh_in"], strict=True)
    )
    trees = marks[marks["paint"] != "orange"]
    two_inch = 2 * np.floor((trees["dbh"] + 1) / 2)
    wanted = set(zip(trees["product"].str.casefold(), trees["species"], two_inch, strict=True))

    assert wanted <= known


@pytest.fixture(scope="module")
def make_sample() -> Iterator[ModuleType]:
    """Script as a module."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.syspath_prepend(str(ROOT / "scripts"))
        spec = importlib.util.spec_from_file_location(
            "make_sample", ROOT / "scripts" / "make_sample.py"
        )
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        monkeypatch.setitem(sys.modules, "make_sample", module)
        spec.loader.exec_module(module)
        yield module


@pytest.fixture(scope="module")
def rewritten(make_sample: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample as the script writes it now."""
    folder = tmp_path_factory.mktemp("rewritten")
    make_sample.write_sample(folder)
    return folder


def test_script_writes_what_is_committed(rewritten: Path) -> None:
    """The script gives the committed files again: text byte for byte, layers row for row."""
    made = [file.relative_to(rewritten) for file in rewritten.rglob("*") if file.is_file()]
    text = [name for name in made if name.suffix not in {".gpkg", ".tif"}]

    assert sorted(made) == sorted(
        file.relative_to(SAMPLE) for file in SAMPLE.rglob("*") if file.is_file()
    )
    assert {name: (rewritten / name).read_bytes() for name in text} == {
        name: (SAMPLE / name).read_bytes() for name in text
    }
    for name in [name for name in made if name.suffix == ".gpkg"]:
        assert gpd.read_file(rewritten / name).equals(gpd.read_file(SAMPLE / name)), name


def test_script_is_repeatable_to_the_byte(
    make_sample: ModuleType, rewritten: Path, tmp_path: Path
) -> None:
    """Two runs on one machine write the same bytes, time stamps included."""
    make_sample.write_sample(tmp_path)

    for file in sorted(path for path in rewritten.rglob("*") if path.is_file()):
        other = tmp_path / file.relative_to(rewritten)
        assert file.read_bytes() == other.read_bytes(), file.name
