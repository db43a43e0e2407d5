"""Strips along water: one for each body of water and bank, by hand."""

from collections.abc import Sequence

import geopandas as gpd
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.intake.lines_and_outlines import bank_strips

STAND = shapely.box(0, 0, 200, 200)


def strips(
    *water: BaseGeometry, names: Sequence[str] = (), side: str = "both"
) -> dict[str, BaseGeometry]:
    """Strips of 10 m along water; lines are 4 m wide."""
    is_line = [shape.geom_type.endswith("LineString") for shape in water]
    frame = gpd.GeoDataFrame(
        {
            "name": list(names) or [""] * len(water),
            "side": side,
            "line": [shape if line else None for shape, line in zip(water, is_line, strict=True)],
        },
        geometry=[
            shape.buffer(2) if line else shape for shape, line in zip(water, is_line, strict=True)
        ],
        crs="EPSG:26916",
    )
    return dict(bank_strips(frame, stand=STAND, distance_m=10))


def line(*corners: tuple[float, float]) -> shapely.LineString:
    """A stream."""
    return shapely.LineString(corners)


def test_a_stream_through_the_stand_has_a_left_and_a_right_bank() -> None:
    """Flowing north, west is left: strips of 10 m beside the banks of x = 98 and 102."""
    found = strips(line((100, -50), (100, 250)), names=["Brook"])

    assert list(found) == ["Brook, left bank", "Brook, right bank"]
    assert [shape.bounds for shape in found.values()] == [(88, 0, 98, 200), (102, 0, 112, 200)]


def test_a_stream_drawn_the_other_way_has_its_banks_the_other_way() -> None:
    """Looking south, east is left."""
    found = strips(line((100, 250), (100, -50)))

    assert found["water, left bank"].bounds == (102, 0, 112, 200)


@pytest.mark.parametrize("side", ["left", "right"])
def test_one_side_may_be_asked_for_alone(side: str) -> None:
    """Only the bank that was named has a strip."""
    assert list(strips(line((100, -50), (100, 250)), side=side)) == [f"water, {side} bank"]


def test_a_bank_outside_the_stand_has_no_strip() -> None:
    """A stream along the edge has one bank in the stand."""
    assert list(strips(line((-2, -50), (-2, 250)))) == ["water, right bank"]


def test_a_stream_that_rises_in_the_stand_has_both_banks_and_loses_no_ground() -> None:
    """The strip round its spring is parted along the line carried on; both halves are alike."""
    found = strips(line((100, 100), (100, 250)))
    ring = line((100, 100), (100, 250)).buffer(2)
    whole = ring.buffer(10, quad_segs=16).difference(ring).intersection(STAND)

    left, right = found.values()
    assert left.area + right.area == pytest.approx(whole.area, rel=1e-9)
    assert left.area == pytest.approx(right.area, rel=1e-6)


def test_a_winding_stream_keeps_to_its_sides() -> None:
    """At every bend the left bank stays the left one."""
    found = strips(line((100, -50), (60, 60), (140, 120), (100, 250)))
    corners = line((100, -50), (60, 60), (140, 120), (100, 250))
    left = corners.buffer(12, single_sided=True).intersection(STAND)

    assert found["water, left bank"].intersection(left).area == pytest.approx(
        found["water, left bank"].area, rel=0.02
    )


def test_pieces_of_one_name_that_touch_are_one_stream() -> None:
    """A stream in three pieces, one of them drawn upstream, is one body of water."""
    pieces = [
        line((100, -50), (100, 60)),
        line((100, 130), (100, 60)),
        line((100, 130), (100, 250)),
    ]
    found = strips(*pieces, names=["Brook", "brook ", "Brook"])

    assert list(found) == ["Brook, left bank", "Brook, right bank"]
    assert found["Brook, left bank"].bounds == (88, 0, 98, 200)


def test_pieces_without_a_name_go_on_where_the_other_ends() -> None:
    """Two pieces end to end are one stream, a brook that joins it is another."""
    found = strips(
        line((100, -50), (100, 90)), line((100, 90), (100, 250)), line((180, 50), (102, 50))
    )

    assert list(found) == [
        "water 1, left bank",
        "water 1, right bank",
        "water 2, left bank",
        "water 2, right bank",
    ]


def test_two_streams_of_one_name_apart_are_two() -> None:
    """The same name far off is another body of water, and the numbers tell them apart."""
    found = strips(line((50, -9), (50, 209)), line((150, -9), (150, 209)), names=["creek", "creek"])

    assert list(found) == [
        "creek 1, left bank",
        "creek 1, right bank",
        "creek 2, left bank",
        "creek 2, right bank",
    ]


def test_a_pond_has_one_bank_and_a_river_drawn_as_an_area_two() -> None:
    """Land that water parts is two banks, north before south; land all round it is one."""
    pond = strips(shapely.box(80, 80, 120, 120), names=["Pond"])
    river = strips(shapely.box(-20, 80, 220, 120), names=["River"])

    assert list(pond) == ["Pond, bank"]
    assert [(name, shape.bounds) for name, shape in river.items()] == [
        ("River, bank 1", (0, 120, 200, 130)),
        ("River, bank 2", (0, 70, 200, 80)),
    ]
