"""An invented layout, small enough to check by hand: a square stand with three openings."""

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from glademark.contracts.layers import LAYERS, Layer
from glademark.contracts.layout import (
    CorridorFigures,
    Figures,
    Layout,
    MarkFigures,
    OpeningFigures,
    ProductFigures,
    StandFigures,
    StandResults,
    VolumeFigures,
    ZoneFigures,
)
from glademark.contracts.survey import InputCount, Survey
from glademark.export import geopackage, tables
from glademark.project.model import Project
from glademark.report import summary
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.summary import build_summary

WORKING_CRS = CRS.from_epsg(26916)
WEST, SOUTH = 400_000.0, 5_100_000.0
UNFILLED: Mapping[str, Any] = {
    "text": "",
    "integer": pd.NA,
    "real": float("nan"),
    "flag": pd.NA,
}


def square(x: float, y: float, side: float) -> shapely.Polygon:
    """Square with its lower left corner at x, y from the corner of the stand [m]."""
    return shapely.box(WEST + x, SOUTH + y, WEST + x + side, SOUTH + y + side)


def declared(layer: Layer, rows: Mapping[str, Sequence[Any]]) -> pd.DataFrame:
    """Frame with every declared column; what is not given is missing."""
    length = len(next(iter(rows.values()), []))
    columns = {
        column.name: list(rows.get(column.name, [UNFILLED[column.kind]] * length))
        for column in layer.columns
    }
    extra = {name: list(values) for name, values in rows.items() if name not in columns}
    return pd.DataFrame(columns | extra)


def placed(layer: str, shapes: Sequence[Any], /, **rows: Sequence[Any]) -> gpd.GeoDataFrame:
    """Layer of the layout with its shapes."""
    frame = declared(LAYERS[layer], rows)
    return gpd.GeoDataFrame(frame, geometry=list(shapes), crs=WORKING_CRS)


def make_project(folder: Path, *, units: str = "us") -> Project:
    """Project file of the invented stand, its inputs said to lie in a folder."""
    return Project.model_validate(
        {
            "project": {
                "name": "Test Forty (invented)",
                "units": units,
                "season": "frozen ground",
            },
            "inputs": {
                "stand": str(folder / "stand.gpkg"),
                "corridors": str(folder / "corridors.gpkg"),
                "marks": str(folder / "marks.csv"),
            },
            "marks": {"paint": {"pink": "corridor"}},
            "limits": {
                "opening_area_max": {
                    "value": "0.5 acre",
                    "authority": "plan",
                    "source": "management plan, section 4",
                },
                "opening_spacing_min": "100 ft",
            },
        }
    )


@cache
def make_survey() -> Survey:
    """Survey with two records rejected; frames that no writer reads are empty."""
    nothing = gpd.GeoDataFrame(geometry=[], crs=WORKING_CRS)
    rejected = declared(
        LAYERS["rejected"],
        {
            "input": ["marks", "marks"],
            "file": ["marks.csv", "marks.csv"],
            "record": [12, 40],
            "tree_id": ["11", "39"],
            "reason": ["longitude is empty. Fill it in", "longitude is empty. Fill it in"],
        },
    )
    names = (
        "stand", "corridors", "marks", "walked", "exclusions", "landings", "water", "setbacks",
        "leave_trees", "crop_trees", "regeneration", "failing_patches", "standing", "marked_ground",
    )  # fmt: skip
    frames = dict.fromkeys(names, nothing)
    counts = (
        InputCount(input="stand", file="stand.gpkg", sha256="a" * 64, read=1, used=1, rejected=0),
        InputCount(input="marks", file="marks.csv", sha256="b" * 64, read=6, used=4, rejected=2),
    )
    return Survey(
        crs=WORKING_CRS,
        **frames,
        tally=pd.DataFrame(),
        volume_table=None,
        plots=nothing,
        plot_trees=pd.DataFrame(),
        terrain=None,
        rejected=rejected,
        counts=counts,
        stand_notices=(),
    )


