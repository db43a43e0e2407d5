"""
Field data: one Survey of one or many stands, in SI units, with every unused record named.

The frames of a `Survey` are the contract between intake and everything after it. An inspection says
what is in a field file and how it would be read, before there is a project.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import partial
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from glademark.contracts.frames import (
    STAND,
    OnDemand,
    cut_on_demand,
    no_features,
    no_rows,
    rows_of,
)
from glademark.contracts.terrain import Elevation

KINDS = (
    "cut", "leave", "group_boundary", "group_centre", "line_tree", "danger", "unconfirmed",
)  # fmt: skip
"""What a mark can be; only ``cut`` is tallied and leaves a hole."""

DBH_FLAGS = ("unreadable", "impossible", "doubtful", "unit_in_cell")
"""What may be wrong with a recorded diameter; the first two leave the tree without one."""

SETBACK_RULES = ("no_cut", "no_machine", "residual_basal_area")
"""What may be ruled in a setback."""

REJECTED_COLUMNS = ("input", "file", "record", "tree_id", "reason")
"""Columns of `Survey.rejected`, beside the number of the stand."""

REFUSED_COLUMNS = (STAND, "name", "reason")
"""Columns of the table of refused stands: a row for each fault."""

FRAMES = (
    "stand", "corridors", "marks", "tally", "walked", "exclusions", "landings", "water", "setbacks",
    "leave_trees", "crop_trees", "regeneration", "failing_patches", "standing", "marked_ground",
    "plots", "plot_trees", "rejected", "hazards",
)  # fmt: skip
"""Frames of a `Survey` that have a column `stand`."""

_BY_STAND = ("terrain", "elevation", "canopy")


class Notice(NamedTuple):
    """A sentence for the reader, and the stand that it concerns; None for all of them."""

    stand: int | None
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class InputCount:
    """Records of one file: read = used + rejected."""

    input: str  # key in the project file's ``[inputs]``
    file: str  # as written there
    sha256: str  # of the file's bytes
    read: int
    used: int
    rejected: int  # read, used and rejected: records
    stand: int | None = field(default=0, metadata={"key": True})
    """Number of the stand whose records are counted; None for those of all stands."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Survey:
    """
    All that intake hands on, of one stand or many.

    Every frame is in `crs` (projected, metres, true to area), has a unique index, and exists: an
    input that was not given is an empty frame with its columns. Text columns hold ``""`` where
    nothing was recorded, numbers NaN. Every frame has the column `stand` (int): the number of the
    stand, 0..n-1; its rows are sorted by it.
    """

    crs: CRS  # working CRS
    stand: gpd.GeoDataFrame
    """One row a stand: `name` (what it is called on layers and papers); geometry valid Polygon or
    MultiPolygon."""
    corridors: gpd.GeoDataFrame
    """LineString or MultiLineString rows: `corridor` (text, unique in its stand), `width_m` (> 0),
    `state` (new or existing), `source_file`, `record`."""
    marks: gpd.GeoDataFrame
    """Point rows, index 0..n-1 in the order read: `tree_id`, `label` (unique in its stand),
    `marker`, `count` (int >= 1), `kind` (one of `KINDS`), `dbh_cm`, `dbh` (as recorded),
    `dbh_unit` ("in", "cm"), `dbh_flag` (one of `DBH_FLAGS` or ""), `species`, `product`, `paint`
    (case-folded), `paint_meaning` ("corridor", "cut", "" where blank or unlisted), `group`,
    `height_m`, `crown_radius_m` (measured only), `volume`, `volume_unit` (recorded with the
    mark), `defect_share`, `cull` (bool), `position_error_m`, `time`, `order` (of boundary
    points), `radius_m` (of group centres), `inside` (bool: within the stand or on its edge),
    `source_file`, `record`, then `logs` (16-ft logs) and `must_go` (bool: no advice may spare
    it) and `reason` (codes with "+" between them, the main one first) where a file has them,
    then every other column that came in, as text."""
    tally: pd.DataFrame
    """Trees without a position: `zone` (corridor, opening, matrix, landing or exclusion), `group`
    (of an opening, or empty), `species`, `product`, `dbh`, `dbh_unit`, `count`, `volume`,
    `volume_unit`, `defect_share`, `cull`, `source_file`, `record`, and `logs` and `reason` where
    given."""
    walked: gpd.GeoDataFrame
    """Polygon rows of walked openings: `group`, `source_file`, `record`, `crosses_at`."""
    exclusions: gpd.GeoDataFrame
    landings: gpd.GeoDataFrame
    water: gpd.GeoDataFrame  # exclusions, landings and water: polygon rows: `name`
    setbacks: gpd.GeoDataFrame
    """Polygon rows: `name`, `rule` (one of `SETBACK_RULES`), `minimum_m2_ha`."""
    leave_trees: gpd.GeoDataFrame
    """Point rows: `tree_id`, `label`, `species`, `dbh_cm`, `crown_radius_m` (measured only),
    `retention` (why it is kept: codes of the project with "+" between them)."""
    crop_trees: gpd.GeoDataFrame
    """Point rows: `tree_id`, `species`, `dbh_cm`, `height_m`, `crown_radius_m` (measured only)."""
    regeneration: gpd.GeoDataFrame  # polygon rows: `name`
    failing_patches: gpd.GeoDataFrame
    """Polygon rows of patches of failing trees: `name`, `priority` (NaN where not stated)."""
    standing: gpd.GeoDataFrame
    """Point rows of all standing trees, the point empty where there is no position: `tree_id`,
    `species`, `dbh_cm`, `height_m`, `crown_radius_m` (measured only), `product`, `grade`,
    `defect` (share), `condition`, `live_crown_ratio` (share), `dbh`, `dbh_unit`, `count`,
    `volume`, `volume_unit`, `cull`, `source_file`, `record`, `logs` where counted, then every
    other column that came in, as text."""
    marked_ground: gpd.GeoDataFrame  # polygon rows of the ground marked so far
    volume_table: pd.DataFrame | None
    """Rows as text, as they stand in the file, or None; one table for all stands."""
    plots: gpd.GeoDataFrame
    """Point rows of cruise plots in or on the edge of the stand, empty ones included; the point is
    empty where the plot has no position: `plot` (text, unique), `stratum`, `weight` (share of
    the plot in the stand, 1 by default), `baf_m2_ha` (NaN for fixed-area plots), `plot_area_m2`
    (NaN for variable-radius plots)."""
    plot_trees: pd.DataFrame
    """Trees counted on them: `plot`, `species`, `product`, `dbh`, `dbh_unit`, `dbh_cm`, `count`
    (int), `times` (2 where the walkthrough method counts the tree twice, else 1), `height_m`,
    `crown_radius_m`, `live_crown_ratio` (share), `volume`, `volume_unit` (recorded, for all
    trees of the record), `defect_share`, `cull`, `source_file`, `record`, `logs` where counted,
    and `is_marked` (bool) where the cruise says it."""
    terrain: Mapping[int, Mapping[str, float | str]] | None
    """What the raster is and how much of each stand it covers, by the stand's number, or None."""
    rejected: pd.DataFrame  # columns `REJECTED_COLUMNS`
    counts: tuple[InputCount, ...]  # one row an input file and stand
    stand_notices: tuple[Notice, ...]  # one plain sentence each
    elevation: Mapping[int, Elevation] | None = None
    """Heights of each stand and a margin around it, by the stand's number, or None."""
    canopy: Mapping[int, Elevation] | None = None
    """Canopy heights of each stand and a margin around it, by the stand's number, or None."""
    target_table: pd.DataFrame | None = None
    """Target structure from a file: `size_class` (text), `trees_per_ha`; one for all stands."""
    hazards: gpd.GeoDataFrame = field(
        default_factory=partial(
            no_features, ("name", "keep_away_m", STAND), {STAND: "int64"}, crs=None
        )
    )
    """Polygon rows of the ground within the distance to keep: `name`, `keep_away_m` (NaN where not
    stated)."""
    refused: pd.DataFrame = field(
        default_factory=partial(no_rows, REFUSED_COLUMNS, {STAND: "int64"})
    )
    """Stands that could not be read: columns `REFUSED_COLUMNS`; they are in no other frame."""

    @property
    def notices(self) -> tuple[str, ...]:
        """Sentences of all stands."""
        return tuple(notice.text for notice in self.stand_notices)

    def of(self, stand: int) -> "Survey":
        """One of the stands, renumbered 0."""
        if len(self.stand) == 1 and stand == 0 and self.refused.empty:
            return self
        mine = {stand, None}
        counts = [replace(one, stand=0) for one in self.counts if one.stand in mine]
        notices = [Notice(0, one.text) for one in self.stand_notices if one.stand in mine]
        others = {part.name: getattr(self, part.name) for part in fields(self)}
        others |= {name: _only(others[name], stand) for name in _BY_STAND}
        others |= {"counts": tuple(counts), "stand_notices": tuple(notices)}
        others["refused"] = self.refused.iloc[:0]
        return cut_on_demand(
            object.__new__(_OneOfMany),
            lambda name: rows_of(getattr(self, name), stand) if name in FRAMES else None,
            {name: value for name, value in others.items() if name not in FRAMES},
        )


