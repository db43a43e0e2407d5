"""Flags of proposed groups for the receiver: a point in each group, and its outline."""

from xml.etree import ElementTree as ET

import geopandas as gpd

from glademark import __version__
from glademark.contracts.proposal_layers import CAUTIONS
from glademark.export.handheld.features import add, placed, xml_bytes
from glademark.export.handheld.gpx import NAMESPACE, add_tracks, add_waypoints
from glademark.proposal.outcome import Proposal
from glademark.report.shown_text import shown_text
from glademark.report.verdicts import PROPOSAL


def flags_gpx(proposal: Proposal) -> bytes:
    """Groups of the best alternative as GPX 1.1."""
    root = ET.Element(
        "gpx", {"version": "1.1", "creator": f"glademark {__version__}", "xmlns": NAMESPACE}
    )
    metadata = add(root, "metadata")
    add(metadata, "name", shown_text(proposal.prepared.project.heading.name))
    add(metadata, "desc", f"{PROPOSAL}. {' '.join(CAUTIONS)}")
    groups = proposal.alternatives[0].groups
    numbers = groups["group"].astype("str")
    flags = gpd.GeoDataFrame(
        {
            "name": [f"Proposed {number}" for number in numbers],
            "about": [f"{PROPOSAL}. {shown_text(why, longest=400)}" for why in groups["why"]],
        },
        geometry=groups.geometry.to_numpy(),
        crs=groups.crs,
    )
    flags = placed(flags)
    add_waypoints(root, flags, "proposed group")
    add_tracks(root, flags, "proposed group")
    return xml_bytes(root)
