"""Map sheets of the sample and of stands of every size and shape, all of them invented."""

from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from types import SimpleNamespace as Sheets

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.survey import Survey
from glademark.jobs.layout import Outcome, installed_limits
from glademark.judge.checks import judge
from glademark.judge.limits import Case, limits_asked
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.report.delivery import MAP, Delivery
from glademark.report.map_sheets.sheet_set import write_sheets
from glademark.report.summary import build_summary

collect_ignore = ["found_points.py"]  # run by the system's Python, which has GDAL

WEST, SOUTH = 400_000.0, 5_100_000.0
HECTARE_M2 = 10_000.0


def scattered(shape: BaseGeometry, number: int, seed: int) -> np.ndarray:
    """Points inside a shape, evenly at random."""
    draw = np.random.default_rng(seed)
    west, south, east, north = shape.bounds
    tries = number * 60  # a slanting strip fills little of its bounds
    found = np.column_stack([draw.uniform(west, east, tries), draw.uniform(south, north, tries)])
    return found[shapely.contains_xy(shape, found[:, 0], found[:, 1])][:number]


def trees_in(shape: BaseGeometry, number: int, seed: int, **columns: object) -> list[dict]:
    """Marks of some size scattered over a shape."""
    sizes = np.random.default_rng(seed).uniform(14, 60, number * 3)
    return [
        {"geometry": shapely.Point(at), "dbh_cm": size, "dbh": size, "tree_id": f"{seed}-{i}",
         **columns}
        for i, (at, size) in enumerate(zip(scattered(shape, number, seed), sizes, strict=False))
    ]  # fmt: skip


def grouped(shape: BaseGeometry, groups: int, seed: int) -> list[dict]:
    """Groups of twelve trees in discs of 14 m."""
    middles = scattered(shape.buffer(-20), groups, seed)
    return [
        tree
        for number, middle in enumerate(middles, 1)
        for tree in trees_in(
            shapely.Point(middle).buffer(14), 12, seed + number, group=f"G{number}"
        )
    ]


def corridors_across(shape: BaseGeometry, apart_m: float) -> list[BaseGeometry]:
    """Level lines across a shape."""
    west, south, east, north = shape.bounds
    return [
        shapely.LineString([(west, y), (east, y)])
        for y in np.arange(south + apart_m / 2, north, apart_m)
    ]