class _OneOfMany(OnDemand, Survey):
    """The survey of one stand, whose frames are rows of those of all."""

    __slots__ = ("_cut",)


def _only(by_stand: Mapping[int, Any] | None, stand: int) -> dict[int, Any] | None:
    """What is kept for one stand, under 0; None where there is nothing."""
    return None if by_stand is None or stand not in by_stand else {0: by_stand[stand]}


def with_copies(survey: Survey, stands: Sequence[int]) -> Survey:
    """The survey with rows and heights of the given stands once more, as stands after its own."""
    first = len(survey.stand)
    number = dict(zip(stands, range(first, first + len(stands)), strict=True))
    frames: dict[str, Any] = {}
    for name in FRAMES:
        frame = getattr(survey, name)
        again = np.flatnonzero(frame[STAND].isin(stands))
        if len(again):
            stand = np.append(frame[STAND], frame[STAND].iloc[again].map(number))
            both = frame.iloc[np.append(np.arange(len(frame)), again)]
            both.index = pd.RangeIndex(len(both))
            both[STAND] = stand
            frames[name] = both
    elevation = survey.elevation
    if elevation:
        copied = {number[old]: elevation[old] for old in stands if old in elevation}
        elevation = {**elevation, **copied}
    return replace(survey, **frames, elevation=elevation)


