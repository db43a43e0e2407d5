"""The Python interface: the command's figures, from files or frames; nothing written unasked."""

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import glademark as gm
from glademark.errors import CrsError, InputError
from glademark.jobs.layout import lay_out as lay_out_files

if TYPE_CHECKING:
    from collections.abc import Callable

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis"
X, Y = 500_000.0, 5_300_000.0
CRS = "EPSG:32632"
SETTINGS = {
    "corridors": {"width": "4 m"},
    "openings": {
        "edge": "standing_crowns",
        "crown_radius": "3 m",
        "min_area": "20 m2",
        "min_trees": 2,
    },
    "limits": {"opening_area_max": "100 m2", "corridor_share_max": "10 %"},
}


def frame(*shapes: Any, **columns: Any) -> gpd.GeoDataFrame:  # noqa: ANN401 - shapes and columns
    """Shapes near a corner of the zone, with columns."""
    moved = shapely.transform(np.array(shapes, dtype=object), lambda at: at + np.array([X, Y]))
    return gpd.GeoDataFrame(columns, geometry=moved, crs=CRS)


@pytest.fixture
def frames() -> dict[str, gpd.GeoDataFrame]:
    """A stand of 2 ha with a corridor and two groups of two trees."""
    trees = [(20, 20), (24, 20), (120, 80), (124, 80)]
    return {
        "stand": frame(shapely.box(0, 0, 200, 100)),
        "corridors": frame(shapely.LineString([(0, 50), (200, 50)])),
        "marks": frame(*map(shapely.Point, trees), dbh_cm=[40.0] * 4),
    }


@pytest.fixture
def project(frames: dict[str, gpd.GeoDataFrame], tmp_path: Path) -> Path:
    """The same as files."""
    for name, one in frames.items():
        one.to_file(tmp_path / f"{name}.gpkg")
    lines = ['project = {name = "Layout"}', "[inputs]"]
    lines += [f'{name} = "{name}.gpkg"' for name in frames]
    for table, keys in SETTINGS.items():
        lines += [f"[{table}]", *(f"{key} = {json.dumps(value)}" for key, value in keys.items())]
    (tmp_path / "harvest.toml").write_text("\n".join(lines))
    return tmp_path / "harvest.toml"


def measured(layout: Any) -> dict[str, Any]:  # noqa: ANN401 - a layout
    """Figures of a layout that do not say where the inputs came from."""
    return {k: v for k, v in layout.summary.items() if k not in {"provenance", "notices"}}


def test_frames_and_files_give_the_same(frames: dict[str, gpd.GeoDataFrame], project: Path) -> None:
    """Frames with settings, and files with a project file, are one layout; no file is written."""
    before = {path.name for path in project.parent.iterdir()}

    of_frames, of_file = gm.lay_out(**frames, settings=SETTINGS), gm.lay_out(str(project))

    assert measured(of_frames) == measured(of_file)
    assert {path.name for path in project.parent.iterdir()} == before


def test_layout_has_frames_verdicts_and_html(frames: dict[str, gpd.GeoDataFrame]) -> None:
    """Two groups of two crowns are measured by formula, judged, and shown."""
    layout = gm.lay_out(**frames, settings=SETTINGS)

    lens = 2 * 9 * math.acos(2 / 3) - 2 * math.sqrt(4 * 9 - 16)  # of two circles, r 3 m, 4 m apart
    area = 2 * math.pi * 9 - lens
    assert layout.openings["area_marked_crowns_m2"].to_numpy() == pytest.approx(area, rel=2e-3)
    assert (layout.openings["area_m2"] >= layout.openings["area_marked_crowns_m2"]).all()
    assert layout.checks["verdict"].tolist() == ["met"] * 3
    assert "openings" in dir(layout)
    assert "Limits: 3 met" in layout._repr_html_()
    with pytest.raises(AttributeError, match="no 'opening'"):
        _ = layout.opening


