"""Faults whose message must name the file, and the right one first."""

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from shapely.affinity import translate

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
Layer = Callable[..., str]
Line = Callable[..., shapely.LineString]

CRS = "EPSG:32616"
OTHERS = "marks.csv, corridors.gpkg, landings.gpkg"


def around(layer: Layer, square: Callable, line: Line) -> dict[str, str]:
    """Corridors and a landing of the stand."""
    return {
        "corridors": layer("corridors.gpkg", [line((20, -5), (20, 205))]),
        "landings": layer("landings.gpkg", [square(5, 5, 20)]),
    }


def test_a_boundary_with_its_axes_swapped_is_named_first_and_alone(
    survey: Read, layer: Layer, square: Callable, line: Line, tmp_path: Path
) -> None:
    """Not six other files are wrong but the one that all of them miss (at 10 E, 50 N)."""
    here = gpd.GeoSeries([square()], crs="EPSG:25832").translate(100_000, 400_000)
    swapped = shapely.transform(here.to_crs(4326).to_numpy(), lambda xy: xy[:, ::-1])
    stand = layer("stand.geojson", list(swapped), crs="EPSG:4326")
    marks = "no,dbh_cm,x,y\n1,30,600050,5400050\n2,31,600060,5400060\n"
    (tmp_path / "marks.csv").write_text(marks)
    moved = {
        key: layer(f"{key}.gpkg", [translate(one, 1e5, 4e5)], crs="EPSG:25832")
        for key, one in (("corridors", line((20, -5), (20, 205))), ("landings", square(5, 5, 20)))
    }

    with pytest.raises(InputError) as error:
        survey({"file": "marks.csv", "crs": "EPSG:25832"}, inputs={"stand": stand, **moved})

    (told,) = error.value.faults
    assert told == (
        f"stand.geojson: 3 of 3 other files lie outside this boundary ({OTHERS}). They would lie "
        "in it if its x and y (longitude and latitude) were swapped. Correct the boundary first."
    )


def test_a_stand_picked_by_mistake_is_named_with_its_area(
    survey: Read, layer: Layer, square: Callable, line: Line
) -> None:
    """A polygon of 25 m2 from the wrong layer is not the stand of three files around it."""
    stand = layer("stand.gpkg", [square(150, 150, 5)])

    with pytest.raises(InputError) as error:
        survey(inputs={"stand": stand, **around(layer, square, line)})

    (told,) = error.value.faults
    assert told == (
        "stand.gpkg: 2 of 3 other files lie outside this boundary (marks.csv, corridors.gpkg), "
        "which holds 25 m2. Check first that it is the right polygon, and its coordinate system."
    )


def test_one_file_elsewhere_is_still_named_itself(
    survey: Read, layer: Layer, square: Callable, line: Line
) -> None:
    """Where the others fit the boundary, the file that does not is the wrong one."""
    far = layer("far.gpkg", [line((5000, 5000), (5100, 5000))])
    given = {**around(layer, square, line), "corridors": far}

    with pytest.raises(InputError, match=r"^far\.gpkg: 1 of 1 records lie outside the stand"):
        survey(inputs=given)


def test_latitude_out_of_reach_of_any_zone_asks_for_swapped_axes(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """87 W, 45 N with its axes swapped lies beside the South Pole."""
    here = gpd.GeoSeries([square()], crs=CRS).to_crs(4326)
    swapped = shapely.transform(here.to_numpy(), lambda xy: xy[:, ::-1])
    stand = layer("stand.geojson", list(swapped), crs="EPSG:4326")

    with pytest.raises(InputError, match=r"stand\.geojson: .* longitude and latitude are swapped"):
        survey(inputs={"stand": stand})


def test_a_local_coordinate_system_is_named_with_its_file(
    survey: Read, layer: Layer, square: Callable, tmp_path: Path
) -> None:
    """A GeoPackage drawn on no system at all says so, and may be told which one it is in."""
    name = layer("keep.gpkg", [square(50, 50, 20)])
    with sqlite3.connect(tmp_path / name) as database:
        database.execute("UPDATE gpkg_geometry_columns SET srs_id = -1")
        database.execute("UPDATE gpkg_contents SET srs_id = -1")
    database.close()

    with pytest.raises(InputError, match=r"keep\.gpkg: .*does not say its coordinate system"):
        survey(inputs={"exclusions": name})
    stated = survey(inputs={"exclusions": {"file": name, "crs": CRS}})
    assert stated.exclusions.area.sum() == pytest.approx(400)


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("key", ["stand", "exclusions"])
def test_a_polygon_with_two_corners_is_called_so(
    survey: Read, tmp_path: Path, key: str, *, closed: bool
) -> None:
    """Neither a crossing outline nor a missing position: a drawing that was broken off."""
    corners = [[500_000, 5_000_000], [500_100, 5_000_000]]
    ring = [*corners, corners[0]] if closed else corners
    shape = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {}, "geometry": shape}
    content = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32616"}},
        "features": [feature],
    }
    (tmp_path / "two.geojson").write_text(json.dumps(content))

    with pytest.raises(InputError, match=r"two\.geojson, feature 0: the polygon has two corners"):
        survey(inputs={key: "two.geojson"})


@pytest.mark.parametrize(
    "before",
    ["# exported 2026-05-12\n# crew B, receiver 7\n", "Export of job 12\n\n", "Job;12;B;x\n"],
)
def test_lines_before_the_header_are_passed_over(survey: Read, before: str) -> None:
    """Receivers write what they are and when they were read before the names of the columns."""
    head, rows = "no,dbh_cm,x,y", ("1,30,500050,5000050", "2,31,500060,5000060")
    result = survey(before + "\n".join([head, *rows]) + "\n")

    assert result.marks["tree_id"].tolist() == ["1", "2"]
    line = before.count("\n") + 1
    assert any(f"marks.csv: the header is read from line {line}" in n for n in result.notices)
    assert result.marks["record"].tolist() == [line + 1, line + 2]
