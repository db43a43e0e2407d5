"""
What was measured: one Layout of one or many stands, its layers as `contracts.layers` declares them.

The figures carry the names that they have in ``summary.json``; numbers are unrounded, shares go
from 0 to 1.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import partial
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from glademark.contracts.frames import STAND, OnDemand, cut_on_demand, rows_of
from glademark.contracts.frames import no_rows as no_table
from glademark.contracts.layers import LAYERS
from glademark.contracts.survey import REFUSED_COLUMNS
from glademark.contracts.terrain import GroundFigures, Profile, no_rows
from glademark.errors import InputError

ZONE_NAMES = ("exclusion", "landing", "corridor", "opening", "matrix")
"""Zones in their order of precedence."""


def no_cells(name: str) -> pd.DataFrame:
    """A declared table without rows."""
    return no_table((STAND, *LAYERS[name].names), {STAND: "int64"})


@dataclass(frozen=True, kw_only=True, slots=True)
class StandFigures:
    """Areas of the stand [m2] and its perimeter [m]."""

    area_m2: float
    area_geodesic_m2: float
    operable_m2: float
    perimeter_m: float


@dataclass(frozen=True, kw_only=True, slots=True)
class CorridorFigures:
    """What corridors take."""

    length_m: float  # centre lines inside the stand, overlaps once
    area_m2: float  # union of the strips inside the stand
    share: float
    share_operable: float  # share and share_operable: of the stand, of the operable area
    new_m2: float  # part of the area that no existing corridor has
    overlap_m2: float  # sum of the single strips less their union
    with_landings_m2: float  # corridors and landings together
    share_with_landings: float
    share_operable_with_landings: float
    """share_with_landings and share_operable_with_landings: the same as shares."""
    density_m_per_ha: float  # length over the stand's area
    mean_spacing_m: float
    """Stand area over length: centre line to centre line; NaN without corridors."""


@dataclass(frozen=True, kw_only=True, slots=True)
class OpeningFigures:
    """The openings together."""

    edge: str  # that areas and distances are measured to
    standing_crown_radius_m: float
    """Crown radius of the standing trees, as stated or the median of the cut ones."""
    area_marked_crowns_m2: float
    area_boles_m2: float
    """area_marked_crowns_m2 and area_boles_m2: sums of the lower and of the upper figure; NaN where
    one is not known, or without openings."""
    count: int  # group openings
    area_m2: float  # ground in them; where two overlap it counts once
    share: float  # of the stand, by that ground
    largest_m2: float
    nearest_spacing_m: float | None  # least distance between two openings; None with fewer than two
    combined_count: int  # combined openings, single ones included
    combined_largest_m2: float
    """largest_m2 and combined_largest_m2: the largest opening, the largest combined opening; 0
    where there is none."""
    components: int
    """Crown-linked components of cut marks outside the corridors, single trees included."""
    components_area_m2: float
    """Area of their union, closed alike, before `min_trees` and `min_area`; without a link distance
    that of the circles themselves."""
    incidental_count: int
    incidental_area_m2: float
    """incidental_count and incidental_area_m2: incidental openings that reach those thresholds and
    were named no group."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ZoneFigures:
    """Area [m2] and located cut trees of one zone."""

    area_m2: float
    marks: int


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkFigures:
    """Records and trees."""

    read: int
    used: int
    rejected: int  # read, used and rejected: records of the mark files
    trees: int  # cut trees with a position
    not_located: int  # trees of the paper tally
    paint_disagrees: int  # cut trees whose paint and position name different zones
    paint_disagrees_expected: float  # number of those to be expected from the position error alone
    paint_disagrees_listed: int  # of those, trees beyond two standard errors of the line
    line_trees: int
    line_trees_basal_area_m2: float
    """line_trees and line_trees_basal_area_m2: line trees, tallied apart until the project file
    confirms them."""
    leave_trees: int
    danger_trees: int
    """leave_trees and danger_trees: trees that stay, trees that threaten people at work."""
    unconfirmed: int = 0  # trees recorded, but not known to be cut: in no tally, opening or zone
    without_dbh: int = 0  # of `trees`, those without a diameter


