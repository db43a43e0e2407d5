"""
Stumps without a mark that the contract covers, and the wood of trees and stumps.

Trees on paper, and stems cleared in openings, may have a stump. Wood is basal area and net volume
of each tree, by product; unknown is not 0.

Trees on paper have no position. As many stumps as can be are taken to be theirs, by zone, species
and size class, so that nothing is called unmarked that may be a tree of the tally.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.optimize import linprog
from scipy.sparse import csr_array
from scipy.special import ndtr
from scipy.stats import binom

from glademark.comparison.matching import Match
from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.forestry import basal_area_m2
from glademark.forestry.size_classes import SizeClasses
from glademark.measure.marks import size_class
from glademark.measure.openings import volume_words
from glademark.measure.tally import NOT_STATED
from glademark.measure.volume import Sold, volumes, without_volume

__all__ = ["Amounts", "Expected", "Paper", "amounts_of", "in_words", "no_paper", "used_up"]

SOLID = "solid_volume"
"""Name of the solid volume among the quantities."""

_UNITS = {"trees": "trees", "basal_area": "m2"}

TOLERANCE = 3.5
"""A stump may be of a row that its place and diameter miss by so many standard errors."""

MISNAMED_CHANCE = 0.995
"""With this chance no more species are named wrongly than are allowed for."""

STANDING_CHANCE = 0.975
"""With this chance no more trees of the paper tally stand yet than the upper figures hold."""

_DIAMETER_STEPS = 15  # sizes tried within the error of a diameter

_WORTH_OF_PART = (1.0, 0.8, 0.5)
"""Stumps off corridors use up the tally first, cleared stems, within the contract anyway, last."""

_BY_LOW_MARK = {1.0: 0.02, 0.0: -0.02}  # of two that fit, the one with a low mark

_BY_DIAMETER = 0.01  # ... and the one whose diameter is near

_TURNS = 50

_ADDED = 10.0  # stumps spread evenly over the ground: few stumps alone tell little of it

_OTHER_NAME = 0.1  # ... and the one of the same species

_WORTH = 1e-9  # stumps of a smaller chance to be unmarked take no part [trees]


@dataclass(frozen=True, kw_only=True, slots=True)
class Amounts:
    """
    What each tree holds, by quantity: trees, basal_area, solid_volume, then products by name.

    `of` is 0 where a tree has none, or where it is not known; there `without` is 1. `unlisted` is
    1 for a tree without a volume whose product is no quantity.
    """

    of: Mapping[str, FloatArray]
    without: Mapping[str, FloatArray]
    unit: Mapping[str, str]
    unlisted: FloatArray

    def known(self, quantity: str, size: int) -> FloatArray:
        """Amount of each of so many trees, NaN where it is not known."""
        if quantity not in self.of:
            return np.full(size, np.nan)
        return np.where(self.without[quantity] > 0, np.nan, self.of[quantity])


def amounts_of(trees: pd.DataFrame, sold: Sold) -> Amounts:
    """
    Basal area and volumes of each tree, one a row, on an index 0..n-1.

    `trees` has `species`, `product`, `dbh`, `dbh_unit`, `dbh_cm`, and, where known, `height_m`,
    `volume`, `volume_unit`, `defect_share` and `cull`. Solid volume is left out where some wood
    does not convert to it; a product of which no tree has a volume is no quantity. A tree without a
    volume that states no product may be of any: it is without an amount in each.
    """
    full = pd.DataFrame(trees.drop(columns="geometry", errors="ignore")).assign(count=1)
    usual: dict[str, float | str | bool] = {
        "height_m": np.nan,
        "volume": np.nan,
        "volume_unit": "",
        "defect_share": np.nan,
        "cull": False,
        "stand": 0,
    }
    for name, value in usual.items():
        if name not in full:
            full[name] = value
    if "species_written" in full:
        full["species"] = full["species_written"]
    size = len(full)
    area = basal_area_m2(full["dbh_cm"].to_numpy(dtype=float))
    of, unit = {"trees": np.ones(size), "basal_area": np.nan_to_num(area)}, dict(_UNITS)
    without = {"trees": np.zeros(size), "basal_area": np.isnan(area).astype(float)}
    parts = volumes(
        full, table=sold.table, products=sold.products, settings=sold.settings, species=sold.species
    )
    parts = parts.join(without_volume(parts, full["count"]))
    for name, sale_unit, rows in _quantities(parts):
        of[name], unit[name] = _summed(rows, rows["net"].fillna(0.0), size), sale_unit
        without[name] = np.minimum(_summed(rows, rows["trees_without"], size), 1.0)
    own = _summed(parts, parts["own_without"], size)
    products = [name for name in of if name not in _UNITS]
    listed = np.sum([without[name] for name in products], axis=0)
    of_any = (listed == 0) & (own > 0) & (full["product"] == "").to_numpy(dtype=bool)
    without |= {name: np.where(of_any, 1.0, without[name]) for name in products}
    listed = np.where(of_any, len(products), listed)
    if parts["m3"].notna().any() and not parts["unconverted"].any():
        of[SOLID], unit[SOLID] = _summed(parts, parts["m3"].fillna(0.0), size), "m3"
        without[SOLID] = own
    order = [*_UNITS, *([SOLID] if SOLID in of else [])]
    order += [name for name in of if name not in order]
    return Amounts(
        of={name: of[name] for name in order},
        without=without,
        unit=unit,
        unlisted=np.where(listed > 0, 0.0, own),
    )


def _quantities(parts: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Products that some tree has a volume of, each in one unit, with all parts that are theirs."""
    known = parts[parts["net"].notna()]
    for product, rows in known.groupby("product"):
        units = sorted(set(rows["unit"]))
        theirs = parts[parts["product"] == product]
        for unit in units:
            name = str(product) or NOT_STATED
            mine = theirs["net"].isna() | (theirs["unit"] == unit)
            yield name if len(units) == 1 else f"{name} ({unit})", str(unit), theirs[mine]