@pytest.fixture(scope="session")
def delivery_of(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Callable[..., Delivery]:
    """Builder of deliveries: a stand, project tables, and what a survey may hold."""

    def build(stand: BaseGeometry, project: Mapping[str, object], **given: object) -> Delivery:
        asked, survey = project_of(**project), survey_of(stand, **given)
        layout = measure_layout(survey, asked, earlier={})
        checks = judge(
            Case(layout=layout, survey=survey, project=asked),
            limits_asked(asked.limits, known=installed_limits()),
        )
        summary = build_summary(asked, survey, layout, checks)
        return Delivery(project=asked, survey=survey, layout=layout, checks=checks, summary=summary)

    return build


def _two_hectares(build: Callable[..., Delivery]) -> Delivery:
    """Two hectares with everything that a map can show."""
    stand = shapely.box(WEST, SOUTH, WEST + 200, SOUTH + 100)
    return build(
        stand,
        {"project": {"name": "Small stand (invented)", "units": "metric", "season": "frozen"},
         "limits": {"opening_area_max": "500 m2", "opening_spacing_min": "30 m"}},
        corridors=[shapely.LineString([(WEST, SOUTH + 50), (WEST + 200, SOUTH + 50)])],
        marks=[
            *grouped(stand, 2, 11),
            *trees_in(stand, 40, 12),
            {"geometry": shapely.Point(WEST + 150, SOUTH + 62), "kind": "danger"},
            {"geometry": shapely.Point(WEST + 199, SOUTH + 80), "kind": "line_tree"},
        ],
        exclusions=[shapely.box(WEST + 165, SOUTH + 70, WEST + 190, SOUTH + 90)],
        landings=[shapely.box(WEST, SOUTH + 40, WEST + 25, SOUTH + 60)],
        water=[shapely.box(WEST + 120, SOUTH, WEST + 124, SOUTH + 100)],
        setbacks=[{"geometry": shapely.box(WEST + 110, SOUTH, WEST + 134, SOUTH + 100),
                   "name": "brook"}],
        leave_trees=[{"geometry": shapely.Point(WEST + 90, SOUTH + 20), "tree_id": "L1"}],
    )  # fmt: skip


def _two_hundred_hectares(build: Callable[..., Delivery]) -> Delivery:
    """Two hundred hectares, hundreds of trees, nine openings."""
    stand = shapely.Point(WEST, SOUTH).buffer(798, quad_segs=3).buffer(0)
    stand = shapely.affinity.scale(stand, *[np.sqrt(200 * HECTARE_M2 / stand.area)] * 2)
    return build(
        stand,
        {"project": {"name": "Large stand (invented)", "units": "us"}},
        corridors=corridors_across(stand, 150),
        marks=[*grouped(stand, 9, 100), *trees_in(stand, 400, 13)],
    )


def _long_and_narrow(build: Callable[..., Delivery]) -> Delivery:
    """A strip of 1,500 m by 60 m, slanting."""
    stand = shapely.affinity.rotate(shapely.box(WEST, SOUTH, WEST + 1500, SOUTH + 60), 35)
    middle = shapely.affinity.rotate(
        shapely.LineString([(WEST, SOUTH + 30), (WEST + 1500, SOUTH + 30)]), 35
    )
    return build(
        stand,
        {"project": {"name": "Long and narrow (invented)", "units": "metric"}},
        corridors=[middle],
        marks=[*grouped(stand, 4, 50), *trees_in(stand, 150, 14)],
    )


def _without_openings(build: Callable[..., Delivery]) -> Delivery:
    """Single trees only, and neither corridor nor limit."""
    stand = shapely.box(WEST, SOUTH, WEST + 300, SOUTH + 200)
    trees = [
        {"geometry": shapely.Point(WEST + x, SOUTH + y)}
        for x in range(20, 300, 40)
        for y in range(20, 200, 40)
    ]
    return build(stand, {}, marks=trees)


STANDS: Mapping[str, Callable[[Callable[..., Delivery]], Delivery]] = {
    "2 ha": _two_hectares,
    "200 ha": _two_hundred_hectares,
    "long": _long_and_narrow,
    "no openings": _without_openings,
}


def spread_points(delivery: Delivery) -> gpd.GeoSeries:
    """Points all over the stand and at every opening, at odd coordinates."""
    stand = shapely.union_all(delivery.layout.stand.geometry.to_numpy())
    inside = shapely.points(scattered(stand, 40, 5))
    at_openings = shapely.point_on_surface(delivery.layout.openings.geometry.to_numpy())
    return gpd.GeoSeries(np.concatenate([inside, at_openings]), crs=delivery.layout.crs)


def made(delivery: Delivery, folder: Path) -> Sheets:
    """The sheets of a delivery, with what they were made from and the points drawn on them."""
    points = spread_points(delivery)
    pdf, picture = folder / "layout_map.pdf", folder / "layout_map.png"
    write_sheets(delivery, pdf=pdf, picture=picture, points=points)
    return Sheets(delivery=delivery, pdf=pdf, picture=picture, points=points)


@pytest.fixture(scope="session")
def sample_delivery(sample_run: Outcome) -> Delivery:
    """The invented sample as it is handed over."""
    return sample_run.delivery


@pytest.fixture(scope="session")
def sample_sheets(sample_delivery: Delivery, tmp_path_factory: pytest.TempPathFactory) -> Sheets:
    """Sheets of the sample."""
    return made(sample_delivery, tmp_path_factory.mktemp("sheets"))


@pytest.fixture(scope="session")
def sheets_of(
    delivery_of: Callable[..., Delivery], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Sheets]:
    """Sheets of a stand by its name, drawn once."""

    @cache
    def drawn(name: str) -> Sheets:
        return made(STANDS[name](delivery_of), tmp_path_factory.mktemp("stand"))

    return drawn


@pytest.fixture(scope="session")
def long_sheets(sheets_of: Callable[[str], Sheets]) -> Sheets:
    """Sheets of the long and narrow stand."""
    return sheets_of("long")


@pytest.fixture(scope="session")
def written(
    delivery_of: Callable[..., Delivery], tmp_path_factory: pytest.TempPathFactory
) -> Sheets:
    """Two hectares as they are handed over, and the folder of their sheets."""
    delivery, folder = STANDS["2 ha"](delivery_of), tmp_path_factory.mktemp("small")
    MAP.write(delivery, folder)
    return Sheets(delivery=delivery, folder=folder)


@pytest.fixture(scope="session", params=list(STANDS))
def stand_sheets(request: pytest.FixtureRequest, sheets_of: Callable[[str], Sheets]) -> Sheets:
    """Sheets of each of the stands."""
    return sheets_of(request.param)
