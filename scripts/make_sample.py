"""
Write the sample project `sample_gis/`: an invented stand, laid out and marked by invented people.

Run it with the Python of an environment that has the package. The seed is fixed: the
same versions of the libraries give the same bytes.
"""

import argparse
import csv
from collections.abc import Iterable, Sequence
from io import StringIO
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import sample_stand as stand
import shapely
from pyproj import Transformer
from sample_after_cut import write_after_cut
from sample_marks import SPECIES, TALLIED, trees, write_marks
from sample_stems import write_stem_map

SEED = 20_251_006
STAMP = "2025-10-06T00:00:00.000Z"
FOLDER = Path(__file__).resolve().parent.parent / "sample_gis"
CELL_M = 5.0
PLOTS = 20
BASAL_AREA_FACTOR = 10
TREES_A_PLOT = 11.6


def write_sample(folder: Path) -> None:
    """Write every file of the sample into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    _write_layers(folder)
    _write_leave_trees(folder, np.random.default_rng(SEED + 1))
    write_marks(folder, np.random.default_rng(SEED + 2))
    _write_cruise(folder, np.random.default_rng(SEED + 3))
    _write_tally(folder)
    _write_volume_table(folder)
    _write_terrain(folder)
    write_stem_map(folder, np.random.default_rng(SEED + 12))
    write_after_cut(
        folder / "after_cut", np.random.default_rng(SEED + 2), np.random.default_rng(SEED + 9)
    )
    for name, text in _TEXTS.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def _placed(geometry: Iterable[shapely.Geometry]) -> gpd.GeoSeries:
    """Local geometry at its place on the map, to the centimetre."""
    moved = gpd.GeoSeries(list(geometry), crs=stand.CRS).translate(*stand.ORIGIN)
    return gpd.GeoSeries(shapely.set_precision(moved.to_numpy(), 0.01), crs=stand.CRS)


def _write_layer(
    folder: Path, layer: str, geometry: Iterable[shapely.Geometry], /, **columns: Sequence[object]
) -> None:
    """One GeoPackage with one layer of the same name."""
    path = folder / f"{layer}.gpkg"
    path.unlink(missing_ok=True)
    gpd.GeoDataFrame(columns, geometry=_placed(geometry)).to_file(
        path, layer=layer, engine="pyogrio"
    )


def _write_layers(folder: Path) -> None:
    """Stand, corridors and all other lines and areas."""
    names = list(stand.CORRIDORS)
    _write_layer(folder, "stand", [stand.STAND], name=["Marrow Hollow, stand 3 (invented)"])
    _write_layer(
        folder,
        "corridors",
        stand.CORRIDORS.values(),
        corridor=names,
        state=["existing" if name in stand.EXISTING else "new" for name in names],
        width_m=[stand.CORRIDOR_WIDTH_M.get(name) for name in names],
    )
    outline = stand.GROUPS["5"].buffer(2.5).simplify(0.4)
    _write_layer(folder, "openings", [outline], group=["5"])
    _write_layer(folder, "exclusions", [stand.SEEP], name=["Otter Seep (invented)"])
    _write_layer(folder, "landings", [stand.LANDING], name=["Landing at the town road (invented)"])
    _write_layer(folder, "water", [stand.STREAM], name=["Lantern Brook (invented)"])


def _write_leave_trees(folder: Path, rng: np.random.Generator) -> None:
    """Trees that stay: most on their own, two of them in the middle of a group."""
    xy = np.vstack([stand.scattered_stems(23, rng), [(345.0, 236.0), (398.0, 328.0)]])
    found = trees(xy, rng, mean_in=17)
    crown = pd.Series(np.nan, found.index)
    crown.iloc[::4] = (2.2 + 0.12 * found["dbh"].iloc[::4]).round(1)
    _write_layer(
        folder,
        "leave_trees",
        list(map(shapely.Point, xy)),
        tree_id=[f"L{i}" for i in range(1, len(xy) + 1)],
        species=list(found["species"]),
        dbh_in=list(found["dbh"]),
        crown_radius_m=list(crown),
    )


def _write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Plain CSV with Unix line ends."""
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerows([header, *rows])
    path.write_bytes(text.getvalue().encode())