def labels_of(trees: pd.DataFrame) -> pd.Series:
    """What each tree is called on paper: its label, else its own number."""
    return trees["label"] if "label" in trees else trees["tree_id"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ColumnSeen:
    """One column and what it would be read as."""

    header: str  # as written in the file
    meaning: str
    """As in the project file's ``[marks] columns``; nothing where it is not recognised and kept as
    it is."""
    unit: str  # that its header says, or nothing
    filled: int  # records with a value
    example: str  # first value


@dataclass(frozen=True, kw_only=True, slots=True)
class LayerSeen:
    """One layer, sheet or table of a file."""

    name: str  # nothing where the format has no names for layers
    shape: str  # ``points``, ``lines``, ``areas``, ``table`` or ``raster``
    records: int  # those that could be read
    crs: str = ""  # name of the coordinate system; nothing where it is not said
    crs_needed: bool = False  # whether the project file has to state it
    bounds: str = ""  # where it lies, in words
    input: str = ""  # key in ``[inputs]`` for which it looks; nothing where it looks like none
    why: str = ""  # what that was taken from
    columns: tuple[ColumnSeen, ...] = ()  # of the file
    paints: tuple[tuple[str, int], ...] = ()
    """Colours that occur, with the number of records of each, the most frequent first."""
    species: tuple[tuple[str, int], ...] = ()
    """Different species names, with the number of records of each."""
    unknown_species: tuple[tuple[str, int], ...] = ()
    """Those of them that neither the package, a volume table nor the project knows."""
    dbh_unit_needed: bool = False  # whether diameters have no unit
    name_pattern: str = ""
    """What the names seem to hold, as in the project file's ``[marks] name_pattern``."""
    problems: tuple[str, ...] = ()  # first things that would be told, one sentence each


@dataclass(frozen=True, kw_only=True, slots=True)
class FileSeen:
    """One file."""

    file: str  # as the user named it
    path: str  # absolute
    format: str = ""  # told by the first bytes; nothing where the file is refused
    layers: tuple[LayerSeen, ...] = ()  # in the order of the file
    problems: tuple[str, ...] = ()  # why the file as a whole is refused, if it is


@dataclass(frozen=True, kw_only=True, slots=True)
class AfterCutSurvey:
    """
    Field data from after the cut, as intake hands them on.

    Every frame is in the working CRS of the survey before the cut, has a unique index, and exists:
    what was not given is an empty frame with its columns.
    """

    stumps: gpd.GeoDataFrame
    """Point rows, index 0..n-1 in the order read: `stump_id`, `count` (int >= 1), `diameter_cm` (as
    measured), `diameter_at` ("stump" or "breast"), `stump_height_m`, `dbh_cm` (converted where
    taken at the stump), `dbh` and `dbh_unit` (the same in the unit recorded), `species`,
    `product`, `low_mark` (1 seen, 0 looked for and not seen, NaN not looked for),
    `position_error_m`, `day` (text that days or files are told apart by), `inside` (bool: in the
    stand or on its edge), `source_file`, `record`."""
    driven: gpd.GeoDataFrame  # lineString or MultiLineString rows: `name`
    openings: gpd.GeoDataFrame
    """Polygon rows of openings walked after the cut: `group`, `source_file`, `record`."""
    sampled: gpd.GeoDataFrame
    """Polygon rows of the places that were walked, cut at the stand: `name`; none where all of it
    was walked."""
    plots: gpd.GeoDataFrame
    plot_trees: pd.DataFrame
    """Plots of standing trees after the cut, and their trees, as in `contracts.survey.Survey`."""
    damage: gpd.GeoDataFrame
    """Point rows of damage to what is left, the point empty where there is no position: `plot`,
    `trees`, `damaged` (int: of these), `wound_area_m2`, `wound_height_m`, `cause`, `root` and
    `crown` (bool), `rut_depth_m`, `rut_length_m`, `regeneration` and `bent` (young trees),
    `corridor_distance_m`, `source_file`, `record`."""
    rejected: pd.DataFrame  # columns of `contracts.survey.REJECTED_COLUMNS`
    counts: tuple[InputCount, ...]  # one row an input file
    notices: tuple[str, ...]  # one plain sentence each