def _summed(parts: pd.DataFrame, values: pd.Series, size: int) -> FloatArray:
    """Sum over the parts of each tree."""
    tree = parts["tree"].to_numpy(dtype=np.intp)
    return np.asarray(np.bincount(tree, values.to_numpy(dtype=float), size), dtype=float)


def in_words(amounts: Amounts, size: int) -> list[str]:
    """Net volume of each of so many trees, by product in its sale unit; empty where none."""
    words = [""] * size
    for name, values in amounts.of.items():
        if name in {*_UNITS, SOLID}:
            continue
        unit, known = amounts.unit[name], amounts.known(name, size)
        for at in np.flatnonzero((values > 0) | np.isnan(known)).tolist():
            text = volume_words(name, known[at], unit, trees_without=0)
            words[at] = f"{words[at]}; {text}" if words[at] else text
    return words


@dataclass(frozen=True, kw_only=True, slots=True)
class Paper:
    """
    Trees counted on paper.

    `rows` has `zone`, `group`, `species` (folded), `product`, `dbh`, `dbh_unit`, `dbh_cm`,
    `size_class` and `count`, the trees whose stumps would have been seen; `ground` is where each
    row's trees stand, and `wood` that of one tree of each.
    """

    rows: pd.DataFrame
    ground: npt.NDArray[np.object_]
    wood: Amounts
    classes: SizeClasses