def make_figures() -> Figures:
    """Figures of the invented stand: 200 m square, strips of 4 m, openings of 40 and 50 m."""
    return Figures(
        stand=StandFigures(
            area_m2=40_000.0, area_geodesic_m2=40_016.0, operable_m2=38_400.0, perimeter_m=800.0
        ),
        corridors=CorridorFigures(
            length_m=396.0,
            area_m2=1584.0,
            share=0.0396,
            share_operable=0.04125,
            new_m2=1584.0,
            overlap_m2=16.0,
            with_landings_m2=1584.0,
            share_with_landings=0.0396,
            share_operable_with_landings=0.04125,
            density_m_per_ha=99.0,
            mean_spacing_m=40_000 / 396,
        ),
        openings=OpeningFigures(
            edge="standing_crowns",
            standing_crown_radius_m=3.0,
            area_marked_crowns_m2=1_500.0,
            area_boles_m2=2_000.0,
            count=3,
            area_m2=5700.0,
            share=0.1425,
            largest_m2=2500.0,
            nearest_spacing_m=6.0,
            combined_count=2,
            combined_largest_m2=3224.0,
            components=5,
            components_area_m2=5800.0,
            incidental_count=1,
            incidental_area_m2=100.0,
        ),
        zones={
            "exclusion": ZoneFigures(area_m2=1600.0, marks=0),
            "landing": ZoneFigures(area_m2=0.0, marks=0),
            "corridor": ZoneFigures(area_m2=1584.0, marks=1),
            "opening": ZoneFigures(area_m2=5380.0, marks=2),
            "matrix": ZoneFigures(area_m2=31_436.0, marks=1),
        },
        marks=MarkFigures(
            read=6,
            used=4,
            rejected=2,
            trees=4,
            not_located=3,
            paint_disagrees=2,
            paint_disagrees_expected=1.4,
            paint_disagrees_listed=1,
            line_trees=1,
            line_trees_basal_area_m2=0.1,
            leave_trees=2,
            danger_trees=1,
        ),
        volume=VolumeFigures(
            m3=None,
            m3_missing_trees=7,
            basal_area_m2=0.7,
            by_product={
                "pulpwood": ProductFigures(unit="cord", rule="", gross=1.5, net=1.5, trees=5),
                "sawlog": ProductFigures(
                    unit="board foot", rule="international-1/4", gross=1300.0, net=1200.0, trees=2
                ),
            },
            sources=("volume table volume_table.csv",),
            size_class_rule="lower edges 5, 9, 12 in",
        ),
    )


def make_marks() -> gpd.GeoDataFrame:
    """Four marks, with columns of the field file that clash with ours and with the GeoPackage's."""
    points = shapely.points([[WEST + 20, SOUTH + 20], [WEST + 30, SOUTH + 25],
                             [WEST + 100, SOUTH + 120], [WEST + 190, SOUTH + 10]])  # fmt: skip
    return placed(
        "marks",
        points,
        tree_id=["1", "2", "3", '=HYPERLINK("x")'],
        marker=["A. Forester"] * 4,
        count=[1, 1, 1, 1],
        kind=["cut", "cut", "cut", "danger"],
        dbh_cm=[30.48, 25.4, 50.8, float("nan")],
        zone=["opening", "opening", "corridor", "matrix"],
        opening=[1, 1, pd.NA, pd.NA],
        volume=[0.5, 0.25, 600.0, float("nan")],
        volume_unit=["cord", "cord", "board foot", ""],
        source_file=["marks.csv"] * 4,
        record=[2, 3, 4, 5],
        FID=["a", "b", "c", "d"],
        geom=["u", "v", "w", "x"],
        DBH_in=["12", "10", "20", ""],
        remark=["-", "two stems", "", "leans"],
        Remark=["p", "q", "r", "s"],
    )


def make_openings() -> gpd.GeoDataFrame:
    """Two squares of 40 m with 6 m between them and one of 50 m with a pinch of its own."""
    return placed(
        "openings",
        [square(20, 80, 40), square(66, 80, 40), square(130, 130, 50)],
        opening=[1, 2, 3],
        group=["1", "G-west", ""],
        basis=["walked", "tagged", "crowns"],
        area_m2=[1600.0, 1600.0, 2500.0],
        trees=[12, 10, 22],
        parts=[1, 1, 1],
        combined=[1, 1, 3],
        combined_area_m2=[3224.0, 3224.0, 2500.0],
        nearest=[2, 1, 2],
        spacing_m=[6.0, 6.0, 33.9],
        volume=["0.75 cord", "600 board foot", ""],
    )


@cache
def make_layout() -> Layout:
    """The invented layout."""
    strips = [
        shapely.box(WEST, SOUTH + 98, WEST + 200, SOUTH + 102),
        shapely.box(WEST + 98, SOUTH, WEST + 102, SOUTH + 200),
    ]
    lines = [
        shapely.LineString([(WEST, SOUTH + 100), (WEST + 200, SOUTH + 100)]),
        shapely.LineString([(WEST + 100, SOUTH), (WEST + 100, SOUTH + 200)]),
    ]
    names = {"corridor": ["C1", "C2"], "state": ["new", "new"], "width_m": [4.0, 4.0]}
    empty = {name: placed(name, []) for name in ("landings", "water", "leave_trees", "setbacks")}
    return Layout(
        crs=WORKING_CRS,
        stand=placed(
            "stand",
            [square(0, 0, 200)],
            name=["Test Forty (invented)"],
            area_m2=[40_000.0],
            area_geodesic_m2=[40_016.0],
            operable_m2=[38_400.0],
            perimeter_m=[800.0],
        ),
        zones=placed(
            "zones",
            [square(0, 160, 40), shapely.MultiPolygon(), strips[0]],
            zone=["exclusion", "landing", "corridor"],
            area_m2=[1600.0, 0.0, 800.0],
            share=[0.04, 0.0, 0.02],
        ),
        corridors=placed(
            "corridors", strips, **names, area_m2=[800.0, 800.0], length_m=[200.0] * 2
        ),
        corridor_lines=placed("corridor_lines", lines, **names, length_m=[200.0] * 2),
        openings=make_openings(),
        combined_openings=placed(
            "combined_openings",
            [shapely.unary_union([square(20, 80, 40), square(66, 80, 40)]), square(130, 130, 50)],
            combined=[1, 3],
            openings=["1, 2", "3"],
            openings_count=[2, 1],
            area_m2=[3224.0, 2500.0],
            net_of_corridor_m2=[2880.0, 2500.0],
        ),
        incidental_openings=placed("incidental_openings", []),
        marks=make_marks(),
        exclusions=placed("exclusions", [square(0, 160, 40)], name=["Spring"], area_m2=[1600.0]),
        volume_by_zone=make_tally(),
        cruise_plots=placed("cruise_plots", []),
        allowance=declared(LAYERS["allowance"], {}),
        stock_by_class=declared(LAYERS["stock_by_class"], {}),
        by_stand={
            0: StandResults(
                figures=make_figures(),
                stock_left={},
                residual={},
                notices=("The working CRS is the stand's own.",),
            )
        },
        **empty,
    )


