"""Ground made by formulas, and surveys that stand on it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from glademark.contracts.survey import Survey
from glademark.contracts.terrain import Elevation
from glademark.judge.limits import Case
from glademark.project.model import Project
from tests.conftest import measured

Array = npt.NDArray[np.float64]


def build_ground(
    height: Callable[[Array, Array], Array],
    *,
    shape: tuple[int, int] = (60, 60),
    cell: tuple[float, float] = (10.0, 10.0),
    west: float = -100.0,
    south: float = -100.0,
) -> Elevation:
    """Heights of a formula in x (east) and y (north), taken in the middle of every cell."""
    rows, columns = shape
    x = west + (np.arange(columns) + 0.5) * cell[0]
    y = south + (rows - np.arange(rows) - 0.5) * cell[1]
    return Elevation(
        heights_m=np.asarray(height(*np.meshgrid(x, y)), dtype=np.float64),
        west_m=west,
        north_m=south + rows * cell[1],
        cell_x_m=cell[0],
        cell_y_m=cell[1],
        file="made.tif",
    )


@pytest.fixture(scope="session")
def ground_of() -> Callable[..., Elevation]:
    """Builder of heights from a formula."""
    return build_ground


@pytest.fixture(scope="session")
def plane() -> Callable[..., Elevation]:
    """Builder of a tilted plane: rise per metre towards the east and towards the north."""

    def build(east: float, north: float, **more: object) -> Elevation:
        return build_ground(lambda x, y: 500 + east * x + north * y, **more)  # type: ignore[arg-type] # passed on

    return build


@pytest.fixture(scope="session")
def laid_out(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Callable[..., Case]:
    """Builder of cases: stand, `project`, `elevation`, and what a survey may hold."""

    def build(
        stand: object,
        *,
        project: dict[str, object] | None = None,
        elevation: Elevation | None = None,
        **given: object,
    ) -> Case:
        survey = replace(
            survey_of(stand, **given), elevation=None if elevation is None else {0: elevation}
        )
        asked = project_of(**(project or {}))
        return Case(layout=measured(survey, asked), survey=survey, project=asked)

    return build
