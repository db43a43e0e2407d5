"""The sample to print, and a long stand."""

from collections.abc import Callable

import pytest
import shapely

from glademark.jobs.layout import Outcome
from glademark.report.delivery import Delivery
from tests.deliveries import SOUTH, WEST, forty_metres_apart


@pytest.fixture(scope="session")
def sample(sample_run: Outcome) -> Outcome:
    """The invented sample, laid out with all its papers."""
    return sample_run


@pytest.fixture(scope="session")
def many(delivery_of: Callable[..., Delivery]) -> Delivery:
    """A long stand with ninety openings and no corridor."""
    stand = shapely.box(WEST, SOUTH, WEST + 3640, SOUTH + 60)
    return delivery_of(stand, {}, marks=forty_metres_apart(90))
