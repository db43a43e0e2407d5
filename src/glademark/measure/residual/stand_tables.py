"""
Trees, basal area and volume before the cut, marked and after it, by size class and species.

Before comes from the plots of a cruise, each amount with its interval, or from a full list. Marked
is a count. After is the difference; with a cruise it has the error of what stood before.
Removals by main reason, zone and product stand beside them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.residual_layers import REMOVALS_BY_REASON, STATES
from glademark.forestry import NO_DIAMETER, Estimate, basal_area_m2
from glademark.forestry.size_classes import density_index_of_trees
from glademark.measure.residual.around import CODES_APART, NOT_STATED
from glademark.measure.standing import estimate_of
from glademark.measure.tables import sums
from glademark.project.model import AllowanceSettings
from glademark.units import HECTARE_M2

FloatArray = npt.NDArray[np.float64]

AMOUNTS = ("trees", "basal_area_m2", "volume_m3", "crown_m2", "density_index")
"""Summed over trees; the last two are of no table, but of the figures."""

OF_DIAMETERS = ("basal_area_m2", "density_index")
"""Amounts that leave out marked trees without a diameter, which are counted."""

WITH_INTERVAL = ("trees", "basal_area_m2")
THIN_PLOT_TREES = 20
"""With fewer trees on plots the interval of a row is rough."""

ROWS = ("class", "species", "cell", "total")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RowKeys:
    """Rows of a stand table; `of` gives the four rows that each tree belongs to."""

    table: pd.DataFrame

    @classmethod
    def of_trees(cls, frames: Sequence[pd.DataFrame], labels: Sequence[str]) -> "RowKeys":
        """Rows of all classes, in order, and species that some tree has."""
        pairs = pd.concat([frame[["size_class", "species"]] for frame in frames])
        order = {label: place for place, label in enumerate([*labels, NO_DIAMETER])}
        pairs = pairs.drop_duplicates().astype(object)
        pairs = pairs.assign(place=pairs["size_class"].map(order))
        pairs = pairs.sort_values(["place", "species"])
        blank = pd.Series("", index=pairs.index)
        parts = [
            pairs.assign(row="class", species=blank),
            pairs.assign(row="species", size_class=blank).sort_values("species"),
            pairs.assign(row="cell"),
            pd.DataFrame({"row": ["total"], "species": [""], "size_class": [""]}),
        ]
        table = pd.concat([part[["row", "species", "size_class"]] for part in parts])
        return cls(table=table.drop_duplicates(ignore_index=True))

    def of(self, trees: pd.DataFrame) -> npt.NDArray[np.intp]:
        """Rows of each tree, shape (n, 4)."""
        species = trees["species"].to_numpy(dtype=object)
        size = trees["size_class"].to_numpy(dtype=object)
        blank = np.full(len(trees), "", dtype=object)
        keys = [
            np.repeat(np.array(ROWS, dtype=object), len(trees)),
            np.concatenate([blank, species, species, blank]),
            np.concatenate([size, blank, size, blank]),
        ]
        index = pd.MultiIndex.from_frame(self.table)
        found = index.get_indexer(pd.MultiIndex.from_arrays(keys))
        return found.reshape(len(ROWS), len(trees)).T


def per_tree(trees: pd.DataFrame, volume_m3: FloatArray, radius_m: FloatArray) -> pd.DataFrame:
    """What one tree of each record adds to `AMOUNTS`."""
    dbh_cm = trees["dbh_cm"].to_numpy(dtype=float)
    columns = {
        "trees": np.ones(len(trees)),
        "basal_area_m2": basal_area_m2(dbh_cm),
        "volume_m3": volume_m3,
        "crown_m2": np.pi * radius_m**2,
        "density_index": density_index_of_trees(dbh_cm),
    }
    return pd.DataFrame(columns, index=trees.index)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Amounts:
    """
    Amounts of each row of a table.

    Attributes
    ----------
    total
        `AMOUNTS` of the whole stand, NaN where one is not known.
    low, high
        `WITH_INTERVAL`, ends of their intervals.
    records
        Trees that were counted, of a list or on plots.
    """

    total: pd.DataFrame
    low: pd.DataFrame
    high: pd.DataFrame
    records: FloatArray


def counted_amounts(
    trees: pd.DataFrame,
    each: pd.DataFrame,
    rows: npt.NDArray[np.intp],
    size: int,
    *,
    left_out: Sequence[str] = (),
) -> Amounts:
    """Sums over a full count, which are both ends; `left_out` are sums of what is known."""
    each = each.fillna(dict.fromkeys(left_out, 0.0))
    number = np.repeat(trees["count"].to_numpy(dtype=float), rows.shape[1])
    flat = rows.ravel()
    total = pd.DataFrame(
        {
            name: _of_all(
                np.repeat(each[name].to_numpy(dtype=float), rows.shape[1]) * number, flat, size
            )
            for name in AMOUNTS
        }
    )
    ends = total[list(WITH_INTERVAL)]
    return Amounts(total=total, low=ends, high=ends, records=sums(number, flat, size))


def _of_all(amount: FloatArray, row: npt.NDArray[np.intp], size: int) -> FloatArray:
    """Sums by row, 0 of nothing, NaN where a part is not known."""
    lost = np.bincount(row[np.isnan(amount)], minlength=size)
    return np.where(lost > 0, np.nan, sums(amount, row, size))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sample:
    """A cruise of one stand: plots, their trees, what one tree adds, and how means are taken."""

    plots: pd.DataFrame
    trees: pd.DataFrame
    each: pd.DataFrame
    settings: AllowanceSettings

    def by_plot(
        self, rows: npt.NDArray[np.intp], size: int, chosen: npt.NDArray[np.bool_] | None = None
    ) -> dict[str, FloatArray]:
        """Amounts per hectare by plot and row, shape (plots, rows), NaN where not known."""
        place = pd.Index(self.plots["plot"]).get_indexer(pd.Index(self.trees["plot"]))
        stands_for = self._stands_for(place)
        if chosen is not None:
            stands_for = np.where(chosen, stands_for, 0.0)
        shape = len(self.plots), size
        flat = (place[:, None] * size + rows).ravel()
        return {
            name: _of_all(
                self._added(name, stands_for, rows.shape[1]), flat, shape[0] * size
            ).reshape(shape)
            for name in AMOUNTS
        }

    def trees_by_class(
        self,
        keys: RowKeys,
        rows: npt.NDArray[np.intp],
        chosen: npt.NDArray[np.bool_] | None = None,
    ) -> pd.DataFrame:
        """Trees per hectare by plot (rows) and size class (columns)."""
        is_class = (keys.table["row"] == "class").to_numpy()
        by_plot = self.by_plot(rows, len(keys.table), chosen)["trees"][:, is_class]
        return pd.DataFrame(by_plot, columns=keys.table.loc[is_class, "size_class"].to_numpy())

    def _stands_for(self, place: npt.NDArray[np.intp]) -> FloatArray:
        """Trees per hectare that each record stands for."""
        plots, trees = self.plots.iloc[place], self.trees
        factor = plots["baf_m2_ha"].to_numpy(dtype=float)
        basal = self.each["basal_area_m2"].to_numpy(dtype=float)
        variable = np.divide(factor, basal, out=np.full(len(basal), np.nan), where=basal > 0)
        fixed = HECTARE_M2 / plots["plot_area_m2"].to_numpy(dtype=float)
        number = trees["count"].to_numpy(dtype=float) * trees["times"].to_numpy(dtype=float)
        weight = plots["weight"].to_numpy(dtype=float)
        return np.asarray(np.where(np.isnan(factor), fixed, variable) * number / weight)

    def _added(self, name: str, stands_for: FloatArray, times: int) -> FloatArray:
        """What the records add per hectare to their rows."""
        value = self.each[name].to_numpy(dtype=float)
        added = np.where((stands_for == 0) | (value == 0), 0.0, stands_for * value)
        if name == "basal_area_m2":  # known at a point even where the diameter is not
            added = np.where(np.isnan(added), self._basal_area(stands_for), added)
        return np.repeat(added, times)

    def _basal_area(self, stands_for: FloatArray) -> FloatArray:
        """Basal area per hectare of records without a diameter on variable-radius plots."""
        place = pd.Index(self.plots["plot"]).get_indexer(pd.Index(self.trees["plot"]))
        plots = self.plots.iloc[place]
        number = self.trees["count"].to_numpy(dtype=float) * self.trees["times"].to_numpy(
            dtype=float
        )
        counted = plots["baf_m2_ha"].to_numpy(dtype=float) * number
        return np.where(stands_for == 0, 0.0, counted / plots["weight"].to_numpy(dtype=float))

    def amounts(
        self,
        rows: npt.NDArray[np.intp],
        size: int,
        hectares: float,
        *,
        chosen: npt.NDArray[np.bool_] | None = None,
    ) -> Amounts:
        """Estimates of the whole stand, of all trees or of those chosen."""
        by_plot = self.by_plot(rows, size, chosen)
        estimates = {
            name: [self._estimate(by_plot[name][:, row], hectares) for row in range(size)]
            for name in AMOUNTS
        }

        def _of(part: str, names: Sequence[str]) -> pd.DataFrame:
            return pd.DataFrame(
                {
                    name: [np.nan if one is None else getattr(one, part) for one in estimates[name]]
                    for name in names
                }
            )

        number = self.trees["count"].to_numpy(dtype=float)
        if chosen is not None:
            number = np.where(chosen, number, 0.0)
        return Amounts(
            total=_of("mean", AMOUNTS),
            low=_of("low", WITH_INTERVAL).clip(lower=0),
            high=_of("high", WITH_INTERVAL),
            records=sums(np.repeat(number, rows.shape[1]), rows.ravel(), size),
        )

    def _estimate(self, values: FloatArray, hectares: float) -> Estimate | None:
        """Total of the stand; None where a plot does not know its part."""
        if np.isnan(values).any():
            return None
        return estimate_of(values, self.plots, self.settings).times(hectares)


def residual_table(
    keys: RowKeys, before: Amounts, marked: Amounts, *, hectares: float, is_cruise: bool
) -> pd.DataFrame:
    """The stand table, without target and verdict; rows as in `keys`."""
    after = before.total - marked.total
    table = keys.table.copy()
    for state, total in zip(STATES, (before.total, marked.total, after), strict=True):
        table[f"{state}_trees"] = total["trees"]
        table[f"{state}_trees_per_ha"] = total["trees"] / hectares
        table[f"{state}_basal_area_m2"] = total["basal_area_m2"]
        table[f"{state}_basal_area_m2_ha"] = total["basal_area_m2"] / hectares
        table[f"{state}_volume_m3"] = total["volume_m3"]
    for end, ends in (("low", before.low), ("high", before.high)):
        less = (ends - marked.total[list(WITH_INTERVAL)]).clip(lower=0 if end == "low" else None)
        for state, amount in (("standing", ends), ("residual", less)):
            table[f"{state}_trees_{end}"] = amount["trees"]
            table[f"{state}_basal_area_{end}_m2"] = amount["basal_area_m2"]
    whole = (table["row"] == "total").to_numpy()
    for state in ("standing", "residual"):
        area = table[f"{state}_basal_area_m2"].to_numpy(dtype=float)
        of_all = area[whole][0]
        table[f"share_of_basal_area_{state}"] = area / of_all if of_all > 0 else np.nan
    table["plot_trees"] = before.records if is_cruise else np.nan
    table["thin"] = is_cruise & (before.records < THIN_PLOT_TREES)
    return table


_KEYS = ("reason", "zone", "product")
_ROWS = {"cell": _KEYS, "reason": ("reason",), "zone": ("zone",), "total": ()}


def main_reason(trees: pd.DataFrame) -> pd.Series:
    """The first code of each tree, `NOT_STATED` where there is none."""
    codes = trees["reason"].astype(object).fillna("")
    return codes.str.split(CODES_APART).str[0].replace("", NOT_STATED)


def removals_by_reason(trees: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
    """Rows by stand; empty where no file says a reason."""
    if "reason" not in trees or not (trees["reason"].astype(object).fillna("") != "").any():
        return pd.DataFrame(columns=[STAND, *REMOVALS_BY_REASON.names])
    own = _with_volumes(trees, parts)
    own = own.assign(reason=main_reason(trees))
    codes = trees["reason"].astype(object).fillna("").replace("", NOT_STATED)
    naming = own.assign(reason=codes.str.split(CODES_APART)).explode("reason")
    naming = naming[~naming.assign(tree=naming.index).duplicated(["tree", "reason"])]
    table = pd.concat([_rows(own, naming, row, keys) for row, keys in _ROWS.items()])
    order = {row: place for place, row in enumerate(_ROWS)}
    table = table.assign(order=table["row"].map(order))
    table = table.sort_values([STAND, "order", *_KEYS], ignore_index=True)
    return table[[STAND, *REMOVALS_BY_REASON.names]]


def _with_volumes(trees: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
    """Cut trees with their own product's net volume, solid volume, and how many have none."""
    grouped = parts.groupby("tree")
    solid = grouped["m3"].sum(min_count=1).reindex(trees.index)
    whole = solid.where(
        ~parts["m3"].isna().groupby(parts["tree"]).any().reindex(trees.index, fill_value=True)
    )
    product = trees["product"].astype(object).reindex(parts["tree"]).to_numpy()
    own = parts[(parts["product"] == product).to_numpy()].drop_duplicates("tree")
    own = own.set_index("tree")
    count = trees["count"].astype(int)
    return pd.DataFrame(
        {
            STAND: trees[STAND],
            "zone": trees["zone"].astype(object),
            "product": trees["product"].astype(object),
            "trees": count,
            "basal_area_m2": trees["basal_area_m2"],
            "volume_net": own["net"].reindex(trees.index),
            "volume_unit": own["unit"].reindex(trees.index),
            "volume_m3": whole,
            "trees_without_volume": np.where(whole.isna(), count, 0),
        }
    )


