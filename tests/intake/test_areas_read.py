"""Areas with a meaning: cut at the stand or not, and measured from the bank."""

import math
from collections.abc import Callable

import geopandas as gpd
import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
Layer = Callable[..., str]


def noticed(survey: Survey, part: str) -> bool:
    """Whether a notice holds a text."""
    return any(part in notice for notice in survey.notices)


@pytest.mark.parametrize("key", ["exclusions", "marked_ground"])
def test_areas_are_cut_at_the_stand(survey: Read, layer: Layer, square: Callable, key: str) -> None:
    """Half of a square of 40 m lies inside; one wholly outside is rejected."""
    name = layer("a.gpkg", [square(180, 50, 40), square(500, 0, 40)], {"name": ["A", "B"]})
    result = survey(inputs={key: name})
    areas = getattr(result, key)

    assert areas.area.tolist() == pytest.approx([20 * 40])
    assert areas["name"].tolist() == ["A"]
    assert result.rejected["tree_id"].tolist() == ["B"]


def test_a_landing_outside_is_kept_as_it_is(survey: Read, layer: Layer, square: Callable) -> None:
    """Wood is extracted to it; the zones take only the part inside."""
    name = layer("l.gpkg", [square(180, 50, 40), square(250, 0, 40)], {"name": ["A", "B"]})
    result = survey(inputs={"landings": name})

    assert result.landings["name"].tolist() == ["A", "B"]
    assert result.landings.area.tolist() == pytest.approx([1600, 1600])


@pytest.mark.parametrize(
    "key", ["exclusions", "landings", "hazards", "water", "setbacks", "walked", "marked_ground"]
)
def test_an_input_that_is_not_given_is_an_empty_layer(survey: Read, key: str) -> None:
    """Everything after intake finds its columns and its coordinate system."""
    result = survey()
    areas = getattr(result, key)

    assert areas.empty
    assert areas.crs == result.crs


def test_hazards_are_the_ground_within_the_distance_to_keep(
    survey: Read, layer: Layer, square: Callable, line: Callable, at: Callable
) -> None:
    """A line, a point and an area; without a distance a point is drawn 2 m wide, an area as is."""
    shapes = [line((20, 50), (120, 50)), at(60, 150), at(150, 150), square(150, 20, 10)]
    columns = {"name": ["power line", "shaft", "rock", "slide"], "keep_away_m": [10, 5, None, None]}
    result = survey(inputs={"hazards": layer("h.gpkg", shapes, columns)})

    assert result.hazards["name"].tolist() == columns["name"]
    assert result.hazards["keep_away_m"].fillna(-1).tolist() == [10, 5, -1, -1]
    by_hand = [100 * 20 + math.pi * 10**2, math.pi * 5**2, math.pi, 100]
    assert result.hazards.area.tolist() == pytest.approx(by_hand, rel=0.01)


def test_a_hazard_with_an_unreadable_distance_is_refused(
    survey: Read, layer: Layer, at: Callable
) -> None:
    """Nobody works nearer than was meant because of a typing error."""
    name = layer("h.gpkg", [at(60, 150)], {"name": ["shaft"], "keep_away_m": ["ten"]})
    with pytest.raises(InputError, match="the distance to keep cannot be read"):
        survey(inputs={"hazards": name})


