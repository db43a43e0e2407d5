"""GeoJSON by RFC 7946: WGS 84, right-hand rings, seven decimals, cut at the antimeridian."""

import json
import re
from typing import Any

import numpy as np
import pytest
import shapely
from geojson_pydantic import FeatureCollection
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from shapely.geometry import shape

from glademark.contracts.layers import LAYERS
from glademark.export.handheld import KEPT, ROUNDED_M, SIMPLIFIED_M, placed_layers
from glademark.export.handheld_files import crossing_cut, geojson_text
from glademark.measure.edges import outer_rings
from glademark.report.delivery import Delivery


def features(delivery: Delivery) -> list[dict[str, Any]]:
    """Features of the file."""
    found: list[dict[str, Any]] = json.loads(geojson_text(delivery))["features"]
    return found


@pytest.mark.parametrize("name", ["sample", "small", "bare"])
def test_geojson_is_valid(name: str, request: pytest.FixtureRequest) -> None:
    """Whatever a stand holds or lacks, a strict model of the format takes its file."""
    text = geojson_text(request.getfixturevalue(name))

    assert FeatureCollection.model_validate_json(text).features


def test_model_sees_what_is_broken(small: Delivery) -> None:
    """The model that says yes to our files says no to a ring that is not closed."""
    broken = json.loads(geojson_text(small))
    broken["features"][0]["geometry"]["coordinates"][0].pop()

    with pytest.raises(ValidationError, match="same start and end"):
        FeatureCollection.model_validate(broken)


def test_no_crs_is_named(small: Delivery) -> None:
    """RFC 7946, section 4: coordinates are WGS 84, and no member says otherwise."""
    assert '"crs"' not in geojson_text(small)


def test_rings_follow_the_right_hand(sample: Delivery) -> None:
    """RFC 7946, section 3.1.6: outer rings run counter-clockwise, holes clockwise."""
    areas = [shape(f["geometry"]) for f in features(sample) if "Polygon" in f["geometry"]["type"]]
    polygons = [part for area in areas for part in shapely.get_parts(area)]

    assert all(polygon.exterior.is_ccw for polygon in polygons)
    assert not any(ring.is_ccw for polygon in polygons for ring in polygon.interiors)


def test_every_area_is_sound(sample: Delivery) -> None:
    """Rounding to a centimetre leaves no area that crosses itself."""
    assert all(shape(feature["geometry"]).is_valid for feature in features(sample))


def test_coordinates_have_seven_decimals(sample: Delivery) -> None:
    """RFC 7946, section 11.2: more decimals would only be noise."""
    numbers = re.findall(r"-?\d+\.\d{8,}", json.dumps([f["geometry"] for f in features(sample)]))

    assert numbers == []


def test_box_holds_the_stand(small: Delivery) -> None:
    """RFC 7946, section 5: west, south, east, north."""
    west, south, east, north = json.loads(geojson_text(small))["bbox"]
    boundary = shape(features(small)[0]["geometry"])

    assert boundary.bounds == pytest.approx((west, south, east, north), abs=1e-7)


def test_layers_are_named_and_hold_no_volume(sample: Delivery) -> None:
    """Every feature says its layer; nothing that a buyer should not read goes along."""
    properties = [feature["properties"] for feature in features(sample)]
    keys = {key for one in properties for key in one}

    assert {one["layer"] for one in properties} <= set(KEPT)
    assert not {key for key in keys if "volume" in key or "basal" in key}


def test_kept_columns_are_declared() -> None:
    """What goes along is declared in the layers of the package."""
    trees = ("danger_circles", "danger_trees", "line_trees", "unconfirmed_trees")
    of = dict.fromkeys(trees, "marks")

    assert all(set(KEPT[name]) <= set(LAYERS[of.get(name, name)].names) for name in KEPT)


def test_openings_keep_their_outline(sample: Delivery) -> None:
    """
    Fewer points move no edge by more than a decimetre, looked at every 2 cm both ways.

    A horn between two crowns that is thinner than the rounding may go.
    """
    shown = placed_layers(sample)["openings"].to_crs(sample.layout.crs)
    outer = outer_rings(sample.layout.openings.geometry.to_numpy())
    thick = shapely.buffer(shapely.buffer(outer, -2 * ROUNDED_M), 2 * ROUNDED_M)
    written, measured, horns_off = map(shapely.boundary, (shown.geometry.array, outer, thick))
    most = SIMPLIFIED_M + 0.001

    shapely.prepare([*written, *measured])
    for one, other in ((written, measured), (horns_off, written)):
        places, of = shapely.get_coordinates(shapely.segmentize(one, 0.02), return_index=True)
        assert len(places) > 10_000
        assert shapely.dwithin(np.asarray(other)[of], shapely.points(places), most).all()
    assert shapely.area(thick) == pytest.approx(shapely.area(outer), rel=2e-3)
    assert not shapely.dwithin(written, shapely.centroid(written), most).any()


def test_cut_trees_are_counted(sample: Delivery) -> None:
    """The trees to cut on the handheld are those of the summary."""
    trees = [
        f["properties"]["count"] for f in features(sample) if f["properties"]["layer"] == "marks"
    ]

    assert sum(trees) == sample.summary["marks"]["trees"]


@given(
    west=st.floats(-30, -0.001), east=st.floats(0.001, 30), south=st.floats(-80, 70),
    height=st.floats(0.01, 10),
)  # fmt: skip
def test_cutting_at_the_antimeridian_loses_nothing(
    west: float, east: float, south: float, height: float
) -> None:
    """A box over the antimeridian falls in two that share its area and stay within the globe."""
    ring = [(180 + west, south), (-180 + east, south), (-180 + east, south + height),
            (180 + west, south + height)]  # fmt: skip

    cut = crossing_cut(np.array([shapely.Polygon(ring)]))[0]

    assert shapely.area(cut) == pytest.approx((east - west) * height, rel=1e-9)
    assert len(shapely.get_parts(cut)) == 2
    assert (cut.bounds[0], cut.bounds[2]) == (-180, 180)


def test_shapes_away_from_the_antimeridian_stay() -> None:
    """What does not cross it is not touched."""
    shapes = np.array([shapely.box(10, 10, 11, 11)])

    assert crossing_cut(shapes) is shapes