def _rows(own: pd.DataFrame, naming: pd.DataFrame, row: str, keys: tuple[str, ...]) -> pd.DataFrame:
    """Rows of one kind: cells have a product, and so a sale unit."""
    by = [STAND, *keys]
    grouped = own.groupby(by)
    table = grouped[["trees", "basal_area_m2", "trees_without_volume"]].sum()
    table["volume_m3"] = grouped["volume_m3"].sum(min_count=1)
    if row == "cell":
        table["volume_net"] = grouped["volume_net"].sum(min_count=1)
        units = own[own["volume_unit"] != ""].groupby(by)["volume_unit"].first()
        table["volume_unit"] = units.reindex(table.index).fillna("")
    named = naming.groupby(by)["trees"].sum() if "reason" in keys else table["trees"]
    table = table.join(named.rename("trees_naming"), how="outer" if "reason" in keys else "left")
    counts = ["trees", "trees_naming", "trees_without_volume"]
    table[counts] = table[counts].fillna(0).astype(int)
    table["basal_area_m2"] = table["basal_area_m2"].fillna(0.0)
    table = table.reset_index().assign(row=row)
    for name in ("reason", "zone", "product", "volume_unit"):
        table[name] = table[name].fillna("") if name in table else ""
    return table.reindex(columns=[STAND, *REMOVALS_BY_REASON.names])


def reasons_of_openings(trees: pd.DataFrame, opening_row: pd.Series, count: int) -> pd.Series:
    """Trees of each opening by their main reason, in words."""
    row = opening_row.reindex(trees.index)
    inside = row.notna().to_numpy()
    chosen = pd.DataFrame(
        {
            "row": row[inside].astype(int),
            "reason": main_reason(trees)[inside],
            "trees": trees["count"][inside],
        }
    )
    sums = chosen.groupby(["row", "reason"])["trees"].sum().reset_index()
    sums = sums.sort_values(["row", "trees", "reason"], ascending=[True, False, True])
    words = [
        f"{reason} {trees}" for reason, trees in zip(sums["reason"], sums["trees"], strict=True)
    ]
    sums["words"] = np.array(words, dtype=object)
    return sums.groupby("row")["words"].agg(", ".join).reindex(range(count), fill_value="")