def test_areas_that_all_lie_outside_are_refused(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """An exclusion that is not there would look like one that is kept."""
    with pytest.raises(InputError, match="1 of 1 records lie outside the stand"):
        survey(inputs={"exclusions": layer("a.gpkg", [square(500, 0, 40)])})


def test_areas_without_a_shape_are_refused(survey: Read, layer: Layer) -> None:
    """The same for a layer of empty records."""
    with pytest.raises(InputError, match="no feature in it can be used"):
        survey(inputs={"exclusions": layer("a.gpkg", [shapely.Polygon()], {"name": ["A"]})})


def test_a_walked_opening_is_kept_whole(survey: Read, layer: Layer, square: Callable) -> None:
    """The hole does not end at the boundary; those without a group get a number of their own."""
    shapes = [square(180, 50, 40), square(20, 20, 40), square(90, 90, 30)]
    walked = survey(inputs={"openings": layer("w.gpkg", shapes, {"grp": ["7", "", None]})}).walked

    assert walked["group"].tolist() == ["7", "W1", "W2"]
    assert walked.area.tolist() == pytest.approx([1600, 1600, 900])


def test_a_perimeter_that_does_not_come_back_is_refused(
    survey: Read, layer: Layer, line: Callable
) -> None:
    """Ends farther apart than the position error are no closed walk."""
    name = layer("w.gpkg", [line((50, 50), (90, 50), (90, 90), (50, 90), (50, 60))])

    with pytest.raises(InputError, match=r"the line is open; its ends are 10\.00 m apart"):
        survey(inputs={"openings": name})


def test_a_stream_is_as_wide_as_it_says(survey: Read, layer: Layer, line: Callable) -> None:
    """A line of 300 m with banks 4 m apart: 1,200 m2 and two round ends of 2 m; not cut."""
    name = layer("w.gpkg", [line((100, -50), (100, 250))], {"width_m": [4.0], "name": ["Brook"]})
    water = survey(inputs={"water": name}).water

    corner = math.pi / 64  # the round ends are drawn with 16 segments a quarter
    ends = 64 * 2**2 * math.sin(corner) * math.cos(corner)
    assert water.area.item() == pytest.approx(300 * 4 + ends)
    assert water["name"].item() == "Brook"


def test_a_stream_without_a_width_is_refused(survey: Read, layer: Layer, line: Callable) -> None:
    """Distances are measured from the bank, not from the middle."""
    name = layer("w.gpkg", [line((100, 0), (100, 200))], {"name": ["Brook"]})

    with pytest.raises(InputError, match=r"no width that can be used.*Brook.*\[water\] width"):
        survey(inputs={"water": name})
    assert survey(inputs={"water": name}, water={"width": "4 m"}).water.bounds["maxx"].item() == (
        pytest.approx(500_102)
    )


def test_a_setback_along_water_lies_beside_it(survey: Read, layer: Layer, line: Callable) -> None:
    """Two strips of 10 m along 200 m of a stream that crosses the stand, in the stand only."""
    name = layer("w.gpkg", [line((100, -50), (100, 250))], {"width_m": [4.0]})
    rule = {
        "setback": "10 m",
        "setback_rule": "residual_basal_area",
        "setback_minimum": "60 ft2/ac",
    }
    setbacks = survey(inputs={"water": name}, water=rule).setbacks

    assert setbacks["name"].tolist() == ["water, left bank", "water, right bank"]
    assert setbacks.area.tolist() == pytest.approx([10 * 200] * 2)
    assert setbacks.bounds["maxx"].tolist() == pytest.approx([500_098, 500_112])
    assert setbacks["rule"].tolist() == ["residual_basal_area"] * 2
    assert setbacks["minimum_m2_ha"].tolist() == pytest.approx([60 * 0.3048**2 / 0.40468564224] * 2)


def test_a_setback_of_water_far_off_is_none(survey: Read, layer: Layer, line: Callable) -> None:
    """Its strip does not reach the stand."""
    name = layer("w.gpkg", [line((400, 0), (400, 200))], {"width_m": [4.0]})

    assert survey(inputs={"water": name}, water={"setback": "10 m"}).setbacks.empty


def test_setbacks_are_polygons_or_lines_with_a_distance(
    survey: Read, layer: Layer, square: Callable, line: Callable
) -> None:
    """A line is widened to both sides by its distance, and cut at the stand."""
    columns = {
        "name": ["wall", "edge"],
        "rule": ["No cut", "residual basal area"],
        "distance_m": [None, 15.0],
        "minimum_m2_ha": [None, 14.0],
    }
    shapes = [square(0, 0, 20), line((200, -50), (200, 250))]
    setbacks = survey(inputs={"setbacks": layer("s.geojson", shapes, columns)}).setbacks

    assert setbacks["rule"].tolist() == ["no_cut", "residual_basal_area"]
    assert setbacks.area.tolist() == pytest.approx([400, 15 * 200])
    assert setbacks["minimum_m2_ha"].iloc[1] == 14.0


def test_a_minimum_in_square_feet_per_acre_is_carried_over(
    survey: Read, layer: Layer, square: Callable
) -> None:
    """60 ft2/acre are 60 x 0.3048^2 / 0.40468564224 = 13.774 m2/ha."""
    columns = {"rule": ["residual_basal_area"], "minimum_ft2_ac": [60.0]}
    setbacks = survey(inputs={"setbacks": layer("s.gpkg", [square()], columns)}).setbacks

    assert setbacks["minimum_m2_ha"].item() == pytest.approx(60 * 0.3048**2 / 0.40468564224)


@pytest.mark.parametrize(
    ("columns", "what"),
    [
        ({"name": ["A"]}, "the rule is missing or unknown .*no_cut, no_machine, residual"),
        ({"rule": ["be nice"]}, "the rule is missing or unknown"),
        ({"rule": ["residual_basal_area"]}, "the residual basal area has no minimum"),
        (
            {"rule": ["residual_basal_area"], "minimum": [60.0]},
            "'minimum' does not say its unit. Call it 'minimum_m2_ha', 'minimum_ft2_ac'",
        ),
    ],
)
def test_a_setback_without_a_clear_rule_is_refused(
    survey: Read, layer: Layer, square: Callable, columns: dict, what: str
) -> None:
    """A rule that cannot be checked would look like one that is met."""
    with pytest.raises(InputError, match=what):
        survey(inputs={"setbacks": layer("s.gpkg", [square()], columns)})


def test_a_setback_line_without_a_distance_is_refused(
    survey: Read, layer: Layer, line: Callable
) -> None:
    """How wide it is must be said."""
    name = layer("s.gpkg", [line((0, 0), (0, 200))], {"rule": ["no_cut"]})

    with pytest.raises(InputError, match="the line has no distance that can be used"):
        survey(inputs={"setbacks": name})


def test_leave_trees_have_a_layer_of_their_own(survey: Read, layer: Layer, at: Callable) -> None:
    """Those near the stand stay, since their crowns reach in; one far off is rejected."""
    columns = {"id": ["1", "2", "3"], "spp": ["YB"] * 3, "dbh_cm": [40.0] * 3, "crown_width_m": 8.0}
    name = layer("l.gpkg", [at(50, 50), at(250, 50), at(400, 50)], columns)
    result = survey(inputs={"leave_trees": name})

    assert result.leave_trees["tree_id"].tolist() == ["1", "2"]
    assert result.leave_trees["crown_radius_m"].tolist() == [4.0, 4.0]
    assert result.rejected["reason"].item().startswith("it lies more than 100 m outside the stand")


def test_an_impossible_crown_of_a_leave_tree_is_told(
    survey: Read, layer: Layer, at: Callable
) -> None:
    """The tree stays, its crown is not measured."""
    name = layer("l.gpkg", [at(50, 50)], {"id": ["1"], "crown_radius_m": [80.0]})
    result = survey(inputs={"leave_trees": name})

    assert result.leave_trees["crown_radius_m"].isna().all()
    assert noticed(result, "is impossible and taken as not measured")


def test_a_line_with_a_side_has_a_strip_on_each_side_that_it_names(
    survey: Read, layer: Layer, line: Callable
) -> None:
    """Flowing north, west is left; both are two strips, without a side the strip is one."""
    lines = [line((x, -20), (x, 220)) for x in (30, 80, 130)]
    columns = {
        "name": ["A", "B", "C"], "rule": ["no_cut"] * 3, "distance_m": [10.0] * 3,
        "side": ["left", "both", ""],
    }  # fmt: skip
    setbacks = survey(inputs={"setbacks": layer("s.gpkg", lines, columns)}).setbacks
    west, east = (setbacks.bounds[end] - 500_000 for end in ("minx", "maxx"))

    assert setbacks["name"].tolist() == ["A, left bank", "B, left bank", "B, right bank", "C"]
    assert west.tolist() == pytest.approx([20, 70, 80, 120])
    assert east.tolist() == pytest.approx([30, 80, 90, 140])


def test_one_strip_on_both_sides_of_a_line_is_noticed_where_it_hides_a_stripped_bank(
    survey: Read, layer: Layer, line: Callable
) -> None:
    """A residual basal area over both banks at once is said, with the way to part them."""
    columns = {
        "name": ["brook"], "rule": ["residual_basal_area"], "distance_m": [10.0],
        "minimum_m2_ha": [15.0],
    }  # fmt: skip
    inside = survey(inputs={"setbacks": layer("s.gpkg", [line((90, -9), (90, 209))], columns)})
    beside = survey(inputs={"setbacks": layer("t.gpkg", [line((0, -9), (0, 209))], columns)})

    assert noticed(inside, "one strip on both sides of the line is judged as a whole (brook)")
    assert not noticed(beside, "one strip on both sides")


def test_a_side_that_nobody_knows_is_refused(survey: Read, layer: Layer, line: Callable) -> None:
    """A misspelt side would silently be both."""
    columns = {"rule": ["no_cut"], "distance_m": [10.0], "side": ["lefft"]}
    name = layer("s.gpkg", [line((90, -9), (90, 209))], columns)

    with pytest.raises(InputError, match=r"the side is unknown.*left, right, both"):
        survey(inputs={"setbacks": name})


def test_water_says_its_side_or_the_project_does(
    survey: Read, layer: Layer, line: Callable
) -> None:
    """A column speaks for its stream, the project file for the others."""
    lines = [line((x, -20), (x, 220)) for x in (50, 150)]
    columns = {"name": ["A", "B"], "width_m": [2.0, 2.0], "side": ["right", ""]}
    rule = {"setback": "10 m", "side": "left"}
    setbacks = survey(inputs={"water": layer("w.gpkg", lines, columns)}, water=rule).setbacks

    assert setbacks["name"].tolist() == ["A, right bank", "B, left bank"]


@pytest.mark.parametrize("tag", ["Polygon", "MultiGeometry"])
def test_holes_of_a_kml_polygon_stay_holes(
    survey: Read, text: Callable[..., str], square: Callable, tag: str
) -> None:
    """An exclusion of 100 m with a hole of 40 m takes 8,400 m2 and leaves the hole to be cut."""

    def ring(x: float, side: float) -> str:
        shape = gpd.GeoSeries([square(x, x, side)], crs="EPSG:32616").to_crs(4326).iloc[0]
        corners = " ".join(f"{lon:.9f},{lat:.9f}" for lon, lat in shape.exterior.coords)
        return f"<LinearRing><coordinates>{corners}</coordinates></LinearRing>"

    outer, inner = ring(50, 100), ring(80, 40)
    polygon = (
        f"<Polygon><outerBoundaryIs>{outer}</outerBoundaryIs>"
        f"<innerBoundaryIs>{inner}</innerBoundaryIs></Polygon>"
    )
    shape = polygon if tag == "Polygon" else f"<MultiGeometry>{polygon}</MultiGeometry>"
    kml = (
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark>'
        f"<name>nest</name>{shape}</Placemark></Document></kml>"
    )

    areas = survey(inputs={"exclusions": text("nest.kml", kml)}).exclusions

    assert areas.area.sum() == pytest.approx(100**2 - 40**2, rel=1e-4)
