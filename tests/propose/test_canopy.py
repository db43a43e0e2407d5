"""Trees of canopy heights: published widths, made canopies with known tops, and their use."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely.affinity
from rasterio.transform import from_origin

from glademark.contracts.terrain import Elevation
from glademark.errors import InputError
from glademark.forestry.allometry import WidthForm, width_of_height_m
from glademark.intake.read import read_survey
from glademark.jobs.layout import installed_limits
from glademark.judge.limits import limits_asked
from glademark.measure.canopy_trees import canopy_trees, tree_tops
from glademark.project import read_project
from glademark.proposal.prepare import Prepared, prepare

CELL_M, CELLS = 0.5, 160
LATTICE = [(10.25 + 10 * i, 10.25 + 10 * j) for i in range(6) for j in range(6)]


def cones(tops: list[tuple[float, float]], heights: list[float]) -> Elevation:
    """Cones that fall 1.5 m per m, on cells of half a metre, the first middle at 0.25 m."""
    middle = (np.arange(CELLS) + 0.5) * CELL_M
    x, y = np.meshgrid(middle, middle[::-1])
    height = np.zeros((CELLS, CELLS))
    for (east, north), top in zip(tops, heights, strict=True):
        height = np.maximum(height, top - 1.5 * np.hypot(x - east, y - north))
    return Elevation(
        heights_m=height,
        west_m=0.0,
        north_m=CELLS * CELL_M,
        cell_x_m=CELL_M,
        cell_y_m=CELL_M,
        file="cones.tif",
    )


@pytest.mark.parametrize(
    ("form", "height", "width"),
    [
        ("deciduous", 10, 3.9913),
        ("deciduous", 30, 11.1513),
        ("pines", 20, 5.1312),
        ("pines", 7.22, 3.1042),
        ("pines", 2, 3.1042),
        ("combined", 10, 3.4160),
        ("combined", 30, 10.6240),
        ("combined", 20, 2 * 3.0595),
        ("power", 10, 6.2773),
        ("power", 30, 11.5701),
        ("linear", 20, 4.4),
    ],
)
def test_widths_of_crowns_are_the_published_ones(
    form: WidthForm, height: float, width: float
) -> None:
    """
    Popescu and Wynne 2004, Chen and others 2006, Pitkanen and others 2004: widths, not radii.

    The form of pines has its minimum at 7.22 m and is held there.
    """
    assert float(width_of_height_m(height, form=form)) == pytest.approx(width, abs=1e-4)


@pytest.mark.parametrize(
    ("more", "heights"), [([], []), ([(12.75, 10.25)], [19.0]), ([(15.25, 15.25)], [1.5])]
)
def test_tops_of_a_lattice_are_found(more: list[tuple[float, float]], heights: list[float]) -> None:
    """
    36 cones of 20 m are 36 trees, all in place.

    A top of 19 m in the reach (2.88 m) of one of 20 m is hidden, and one of 1.5 m is too low.
    """
    canopy = cones([*LATTICE, *more], [20.0] * 36 + heights)
    trees = canopy_trees(canopy, form="combined", height_min_m=2.0)

    assert sorted(zip(trees["x"], trees["y"], strict=True)) == sorted(LATTICE)
    assert set(trees["height_m"]) == {20.0}


def test_equal_cells_within_reach_are_one_top() -> None:
    """A plain test for the highest cell would report both."""
    canopy = cones([(20.25, 20.25)], [20.0])
    row, column = tree_tops(canopy, form="combined", height_min_m=2.0)
    canopy.heights_m[row, column + 1] = 20.0

    assert len(tree_tops(canopy, form="combined", height_min_m=2.0)[0]) == 1


def test_crowns_are_the_ground_between_neighbours() -> None:
    """
    Inside the lattice a crown is its square of 10 m, as far as 6.119 m from the top.

    Cells between two tops fall to one of them: the mean is that area, a crown a row more or less.
    """
    trees = canopy_trees(cones(LATTICE, [20.0] * 36), form="combined", height_min_m=2.0)
    inner = trees[trees["x"].between(15, 55) & trees["y"].between(15, 55)]
    area = shapely.Point(0, 0).buffer(6.119, 64).intersection(shapely.box(-5, -5, 5, 5)).area

    found = np.pi * inner["crown_radius_m"] ** 2
    assert found.mean() == pytest.approx(area, rel=0.02)
    assert found.between(0.9 * area, 1.1 * area).all()


def prepared(folder: Path, *, weights: str, limits: str = "") -> Prepared:
    """A stand of the lattice without a map of its trees, one patch of which was walked."""
    corner = (500_000.0, 4_900_000.0)
    crs = "EPSG:26916"
    canopy = cones(LATTICE, [20.0] * 36)
    place = from_origin(corner[0], corner[1] + CELLS * CELL_M, CELL_M, CELL_M)
    with rasterio.open(
        folder / "canopy.tif", "w", driver="GTiff", height=CELLS, width=CELLS, count=1,
        dtype="float32", crs=crs, transform=place,
    ) as raster:  # fmt: skip
        raster.write(canopy.heights_m.astype("float32"), 1)
        raster.units = ("m",)
    for name, (west, south, east, north) in (
        ("stand", (0, 0, 56, 80)), ("patches", (5, 5, 25, 35)),
    ):  # fmt: skip
        box = shapely.affinity.translate(shapely.box(west, south, east, north), *corner)
        gpd.GeoDataFrame({"name": [name]}, geometry=[box], crs=crs).to_file(folder / f"{name}.gpkg")
    path = folder / "harvest.toml"
    path.write_text(
        "[project]\nname = 'invented'\nunits = 'metric'\n[inputs]\nstand = 'stand.gpkg'\n"
        "canopy_height = 'canopy.tif'\nfailing_patches = 'patches.gpkg'\n"
        f"[propose.weights]\n{weights}\n[limits]\nopening_area_max = '900 m2'\n{limits}",
        encoding="utf-8",
    )
    project = read_project(path, marked=False)
    asked = limits_asked(project.limits, known=installed_limits())
    return prepare(read_survey(project, folder=folder), project, asked, tell=str)


def test_a_stand_without_a_map_is_proposed_from_its_canopy(tmp_path: Path) -> None:
    """30 of 36 tops stand in the stand, 6 in the patch; what a canopy cannot tell is said.

    A limit on what is removed is not held, since no tree says what it takes.
    """
    found = prepared(
        tmp_path,
        weights="failing = '1 per tree'\ngrowing_stock = '0.5 per tree'",
        limits="removal_basal_area_share_max = '20 %'",
    )

    assert len(found.trees) == 30
    assert found.trees["failing"].sum() == 6
    assert set(found.trees["height_m"]) == {20.0}
    assert found.task.demands.amounts_max == ()
    assert "Species, diameter, defect and risk do not come from it" in found.notices[0]


def test_weights_by_a_size_that_no_canopy_has_are_refused(tmp_path: Path) -> None:
    """Basal area comes from diameters, and a canopy has none."""
    with pytest.raises(InputError, match="no diameter and no volume; expected failing and"):
        prepared(tmp_path, weights="failing = '1 per m2'")
