"""
The layout as GPX 1.1 for receivers.

Boundary, corridors, openings and ground with a rule are tracks, hazards and trees that stay points.

References
----------
.. [1] GPX 1.1 schema, http://www.topografix.com/GPX/1/1: order of elements, WGS 84 degrees.
"""

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import shapely

from glademark import __version__
from glademark.contracts.job_layers import CAUTIONS
from glademark.errors import shown
from glademark.export.handheld.features import (
    about_file,
    add,
    degrees,
    placed,
    placed_layers,
    xml_bytes,
)
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.verdicts import PROPOSAL

if TYPE_CHECKING:
    from glademark.proposal.outcome import Proposal

GPX_FILE = "layout.gpx"
GPX_NAMESPACE = "http://www.topografix.com/GPX/1/1"

_POINTS: Mapping[str, str] = MappingProxyType(
    {
        "landings": "landing",
        "danger_trees": "danger tree",
        "hazards": "hazard",
        "line_trees": "line tree",
        "unconfirmed_trees": "unconfirmed tree",
        "leave_trees": "leave tree",
        "exclusions": "exclusion",
    }
)
_TRACKS: Mapping[str, str] = MappingProxyType(
    {
        "stand": "boundary",
        "corridor_lines": "corridor",
        "openings": "opening",
        "exclusions": "exclusion",
        "setbacks": "setback",
        "water": "water",
        "danger_circles": "danger",
        "hazards": "hazard",
    }
)


def gpx_bytes(delivery: Delivery) -> bytes:
    """The layout as GPX 1.1."""
    layers = placed_layers(delivery)
    root = ET.Element(
        "gpx", {"version": "1.1", "creator": f"glademark {__version__}", "xmlns": GPX_NAMESPACE}
    )
    _add_metadata(root, delivery, layers["stand"])
    for name, kind in _POINTS.items():
        if name in layers:
            add_waypoints(root, layers[name], kind)
    for name, kind in _TRACKS.items():
        if name in layers:
            add_tracks(root, layers[name], kind)
    return xml_bytes(root)


def _add_metadata(root: ET.Element, delivery: Delivery, stand: gpd.GeoDataFrame) -> None:
    """Name, caution and extent."""
    metadata = add(root, "metadata")
    add(metadata, "name", shown(delivery.project.heading.name))
    add(metadata, "desc", about_file(delivery))
    west, south, east, north = (_degrees(value) for value in stand.total_bounds)
    add(metadata, "bounds", minlat=south, minlon=west, maxlat=north, maxlon=east)


def add_waypoints(root: ET.Element, frame: gpd.GeoDataFrame, kind: str) -> None:
    """One waypoint a feature, inside it."""
    where = shapely.get_coordinates(shapely.point_on_surface(frame.geometry.to_numpy()))
    for (lon, lat), name, about in zip(where, frame["name"], frame["about"], strict=True):
        point = add(root, "wpt", lat=_degrees(lat), lon=_degrees(lon))
        add(point, "name", name)
        add(point, "desc", about)
        add(point, "type", kind)


def add_tracks(root: ET.Element, frame: gpd.GeoDataFrame, kind: str) -> None:
    """One track a feature."""
    rows = zip(frame.geometry.to_numpy(), frame["name"], frame["about"], strict=True)
    for number, (shape, name, about) in enumerate(rows, 1):
        track = add(root, "trk")
        add(track, "name", name)
        add(track, "desc", about)
        add(track, "number", number)
        add(track, "type", kind)
        for line in _lines(shape, inner=kind == "boundary"):
            _add_segment(track, line)


def _lines(shape: shapely.Geometry, *, inner: bool) -> np.ndarray:
    """Outer rings of an area, inner ones as well where wanted; lines of a line."""
    parts = shapely.get_parts(np.array([shape]))
    if shapely.get_dimensions(shape) == 1:
        return parts
    return shapely.get_rings(parts) if inner else shapely.get_exterior_ring(parts)


def _add_segment(track: ET.Element, line: shapely.LineString) -> None:
    """All points of one line."""
    segment = add(track, "trkseg")
    for lon, lat in shapely.get_coordinates(line).tolist():
        add(segment, "trkpt", lat=_degrees(lat), lon=_degrees(lon))


def _degrees(value: float) -> str:
    """A coordinate as it is written; the schema knows -180 but not 180."""
    text = degrees(value)
    return f"-{text}" if float(text) == 180 else text  # noqa: PLR2004 - degrees of half a turn


def _write_gpx(delivery: Delivery, folder: Path) -> None:
    """Write ``layout.gpx``."""
    (folder / GPX_FILE).write_bytes(gpx_bytes(delivery))


GPX = Deliverable(id="gpx", title="GPX for receivers", files=(GPX_FILE,), write=_write_gpx)
"""Tracks and waypoints for receivers."""


def flags_gpx(proposal: "Proposal") -> bytes:
    """Groups of the best alternative as GPX 1.1."""
    root = ET.Element(
        "gpx", {"version": "1.1", "creator": f"glademark {__version__}", "xmlns": GPX_NAMESPACE}
    )
    metadata = add(root, "metadata")
    add(metadata, "name", shown(proposal.prepared.project.heading.name))
    add(metadata, "desc", f"{PROPOSAL}. {' '.join(CAUTIONS)}")
    groups = proposal.alternatives[0].groups
    numbers = groups["group"].astype("str")
    flags = gpd.GeoDataFrame(
        {
            "name": [f"Proposed {number}" for number in numbers],
            "about": [f"{PROPOSAL}. {shown(why, longest=400)}" for why in groups["why"]],
        },
        geometry=groups.geometry.to_numpy(),
        crs=groups.crs,
    )
    flags = placed(flags)
    add_waypoints(root, flags, "proposed group")
    add_tracks(root, flags, "proposed group")
    return xml_bytes(root)
