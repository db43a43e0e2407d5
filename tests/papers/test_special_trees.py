"""Danger and line trees: one label, position and distance on guide, map and handheld files."""

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
import shapely

from glademark.export.handheld import placed_layers
from glademark.export.handheld_files import gpx_bytes, kml_bytes
from glademark.report.delivery import Delivery
from glademark.report.layer_frames import danger_circles
from glademark.report.map_sheets import map_labels as labels
from glademark.report.map_sheets.content import map_content
from glademark.report.map_sheets.stand_sheets import everything, plan_overview
from glademark.report.papers.field_guide import guide_content
from glademark.report.review_page import content as page


def test_danger_and_line_trees_say_where_they_stand(small: Delivery) -> None:
    """Guide, GPX and KML give the same corridor, distance and position of the same label."""
    content = guide_content(small)
    danger, line = content.danger_trees.rows[0], content.line_trees.rows[0]

    assert danger[0] == "D7"
    assert danger[3] == "IN corridor 1"
    assert line[0] == "X9"
    assert line[3] == "28.0 m from corridor 1"  # 30 m off the middle of a corridor of 4 m
    for text in (gpx_bytes(small).decode(), kml_bytes(small).decode()):
        for row, name in ((danger, "DANGER TREE D7"), (line, "DO NOT CUT line tree X9")):
            assert name in text
            assert all(words in text for words in (row[3], row[4]))


def test_every_map_names_them(small: Delivery) -> None:
    """A symbol without its number sends nobody to the right tree."""
    content = map_content(small)
    frame = plan_overview(content).frame
    found = [one.lines[0].words for one in labels.map_labels(frame, content, everything(content))]

    assert {"DANGER D7", "line tree X9"} <= set(found)
    on_page = page.map_content(small, {}).labels
    assert on_page["danger"].text == ("DANGER D7",)
    assert on_page["line_tree"].text == ("line tree X9",)


@pytest.mark.parametrize(
    ("height_m", "crew", "radius_m"),
    [
        (21.0, {"tree_length": "30 m"}, 42.0),
        (math.nan, {"tree_length": "30 m"}, 60.0),
        (math.nan, {}, None),
    ],
)
def test_two_tree_lengths_are_drawn_where_a_length_is_known(
    delivery_of: Callable[..., Delivery],
    height_m: float,
    crew: dict[str, object],
    radius_m: float | None,
) -> None:
    """The tree's own height comes before the project's; without either nothing is made up."""
    tree = {"geometry": shapely.Point(100, 50), "kind": "danger", "height_m": height_m}
    tables = {"project": {"name": "Danger (invented)", "units": "metric"}, "crew": crew}
    delivery = delivery_of(shapely.box(0, 0, 200, 100), tables, marks=[tree])
    circles = danger_circles(delivery)
    words = guide_content(delivery).danger_trees.rows[0][5]

    if radius_m is None:
        assert len(circles) == 0
        assert words == "two tree lengths"
        assert "danger_circles" not in placed_layers(delivery)
        return
    assert words == f"{radius_m:.1f} m"
    assert circles.area.tolist() == pytest.approx([math.pi * radius_m**2], rel=2e-3)
    assert len(map_content(delivery).areas["danger_circles"]) == 1
    assert "Keep away from danger tree" in gpx_bytes(delivery).decode()


def test_only_trees_to_cut_are_left_out_of_a_map_of_many(
    small: Delivery, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond the marks that the page can show, danger, line and leave trees are still on it."""
    monkeypatch.setattr(page, "MOST_MARKS", 3)
    shown = page.map_content(replace(small), {})

    assert set(shown.trees) == {"danger", "line_tree", "leave"}
    assert shown.left_out == 9
    assert all(len(trees.row) == 1 for trees in shown.trees.values())


def test_crowded_danger_trees_keep_their_labels(delivery_of: Callable[..., Delivery]) -> None:
    """Thirty danger trees are thirty labels."""
    trees = [
        {"geometry": shapely.Point(5 + 6 * n, 50), "kind": "danger", "tree_id": f"D{n}"}
        for n in range(30)
    ]
    delivery = delivery_of(shapely.box(0, 0, 200, 100), {}, marks=trees)
    content = map_content(delivery)
    frame = plan_overview(content).frame
    found = {one.lines[0].words for one in labels.map_labels(frame, content, everything(content))}

    assert {f"DANGER D{n}" for n in range(30)} <= found


def test_hazards_stand_on_every_field_paper(delivery_of: Callable[..., Delivery]) -> None:
    """Guide, map, GPX and KML name the power line and the distance to keep from it."""
    hazard = {
        "geometry": shapely.box(20, 40, 180, 60), "name": "power line", "keep_away_m": 10.0
    }  # fmt: skip
    delivery = delivery_of(
        shapely.box(0, 0, 200, 100),
        {"project": {"name": "Hazard (invented)", "units": "metric"}},
        marks=[{"geometry": shapely.Point(100, 20)}],
        hazards=[hazard],
    )
    told = guide_content(delivery).areas.rows[0]
    content = map_content(delivery)
    frame = plan_overview(content).frame
    found = [one.lines[0].words for one in labels.map_labels(frame, content, everything(content))]

    assert told[0].startswith("power line at ")
    assert told[2] == "HAZARD: show the crew before work. Keep 10.0 m away."
    assert "power line" in found
    for text in (gpx_bytes(delivery).decode(), kml_bytes(delivery).decode()):
        assert "Hazard: power line" in text
        assert told[2] in text