def test_settings_go_over_the_project_file(project: Path) -> None:
    """A setting stands for the key of the project file, and its other keys stay."""
    layout = gm.lay_out(project, settings={"limits": {"opening_area_max": "10 m2"}})

    assert sorted(layout.checks["verdict"]) == ["exceeded", "exceeded", "met"]


def test_written_only_when_asked(frames: dict[str, gpd.GeoDataFrame], tmp_path: Path) -> None:
    """`write` makes the files that are asked for, the same as those of the command."""
    layout = gm.lay_out(**frames, settings=SETTINGS)

    files = layout.write(tmp_path / "out", only=["gpkg"])

    assert {path.name for path in files} == {"layout.gpkg", "summary.json"}
    found = gpd.read_file(tmp_path / "out/layout.gpkg", layer="openings")
    assert found["area_m2"].to_numpy() == pytest.approx(layout.openings["area_m2"].to_numpy())


def test_picture_and_page(frames: dict[str, gpd.GeoDataFrame]) -> None:
    """The picture has the stand's extent, and the page is shown in a frame of its own."""
    layout = gm.lay_out(**frames, settings=SETTINGS)

    axes, page = layout.plot(), layout.explore()

    low, high = axes.get_xlim()
    assert low <= X
    assert high >= X + 200
    assert page._repr_html_().startswith("<iframe srcdoc=")


def test_stands_by_name(frames: dict[str, gpd.GeoDataFrame]) -> None:
    """With a stand_id, each stand is a layout of its own, and frames of all name theirs."""
    both = {
        name: pd.concat(
            [one.assign(unit="west"), one.set_geometry(one.translate(300)).assign(unit="east")]
        )
        for name, one in frames.items()
    }
    settings = {**SETTINGS, "project": {"stand_id": "unit"}}

    layouts = gm.lay_out(**both, settings=settings)

    alone = measured(gm.lay_out(**frames, settings=SETTINGS))["openings"]
    assert sorted(layouts) == ["east", "west"]
    assert [measured(one)["openings"] for one in layouts.values()] == [pytest.approx(alone)] * 2
    assert layouts.openings["stand"].tolist() == ["west", "west", "east", "east"]


def test_corridor_share_counts_ground_once() -> None:
    """Two strips of 4 m that cross take 4 m x 200 m and 4 m x 100 m less their 16 m2."""
    stand = frame(shapely.box(0, 0, 200, 100))
    cross = frame(
        shapely.LineString([(0, 50), (200, 50)]), shapely.LineString([(100, 0), (100, 100)])
    )

    assert gm.corridor_share(cross, stand, width_m=4) == pytest.approx((800 + 400 - 16) / 20_000)
    degrees = gm.corridor_share(cross.to_crs(4326), stand.to_crs(4326), width_m=4)
    assert degrees == pytest.approx((800 + 400 - 16) / 20_000, rel=1e-3)


@pytest.mark.parametrize("apart", [0.0, 4.0, 7.0])
def test_opening_areas_are_those_of_shapely(apart: float) -> None:
    """Union, closing and widening of two crowns are those of buffers with many vertices."""
    trees = frame(shapely.Point(0, 0), shapely.Point(apart, 0), group=["a", "a"])

    (row,) = gm.opening_areas(
        trees, crown_radius_m=3.0, standing_crown_radius_m=2.0, group="group"
    ).to_dict("records")

    union = shapely.union_all(shapely.buffer(trees.geometry.to_numpy(), 3, quad_segs=256))
    wide = shapely.buffer(union, 2, quad_segs=256)
    assert row["trees"] == 2
    assert row["area_marked_crowns_m2"] == pytest.approx(union.area, rel=1e-3)
    assert row["area_boles_m2"] == pytest.approx(wide.area, rel=1e-3)
    closed = shapely.buffer(wide, -2, quad_segs=256).area
    assert row["area_m2"] == row["area_standing_crowns_m2"] == pytest.approx(closed, rel=1e-3)


def test_linked_crowns_are_groups() -> None:
    """Without a column of groups, crowns that touch are one and others their own."""
    trees = frame(*map(shapely.Point, [(0, 0), (5, 0), (40, 0)]), crown_radius_m=[3.0, 3.0, 2.0])

    assert gm.opening_areas(trees)["trees"].tolist() == [2, 1]