def make_tally() -> pd.DataFrame:
    """Four cells and their total."""
    return declared(
        LAYERS["volume_by_zone"],
        {
            "row": ["cell", "cell", "cell", "cell", "total"],
            "zone": ["corridor", "opening", "matrix", "matrix", "all"],
            "located": ["located", "located", "located", "not_located", "all"],
            "product": ["sawlog", "pulpwood", "sawlog", "pulpwood", "all"],
            "species": ["sugar maple", "hemlock", "sugar maple", "hemlock", "all"],
            "size_class": ["18+", "10-14", "18+", "10-14", "all"],
            "trees": [1, 2, 1, 3, 7],
            "basal_area_m2": [0.2, 0.1, 0.2, 0.2, 0.7],
            "volume_gross": [650.0, 0.75, 650.0, 0.75, float("nan")],
            "volume_net": [600.0, 0.75, 600.0, 0.75, float("nan")],
            "volume_unit": ["board foot", "cord", "board foot", "cord", ""],
            "volume_source": ["volume table volume_table.csv"] * 5,
        },
    )


@cache
def make_checks() -> pd.DataFrame:
    """One row of each verdict and more."""
    return declared(
        LAYERS["checks"],
        {
            "limit": [
                "opening_area_max", "opening_area_max", "opening_area_max",
                "opening_spacing_min", "corridor_share_max", "removal_share_max",
            ],
            "subject": [
                "area of opening 1", "area of opening 2", "area of opening 3",
                "distance between openings 1 and 2", "share of the stand in corridors",
                "share of the standing volume taken",
            ],
            "layer": ["openings", "openings", "openings", "openings", "corridors", ""],
            "feature": ["1", "2", "3", "1, 2", "", ""],
            "measured": [1600.0, 1600.0, 2500.0, 6.0, 0.0396, float("nan")],
            "limit_value": [2023.4282112, 2023.4282112, 2023.4282112, 30.48, 0.04, 0.35],
            "margin": [423.4282112, 423.4282112, -476.5717888, -24.48, 0.0004, float("nan")],
            "unit": ["m2", "m2", "m2", "m", "share", "share"],
            "verdict": ["met", "met", "exceeded", "exceeded", "near", "not_checked"],
            "reason": ["", "", "", "", "within 5 % of the limit", "no cruise is given"],
            "authority": ["plan", "plan", "plan", "", "", "contract"],
            "source": ["management plan, section 4"] * 3 + ["", "", ""],
        },
    )  # fmt: skip


def make_delivery(folder: Path, *, units: str = "us") -> Delivery:
    """All that a writer draws on, for the invented stand."""
    project, survey, layout, checks = (
        make_project(folder, units=units), make_survey(), make_layout(), make_checks(),
    )  # fmt: skip
    return Delivery(
        project=project,
        survey=survey,
        layout=layout,
        checks=checks,
        summary=build_summary(project, survey, layout, checks),
    )


@pytest.fixture
def delivery(tmp_path: Path) -> Delivery:
    """The invented layout in acres and feet."""
    return make_delivery(tmp_path / "inputs")


@pytest.fixture
def deliverables() -> Mapping[str, Deliverable]:
    """All deliverables of the package."""
    known = (
        geopackage.DELIVERABLE,
        tables.VOLUME_BY_ZONE,
        tables.CHECKS,
        tables.OPENINGS,
        summary.DELIVERABLE,
    )
    return {deliverable.id: deliverable for deliverable in known}


@pytest.fixture(scope="session")
def make_in() -> Callable[..., Delivery]:
    """Maker of the invented layout, its inputs said to lie in a folder, in units of choice."""
    return make_delivery