def _write_cruise(folder: Path, rng: np.random.Generator) -> None:
    """Points of a variable-radius cruise on a grid; at one of them no tree is in."""
    x, y = np.meshgrid(np.arange(62.0, 500, 98), np.arange(56.0, 460, 93))
    grid = np.column_stack([x.ravel(), y.ravel()])
    inside = shapely.contains_xy(stand.STAND.buffer(-12), grid)
    centres = grid[inside][:PLOTS]
    count = np.maximum(rng.poisson(TREES_A_PLOT, len(centres)), 5)
    count[7] = 0
    plot = np.repeat(np.arange(len(centres)), count)
    found = trees(centres[plot], rng, mean_in=13).assign(plot=plot)
    to_degrees = Transformer.from_crs(stand.CRS, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(*(centres + stand.ORIGIN).T)
    place = [
        (n + 1, f"{lon[n]:.6f}", f"{lat[n]:.6f}", BASAL_AREA_FACTOR) for n in range(len(centres))
    ]
    rows: list[tuple[object, ...]] = []
    for number, where in enumerate(place):
        here = found.loc[found["plot"] == number, ["species", "product", "dbh"]]
        in_trees = list(here.itertuples(index=False, name=None)) or [("", "", "")]
        rows += [(*where, *tree) for tree in in_trees]
    header = ("plot", "lon", "lat", "baf_ft2_ac", "species", "product", "dbh_in")
    _write_csv(folder / "cruise.csv", header, rows)


def _write_tally(folder: Path) -> None:
    """Small pulpwood of the matrix, counted on paper."""
    rows = [
        ("matrix", species, "pulpwood", dbh, count)
        for species, counts in TALLIED.items()
        for dbh, count in counts.items()
    ]
    _write_csv(folder / "tally.csv", ("zone", "species", "product", "dbh_in", "count"), rows)


def _volume(product: str, species: str, dbh: int) -> float:
    """Volume of one tree: a smooth invented curve, hemlock a little taller than hardwood."""
    taller = 1.08 if species == "eastern hemlock" else 1.0
    if product == "sawlog":
        return float(5 * round(taller * max(0.95 * (dbh - 5) ** 2.05, 15) / 5))
    return float(round(taller * 0.00108 * dbh**2.08, 3))


def _write_volume_table(folder: Path) -> None:
    """Invented local table: product, species and 2-inch class."""
    rows = [
        (product, species, dbh, _volume(product, species, dbh), unit)
        for product, unit, classes in (
            ("sawlog", "board foot", range(8, 27, 2)),
            ("pulpwood", "cord", range(4, 27, 2)),
        )
        for species in SPECIES
        for dbh in classes
    ]
    header = ("product", "species", "dbh_in", "volume", "unit")
    _write_csv(folder / "volume_table.csv", header, rows)


def _write_terrain(folder: Path) -> None:
    """Elevations around the stand: a slope to the brook, with two knolls."""
    around = np.array(stand.STAND.buffer(60).bounds) / CELL_M
    west, south = CELL_M * np.floor(around[:2])
    east, north = CELL_M * np.ceil(around[2:])
    x = np.arange(west, east, CELL_M) + CELL_M / 2
    y = np.arange(north, south, -CELL_M) - CELL_M / 2
    column, row = np.meshgrid(x, y)
    brook = shapely.distance(stand.STREAM, shapely.points(column, row))
    height = (
        402
        + 26 * (1 - np.exp(-brook / 240))
        + 9 * np.exp(-((column - 390) ** 2 + (row - 300) ** 2) / 9000)
        + 6 * np.exp(-((column - 300) ** 2 + (row - 60) ** 2) / 5000)
    )
    corner = np.array([west, north]) + stand.ORIGIN
    with rasterio.open(
        folder / "terrain.tif",
        "w",
        driver="GTiff",
        height=len(y),
        width=len(x),
        count=1,
        dtype="float32",
        crs=stand.CRS,
        transform=rasterio.Affine(CELL_M, 0, corner[0], 0, -CELL_M, corner[1]),
        nodata=-9999,
        compress="deflate",
        predictor=3,
    ) as raster:
        raster.write(height.round(1).astype("float32"), 1)


_TEXTS = {
    "harvest.toml": """\
# INVENTED: place, people, trees, numbers and rules of this project do not exist.
# It shows what a project file can hold, and has some faults on purpose: see README.md here.

[project]
name = "Marrow Hollow, stand 3 (INVENTED)"
units = "us"
working_crs = "EPSG:26916"
season = "frozen ground"

[inputs]
stand = "stand.gpkg"
corridors = "corridors.gpkg"
marks = ["marks_north.csv", "marks_south.csv"]
tally = "tally.csv"
openings = "openings.gpkg"
exclusions = "exclusions.gpkg"
water = "water.gpkg"
landings = "landings.gpkg"
leave_trees = "leave_trees.gpkg"
cruise = "cruise.csv"
terrain = "terrain.tif"

[corridors]
width = "14 ft"
width_column = "width_m"

[marks]
dbh_unit = "in"
height_unit = "ft"
position_error = "1.5 m"

[marks.paint]
pink = "corridor"
white = "cut"
orange = "group_boundary"
yellow = "line_tree"
red = "danger"

[terrain]
height_unit = "m"
steep_grade = "10 %"

[openings]
link_distance = "0 m"
min_trees = 4
min_area = "0.05 acre"
measure = "opening"
crown_radius = "3 m"
cleared_to_dbh = "2 in"

[water]
width = "4 m"
setback = "50 ft"
setback_rule = "no_cut"

[volume]
table = "volume_table.csv"
table_reading = "class"
table_class_width = "2 in"
size_classes = [5, 9, 12, 16, 20]

[volume.products.sawlog]
unit = "board foot"
rule = "international-1/4"

[volume.products.pulpwood]
unit = "cord"
solid = "79 ft3"

[allowance]
removal_share_max = "35 %"
confidence = "95 %"

[compare]
stump_error = "1.5 m"
driven_error = "1 m"
unmarked_in_corridors_allowed = true
unmarked_share_max = "3 %"
residual_damage_share_max = "10 %"

[limits]
opening_area_max = {value = "0.5 acre", authority = "plan", source = "invented plan, section 4"}
opening_area_min = {value = "0.1 acre", authority = "plan", source = "invented plan, section 4"}
combined_area_max = {value = "0.7 acre", authority = "plan", source = "invented plan, section 4"}
opening_spacing_min = {value = "100 ft", authority = "plan", source = "invented plan, section 4"}
corridor_share_max = {value = "12 %", authority = "prescription", source = "invented, item 6"}
water_distance_min = {value = "75 ft", authority = "prescription", source = "invented, item 7"}
removal_share_max = {value = "35 %", authority = "plan", source = "invented plan, section 5"}
target = {sawlog = "17.4 MBF", pulpwood = "55 cord"}
""",
    "proposal.toml": """\
# INVENTED, as harvest.toml is: where groups could be taken in the same stand before anybody marks.
# The stem map is drawn apart from the marks; its trees are not the marked ones.

[project]
name = "Marrow Hollow, stand 3 (INVENTED)"
units = "us"
working_crs = "EPSG:26916"

[inputs]
stand = "stand.gpkg"
corridors = "corridors.gpkg"
standing = {file = "stem_map.csv", crs = "EPSG:26916"}
exclusions = "exclusions.gpkg"
water = "water.gpkg"
landings = "landings.gpkg"

[corridors]
width = "14 ft"
width_column = "width_m"

[water]
width = "4 m"
setback = "50 ft"
setback_rule = "no_cut"

[volume]
table = "volume_table.csv"
table_reading = "class"
table_class_width = "2 in"

[volume.products.sawlog]
unit = "board foot"
rule = "international-1/4"

[volume.products.pulpwood]
unit = "cord"
solid = "79 ft3"

[propose]
min_trees = 4
groups_max = 10
rounds_max = 6

[[propose.priority]]
when = {condition = "dead"}
priority = 3

[[propose.priority]]
when = {defect_min = "30 %"}
priority = 2

[propose.weights]
failing = "1 per m2"
growing_stock = "0.5 per m2"

[limits]
opening_area_max = "0.3 acre"
opening_area_min = "0.1 acre"
opening_spacing_min = "100 ft"
openings_share_max = "8 %"
water_distance_min = "75 ft"
removal_basal_area_share_max = "25 %"
""",
    "README.md": """\
# An invented project

Marrow Hollow, Otter Seep and Lantern Brook do not exist. Neither do the trees, the markers, the
plan, the volume table or the numbers: all were made up by `scripts/make_sample.py` with a fixed
seed, and nothing here may be used to value, mark or cut a tree. The map position was picked at
random in UTM zone 16.

Start with `harvest.toml`, or before the marking with `proposal.toml`: its stem map has 3,000 trees,
some of them failing together (`glademark propose`, docs/proposals.md). On purpose, the files hold

- one group that is too large (group 1);
- one pair of groups too close to each other (groups 3 and 4), which corridor B moreover joins into
  one hole;
- trees whose paint and place disagree: some by less than a receiver can tell, and two by far;
- two records that nobody can use: a position `0, 0`, and a record saved twice; and a diameter `see
  photo`, whose tree is counted without one;
- six trees without paint, which are counted apart, not as cut;
- an invented walk after the cut in `after_cut/`: 21 marked trees without a stump, stumps of the 176
  trees that were counted on paper, 12 stumps without a mark off corridors and 7 in them, a machine
  past the end of corridor D and none on K, opening 7 cut 3 m wider than laid, and plots that show
  less left than the stumps explain, and damage on 20 plots (docs/after_the_cut.md);
- the habits of field files: two markers who both number from 1, two sets of headings, capitals and
  spaces as they come, blank rows, clumps of two or three stems under one number, and a byte order
  mark.
""",
    ".gitattributes": "*.csv -text\n",
}


def main() -> None:
    """Write into the folder named on the command line, else into the repository's own."""
    parser = argparse.ArgumentParser(description="Write the invented sample project.")
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER)
    folder = parser.parse_args().folder
    write_sample(folder)
    size = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
    print(f"sample project written to {folder} ({size / 1000:.0f} kB)")


if __name__ == "__main__":
    main()