def test_unfit_frames_are_refused() -> None:
    """A frame without a CRS and a tree without a crown are refused in a sentence."""
    trees = frame(shapely.Point(0, 0), crown_radius_m=[np.nan])

    with pytest.raises(InputError, match="crown_radius_m: a size is missing"):
        gm.opening_areas(trees)
    with pytest.raises(CrsError, match="CRS is missing"):
        gm.lay_out(stand=trees.set_crs(None, allow_override=True), marks=trees)


def test_advice_writes_nothing_unasked(project: Path) -> None:
    """Advice on the project comes back as frames, shown in a line, and no folder appears."""
    advised = gm.advise(project)

    assert advised.files == ()
    assert not (project.parent / "advice").exists()
    assert list(advised.stands) == [""]
    assert repr(advised) == "<Advised 0 marks to leave standing>"


def test_comparison_writes_nothing_unasked(tmp_path: Path) -> None:
    """A comparison comes back without a folder, shown in a line: the file has 826 records."""
    stumps = SAMPLE / "after_cut/stumps.csv"

    compared = gm.compare(SAMPLE / "harvest.toml", stumps=stumps)

    assert compared.files == ()
    assert repr(compared) == "<Compared 826 records of stumps>"
    assert list(tmp_path.iterdir()) == []


def test_command_gives_the_same(project: Path, tmp_path: Path) -> None:
    """What the job writes and what Python returns are one."""
    outcome = lay_out_files(project, out=tmp_path / "out", only=["gpkg"])

    assert measured(gm.lay_out(project)) == {
        k: v for k, v in outcome.delivery.summary.items() if k not in {"provenance", "notices"}
    }


def test_interface_is_what_it_says() -> None:
    """Every name of the interface is a function with a docstring, and nothing else is offered."""
    functions: list[Callable[..., object]] = [getattr(gm, name) for name in gm.__all__]

    assert all(function.__doc__ for function in functions)
    with pytest.raises(AttributeError, match="no attribute 'lay'"):
        _ = gm.lay


def test_trees_without_a_group_open_nothing() -> None:
    """Missing and blank groups are left out, and one group in two spellings is one."""
    places = [shapely.Point(x, 0) for x in (0, 4, 50, 54, 90)]
    trees = frame(
        *places, crown_radius_m=[3.0, 3.0, 2.0, 2.0, 2.0], group=["a", "A ", None, np.nan, " "]
    )

    found = gm.opening_areas(trees, group="group")

    assert found[["group", "trees"]].to_numpy().tolist() == [["a", 2]]
    alike = gm.opening_areas(trees, group="group", standing_crown_radius_m=2.0)
    assert found["area_boles_m2"].tolist() == alike["area_boles_m2"].tolist()
    numbered = gm.opening_areas(trees.assign(group=[2, 2, 1, 1, np.nan]), group="group")
    assert numbered[["group", "trees"]].to_numpy().tolist() == [[1, 2], [2, 2]]


@pytest.mark.parametrize(
    ("changed", "arguments", "told"),
    [
        ({}, {"edge": "crowns"}, "edge: 'crowns'.*'marked_crowns', 'standing_crowns', 'boles'"),
        (
            {},
            {"crown_radius_m": 3, "group": "stem"},
            "group: there is no column 'stem'; expected one of 'dbh_cm'",
        ),
        ({}, {}, "crown_radius_m: there is no column 'crown_radius_m'"),
        ({"geometry": [None, shapely.Point(1, 1)]}, {"crown_radius_m": 3}, "1 of 2 geometries"),
        ({"geometry": shapely.Point()}, {"crown_radius_m": 3}, "2 of 2 geometries are missing"),
        ({}, {"crown_radius_m": [3.0, 2.0, 1.0]}, "crown_radius_m: a size is missing"),
        ({}, {"crown_radius_m": 3, "standing_crown_radius_m": math.nan}, "standing_crown_radius_m"),
        ({}, {"crown_radius_m": 3, "link_distance_m": -1}, "link_distance_m"),
    ],
)
def test_unfit_openings_are_refused(
    changed: dict[str, Any], arguments: dict[str, Any], told: str
) -> None:
    """An argument or a geometry that fits no opening is refused, saying what is expected."""
    trees = frame(shapely.Point(0, 0), shapely.Point(4, 0), dbh_cm=[40.0] * 2)

    with pytest.raises(InputError, match=told):
        gm.opening_areas(trees.assign(**changed), **arguments)


