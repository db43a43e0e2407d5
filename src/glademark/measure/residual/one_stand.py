"""Trees of one stand before the cut, marked and after it: table, marking ratio and figures."""

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.contracts.residual_layers import STATES
from glademark.errors import counted
from glademark.forestry import NO_DIAMETER, SizeClasses, quadratic_mean_diameter_cm
from glademark.forestry.size_classes import (
    percent_stocking,
    random_cover,
    relative_density,
    stand_density_index,
    stocking_type,
)
from glademark.measure.assembly import Measured
from glademark.measure.crowns import crown_cover, crown_discs, crown_radii
from glademark.measure.marks import size_class
from glademark.measure.residual.stand_tables import (
    OF_DIAMETERS,
    Amounts,
    RowKeys,
    Sample,
    counted_amounts,
    per_tree,
    residual_table,
)
from glademark.measure.residual.target import (
    Target,
    marking_ratio,
    quotient,
    quotient_error,
    with_verdicts,
)
from glademark.measure.standing import (
    SOLID,
    classes_not_counted,
    estimate_of,
    tree_amounts,
)
from glademark.measure.tables import known_of_all
from glademark.measure.zones import located_zone
from glademark.project.model import Project
from glademark.units import HECTARE_M2

_BETWEEN = "matrix"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OneStand:
    """Trees before the cut and marked, of one stand."""

    stand: int
    project: Project
    measured: Measured
    classes: SizeClasses
    target: Target | None
    trees: gpd.GeoDataFrame
    plots: pd.DataFrame
    plot_trees: pd.DataFrame
    cut: pd.DataFrame
    parts: pd.DataFrame

    @property
    def hectares(self) -> float:
        """Operable area [ha]."""
        return float(self.measured.ground.operable[self.stand].area) / HECTARE_M2

    @property
    def is_cruise(self) -> bool:
        """Whether plots say what stood before; a list outranks them."""
        return self.trees.empty

    def tables(
        self,
    ) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, Any], tuple[str, ...]]:
        """Stand table, marking ratio, figures and notices."""
        before_trees = self._before()
        keys = RowKeys.of_trees([before_trees, self.cut], self.classes.labels)
        marked = self._marked(keys)
        before, notices, by_plot = self._amounts(before_trees, keys, marked)
        table = residual_table(
            keys, before, marked, hectares=self.hectares, is_cruise=self.is_cruise
        )
        bare = np.where(self.cut["dbh_cm"].isna(), self.cut["count"].to_numpy(dtype=float), 0.0)
        rows = keys.of(self.cut)
        table["trees_without_dbh"] = np.bincount(
            rows.ravel(), weights=np.repeat(bare, rows.shape[1]), minlength=len(keys.table)
        ).astype(int)
        table = self._without_doubtful(table, before_trees)
        table = with_verdicts(table, self.target, hectares=self.hectares)
        ratio = marking_ratio(table, self._between(table))
        figures = self._figures(table, (before, marked), by_plot)
        return table, ratio, figures, (*notices, *self._thin(table))

    def _before(self) -> pd.DataFrame:
        """Trees of the list, or of the plots, with species and size class."""
        if not self.is_cruise:
            size = size_class(self.trees, classes=self.classes)
            return pd.DataFrame(self.trees.drop(columns="geometry")).assign(size_class=size)
        species = self.measured.sold.species.fold(self.plot_trees["species"].to_numpy(dtype=object))
        size = size_class(self.plot_trees, classes=self.classes)
        trees = self.plot_trees.assign(species=species, size_class=size)
        return self._with_crowns(trees)

    def _with_crowns(self, trees: pd.DataFrame) -> pd.DataFrame:
        """Trees with a crown where none is measured, those of the paper tally included."""
        radii = crown_radii(
            trees,
            default_m=self.project.openings.crown_radius_m,
            species=self.measured.sold.species,
        )
        return trees.assign(**radii)

    def _marked(self, keys: RowKeys) -> Amounts:
        """Amounts of the marks and the paper tally."""
        tree = self.cut.index.get_indexer(pd.Index(self.parts["tree"]))
        m3 = known_of_all(self.parts["m3"], tree, len(self.cut))
        volume = m3 / self.cut["count"].to_numpy()
        own = self.measured.marks["crown_radius_m"].reindex(self.cut.index)
        radius = self._with_crowns(self.cut.assign(crown_radius_m=own))["crown_radius_m"]
        each = per_tree(self.cut, volume, radius.to_numpy(dtype=float))
        return counted_amounts(
            self.cut, each, keys.of(self.cut), len(keys.table), left_out=OF_DIAMETERS
        )

    def _amounts(
        self, trees: pd.DataFrame, keys: RowKeys, marked: Amounts
    ) -> tuple[Amounts, tuple[str, ...], pd.DataFrame | None]:
        """Amounts before the cut, what is to be said of them, and trees per hectare by plot."""
        own = trees.rename(columns={"defect": "defect_share"})
        volume = tree_amounts(own, self.measured.sold)[SOLID]
        each = per_tree(trees, volume, trees["crown_radius_m"].to_numpy(dtype=float))
        rows, size = keys.of(trees), len(keys.table)
        if not self.is_cruise:
            return counted_amounts(trees, each, rows, size), (), None
        sample = Sample(plots=self.plots, trees=trees, each=each, settings=self.project.allowance)
        plain = sample.amounts(rows, size, self.hectares)
        if "is_marked" not in trees or trees["is_marked"].isna().any():
            return plain, (), sample.trees_by_class(keys, rows)
        is_marked = trees["is_marked"].to_numpy(dtype=bool)
        on_plots = sample.amounts(rows, size, self.hectares, chosen=is_marked)
        number = float(marked.total["trees"].iloc[-1])
        if not on_plots.low["trees"].iloc[-1] <= number <= on_plots.high["trees"].iloc[-1]:
            text = (
                f"cruise: {counted(round(number), 'tree')} marked in all, and the marked trees on "
                "plots say another number; standing trees are estimated from the plots alone"
            )
            return plain, (text,), sample.trees_by_class(keys, rows)
        stays = sample.amounts(rows, size, self.hectares, chosen=~is_marked)
        text = (
            "cruise: the trees before the cut are the marked ones as counted and the others as "
            "the plots say, so that the interval is that of the unmarked trees"
        )
        ends = list(stays.low.columns)
        both = Amounts(
            total=stays.total + marked.total,
            low=stays.low + marked.total[ends],
            high=stays.high + marked.total[ends],
            records=plain.records,
        )
        return both, (text,), sample.trees_by_class(keys, rows, ~is_marked)

    def _without_doubtful(self, table: pd.DataFrame, trees: pd.DataFrame) -> pd.DataFrame:
        """Blank classes that the cruise did not count, and what stays without a diameter."""
        bare = table["size_class"] == NO_DIAMETER
        table.loc[bare, [name for name in table if str(name).startswith("residual_")]] = np.nan
        if not self.is_cruise:
            return table
        lost = classes_not_counted(trees, self.classes, self.project.allowance)
        rows = table["size_class"].isin([*lost, NO_DIAMETER]) & (table["standing_trees"] == 0)
        names = [name for name in table if str(name).startswith(("standing_", "residual_"))]
        table.loc[rows, names] = np.nan
        return table

    def _between(self, table: pd.DataFrame) -> pd.Series:
        """Unmarked trees by class outside openings and corridors, which take theirs anyway."""
        rows = table[table["row"] == "class"].set_index("size_class")
        placed = self.trees[~shapely.is_empty(self.trees.geometry.to_numpy())]
        if self.is_cruise or len(placed) < len(self.trees):
            return rows["residual_trees"].clip(lower=0)
        stays = placed[(placed["mark"] < 0).to_numpy()]
        ground = self.measured.ground.stand
        zone = located_zone(stays, zones=self.measured.zones, stands=ground)
        between = stays[(zone == _BETWEEN)]
        size = size_class(between, classes=self.classes)
        trees: pd.Series = between["count"].groupby(size.to_numpy()).sum()
        return trees.reindex(rows.index, fill_value=0)

    def _thin(self, table: pd.DataFrame) -> tuple[str, ...]:
        """A sentence on classes with few trees on plots, and on marked trees without diameter."""
        classes = table[table["row"] == "class"]
        thin = classes[classes["thin"].to_numpy(dtype=bool) & (classes["standing_trees"] > 0)]
        told = []
        if len(thin):
            told.append(
                f"cruise: fewer than 20 plot trees in {counted(len(thin), 'size class')} "
                f"({', '.join(thin['size_class'])}); the intervals there are rough"
            )
        bare = int(table["trees_without_dbh"].iloc[-1])
        if bare:
            told.append(
                f"{counted(bare, 'marked tree')} without a diameter: basal area marked is at "
                "least, and after at most, what is told; a class may hold so many trees fewer"
            )
        return tuple(told)

    def _figures(
        self,
        table: pd.DataFrame,
        amounts: tuple[Amounts, Amounts],
        by_plot: pd.DataFrame | None,
    ) -> dict[str, Any]:
        """Figures of the states before, marked and after, as in the summary."""
        before, marked = amounts
        after = before.total - marked.total
        cover = self._covers(before.total, marked.total)
        kind = _stocking_type(table)
        states = {
            state: self._state(table, total.iloc[-1], state, cover[state], kind)
            for state, total in zip(STATES, (before.total, marked.total, after), strict=True)
        }
        for state in ("standing", "residual"):
            states[state] |= self._ends_of_q(table, state, states[state]["q"], by_plot)
        target = self.target
        stated = (
            {}
            if target is None
            else {
                "target": {
                    "basal_area_m2_ha": target.basal_area_m2_ha,
                    "q": target.q,
                    "dbh_max_cm": target.dbh_max_cm,
                    "trees_per_ha": target.trees_per_ha[target.trees_per_ha > 0].to_dict(),
                }
            }
        )
        return {
            "basis": "cruise" if self.is_cruise else "standing",
            "area_m2": self.hectares * HECTARE_M2,
            "canopy_cover_from": "plots" if self.is_cruise else "crowns",
            "stocking_type": kind,
            **states,
            **stated,
        }

    def _ends_of_q(
        self, table: pd.DataFrame, state: str, q: float, by_plot: pd.DataFrame | None
    ) -> dict[str, float]:
        """Ends of the interval of the quotient; of a full list both are the quotient itself."""
        if by_plot is None or np.isnan(q):
            return {"q_low": q, "q_high": q}
        rows = table[table["row"] == "class"].set_index("size_class")
        of_plots = quotient_error(by_plot, rows[f"{state}_trees_per_ha"], self.classes, self.target)
        error = estimate_of(of_plots, self.plots, self.project.allowance).half_width
        return {"q_low": q * np.exp(-error), "q_high": q * np.exp(error)}

    def _state(
        self, table: pd.DataFrame, total: pd.Series, state: str, cover: float, kind: str
    ) -> dict[str, Any]:
        """Figures of one state; `kind` is the type of stand whose stocking is published."""
        per_ha, hectares = total / self.hectares, self.hectares
        whole = table.iloc[-1]
        trees, basal = float(per_ha["trees"]), float(per_ha["basal_area_m2"])
        bare = int(whole["trees_without_dbh"]) if state != "standing" else 0
        sized = trees + {"marked": -1, "residual": 1}.get(state, 0) * bare / hectares
        some = sized > 0 and basal >= 0
        ends = {}
        for end in ("low", "high"):
            at = {
                "trees": whole.get(f"{state}_trees_{end}", whole["marked_trees"]),
                "basal": whole.get(f"{state}_basal_area_{end}_m2", whole["marked_basal_area_m2"]),
            }
            ends[f"trees_per_ha_{end}"] = float(at["trees"]) / hectares
            ends[f"basal_area_m2_ha_{end}"] = float(at["basal"]) / hectares
        classes = table[table["row"] == "class"].set_index("size_class")
        return {
            "trees_per_ha": trees,
            "basal_area_m2_ha": basal,
            **({"trees_without_dbh": bare} if bare else {}),
            **ends,
            "volume_m3_ha": float(per_ha["volume_m3"]),
            "quadratic_mean_diameter_cm": float(quadratic_mean_diameter_cm(basal, sized))
            if some
            else np.nan,
            "stand_density_index": stand_density_index(sized, basal) if some else np.nan,
            "stand_density_index_summed": float(per_ha["density_index"]),
            "relative_density": relative_density(sized, basal) if some else np.nan,
            "percent_stocking": percent_stocking(sized, basal, kind) if some else np.nan,
            "canopy_cover": cover,
            "q": quotient(classes[f"{state}_trees_per_ha"], self.classes, self.target),
            "species": _species(table, state),
        }

    def _covers(self, before: pd.DataFrame, marked: pd.DataFrame) -> dict[str, float]:
        """Canopy cover of the three states: the union of mapped crowns, else by random overlap."""
        if self.is_cruise:
            ground = self.hectares * HECTARE_M2
            crowns = [
                float(total["crown_m2"].iloc[-1]) / ground
                for total in (before, marked, before - marked)
            ]
            cover = [random_cover(max(one, 0.0)) for one in crowns]
            return dict(zip(STATES, cover, strict=True))
        if shapely.is_empty(self.trees.geometry.to_numpy()).any():
            return dict.fromkeys(STATES, np.nan)
        lost = self.measured.stand_map.unmatched.get(self.stand, 0)
        is_marked = (self.trees["mark"] >= 0).to_numpy()
        chosen = (np.ones(len(self.trees), dtype=bool), is_marked, ~is_marked)
        cover = [self._cover(self.trees[some]) for some in chosen]
        if lost:
            cover[1:] = [np.nan, np.nan]
        return dict(zip(STATES, cover, strict=True))

    def _cover(self, trees: gpd.GeoDataFrame) -> float:
        """Share of the operable area under crowns."""
        operable = self.measured.ground.operable[self.stand]
        if trees.empty or operable.is_empty:
            return 0.0 if not operable.is_empty else np.nan
        points = trees.geometry.to_numpy()
        radius = trees["crown_radius_m"].to_numpy(dtype=float)
        one = np.zeros(len(trees), dtype=np.intp)
        whole = crown_cover(shapely.get_coordinates(points), radius, stand=one, stands=1)[0]
        out = shapely.distance(points, shapely.boundary(operable)) < radius
        out |= ~shapely.covers(operable, points)
        discs = crown_discs(points[out], radius_m=radius[out], bearing=np.zeros(int(out.sum())))
        beyond = shapely.difference(shapely.union_all(discs), operable).area
        return float((whole - beyond) / operable.area)


def _stocking_type(table: pd.DataFrame) -> str:
    """Type of stand whose stocking is published, by the species before the cut."""
    species = _species(table, "standing").items()
    return stocking_type({name: one["share_of_basal_area"] for name, one in species})


def _species(table: pd.DataFrame, state: str) -> dict[str, dict[str, float]]:
    """Trees and basal area of each species, with its share of the basal area."""
    rows = table[table["row"] == "species"]
    whole = float(table[f"{state}_basal_area_m2"].iloc[-1])
    return {
        str(name) or "not recorded": {
            "trees_per_ha": trees,
            "basal_area_m2_ha": basal,
            "share_of_basal_area": area / whole if whole > 0 else np.nan,
        }
        for name, trees, basal, area in zip(
            rows["species"],
            rows[f"{state}_trees_per_ha"].tolist(),
            rows[f"{state}_basal_area_m2_ha"].tolist(),
            rows[f"{state}_basal_area_m2"].tolist(),
            strict=True,
        )
    }
