"""Corridors as they are walked: whatever the receiver's noise, every file is written and sound."""

import importlib
import json
import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from shapely.geometry import shape

from glademark.contracts.survey import Survey
from glademark.export.geopackage import write_geopackage
from glademark.export.handheld import placed_layers
from glademark.export.handheld_files import geojson_text, gpx_bytes, kml_bytes
from glademark.judge.checks import judge
from glademark.judge.limits import Case
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
ROUNDED_M = 0.008  # half of 1e-7 degrees north and east, 5.6 mm each


@pytest.fixture(scope="module")
def networks() -> Iterator[ModuleType]:
    """The maker of random networks; scripts can import one another while it is in use."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.syspath_prepend(str(SCRIPTS))
        yield importlib.import_module("walked_networks")


@pytest.fixture(scope="module")
def delivery_of(
    networks: ModuleType, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Callable[[int], Delivery]:
    """Builder of what is handed over of the network of a seed, its lines as they are."""

    @cache
    def build(seed: int) -> Delivery:
        layers = networks.walked_network(seed, crs="EPSG:26916").layers
        rows: dict[str, Any] = {
            name: list(layers[name].geometry) for name in ("corridors", "landings", "exclusions")
        }
        project = project_of()
        survey = survey_of(layers["stand"].geometry[0], **rows)
        layout = measure_layout(survey, project, earlier={})
        checks = judge(Case(layout=layout, survey=survey, project=project), ())
        summary = build_summary(project, survey, layout, checks)
        return Delivery(
            project=project, survey=survey, layout=layout, checks=checks, summary=summary
        )

    return build


def polygons(kml: bytes) -> list[shapely.Polygon]:
    """Areas of a KML."""
    rings = [
        [np.array([xy.split(",") for xy in ring.split()], dtype=float) for ring in found]
        for polygon in re.findall(r"<Polygon>(.*?)</Polygon>", kml.decode(), flags=re.DOTALL)
        for found in [re.findall(r"<coordinates>(.*?)</coordinates>", polygon)]
    ]
    return [shapely.Polygon(outer, holes) for outer, *holes in rings]


@pytest.mark.parametrize("seed", [0, 1, 2, 3, 5, 6])
def test_every_file_of_a_walked_network_is_sound(
    delivery_of: Callable[[int], Delivery], tmp_path: Path, seed: int
) -> None:
    """No layer and no handheld file has an area that crosses itself, whatever was walked."""
    delivery = delivery_of(seed)
    write_geopackage(delivery, tmp_path / "layout.gpkg")
    package = {
        str(name): pyogrio.read_dataframe(tmp_path / "layout.gpkg", layer=name)
        for name, kind in pyogrio.list_layers(tmp_path / "layout.gpkg")
        if kind is not None
    }
    collection = json.loads(geojson_text(delivery))["features"]

    assert all(frame.geometry.is_valid.all() for frame in package.values())
    assert all(shape(feature["geometry"]).is_valid for feature in collection)
    assert all(polygon.is_valid for polygon in polygons(kml_bytes(delivery)))
    assert gpx_bytes(delivery).count(b"<type>corridor</type>") == len(package["corridor_lines"])


@pytest.mark.parametrize("seed", [0, 3])
def test_mending_moves_no_edge(delivery_of: Callable[[int], Delivery], seed: int) -> None:
    """On the handheld, no vertex of a corridor is farther from its edge than rounding moves it."""
    delivery = delivery_of(seed)
    measured = gpd.GeoSeries(delivery.layout.corridors.geometry)
    shown = placed_layers(delivery)["corridors"].geometry.to_crs(measured.crs)

    most = measured.length * ROUNDED_M
    assert ((shown.area - measured.area).abs() <= most).all()
    places, of = shapely.get_coordinates(shown.to_numpy(), return_index=True)
    edges = shapely.boundary(measured.to_numpy())[of]
    assert shapely.distance(edges, shapely.points(places)).max() <= ROUNDED_M
