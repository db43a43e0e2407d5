"""The stand: one valid area in a coordinate system that is true to area."""

from collections.abc import Callable
from itertools import pairwise

import geopandas as gpd
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import Transformer

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
Layer = Callable[..., str]
LON, LAT = Transformer.from_crs(32616, 4326, always_xy=True).transform(500_050, 5_000_060)
LON_LAT_MARKS = f"tree,dbh_in,lon,lat\n1,12,{LON:.9f},{LAT:.9f}\n"


def noticed(survey: Survey, part: str) -> bool:
    """Whether a notice holds a text."""
    return any(part in notice for notice in survey.notices)


def test_a_stand_is_one_feature_with_its_holes(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """200 x 200 m less a hole of 20 x 20 m are 39,600 m2."""
    holed = square().difference(square(90, 90, 20))
    stand = survey(inputs={"stand": layer("s.gpkg", [holed])}).stand

    assert len(stand) == 1
    assert stand.area.item() == pytest.approx(200**2 - 20**2)
    assert len(stand.geometry.item().interiors) == 1


def test_overlapping_polygons_count_once(survey: Read, layer: Layer, square: Callable) -> None:
    """Two squares of 200 m that share 100 x 200 m."""
    result = survey(inputs={"stand": layer("s.gpkg", [square(), square(100)])})

    assert result.stand.area.item() == pytest.approx(300 * 200)
    assert noticed(result, "polygons overlap by 20,000 m2, which counts once")


def test_left_overs_of_digitising_are_left_out(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """A part of 0.25 m2 is none of the stand; a second stand part is."""
    shapes = [square(), square(300, 0, 50), square(400, 0, 0.5)]
    result = survey(inputs={"stand": layer("s.gpkg", shapes)})

    assert result.stand.area.item() == pytest.approx(200**2 + 50**2)
    assert noticed(result, "1 part below 1 m2 left out")


def test_a_closed_line_is_the_area_inside(survey: Read, layer: Layer, square: Callable) -> None:
    """Survey drawings hold the boundary as a line."""
    result = survey(
        inputs={"stand": layer("s.gpkg", [shapely.LineString(square().exterior.coords)])}
    )

    assert result.stand.area.item() == pytest.approx(200**2)
    assert noticed(result, "1 closed line read as the area inside")


def test_an_open_line_is_refused_with_its_gap(survey: Read, layer: Layer, line: Callable) -> None:
    """Where it would have to be closed is for the surveyor to say."""
    name = layer("s.gpkg", [line((0, 0), (200, 0), (200, 200), (0, 200), (0, 3))])

    with pytest.raises(
        InputError, match=r"s\.gpkg, feature 1: the line is open; its ends are 3\.0"
    ):
        survey(inputs={"stand": name})


def test_what_is_no_boundary_is_refused(
    survey: Read, layer: Layer, line: Callable, at: Callable
) -> None:
    """All such features are named in one go."""
    pieces = shapely.MultiLineString([line((0, 0), (9, 0)), line((0, 9), (9, 9))])
    name = layer("s.geojson", [line((0, 0), (200, 0), (0, 0)), at(5, 5), pieces], crs="EPSG:32616")

    with pytest.raises(InputError) as refused:
        survey(inputs={"stand": name})
    assert [fault.partition(": ")[2].split(".")[0] for fault in refused.value.faults] == [
        "the line encloses no area",
        "a polygon is expected, and this is a point",
        "the line is in 2 pieces that do not meet",
    ]


def test_a_small_crossing_is_mended_and_told(survey: Read, layer: Layer, line: Callable) -> None:
    """A knot of 0.3 x 0.3 / 2 m2 at a corner moves the area by less than 0.1 % and 100 m2."""
    knot = [(-0.3, 0), (200, 0), (200, 200), (0, 200), (0, -0.3)]
    broken = shapely.Polygon(line(*knot).coords)
    result = survey(inputs={"stand": layer("s.gpkg", [broken])})

    assert result.stand.area.item() == pytest.approx(200**2)
    assert noticed(result, "1 part below 1 m2 left out")
    assert noticed(result, "the outline was mended (Self-intersection")


def test_a_figure_of_eight_is_refused_with_its_place(
    survey: Read, layer: Layer, line: Callable
) -> None:
    """Its raw area is 0; mending would make 20,000 m2 out of it, which is for the surveyor."""
    eight = shapely.Polygon(line((0, 0), (200, 200), (200, 0), (0, 200)).coords)
    name = layer("s.gpkg", [eight])

    with pytest.raises(InputError, match=r"crosses itself \(Self-intersection.500100 5000100.\)"):
        survey(inputs={"stand": name})


def test_a_polygon_without_area_is_refused(survey: Read, layer: Layer, line: Callable) -> None:
    """There is nothing to lay out."""
    flat = shapely.Polygon(line((0, 0), (200, 0), (100, 0)).coords)

    with pytest.raises(InputError, match=r"has no area|crosses itself"):
        survey(inputs={"stand": layer("s.gpkg", [flat])})


def test_a_stand_below_a_square_metre_is_refused(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """It is a mistake of the unit."""
    with pytest.raises(InputError, match="the stand has an area below 1 m2"):
        survey(inputs={"stand": layer("s.gpkg", [square(0, 0, 0.5)])})


def test_the_own_coordinate_system_is_kept_where_it_is_fit(survey: Read) -> None:
    """UTM is projected, in metres and true to area within 0.2 %."""
    result = survey()

    assert result.crs.to_epsg() == 32616
    assert not noticed(result, "coordinate system")


@pytest.mark.parametrize(
    ("crs", "why"),
    [
        ("EPSG:4326", "is in degrees"),
        ("EPSG:3857", "makes areas at the stand 2.0"),
        ("EPSG:2289", "is in US survey foot"),
        ("EPSG:2253", "is in foot"),
    ],
)
def test_an_unfit_coordinate_system_is_left_for_utm(
    survey: Read, layer: Layer, square: Callable, text: Callable[..., str], crs: str, why: str
) -> None:
    """Degrees, feet and Web Mercator are never taken for true metres."""
    shape = gpd.GeoSeries([square()], crs=32616).to_crs(crs)
    stand = layer("s.gpkg", list(shape), crs=crs)
    result = survey(text("m.csv", LON_LAT_MARKS), inputs={"stand": stand})

    assert result.crs.to_epsg() == 32616
    assert result.stand.area.item() == pytest.approx(200**2, rel=1e-3)
    assert noticed(result, why)


def test_the_area_agrees_with_the_ellipsoid(survey: Read, layer: Layer) -> None:
    """A quadrangle of 0.01 degrees against geographiclib; UTM's scale there is 0.9996."""
    corners = [(-87.005, 45.0), (-86.995, 45.0), (-86.995, 45.01), (-87.005, 45.01)]
    ring = Geodesic.WGS84.Polygon()
    for lon, lat in corners:
        ring.AddPoint(lat, lon)
    _, _, geodesic = ring.Compute()
    name = layer("s.gpkg", [shapely.Polygon(corners)], crs="EPSG:4326")
    (stand,) = survey({"file": _marks_in(layer, corners)}, inputs={"stand": name}).stand.area

    assert stand == pytest.approx(geodesic * 0.9996**2, rel=1e-5)


def _marks_in(layer: Layer, corners: list[tuple[float, float]]) -> str:
    """A mark in the middle of a quadrangle in degrees."""
    middle = shapely.Polygon(corners).centroid
    return layer("m.gpkg", [middle], {"tree": ["1"], "dbh_in": [12.0]}, crs="EPSG:4326")


@pytest.mark.parametrize(
    ("stated", "what"),
    [
        ("EPSG:4326", "is in degrees; expected a projected system in metres"),
        ("EPSG:3857", "makes areas at the stand 2.0"),
        ("EPSG:2289", "is in US survey foot"),
        ("EPSG:4978", "is no map projection"),
        ("EPSG:0", "'EPSG:0' is no coordinate system; expected a code such as EPSG:26916"),
    ],
)
def test_an_unfit_working_system_is_refused(survey: Read, stated: str, what: str) -> None:
    """What the project file asks for is checked, and one that fits is named."""
    with pytest.raises(InputError, match=what):
        survey(project={"name": "T", "working_crs": stated})


def test_the_project_states_the_working_system(survey: Read) -> None:
    """Then everything is carried there."""
    result = survey(project={"name": "T", "working_crs": "EPSG:26916"})

    assert result.crs.to_epsg() == 26916
    assert result.marks.crs == result.crs


def test_two_coordinate_systems_for_one_file_are_refused(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """Which of them is wrong is for the user to say."""
    name = layer("s.gpkg", [square()])

    with pytest.raises(
        InputError, match=r"the file says EPSG:32616 .*, the project file EPSG:26917"
    ):
        survey(inputs={"stand": {"file": name, "crs": "EPSG:26917"}})


def test_a_stand_outside_the_area_of_its_system_is_refused(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """Northing and easting exchanged put it where the zone does not reach."""
    swapped = shapely.transform(square(), lambda xy: xy[:, ::-1])

    with pytest.raises(
        InputError, match=r"outside the area for which EPSG:32616 .* x and y are swap"
    ):
        survey(inputs={"stand": layer("s.gpkg", [swapped])})


def test_a_stand_where_utm_ends_needs_a_stated_system(survey: Read, layer: Layer) -> None:
    """Near the poles there are no UTM zones."""
    name = layer("s.gpkg", [shapely.box(10, 87.0, 10.1, 87.01)], crs="EPSG:4326")

    with pytest.raises(InputError, match=r"latitude 87\.0, where there is no UTM zone"):
        survey(inputs={"stand": name})


def test_layers_may_each_be_in_their_own_system(survey: Read, layer: Layer, at: Callable) -> None:
    """The same mark in four systems lies on one spot, to the millimetre."""
    series = gpd.GeoSeries([at(50, 60)], crs=32616)
    systems = ("EPSG:32616", "EPSG:4326", "EPSG:3857", "EPSG:32617")
    files = [
        layer(f"m{n}.gpkg", list(series.to_crs(crs)), {"tree": [str(n)], "dbh_in": [12.0]}, crs=crs)
        for n, crs in enumerate(systems)
    ]
    marks = survey(files).marks

    assert all(
        first.distance(second) < 1e-3 for first, second in pairwise([at(50, 60), *marks.geometry])
    )
