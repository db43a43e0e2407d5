"""Small invented stands, measured and judged: what papers and handheld files are made of."""

from collections.abc import Callable

import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.survey import Survey
from glademark.jobs.layout import installed_limits
from glademark.judge.checks import judge
from glademark.judge.limits import Case, limits_asked
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary


@pytest.fixture(scope="session")
def delivery_of(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Callable[..., Delivery]:
    """Builder of deliveries: a stand, project tables, and what a survey may hold."""

    def build(stand: BaseGeometry, project: dict[str, object], **given: object) -> Delivery:
        asked, survey = project_of(**project), survey_of(stand, **given)
        layout = measure_layout(survey, asked, earlier={})
        limits = limits_asked(asked.limits, known=installed_limits())
        checks = judge(Case(layout=layout, survey=survey, project=asked), limits)
        summary = build_summary(asked, survey, layout, checks)
        return Delivery(project=asked, survey=survey, layout=layout, checks=checks, summary=summary)

    return build


WEST, SOUTH = 400_000.0, 5_100_000.0


def forty_metres_apart(number: int) -> list[dict[str, object]]:
    """Groups of four trees, 40 m apart, each of them named."""
    return [
        {
            "geometry": shapely.Point(WEST + 20 + 40 * group, SOUTH + 20 + 2 * tree),
            "group": f"G{group}",
            "product": "sawlog",
            "species": "sugar maple",
            "paint": "white",
        }
        for group in range(number)
        for tree in range(4)
    ]


@pytest.fixture(scope="session")
def small(delivery_of: Callable[..., Delivery]) -> Delivery:
    """A stand of 100 m by 200 m: one corridor, two named groups, every kind of caution."""
    stand = shapely.box(WEST, SOUTH, WEST + 200, SOUTH + 100)
    special = [
        {"geometry": shapely.Point(WEST + 150, SOUTH + 51), "kind": "danger", "tree_id": "D7"},
        {"geometry": shapely.Point(WEST + 199, SOUTH + 80), "kind": "line_tree", "tree_id": "X9"},
        {
            "geometry": shapely.Point(WEST + 100, SOUTH + 50.5),
            "paint": "pink",
            "paint_meaning": "corridor",
            "product": "pulpwood",
            "count": 3,
        },
    ]
    return delivery_of(
        stand,
        {
            "project": {"name": "=Small & <bold> stand (invented)", "units": "metric"},
            "marks": {"paint": {"pink": "corridor", "white": "cut", "red": "danger"}},
            "openings": {"cleared_to_dbh": "5 cm", "min_area": "50 m2"},
            "volume": {"products": {"no. 2 saw": {"unit": "m3"}}},
            "limits": {
                "opening_area_max": {"value": "60 m2", "authority": "plan", "source": "item 4"},
                "corridor_share_max": "50 %",
            },
        },
        corridors=[shapely.LineString([(WEST, SOUTH + 50), (WEST + 200, SOUTH + 50)])],
        marks=[*forty_metres_apart(2), *special],
        exclusions=[shapely.box(WEST + 160, SOUTH + 70, WEST + 180, SOUTH + 90)],
        landings=[shapely.box(WEST, SOUTH + 40, WEST + 20, SOUTH + 60)],
        water=[shapely.box(WEST + 120, SOUTH, WEST + 124, SOUTH + 100)],
        setbacks=[
            {"geometry": shapely.box(WEST + 110, SOUTH, WEST + 134, SOUTH + 100), "name": "brook"}
        ],
        leave_trees=[{"geometry": shapely.Point(WEST + 90, SOUTH + 20), "tree_id": "L1"}],
    )


@pytest.fixture(scope="session")
def bare(delivery_of: Callable[..., Delivery]) -> Delivery:
    """A stand of one hectare with a single tree and nothing else."""
    stand = shapely.box(WEST, SOUTH, WEST + 100, SOUTH + 100)
    return delivery_of(stand, {}, marks=[{"geometry": shapely.Point(WEST + 50, SOUTH + 50)}])