def test_shapes_alone_are_refused() -> None:
    """A bare polygon, points in place of lines, and a stand that crosses itself are refused."""
    stand = frame(shapely.box(0, 0, 200, 100))
    line = frame(shapely.LineString([(0, 50), (200, 50)]))
    crossed = frame(shapely.Polygon([(0, 0), (9, 9), (9, 0), (0, 9)]))

    bare: Any = shapely.box(0, 0, 1, 1)

    with pytest.raises(InputError, match="marks: a Polygon has no geometry; expected a GeoData"):
        gm.opening_areas(bare, crown_radius_m=3)
    with pytest.raises(InputError, match=r"lines: 1 of 1 .*expected LineString or MultiLine"):
        gm.corridor_share(frame(shapely.Point(0, 0)), stand, width_m=4)
    with pytest.raises(InputError, match=r"stand: 1 of 1 geometries .*not valid"):
        gm.corridor_share(line, crossed, width_m=4)


def test_widths_of_corridors_are_numbers_or_a_column() -> None:
    """A column gives 2 m and 6 m of 100 m each on 2 ha; no other text and no zero is a width."""
    stand = frame(shapely.box(0, 0, 200, 100))
    lines = frame(*(shapely.LineString([(x, 0), (x, 100)]) for x in (50, 150)), wide=[2.0, 6.0])

    assert gm.corridor_share(lines, stand, width_m="wide") == pytest.approx(0.04)
    unfit: list[Any] = [0, -4, math.nan, math.inf, [4.0, math.nan], [4.0] * 3, ["4 m", "4 m"]]
    for width in unfit:
        with pytest.raises(InputError, match=r"width_m: .*expected one in metres for all"):
            gm.corridor_share(lines, stand, width_m=width)
    with pytest.raises(InputError, match="width_m: there is no column '4 m'"):
        gm.corridor_share(lines, stand, width_m="4 m")


def test_jobs_on_a_project_want_files(frames: dict[str, Any]) -> None:
    """A frame where a path belongs is refused, saying how to make it a file."""
    calls: list[Callable[[], object]] = [
        lambda: gm.advise(frames["marks"]),
        lambda: gm.propose(frames["marks"]),
        lambda: gm.lay_out(frames["marks"]),
        lambda: gm.compare("harvest.toml", stumps=frames["marks"]),
        lambda: gm.compare("harvest.toml", stumps=[], driven=frames["corridors"]),
        lambda: gm.lay_out(**{**frames, "stand": frames["stand"].geometry.iloc[0]}),
    ]
    for call in calls:
        with pytest.raises(
            InputError, match=r"is no file; expected a path\. Write frames with to_f"
        ):
            call()


def test_layouts_are_shown_in_a_line(frames: dict[str, gpd.GeoDataFrame]) -> None:
    """A series is a stand; layouts show verdicts and notices, not their contents."""
    settings = {**SETTINGS, "project": {"stand_id": "unit"}}

    layout = gm.lay_out(**{**frames, "stand": frames["stand"].geometry}, settings=SETTINGS)
    named = {name: one.assign(unit="west") for name, one in frames.items()}
    layouts = gm.lay_out(**named, settings=settings)

    assert layout.notices == tuple(layout.summary["notices"])
    assert repr(layout) == "<LaidOut Layout: 3 met; 1 notice>"
    assert repr(layouts).startswith("<LaidOutStands 1 stand: 3 met; ")
    assert list(layouts.stands) == ["west"]
    assert set(gm.__all__) <= set(dir(gm))
