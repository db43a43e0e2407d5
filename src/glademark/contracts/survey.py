"""
What was brought home: one Survey in one working CRS, in SI units, with every unused record named.

The frames of a `Survey` are the contract between intake and everything after it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from glademark.contracts.elevation import Elevation

KINDS = ("cut", "leave", "group_boundary", "group_centre", "line_tree", "danger")
"""What a mark can be; only ``cut`` is tallied and leaves a hole."""

SETBACK_RULES = ("no_cut", "no_machine", "residual_basal_area")
"""What may be ruled in a setback."""

REJECTED_COLUMNS = ("input", "file", "record", "tree_id", "reason")
"""Columns of `Survey.rejected`."""


@dataclass(frozen=True, kw_only=True, slots=True)
class InputCount:
    """
    Records of one file: read = used + rejected.

    Attributes
    ----------
    input
        Key in the project file's ``[inputs]``.
    file
        As written there.
    sha256
        Of the file's bytes.
    read, used, rejected
        Records.
    """

    input: str
    file: str
    sha256: str
    read: int
    used: int
    rejected: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Survey:
    """
    All that intake hands on.

    Every frame is in `crs` (projected, metres, true to area), has a unique index, and exists: an
    input that was not given is an empty frame with its columns. Text columns hold ``""`` where
    nothing was recorded, numbers NaN.

    Attributes
    ----------
    crs
        Working CRS.
    stand
        One row; geometry valid Polygon or MultiPolygon.
    corridors
        LineString or MultiLineString rows: `corridor` (text, unique), `width_m` (> 0), `state` (new
        or existing), `source_file`, `record`.
    marks
        Point rows, index 0..n-1 in the order read: `tree_id`, `marker`, `count` (int >= 1), `kind`
        (one of `KINDS`), `dbh_cm`, `dbh` (as recorded), `dbh_unit` ("in", "cm"), `species`,
        `product`, `paint` (case-folded), `paint_meaning` ("corridor", "cut", "" where blank or
        unlisted), `group`, `height_m`, `crown_radius_m` (measured only), `volume`, `volume_unit`
        (recorded with the mark), `defect_share`, `cull` (bool), `position_error_m`, `time`, `order`
        (of boundary points), `radius_m` (of group centres), `inside` (bool: within the stand or on
        its edge), `source_file`, `record`, then `logs` (16-ft logs) and `must_go` (bool: no
        advice may spare it) where a file says so, then every other column that came in, as text.
    tally
        Trees without a position: `zone` (corridor, opening, matrix, landing or exclusion),
        `species`, `product`, `dbh`, `dbh_unit`, `count`, `volume`, `volume_unit`, `defect_share`,
        `cull`, `source_file`, `record`, and `logs` where counted.
    walked
        Polygon rows of walked openings: `group`, `source_file`, `record`.
    exclusions, landings, water
        Polygon rows: `name`.
    setbacks
        Polygon rows: `name`, `rule` (one of `SETBACK_RULES`), `minimum_m2_ha`.
    leave_trees
        Point rows: `tree_id`, `species`, `dbh_cm`, `crown_radius_m` (measured only).
    marked_ground
        Polygon rows of the ground marked so far.
    volume_table
        Rows as text, as they stand in the file, or None.
    plots
        Point rows of cruise plots in or on the edge of the stand, empty ones included; the point is
        empty where the plot has no position: `plot` (text, unique), `stratum`, `weight` (share of
        the plot in the stand, 1 by default), `baf_m2_ha` (NaN for fixed-area plots), `plot_area_m2`
        (NaN for variable-radius plots).
    plot_trees
        Trees counted on them: `plot`, `species`, `product`, `dbh`, `dbh_unit`, `dbh_cm`, `count`
        (int), `times` (2 where the walkthrough method counts the tree twice, else 1), `height_m`,
        `volume`, `volume_unit` (recorded, for all trees of the record), `defect_share`, `cull`,
        `source_file`, `record`, and `logs` where counted.
    terrain
        What the raster is and how much of the stand it covers, or None.
    elevation
        Heights of the stand and a margin around it, or None.
    landing_sites
        Polygon rows `name`: landings as given, not cut at the stand, those outside it included;
        None where they are the same as `landings`.
    rejected
        Columns `REJECTED_COLUMNS`.
    counts
        One row an input file.
    notices
        One plain sentence each.
    """

    crs: CRS
    stand: gpd.GeoDataFrame
    corridors: gpd.GeoDataFrame
    marks: gpd.GeoDataFrame
    tally: pd.DataFrame
    walked: gpd.GeoDataFrame
    exclusions: gpd.GeoDataFrame
    landings: gpd.GeoDataFrame
    water: gpd.GeoDataFrame
    setbacks: gpd.GeoDataFrame
    leave_trees: gpd.GeoDataFrame
    marked_ground: gpd.GeoDataFrame
    volume_table: pd.DataFrame | None
    plots: gpd.GeoDataFrame
    plot_trees: pd.DataFrame
    terrain: Mapping[str, float | str] | None
    rejected: pd.DataFrame
    counts: tuple[InputCount, ...]
    notices: tuple[str, ...]
    elevation: Elevation | None = None
    landing_sites: gpd.GeoDataFrame | None = None


PaintedZone = Literal["corridor", "not_corridor", ""]