@dataclass(frozen=True, kw_only=True, slots=True)
class WithoutVolume:
    """Trees of one size class that have no volume, and why."""

    size_class: str
    reason: str
    trees: int


@dataclass(frozen=True, kw_only=True, slots=True)
class ProductFigures:
    """
    Volume of one product in its sale unit, its log rule if any, and its trees.

    `gross` and `net` are sums over the trees that have a volume, None where none has; `trees` are
    those of the product, `trees_without` of them have no volume; `parts_without` are trees of other
    products whose part sold as this is not known either.
    """

    unit: str
    rule: str
    gross: float | None
    net: float | None
    trees: int
    trees_without: int = 0
    parts_without: int = 0
    without: tuple[WithoutVolume, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class VolumeFigures:
    """Cut volume, located or not."""

    m3: float | None
    """Net solid volume of the trees that have a volume; None where some of it does not convert."""
    m3_missing_trees: int  # trees whose solid volume is not known
    basal_area_m2: float  # of the cut trees that have a diameter
    by_product: Mapping[str, ProductFigures]  # in the sale units; never added to each other
    sources: tuple[str, ...]
    """Tables and equations that the volumes come from, conversions included."""
    size_class_rule: str  # how size classes were made
    basal_area_missing_trees: int = 0  # those that have none


@dataclass(frozen=True, kw_only=True, slots=True)
class WithUnconfirmed:
    """The totals if every unconfirmed tree were cut as well, by the zone in which it stands."""

    trees: int
    basal_area_m2: float
    m3: float | None
    by_product: Mapping[str, ProductFigures]
    openings: int
    opening_area_m2: float
    largest_opening_m2: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Figures:
    """The figures of a layout, as in ``summary.json``; the last only with unconfirmed trees."""

    stand: StandFigures
    corridors: CorridorFigures
    openings: OpeningFigures
    zones: Mapping[str, ZoneFigures]
    marks: MarkFigures
    volume: VolumeFigures
    with_unconfirmed: WithUnconfirmed | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StandResults:
    """What was found of one stand and is no table."""

    figures: Figures  # totals
    stock_left: Mapping[str, float]
    """Basal area left per hectare with its interval, mean diameters; empty without a known stock.
    """
    notices: tuple[str, ...]  # one plain sentence each, those of the survey included
    profiles: tuple[Profile, ...] = ()  # heights along corridors; empty without terrain
    ground: GroundFigures = GroundFigures()  # noqa: RUF009 - frozen
    """Figures of the ground."""
    residual: Mapping[str, Any] = field(default_factory=dict)
    """Structure of the stand before, marked and after, as in ``summary.json``; empty without a
    cruise, standing trees, or anything else of the stand that stays."""
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Columns of layers of which other stands have more; none where nothing was given for a layer.
    """


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """
    The layers of one stand or many, each with its declared columns, in SI units.

    Every frame has the column `stand`, as in `contracts.survey.Survey`, and is sorted by it.
    """

    crs: CRS  # working CRS of every layer
    stand: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    corridors: gpd.GeoDataFrame
    corridor_lines: gpd.GeoDataFrame
    openings: gpd.GeoDataFrame
    combined_openings: gpd.GeoDataFrame
    incidental_openings: gpd.GeoDataFrame
    marks: gpd.GeoDataFrame
    exclusions: gpd.GeoDataFrame
    setbacks: gpd.GeoDataFrame
    landings: gpd.GeoDataFrame
    water: gpd.GeoDataFrame
    leave_trees: gpd.GeoDataFrame
    """stand, zones, corridors, corridor_lines, openings, combined_openings, incidental_openings,
    marks, exclusions, setbacks, landings, water and leave_trees: layers; `marks` has every other
    column that came in behind the declared ones."""
    cruise_plots: gpd.GeoDataFrame  # what each plot of the cruise says; empty without one
    volume_by_zone: pd.DataFrame  # the tally table
    allowance: pd.DataFrame
    """Allowable, marked and remaining of each quantity of known standing stock; empty without."""
    stock_by_class: pd.DataFrame
    """Standing, marked and residual by size class; empty without a cruise."""
    by_stand: Mapping[int, StandResults]
    """What is no table, by the stand's number; `figures`, `stock_left`, `residual`, `notices`,
    `profiles` and `ground` are those of a layout of one stand."""
    corridor_grades: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "corridor_grades"))
    extraction: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "extraction"))
    water_crossings: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "water_crossings"))
    corridor_stubs: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "corridor_stubs"))
    contours: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "contours"))
    """corridor_grades, extraction, water_crossings, corridor_stubs and contours: layers of the
    ground; empty where what they need was not given."""
    crop_trees: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "crop_trees"))
    regeneration: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "regeneration"))
    exposed_edges: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "exposed_edges"))
    volume_by_opening: pd.DataFrame = field(default_factory=partial(no_cells, "volume_by_opening"))
    """Net volume of each opening by product and unit; empty without openings."""
    residual_by_class: pd.DataFrame = field(default_factory=partial(no_cells, "residual_by_class"))
    marking_ratio: pd.DataFrame = field(default_factory=partial(no_cells, "marking_ratio"))
    removals_by_reason: pd.DataFrame = field(
        default_factory=partial(no_cells, "removals_by_reason")
    )
    retention: pd.DataFrame = field(default_factory=partial(no_cells, "retention"))
    """crop_trees, regeneration, exposed_edges, residual_by_class, marking_ratio, removals_by_reason
    and retention: layers and tables of the stand that stays; empty where what they need was not
    given."""
    hazards: gpd.GeoDataFrame = field(default_factory=partial(no_rows, "hazards"))
    """Ground within the distance to keep from each; empty where none were given."""
    refused: pd.DataFrame = field(
        default_factory=partial(no_table, REFUSED_COLUMNS, {STAND: "int64"})
    )
    """Stands that could not be measured: columns `contracts.survey.REFUSED_COLUMNS`."""

    @property
    def figures(self) -> Figures:
        """Totals of the only stand."""
        return self._only.figures

    @property
    def stock_left(self) -> Mapping[str, float]:
        """Basal area and mean diameters that stay in the only stand."""
        return self._only.stock_left

    @property
    def residual(self) -> Mapping[str, Any]:
        """Structure of the only stand before, marked and after."""
        return self._only.residual

    @property
    def notices(self) -> tuple[str, ...]:
        """Sentences on the only stand."""
        return self._only.notices

    @property
    def profiles(self) -> tuple[Profile, ...]:
        """Heights along the corridors of the only stand."""
        return self._only.profiles

    @property
    def ground(self) -> GroundFigures:
        """Figures of the ground of the only stand."""
        return self._only.ground

    @property
    def _only(self) -> StandResults:
        """Results of the only stand."""
        (results,) = self.by_stand.values()
        return results

    def of(self, stand: int) -> "Layout":
        """One of the stands, renumbered 0."""
        if len(self.refused):
            reasons = self.refused.loc[self.refused[STAND] == stand, "reason"].tolist()
            if reasons:
                raise InputError(*reasons)
        if len(self.stand) == 1 and stand == 0:
            return self
        results = self.by_stand[stand]

        def cut(name: str) -> pd.DataFrame | None:
            """Rows of the stand in one of the layers."""
            if name not in FRAMES:
                return None
            whole, columns = getattr(self, name), results.columns.get(name)
            return no_rows(name) if columns == () else rows_of(whole, stand, columns)

        others = {part.name: getattr(self, part.name) for part in _OTHERS}
        others |= {"by_stand": {0: replace(results, columns={})}, "refused": self.refused.iloc[:0]}
        return cut_on_demand(object.__new__(_OneOfMany), cut, {**others, "_of": (self, stand)})

    @property
    def rows_in(self) -> "tuple[Layout, int] | None":
        """The layout of many stands whose rows the layers are, and which of its stands it is."""
        return None


class _OneOfMany(OnDemand, Layout):
    """The layout of one stand, whose layers are rows of those of all."""

    __slots__ = ("_cut", "_of")

    @property
    def rows_in(self) -> tuple[Layout, int] | None:
        """The layout that it was cut out of; None where its layers are its own."""
        return getattr(self, "_of", None)


_OTHERS = tuple(part for part in fields(Layout) if part.name in {"crs", "by_stand", "refused"})

FRAMES = tuple(part.name for part in fields(Layout) if part not in _OTHERS)
"""Frames of a `Layout`."""
