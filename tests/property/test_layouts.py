"""What must hold for any layout, tried on layouts thrown at random."""

import math
from collections.abc import Callable, Mapping, Sequence
from random import Random
from typing import NamedTuple

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import ZONE_NAMES, Layout

LayoutOf = Callable[..., Layout]
Change = Callable[[BaseGeometry], BaseGeometry]

CENTRE = np.array([412_500.0, 5_138_400.0])
PROJECT: Mapping[str, object] = {
    "openings": {"min_trees": 2, "min_area": "30 m2", "link_distance": "0.5 m"},
    "volume": {"products": {"sawlog": {"unit": "m3"}, "pulpwood": {"unit": "cord"}}},
}
AREAS = ("area_m2", "net_of_leave_m2", "in_corridor_m2", "combined_area_m2", "perimeter_m")

few = settings(
    max_examples=3,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
seeds = st.integers(0, 2**32 - 1)


class Field(NamedTuple):
    """Where everything stands, before it is moved or shuffled."""

    stand: BaseGeometry
    given: dict[str, list[dict[str, object]]]


def field_of(seed: int) -> Field:
    """A stand of some 6 ha with corridors, tagged and single trees, and ground of other kinds."""
    rng = np.random.default_rng(seed)

    def spots(count: int, reach: float = 110) -> np.ndarray:
        thrown: np.ndarray = CENTRE + rng.uniform(-reach, reach, (count, 2))
        return thrown

    def box(low: float, high: float) -> BaseGeometry:
        corner = spots(1, 90)[0]
        square: BaseGeometry = shapely.box(*corner, *(corner + rng.uniform(low, high, 2)))
        return square

    corners = CENTRE + np.array([[-130, -120], [125, -110], [135, 118], [-20, 140], [-115, 100]])
    hub = spots(1, 40)[0]
    corridors: list[dict[str, object]] = [
        {"geometry": shapely.LineString([*spots(2, 150)]), "width_m": float(rng.uniform(3, 6))},
        {"geometry": shapely.LineString([*spots(3, 120)]), "state": "existing"},
        {"geometry": shapely.LineString([*spots(1), hub])},
        {"geometry": shapely.LineString([hub, *spots(1)])},
    ]
    trees = [
        {
            "geometry": shapely.Point(spot),
            "tree_id": f"T{i}",
            "count": int(rng.integers(1, 4)),
            "crown_radius_m": float(rng.uniform(1.5, 4.5)),
            "paint_meaning": str(rng.choice(["", "cut", "corridor"])),
            "group": str(rng.choice(["", "", "", "7", "ridge", "brook"])),
            "product": str(rng.choice(["sawlog", "pulpwood", ""])),
            "volume": float(rng.uniform(0.1, 2)),
            "volume_unit": "m3",
            "record": i,
        }
        for i, spot in enumerate(spots(45))
    ]
    for tree in trees:
        tree["volume_unit"] = "cord" if tree["product"] == "pulpwood" else "m3"
    named = [{"corridor": f"C{i}", "record": i, **row} for i, row in enumerate(corridors)]
    return Field(
        shapely.Polygon(corners),
        {
            "corridors": named,
            "marks": trees,
            "walked": [{"group": "walked", "geometry": box(15, 35)}],
            "leave_trees": [{"geometry": shapely.Point(spot)} for spot in spots(4)],
            "setbacks": [{"geometry": box(10, 40), "name": "brook", "rule": "no_cut"}],
            "exclusions": [{"geometry": box(10, 30)}],
            "landings": [{"geometry": box(10, 30)}],
        },
    )


def changed(field: Field, change: Change) -> Field:
    """The same field with every shape changed."""
    return Field(
        change(field.stand),
        {
            name: [{**row, "geometry": change(shape_of(row))} for row in rows]
            for name, rows in field.given.items()
        },
    )


def shape_of(row: Mapping[str, object]) -> BaseGeometry:
    """Geometry of a row."""
    shape = row["geometry"]
    assert isinstance(shape, BaseGeometry)
    return shape


def laid_out(layout_of: LayoutOf, field: Field) -> Layout:
    """Layout of a field."""
    shapes = {name: [shape_of(r) for r in field.given[name]] for name in ("exclusions", "landings")}
    return layout_of(field.stand, project=PROJECT, **{**field.given, **shapes})


def areas_of(layout: Layout) -> dict[str, float]:
    """Every area of a layout under a name of its own."""
    found = {f"zone {name}": zone.area_m2 for name, zone in layout.figures.zones.items()}
    corridors, openings = layout.figures.corridors, layout.figures.openings
    found["stand"] = layout.figures.stand.area_m2
    found["operable"] = layout.figures.stand.operable_m2
    for name in ("area_m2", "new_m2", "overlap_m2", "with_landings_m2"):
        found[f"corridors {name}"] = float(getattr(corridors, name))
    for name in ("area_m2", "largest_m2", "combined_largest_m2", "components_area_m2"):
        found[f"openings {name}"] = float(getattr(openings, name))
    for column in AREAS:
        for name, value in zip(layout.openings["group"], layout.openings[column], strict=True):
            found[f"opening {name} {column}"] = float(value)
    strips = zip(layout.corridors["corridor"], layout.corridors["area_m2"], strict=True)
    incidental = enumerate(sorted(layout.incidental_openings["area_m2"].tolist()))
    combined = enumerate(sorted(layout.combined_openings["net_of_corridor_m2"].tolist()))
    found.update({f"corridor {name}": float(value) for name, value in strips})
    found.update({f"incidental {i}": value for i, value in incidental})
    return {**found, **{f"combined {i}": value for i, value in combined}}


def assert_same(one: Layout, other: Layout, *, rel: float) -> None:
    """The same areas within a share of themselves, and of 1 m2 where they are smaller."""
    assert areas_of(other) == pytest.approx(areas_of(one), rel=rel, abs=rel)


@few
@given(seeds, st.integers(-9, 9), st.integers(-9, 9))
def test_moving_a_project_changes_no_area(
    layout_of: LayoutOf, seed: int, east: int, north: int
) -> None:
    """Moved by thousands of metres, no area changes by more than 1e-9 of it, and no zone at all."""
    field = field_of(seed)
    away = np.array([1234.5 * east, 2345.25 * north])
    here = laid_out(layout_of, field)
    there = laid_out(
        layout_of, changed(field, lambda shape: shapely.transform(shape, lambda xy: xy + away))
    )

    assert_same(here, there, rel=1e-9)
    assert there.marks["zone"].tolist() == here.marks["zone"].tolist()
    assert there.marks["opening"].tolist() == here.marks["opening"].tolist()


@few
@given(seeds, st.floats(0, 360))
def test_turning_a_project_changes_no_area(layout_of: LayoutOf, seed: int, degrees: float) -> None:
    """Turned by any angle, no area changes by more than 1e-6 of it."""
    field = field_of(seed)
    a = math.radians(degrees)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    here = laid_out(layout_of, field)
    turned = laid_out(
        layout_of,
        changed(
            field,
            lambda shape: shapely.transform(shape, lambda xy: (xy - CENTRE) @ turn + CENTRE),
        ),
    )

    assert_same(here, turned, rel=1e-6)
    assert turned.marks["zone"].tolist() == here.marks["zone"].tolist()


@few
@given(seeds, st.randoms(use_true_random=False))
def test_the_order_of_records_changes_nothing(
    layout_of: LayoutOf, seed: int, random: Random
) -> None:
    """Shuffled records give the same areas, zones, opening numbers and tally."""
    field = field_of(seed)
    here = laid_out(layout_of, field)
    shuffled = {name: shuffle(rows, random) for name, rows in field.given.items()}
    mixed = laid_out(layout_of, Field(field.stand, shuffled))
    columns = ["zone", "zone_located", "opening", "corridor", "size_class", "volume_source"]
    keys = ["row", "zone", "located", "product", "species", "size_class"]

    assert_same(here, mixed, rel=1e-9)
    ours, theirs = (layout.marks.set_index("tree_id").sort_index() for layout in (here, mixed))
    assert theirs[columns].equals(ours[columns])
    assert theirs["line_distance_m"].tolist() == pytest.approx(ours["line_distance_m"].tolist())
    numbers = [
        dict(zip(o["group"], o["opening"], strict=True)) for o in (here.openings, mixed.openings)
    ]
    assert numbers[0] == numbers[1]
    tallies = [layout.volume_by_zone.set_index(keys) for layout in (here, mixed)]
    assert tallies[0].index.equals(tallies[1].index)
    for column in ("trees", "volume_net", "volume_m3", "basal_area_m2"):
        expected = tallies[0][column].tolist()
        assert tallies[1][column].tolist() == pytest.approx(expected, nan_ok=True)


def shuffle(rows: Sequence[dict[str, object]], random: Random) -> list[dict[str, object]]:
    """The rows in another order."""
    mixed = list(rows)
    random.shuffle(mixed)
    return mixed


@few
@given(seeds)
def test_every_cut_tree_is_in_one_zone_and_zones_add_up(layout_of: LayoutOf, seed: int) -> None:
    """Zones cover the stand once; their trees, basal area and wood add up to all that is cut."""
    layout = laid_out(layout_of, field_of(seed))
    table = layout.volume_by_zone
    total = table[table["row"] == "total"].iloc[0]
    by_zone = table[table["row"] == "zone"]
    cells = table[table["row"] == "cell"]
    cut = layout.marks[layout.marks["kind"] == "cut"]

    zones = layout.zones.geometry.to_numpy()
    assert shapely.area(zones).sum() == pytest.approx(layout.figures.stand.area_m2, rel=1e-9)
    overlap = shapely.area(shapely.intersection(zones[:, None], zones[None, :]))
    assert overlap.sum() - np.trace(overlap) <= 1e-9 * layout.figures.stand.area_m2
    assert set(cut["zone"]) <= set(ZONE_NAMES)
    assert sum(zone.marks for zone in layout.figures.zones.values()) == cut["count"].sum()
    for column in ("trees", "basal_area_m2", "volume_m3"):
        for rows in (by_zone, cells):  # a total is unknown exactly where a part of it is
            added = rows[column].sum(skipna=False)
            assert added == pytest.approx(total[column], rel=1e-12, nan_ok=True)
    in_openings = cut[cut["zone"] == "opening"]
    assert (
        layout.openings["trees"].sum()
        == in_openings.loc[in_openings["opening"].notna(), "count"].sum()
    )