@dataclass(frozen=True, kw_only=True, slots=True)
class Expected:
    """
    What of the unmatched stumps is covered.

    `cleared` and `in_corridor` are chances of a stump that is of no mark; `tallied` the share of
    it that the paper tally uses up, off corridors, in them and among cleared stems, shape
    (stumps, 3). `found` are stumps taken for each row of the tally, `may_stand` trees of it that
    may stand yet and have been taken for cut.
    """

    in_corridor: FloatArray
    cleared: FloatArray
    tallied: FloatArray
    found: FloatArray
    may_stand: float = 0.0
    paper: Paper | None = field(default=None)

    @property
    def parts(self) -> dict[str, FloatArray]:
        """Chance of a stump that is of no mark to be each of what it may be; they add up to 1."""
        place = self._places
        open_ = place * (1 - self.tallied)
        return {
            "unmarked": open_[:, 0],
            "unmarked_in_corridor": open_[:, 1],
            "cleared": open_[:, 2],
            "tallied": (place * self.tallied).sum(axis=1),
        }

    @property
    def places(self) -> dict[str, FloatArray]:
        """The same with nothing used up by the tally."""
        off, inside, cleared = self._places.T
        return {"unmarked": off, "unmarked_in_corridor": inside, "cleared": cleared}

    @property
    def _places(self) -> FloatArray:
        off = 1 - self.in_corridor - self.cleared
        return np.column_stack([off, self.in_corridor, self.cleared])


def no_paper(classes: SizeClasses) -> Paper:
    """A tally without rows."""
    names = ("zone", "group", "species", "product", "dbh", "dbh_unit", "dbh_cm", "size_class")
    rows = pd.DataFrame({name: [] for name in names}).assign(count=0.0)
    nothing = np.zeros(0, dtype=object)
    wood = Amounts(of={}, without={}, unit={}, unlisted=np.zeros(0))
    return Paper(rows=rows, ground=nothing, wood=wood, classes=classes)


def used_up(
    match: Match,
    stumps: gpd.GeoDataFrame,
    paper: Paper,
    *,
    errors: tuple[float, float],
    ground_m2: FloatArray,
    cleared_to_cm: float | None,
) -> Expected:
    """
    Unmatched stumps that the tally and the clearing of openings cover.

    `errors` are the relative error of a diameter and the share of species named wrongly;
    `ground_m2` is as `glademark.comparison.records.Places.ground_m2` gives it.
    """
    alone = np.clip(1 - match.stump_chance, 0.0, 1.0)
    corridor, opening = _whereabouts(stumps, alone, ground_m2)
    cleared = np.zeros(len(stumps))
    if cleared_to_cm is not None and len(stumps):
        cleared = opening * _large(stumps, errors[0], cleared_to_cm)
    nothing = Expected(
        in_corridor=corridor,
        cleared=cleared,
        tallied=np.zeros((len(stumps), 3)),
        found=np.zeros(len(paper.rows)),
        paper=paper,
    )
    if not len(stumps) or not len(paper.rows):
        return nothing
    mass = alone[:, None] * np.column_stack([1 - corridor - cleared, corridor, cleared])
    fits = _fits(stumps, paper, match.rates.scale, errors[0])
    tallied, found = _taken(mass, fits, stumps, paper, misnamed=errors[1])
    count = paper.rows["count"].to_numpy(dtype=float)
    cut = float(match.rates.cut_share[0]) if len(match.rates.cut_share) else 1.0
    standing = binom.ppf(STANDING_CHANCE, np.ceil(count.sum()), 1 - cut)
    may_stand = float(np.clip(standing - (count - found).sum(), 0.0, found.sum()))
    return Expected(
        in_corridor=corridor,
        cleared=cleared,
        tallied=tallied,
        found=found,
        may_stand=may_stand,
        paper=paper,
    )


def _large(stumps: gpd.GeoDataFrame, error: float, cleared_to_cm: float) -> FloatArray:
    """Chance of each stump to be of a size that is cleared in openings; 1 without a diameter."""
    larger = np.log(stumps["dbh_cm"].to_numpy(dtype=float) / cleared_to_cm) / error
    return np.where(np.isnan(larger), 1.0, ndtr(larger))


