"""Many stands measured together give what each gives alone, to the last digit."""

import pickle
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from tests.conftest import join_surveys

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


SEEDS = np.random.default_rng(6).integers(2**32, size=(len(PROJECTS), 3)).tolist()
"""Three stands a project, each with some of everything."""


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


@pytest.mark.parametrize(("asked", "seeds"), [*zip(PROJECTS, SEEDS, strict=True)], ids=PROJECTS)
def test_stands_measured_together_are_what_they_are_alone(
    asked: str, seeds: Sequence[int], survey_of: SurveyOf, project_of: ProjectOf
) -> None:
    """Stands that even lie over each other share no link, no crown, no corridor and no sum."""
    project = project_of(**PROJECTS[asked])
    surveys = [stand_of(seed, survey_of) for seed in seeds]
    names = [f"stand {place}" for place in range(len(seeds))]
    joined = join_surveys(surveys, names=names)
    layout = measure_layout(joined, project, earlier={})

    for stand, (name, survey) in enumerate(zip(names, surveys, strict=True)):
        single = join_surveys([survey], names=[name])
        assert_same(measure_layout(single, project, earlier={}), layout.of(stand))


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
    layout = measure_layout(join_surveys(stands, names=["a", "b"]), project_of(), earlier={})

    found = [layout.of(stand).figures.volume.by_product["sawlog"] for stand in range(2)]
    assert [one.unit for one in found] == ["m3", "cord"]
    assert [one.net for one in found] == [2.0, 2.0]


def test_surveys_are_split_as_they_were_joined(survey_of: SurveyOf) -> None:
    """Rows come back under their own stand, numbered 0 on an index of their own."""
    stands = [
        survey_of(
            shapely.box(0, 0, 100, 100), marks=[{"geometry": shapely.Point(x, 5)} for x in xs]
        )
        for xs in ([1, 2], [], [3])
    ]
    joined = join_surveys(stands, names=["a", "b", "c"])

    assert joined.marks["stand"].tolist() == [0, 0, 2]
    assert joined.stand[["stand", "name"]].to_numpy().tolist() == [[0, "a"], [1, "b"], [2, "c"]]
    parts = [joined.of(stand).marks for stand in range(3)]
    assert [part.geometry.x.tolist() for part in parts] == [[1, 2], [], [3]]
    assert [part.index.tolist() for part in parts] == [[0, 1], [], [0]]
    assert [set(part["stand"]) for part in parts] == [{0}, set(), {0}]
    again = pickle.loads(pickle.dumps(joined.of(0)))  # noqa: S301 - our own
    assert again.marks.equals(parts[0])
    assert not hasattr(again, "no such table")


def test_a_stand_whose_cruise_is_refused_does_not_stop_the_others(
    survey_of: SurveyOf, project_of: ProjectOf
) -> None:
    """Strata without an area refuse their stand by name; the other one is measured."""
    plot = {"plot": "1", "stratum": "wet", "plot_area_m2": 400.0, "geometry": shapely.Point(5, 5)}
    stands = [survey_of(shapely.box(0, 0, 100, 100), plots=plots) for plots in ([plot], [])]
    project = project_of(allowance={"strata": {"dry": "1 ha"}})
    layout = measure_layout(join_surveys(stands, names=["a", "b"]), project, earlier={})

    assert layout.refused[["stand", "name"]].to_numpy().tolist() == [[0, "a"]]
    assert layout.of(1).figures.stand.area_m2 == 100 * 100
    with pytest.raises(InputError, match="'wet' of the cruise has no area"):
        layout.of(0)


def test_a_volume_table_that_serves_one_stand_refuses_the_other(
    survey_of: SurveyOf, project_of: ProjectOf
) -> None:
    """A stand of which no tree finds a row is refused by name; each notice goes to its stand."""
    table = pd.DataFrame({"species": ["red maple"], "dbh_cm": ["20"], "volume_m3": ["0.4"]})
    spots = {"geometry": shapely.Point(50, 50), "product": "sawlog", "dbh_unit": "cm"}
    served = [
        {**spots, "species": species, "dbh": 25.0, "dbh_cm": 25.0, "count": count}
        for species, count in (("Red Maple", 2), ("mystery", 3))
    ]
    stands = [
        survey_of(shapely.box(0, 0, 100, 100), marks=marks, volume_table=table)
        for marks in (served, served[1:], [])
    ]
    volume = {"table": "tarif.csv", "table_reading": "class"}
    project = project_of(volume={**volume, "products": {"sawlog": {"unit": "m3"}}})
    layout = measure_layout(join_surveys(stands, names=["a", "b", "c"]), project, earlier={})

    assert layout.refused[["stand", "name"]].to_numpy().tolist() == [[1, "b"]]
    assert "gives none of 3 trees a volume" in layout.refused["reason"][0]
    assert "gives 3 of 5 trees no volume" in layout.of(0).notices[0]
    assert "'mystery', 3" in layout.of(0).notices[1]
    assert not [text for text in layout.of(2).notices if "trees" in text]
