"""GPX for receivers: valid by the public schema, in its place, saying what must not be cut."""

from collections.abc import Callable

import pytest
import shapely
from geographiclib.geodesic import Geodesic
from lxml import etree

from glademark.export.handheld_files import gpx_bytes
from glademark.report.delivery import Delivery

NAMES = {"g": "http://www.topografix.com/GPX/1/1"}
UTM_SCALE = 0.9996  # on the central meridian: the definition of UTM
CENTRE_EASTING, CENTRAL_MERIDIAN = 500_000.0, -87.0  # of zone 16: the definition of UTM


@pytest.mark.parametrize("name", ["sample", "small", "bare"])
def test_gpx_is_valid(
    name: str, gpx_schema: etree.XMLSchema, request: pytest.FixtureRequest
) -> None:
    """Whatever a stand holds or lacks, its GPX is valid by the public schema."""
    document = etree.fromstring(gpx_bytes(request.getfixturevalue(name)))

    gpx_schema.assertValid(document)


def test_schema_sees_what_is_broken(small: Delivery, gpx_schema: etree.XMLSchema) -> None:
    """The schema that says yes to our files says no to a description before the name."""
    document = etree.fromstring(gpx_bytes(small))
    point = document.find("g:wpt", NAMES)
    point.insert(0, point.find("g:desc", NAMES))

    assert not gpx_schema.validate(document)


def test_point_lies_where_it_was_measured(delivery_of: Callable[..., Delivery]) -> None:
    """A danger tree on the central meridian comes out on it, as far north as its northing says."""
    northing = 5_100_000.0
    stand = shapely.box(CENTRE_EASTING - 50, northing - 50, CENTRE_EASTING + 50, northing + 50)
    tree = {"geometry": shapely.Point(CENTRE_EASTING, northing), "kind": "danger"}
    document = etree.fromstring(gpx_bytes(delivery_of(stand, {}, marks=[tree])))

    point = document.find("g:wpt", NAMES)
    latitude = float(point.get("lat"))
    along = Geodesic.WGS84.Inverse(0, CENTRAL_MERIDIAN, latitude, CENTRAL_MERIDIAN)["s12"]

    assert float(point.get("lon")) == pytest.approx(CENTRAL_MERIDIAN, abs=1e-7)
    assert along * UTM_SCALE == pytest.approx(northing, abs=0.02)  # 7 decimals are 1 cm


def test_hazards_are_waypoints(small: Delivery) -> None:
    """Landing, danger tree, line tree and exclusion each have a point that says what it is."""
    document = etree.fromstring(gpx_bytes(small))
    kinds = [kind.text for kind in document.findall("g:wpt/g:type", NAMES)]
    names = [name.text for name in document.findall("g:wpt/g:name", NAMES)]

    assert kinds == ["landing", "danger tree", "line tree", "leave tree", "exclusion"]
    assert names[1:3] == ["DANGER TREE D7", "DO NOT CUT line tree X9"]


def test_confirmed_line_trees_are_trees_like_others(delivery_of: Callable[..., Delivery]) -> None:
    """Once the owners agreed in writing, no waypoint forbids the line tree any more."""
    stand = shapely.box(400_000, 5_100_000, 400_100, 5_100_100)
    tree = {"geometry": shapely.Point(400_050, 5_100_050), "kind": "line_tree"}
    confirmed = delivery_of(stand, {"marks": {"line_trees_confirmed": True}}, marks=[tree])

    assert etree.fromstring(gpx_bytes(confirmed)).find("g:wpt", NAMES) is None


def test_tracks_are_boundary_corridors_and_openings(small: Delivery) -> None:
    """One track a feature: a boundary, one corridor, two openings, each ring closed."""
    document = etree.fromstring(gpx_bytes(small))
    kinds = [kind.text for kind in document.findall("g:trk/g:type", NAMES)]
    rings = [
        [(point.get("lat"), point.get("lon")) for point in segment]
        for track in document.findall("g:trk", NAMES)
        if track.find("g:type", NAMES).text != "corridor"
        for segment in track.findall("g:trkseg", NAMES)
    ]

    ground = ["exclusion", "setback", "water"]
    assert kinds == ["boundary", "corridor", "opening", "opening", *ground]
    assert all(ring[0] == ring[-1] for ring in rings)


def test_only_the_boundary_has_inner_rings(delivery_of: Callable[..., Delivery]) -> None:
    """Who follows the edge of an exclusion is not led round a hole in its middle."""
    stand = shapely.box(0, 0, 200, 100) - shapely.box(150, 40, 170, 60)
    ring = shapely.box(20, 20, 80, 80) - shapely.box(40, 40, 60, 60)
    marks = [{"geometry": shapely.Point(100, 50)}]
    document = etree.fromstring(gpx_bytes(delivery_of(stand, {}, marks=marks, exclusions=[ring])))
    segments = {
        track.findtext("g:type", None, NAMES): len(track.findall("g:trkseg", NAMES))
        for track in document.findall("g:trk", NAMES)
    }

    assert segments["boundary"] == 2
    assert segments["exclusion"] == 1


def test_name_is_shown_as_it_is(small: Delivery) -> None:
    """A project name full of mark-up stays text."""
    document = etree.fromstring(gpx_bytes(small))

    assert document.findtext("g:metadata/g:name", None, NAMES) == "=Small & <bold> stand (invented)"


def test_equal_layouts_give_equal_bytes(small: Delivery) -> None:
    """No clock and no chance is in the file."""
    assert gpx_bytes(small) == gpx_bytes(small)