def _whereabouts(
    stumps: gpd.GeoDataFrame, weight: FloatArray, ground_m2: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """
    Chance of each stump without a mark to stand in a corridor, and in an opening that is cleared.

    A position near an edge is most likely of the side on which such stumps are many: their number
    a square metre, in corridors, in openings and elsewhere, is estimated in turns with the chances.
    """
    corridor, opening = (stumps[key].to_numpy(dtype=float) for key in ("in_corridor", "in_opening"))
    known = np.column_stack([np.clip(1 - corridor - opening, 0.0, 1.0), corridor, opening])
    if len(ground_m2) < known.shape[1]:  # openings are no ground of their own
        known = np.column_stack([known[:, 0] + known[:, 2], corridor])
    area = np.maximum(np.asarray(ground_m2, dtype=float), 1.0)
    added = _ADDED * area / area.sum()
    chance = known
    for _ in range(_TURNS):
        density = (weight @ chance + added) / area
        chance = known * density
        chance = chance / np.maximum(chance.sum(axis=1, keepdims=True), 1e-300)
    return chance[:, 1], chance[:, 2] if chance.shape[1] > 2 else np.zeros(len(stumps))  # noqa: PLR2004


@dataclass(frozen=True, kw_only=True, slots=True)
class _Fits:
    """Whether each stump may be of each row of the tally, and how well, shape (stumps, rows)."""

    named: BoolArray
    other_name: BoolArray
    near: BoolArray


def _fits(stumps: gpd.GeoDataFrame, paper: Paper, scale: float, error: float) -> _Fits:
    """Rows that each stump may be of, by its place, species and diameter."""
    rows = paper.rows
    fits = np.ones((len(stumps), len(rows)), dtype=bool)
    here = shapely.points(stumps[["seen_x", "seen_y"]].to_numpy())
    reach = TOLERANCE * scale * stumps["error_m"].to_numpy(dtype=float) / np.sqrt(2) + 1e-6
    places = rows.groupby(["zone", "group"]).ngroup().to_numpy()
    for place in np.unique(places).tolist():  # few
        members = np.flatnonzero(places == place)
        ground = paper.ground[members[0]]
        shapely.prepare(ground)
        fits[:, members] &= shapely.dwithin(ground, here, reach)[:, None]
    dbh = stumps["dbh_cm"].to_numpy(dtype=float)[:, None]
    off = np.abs(np.log(dbh / rows["dbh_cm"].to_numpy(dtype=float)[None, :]))
    near = np.isnan(off) | (off <= TOLERANCE * error)
    fits &= near | _same_class(stumps, paper, error)
    product = stumps["product"].to_numpy(dtype=object)[:, None]
    fits &= _same(product, rows["product"].to_numpy(dtype=object)[None, :])
    species = _same(
        stumps["species"].to_numpy(dtype=object)[:, None],
        rows["species"].to_numpy(dtype=object)[None, :],
    )
    return _Fits(named=fits & species, other_name=fits & ~species, near=near)


def _same(one: npt.NDArray[np.object_], other: npt.NDArray[np.object_]) -> BoolArray:
    """Whether two words are equal, or one is not known."""
    return np.asarray((one == other) | (one == "") | (other == ""), dtype=bool)


def _same_class(stumps: gpd.GeoDataFrame, paper: Paper, error: float) -> BoolArray:
    """Whether the diameter of a stump, within its error, is in the size class of a row."""
    wanted = paper.rows["size_class"].to_numpy(dtype=object)
    same = np.zeros((len(stumps), len(wanted)), dtype=bool)
    sizes = pd.DataFrame(stumps[["dbh", "dbh_unit"]])
    for step in np.linspace(-TOLERANCE, TOLERANCE, _DIAMETER_STEPS).tolist():
        moved = sizes.assign(dbh=sizes["dbh"] * np.exp(step * error))
        label = size_class(moved, classes=paper.classes).to_numpy(dtype=object)
        same |= label[:, None] == wanted[None, :]
    return same


def _taken(
    mass: FloatArray, fits: _Fits, stumps: gpd.GeoDataFrame, paper: Paper, *, misnamed: float
) -> tuple[FloatArray, FloatArray]:
    """Share of each part of each stump that the tally uses up, and stumps taken for each row."""
    low_mark = stumps["low_mark"].map(_BY_LOW_MARK).fillna(0.0).to_numpy(dtype=float)
    kinds = np.column_stack([fits.named, fits.other_name, fits.near, np.rint(100 * low_mark)])
    _, first, group = np.unique(
        kinds.astype(np.int8), axis=0, return_index=True, return_inverse=True
    )
    group = np.asarray(group).reshape(-1)
    supply = np.stack(
        [np.bincount(group, mass[:, part], len(first)) for part in range(mass.shape[1])], axis=1
    ).astype(np.float64)
    count = paper.rows["count"].to_numpy(dtype=float)
    in_opening = (paper.rows["zone"] == "opening").to_numpy(dtype=bool)
    arcs = _arcs(
        fits,
        np.asarray(first, dtype=np.intp),
        supply,
        in_opening,
        np.asarray(low_mark, dtype=np.float64),
    )
    flow = _most(arcs, np.asarray(supply.ravel(), dtype=np.float64), count, misnamed)
    used = np.bincount(arcs.source, flow, supply.size).reshape(supply.shape)
    share = np.clip(used / np.maximum(supply, _WORTH), 0.0, 1.0)
    taken = np.bincount(arcs.row, flow, len(count))
    return share[group], np.asarray(taken, dtype=np.float64)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Arcs:
    """Ways from parts of stumps alike to rows of the tally, and what a tree on each is worth."""

    source: IntArray
    row: IntArray
    worth: FloatArray
    is_other: BoolArray


def _arcs(
    fits: _Fits, first: IntArray, supply: FloatArray, in_opening: BoolArray, low_mark: FloatArray
) -> _Arcs:
    """Every way; cleared stems are of a tally of openings alone."""
    sources, rows, worths, others = [], [], [], []
    parts = supply.shape[1]
    for is_other, fit in ((False, fits.named[first]), (True, fits.other_name[first])):
        like, row = np.nonzero(fit)
        better = low_mark[first][like] + _BY_DIAMETER * fits.near[first][like, row]
        for part in range(parts):
            is_stem = part == parts - 1
            here = supply[like, part] > _WORTH
            here = here & in_opening[row] if is_stem else here
            sources.append(like[here] * parts + part)
            rows.append(row[here])
            worth = _WORTH_OF_PART[part] - (_OTHER_NAME if is_other else 0.0)
            worths.append(worth + better[here])
            others.append(np.full(int(np.count_nonzero(here)), is_other))
    return _Arcs(
        source=np.concatenate(sources).astype(np.intp),
        row=np.concatenate(rows).astype(np.intp),
        worth=np.concatenate(worths),
        is_other=np.concatenate(others).astype(bool),
    )


def _most(arcs: _Arcs, supply: FloatArray, count: FloatArray, misnamed: float) -> FloatArray:
    """Largest flow from stumps to rows, misnamed ones within what is to be expected of them."""
    if not len(arcs.source):
        return np.zeros(0)
    allowed = binom.ppf(MISNAMED_CHANCE, np.ceil(count.sum()), misnamed)
    last = len(supply) + len(count)
    others = np.flatnonzero(arcs.is_other)
    at = np.arange(len(arcs.source))
    end = np.concatenate([arcs.source, len(supply) + arcs.row, np.full(len(others), last)])
    way = np.concatenate([at, at, others])
    table = csr_array((np.ones(len(end)), (end, way)), shape=(last + 1, len(at)))
    most = np.concatenate([supply, count, [allowed]])
    found: Any = linprog(-arcs.worth, A_ub=table, b_ub=most, method="highs")  # type: ignore[call-overload]  # sparse tables are missing in its types
    return np.asarray(np.maximum(np.asarray(found.x, dtype=float), 0.0))
