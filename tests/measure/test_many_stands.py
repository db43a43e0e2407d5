"""Many stands measured together give what each gives alone, to the last digit."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from shapely.geometry.base import BaseGeometry

from glademark.contracts.by_stand import joined, parted
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.measure.layout import measure_layout, measure_layouts
from glademark.project.model import Project

SurveyOf = Callable[..., Survey]
ProjectOf = Callable[..., Project]
Rows = list[dict[str, object]]

CENTRE = np.array([412_500.0, 5_138_400.0])
PRODUCTS = {"products": {"sawlog": {"unit": "m3"}, "pulpwood": {"unit": "cord"}}}
PROJECTS: Mapping[str, Mapping[str, object]] = {
    "touching": {"openings": {"min_trees": 2, "min_area": "20 m2"}},
    "closed": {"openings": {"min_trees": 2, "min_area": "30 m2", "link_distance": "1 m"}},
    "wind": {"wind": {"from": "NW", "tree_height": "20 m"}, "volume": PRODUCTS},
    "us": {"project": {"name": "Test (invented)", "units": "us"}, "volume": PRODUCTS},
    "allowance": {
        "volume": PRODUCTS,
        "allowance": {"removal_share_max": "30 %", "standing": {"basal_area": "20 m2/ha"}},
    },
    "ground": {"machine": {"reach": "8 m"}},
}
whole = settings(
    max_examples=2,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)


def stand_of(seed: int, survey_of: SurveyOf) -> Survey:
    """A stand of some 2 ha with some of everything; all seeds lie in the same place."""
    rng = np.random.default_rng(seed)

    def some(most: int) -> np.ndarray:
        thrown: np.ndarray = CENTRE + rng.uniform(-75, 75, (int(rng.integers(0, most + 1)), 2))
        return thrown

    def boxes(most: int) -> list[BaseGeometry]:
        return [shapely.box(*spot, *(spot + rng.uniform(8, 30, 2))) for spot in some(most)]

    lines = [
        shapely.LineString([spot, CENTRE + rng.uniform(-90, 90, 2)])
        for spot in [*some(3), *(() if seed % 3 else some(1))]
    ]
    return survey_of(
        shapely.box(*(CENTRE - 70 - seed % 7), *(CENTRE + 70)),
        corridors=[
            {"geometry": line, "state": str(rng.choice(["new", "existing"])), "record": i}
            for i, line in enumerate(lines)
        ],
        marks=trees_of(rng, some(40)),
        tally=[{"count": int(rng.integers(1, 4)), "product": "sawlog"}] if seed % 2 else [],
        walked=[{"group": "walked", "geometry": box} for box in boxes(1)],
        leave_trees=[{"geometry": shapely.Point(spot)} for spot in some(3)],
        exclusions=boxes(1),
        landings=boxes(1),
        water=boxes(1),
        setbacks=[{"geometry": box, "name": "brook"} for box in boxes(1)],
    )


def trees_of(rng: np.random.Generator, spots: np.ndarray) -> Rows:
    """Marks of every kind at some spots."""
    return [
        {
            "geometry": shapely.Point(spot),
            "tree_id": f"T{i}",
            "kind": str(rng.choice(["cut"] * 8 + ["leave", "line_tree", "group_boundary"])),
            "count": int(rng.integers(1, 4)),
            "crown_radius_m": float(rng.uniform(1.5, 6)),
            "paint_meaning": str(rng.choice(["", "cut", "corridor"])),
            "group": str(rng.choice(["", "", "7", "Ridge", "ridge", "brook 2"])),
            "product": str(rng.choice(["sawlog", "pulpwood", "firewood", ""])),
            "species": str(rng.choice(["sugar maple", "red maple", "mystery"])),
            "volume": float(rng.choice([np.nan, 0.4, 1.1])),
            "volume_unit": str(rng.choice(["m3", "cord", "ft3"])),
            "height_m": float(rng.choice([np.nan, 18.0])),
            "cull": bool(rng.uniform() < 0.1),
            "order": float(i),
            "record": i,
        }
        for i, spot in enumerate(spots)
    ]


def assert_same(one: Layout, other: Layout) -> None:
    """Layers with equal columns and shapes, equal figures and notices."""
    for field in fields(Layout):
        here, there = getattr(one, field.name), getattr(other, field.name)
        if isinstance(here, gpd.GeoDataFrame):
            assert shapely.equals_exact(here.geometry.to_numpy(), there.geometry.to_numpy()).all()
            here, there = (pd.DataFrame(frame.drop(columns="geometry")) for frame in (here, there))
        if isinstance(here, pd.DataFrame):
            pd.testing.assert_frame_equal(here, there, check_exact=True)
        else:
            assert repr(here) == repr(there)


@pytest.mark.parametrize("asked", PROJECTS)
@whole
@given(seeds=st.lists(st.integers(0, 2**32 - 1), min_size=3, max_size=4))
def test_stands_measured_together_are_what_they_are_alone(
    asked: str, seeds: Sequence[int], survey_of: SurveyOf, project_of: ProjectOf
) -> None:
    """Stands that even lie over each other share no link, no crown, no corridor and no sum."""
    project = project_of(**PROJECTS[asked])
    surveys = [stand_of(seed, survey_of) for seed in seeds]
    names = [f"stand {place}" for place in range(len(seeds))]
    together = measure_layouts(surveys, project, names=names)

    for name, survey, layout in zip(names, surveys, together, strict=True):
        heading = project.heading.model_copy(update={"name": name})
        alone = project.model_copy(update={"heading": heading})
        assert_same(measure_layout(survey, alone, earlier={}), layout)


def test_a_unit_is_that_which_a_stand_recorded_most(
    survey_of: SurveyOf, project_of: ProjectOf
) -> None:
    """Where no unit is stated, each stand sells by the unit that it recorded most often."""
    stands = [
        survey_of(
            shapely.box(0, 0, 100, 100),
            marks=[
                {"geometry": shapely.Point(50, 50), "product": "sawlog", "volume": 1.0}
                | {"volume_unit": unit}
                for unit in units
            ],
        )
        for units in (["m3", "m3", "cord"], ["cord", "cord", "m3"])
    ]
    layouts = measure_layouts(stands, project_of(), names=["a", "b"])

    found = [layout.figures.volume.by_product["sawlog"] for layout in layouts]
    assert [one.unit for one in found] == ["m3", "cord"]
    assert [one.net for one in found] == [2.0, 2.0]


def test_frames_are_taken_apart_as_they_were_put_together() -> None:
    """Rows come back under their own stand, those of a stand without rows as none."""
    frames = [pd.DataFrame({"a": values}) for values in ([1, 2], [], [3])]
    frame, stand = joined([one.astype({"a": "int64"}) for one in frames])

    assert frame["a"].tolist() == [1, 2, 3]
    assert stand.tolist() == [0, 0, 2]
    assert [part["a"].tolist() for part in parted(frame, stand, 3)] == [[1, 2], [], [3]]
    assert [part.index.tolist() for part in parted(frame, stand, 3)] == [[0, 1], [], [0]]
