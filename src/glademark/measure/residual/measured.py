"""A layout with the stand that stays: every layer, table and figure that its inputs allow."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.contracts.frames import STAND, features
from glademark.contracts.layers import LAYERS
from glademark.contracts.layout import Layout
from glademark.contracts.residual_layers import STATES
from glademark.contracts.survey import Survey
from glademark.forestry import SizeClasses, quadratic_mean_diameter_cm
from glademark.forestry.structure import random_cover, stand_density_index
from glademark.measure.assembly import Measured
from glademark.measure.crowns import crown_discs, crown_radii
from glademark.measure.marks import size_class, size_classes_of
from glademark.measure.polygons import union_by
from glademark.measure.residual.around import (
    Neighbourhood,
    crop_tree_layer,
    exposed_layer,
    least_sides,
    marked_as_well,
    regeneration_layer,
    retention_rows,
)
from glademark.measure.residual.reasons import removals_by_reason
from glademark.measure.residual.stand_tables import (
    Amounts,
    RowKeys,
    Sample,
    counted_amounts,
    per_tree,
    residual_table,
)
from glademark.measure.residual.standing_trees import with_measures_of_trees
from glademark.measure.residual.target import (
    Target,
    marking_ratio,
    quotient,
    target_of,
    with_verdicts,
)
from glademark.measure.standing import SOLID, classes_not_counted, tree_amounts
from glademark.measure.tables import declared, rows_by
from glademark.measure.zones import located_zone
from glademark.project.model import Project
from glademark.units import HECTARE_M2
from glademark.wording import counted

_NONE = np.zeros(0, dtype=np.intp)
_BETWEEN = "matrix"


def with_residual(layout: Layout, survey: Survey, project: Project, measured: Measured) -> Layout:
    """A layout with what is found of the stand that stays, where anything was given for it."""
    given = (survey.standing, survey.plots, survey.crop_trees, survey.regeneration)
    said = "reason" in measured.trees or "retention" in measured.leave
    if not said and all(frame.empty for frame in given):
        return layout
    trees = with_measures_of_trees(measured.trees, measured.marks, measured.stand_map)
    classes = _classes(project, measured)
    parts = {
        "by_class": _stand_tables(survey, project, measured, trees, classes),
        "around": _around(layout, survey, project, measured),
    }
    reasons = removals_by_reason(trees, measured.parts)
    frames: dict[str, Any] = {**parts["by_class"].frames, **parts["around"].frames}
    frames["removals_by_reason"] = _declared(reasons, "removals_by_reason")
    told = {stand: _reason_figures(reasons, stand) for stand in layout.by_stand}
    return replace(
        layout,
        **frames,
        by_stand={
            stand: replace(
                one,
                residual={
                    **parts["by_class"].figures.get(stand, {}),
                    **told[stand],
                    **parts["around"].figures.get(stand, {}),
                },
                notices=(
                    *one.notices,
                    *measured.stand_map.notices.get(stand, ()),
                    *parts["by_class"].notices.get(stand, ()),
                ),
            )
            for stand, one in layout.by_stand.items()
        },
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Part:
    """Frames of all stands, figures and notices by stand."""

    frames: Mapping[str, Any]
    figures: Mapping[int, Mapping[str, Any]]
    notices: Mapping[int, tuple[str, ...]]


def _declared(table: pd.DataFrame, name: str) -> pd.DataFrame:
    """A table with its declared columns, by stand."""
    columns = [STAND, *LAYERS[name].names]
    return table.reindex(columns=columns).astype({STAND: np.int64}).reset_index(drop=True)


def _classes(project: Project, measured: Measured) -> SizeClasses:
    """Size classes of the target, else those of the tally."""
    target = project.target_structure
    width = None if target is None else target.class_width
    return measured.classes if width is None else size_classes_of(width, unit=measured.classes.unit)


def _reason_figures(reasons: pd.DataFrame, stand: int) -> dict[str, Any]:
    """Trees by their main reason; nothing where no file says one."""
    rows = reasons[(reasons[STAND] == stand) & (reasons["row"] == "reason")]
    if rows.empty:
        return {}
    by_reason = dict(zip(rows["reason"], rows["trees"].astype(int).tolist(), strict=True))
    without = by_reason.pop("not_stated", 0)
    return {"reasons": by_reason, "trees_without_reason": without}


def _stand_tables(
    survey: Survey,
    project: Project,
    measured: Measured,
    cut: pd.DataFrame,
    classes: SizeClasses,
) -> _Part:
    """Stand tables of the stands whose trees before the cut are known."""
    target = target_of(project.target_structure, classes, survey.target_table)
    cut = cut.assign(size_class=size_class(cut, classes=classes))
    every: tuple[Any, ...] = (
        measured.stand_map.trees,
        survey.plots,
        survey.plot_trees,
        cut,
        measured.parts,
    )
    rows = [rows_by(frame[STAND]) for frame in every]
    tables: dict[str, list[pd.DataFrame]] = {"residual_by_class": [], "marking_ratio": []}
    figures: dict[int, dict[str, Any]] = {}
    notices: dict[int, tuple[str, ...]] = {}
    for stand in measured.standing:
        mine = [
            frame.iloc[of_stand.get(stand, _NONE)]
            for frame, of_stand in zip(every, rows, strict=True)
        ]
        if mine[0].empty and mine[1].empty:
            continue
        one = _OneStand(
            stand=stand,
            project=project,
            measured=measured,
            classes=classes,
            target=target,
            trees=mine[0][mine[0]["counts"].to_numpy()],
            plots=mine[1],
            plot_trees=mine[2],
            cut=mine[3],
            parts=mine[4],
        )
        table, ratio, figures[stand], notices[stand] = one.tables()
        tables["residual_by_class"].append(table.assign(stand=stand))
        if len(ratio):
            tables["marking_ratio"].append(ratio.assign(stand=stand))
    frames = {
        name: _declared(
            pd.concat(some, ignore_index=True) if some else pd.DataFrame({STAND: []}), name
        )
        for name, some in tables.items()
    }
    return _Part(frames=frames, figures=figures, notices=notices)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _OneStand:
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
        before, notices = self._amounts(before_trees, keys, marked)
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
        figures = self._figures(table, (before, marked))
        return table, ratio, figures, (*notices, *self._thin(table))

    def _before(self) -> pd.DataFrame:
        """Trees of the list, or of the plots, with species and size class."""
        if not self.is_cruise:
            size = size_class(self.trees, classes=self.classes)
            return pd.DataFrame(self.trees.drop(columns="geometry")).assign(size_class=size)
        species = self.measured.sold.species.fold(self.plot_trees["species"].to_numpy(dtype=object))
        size = size_class(self.plot_trees, classes=self.classes)
        trees = self.plot_trees.assign(species=species, size_class=size)
        radii = crown_radii(
            trees,
            default_m=self.project.openings.crown_radius_m,
            species=self.measured.sold.species,
        )
        return trees.assign(**radii)

    def _marked(self, keys: RowKeys) -> Amounts:
        """Amounts of the marks and the paper tally."""
        m3 = self.parts.groupby("tree")["m3"].agg(lambda some: some.sum(skipna=False))
        volume = m3.reindex(self.cut.index).to_numpy(dtype=float) / self.cut["count"].to_numpy()
        radius = self.measured.marks["crown_radius_m"].reindex(self.cut.index)
        each = per_tree(self.cut, volume, radius.to_numpy(dtype=float))
        return counted_amounts(self.cut, each, keys.of(self.cut), len(keys.table))

    def _amounts(
        self, trees: pd.DataFrame, keys: RowKeys, marked: Amounts
    ) -> tuple[Amounts, tuple[str, ...]]:
        """Amounts before the cut, and what is to be said of them."""
        own = trees.rename(columns={"defect": "defect_share"})
        volume = tree_amounts(own, self.measured.sold)[SOLID]
        each = per_tree(trees, volume, trees["crown_radius_m"].to_numpy(dtype=float))
        rows, size = keys.of(trees), len(keys.table)
        if not self.is_cruise:
            return counted_amounts(trees, each, rows, size), ()
        sample = Sample(plots=self.plots, trees=trees, each=each, settings=self.project.allowance)
        plain = sample.amounts(rows, size, self.hectares)
        if "is_marked" not in trees or trees["is_marked"].isna().any():
            return plain, ()
        is_marked = trees["is_marked"].to_numpy(dtype=bool)
        on_plots = sample.amounts(rows, size, self.hectares, chosen=is_marked)
        number = float(marked.total["trees"].iloc[-1])
        if not on_plots.low["trees"].iloc[-1] <= number <= on_plots.high["trees"].iloc[-1]:
            text = (
                f"cruise: {counted(round(number), 'tree')} marked in all, and the marked trees on "
                "plots say another number; standing trees are estimated from the plots alone"
            )
            return plain, (text,)
        stays = sample.amounts(rows, size, self.hectares, chosen=~is_marked)
        text = (
            "cruise: the trees before the cut are the marked ones as counted and the others as "
            "the plots say, so that the interval is that of the unmarked trees"
        )
        ends = list(stays.low.columns)
        return Amounts(
            total=stays.total + marked.total,
            low=stays.low + marked.total[ends],
            high=stays.high + marked.total[ends],
            records=plain.records,
        ), (text,)

    def _without_doubtful(self, table: pd.DataFrame, trees: pd.DataFrame) -> pd.DataFrame:
        """Blank what stood in classes that the cruise did not count in full."""
        if not self.is_cruise:
            return table
        lost = classes_not_counted(trees, self.classes, self.project.allowance)
        rows = table["size_class"].isin(lost) & (table["standing_trees"] == 0)
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
                f"{counted(bare, 'marked tree')} without a diameter; the size classes that stay "
                "may hold as many fewer"
            )
        return tuple(told)

    def _figures(self, table: pd.DataFrame, amounts: tuple[Amounts, Amounts]) -> dict[str, Any]:
        """Figures of the states before, marked and after, as in the summary."""
        before, marked = amounts
        after = before.total - marked.total
        cover = self._covers(before.total, marked.total)
        states = {
            state: self._state(table, total.iloc[-1], state, cover[state])
            for state, total in zip(STATES, (before.total, marked.total, after), strict=True)
        }
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
            **states,
            **stated,
        }

    def _state(
        self, table: pd.DataFrame, total: pd.Series, state: str, cover: float
    ) -> dict[str, Any]:
        """Figures of one state."""
        per_ha, hectares = total / self.hectares, self.hectares
        whole = table.iloc[-1]
        trees, basal = float(per_ha["trees"]), float(per_ha["basal_area_m2"])
        some = trees > 0 and basal >= 0
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
            **ends,
            "volume_m3_ha": float(per_ha["volume_m3"]),
            "quadratic_mean_diameter_cm": float(quadratic_mean_diameter_cm(basal, trees))
            if some
            else np.nan,
            "stand_density_index": stand_density_index(trees, basal) if some else np.nan,
            "stand_density_index_summed": float(per_ha["density_index"]),
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
        discs = crown_discs(
            trees.geometry.to_numpy(),
            radius_m=trees["crown_radius_m"].to_numpy(dtype=float),
            bearing=np.zeros(len(trees)),
        )
        crowns = union_by(discs, np.zeros(len(trees), dtype=np.intp), 1)[0]
        return float(shapely.intersection(crowns, operable).area / operable.area)


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


def _around(layout: Layout, survey: Survey, project: Project, measured: Measured) -> _Part:
    """Crop trees, regeneration, retained trees and exposed edges."""
    cut = measured.marks[measured.marks["is_cut"].to_numpy(dtype=bool)]
    frames: dict[str, Any] = {}
    figures: dict[int, dict[str, Any]] = {stand: {} for stand in layout.by_stand}
    standing = measured.stand_map.trees
    placed = standing[~shapely.is_empty(standing.geometry.to_numpy())]
    if len(survey.crop_trees):
        around = Neighbourhood(
            cut=cut,
            standing=placed,
            corridors=measured.corridors.area,
            least=_least(project),
        )
        layer = crop_tree_layer(survey.crop_trees, around, project, measured.sold.species)
        frames["crop_trees"] = layer
        _add(figures, layer, "crop_trees", _crop_figures)
    if len(survey.regeneration):
        stands = len(survey.stand)
        opened = union_by(
            measured.openings.geometry.to_numpy(), measured.openings[STAND].to_numpy(), stands
        )
        machines = shapely.union(measured.ground.landing, measured.corridors.area)
        layer = regeneration_layer(
            survey.regeneration, dict(enumerate(opened)), machines, measured.corridors.strips
        )
        frames["regeneration"] = layer
        _add(figures, layer, "regeneration", _regeneration_figures)
    _retained(frames, figures, measured, cut, project)
    if _has_thresholds(project) and len(placed):
        trees, counts = exposed_layer(placed, _edges(measured), project)
        if len(trees):
            frames["exposed_edges"] = declared(trees, "exposed_edges")
        for stand, row in counts.iterrows():
            figures[int(str(stand))]["stability"] = {
                "trees_measured": int(row["measured"]),
                "trees_beyond": int(row["beyond"]),
            }
    return _Part(frames=frames, figures=figures, notices={})


def _least(project: Project) -> int:
    """Open sides that make a crop tree released."""
    limit = project.limits.get("crop_tree_sides_min")
    stated = None if limit is None else limit.value
    return int(stated) if isinstance(stated, int) else least_sides(project.crop_trees.sides)


def _has_thresholds(project: Project) -> bool:
    """Whether the project file says from where on a tree is worth a look."""
    stability = project.stability
    return not (stability.height_diameter_max is None and stability.live_crown_ratio_min is None)


def _add(
    figures: dict[int, dict[str, Any]],
    layer: gpd.GeoDataFrame,
    key: str,
    of: Any,  # noqa: ANN401
) -> None:
    """Figures of a layer, stand by stand."""
    for stand, rows in rows_by(layer[STAND]).items():
        if stand in figures:
            figures[stand][key] = of(layer.iloc[rows])


def _crop_figures(layer: pd.DataFrame) -> dict[str, Any]:
    """Crop trees of one stand."""
    known = layer["open_after"].notna()
    crowded = (layer["sides"] - layer["open_after"])[known].astype(int)
    counts = crowded.value_counts().sort_index()
    return {
        "count": len(layer),
        "released": int(layer["released"].sum()) if known.any() else None,
        "freed_sides": int(layer["freed"].sum()),
        "crowded_after": {str(sides): int(trees) for sides, trees in counts.items()},
    }


def _regeneration_figures(layer: pd.DataFrame) -> dict[str, int]:
    """Patches of one stand."""
    return {
        "patches": len(layer),
        "released": int((layer["released_m2"] > 0).sum()),
        "crossed": int((layer["corridors"] != "").sum()),
    }


def _retained(
    frames: dict[str, Any],
    figures: dict[int, dict[str, Any]],
    measured: Measured,
    cut: gpd.GeoDataFrame,
    project: Project,
) -> None:
    """The table of retained trees, and those that are marked as well."""
    leave = measured.leave
    if "retention" not in leave or not (leave["retention"] != "").any():
        return
    labels = marked_as_well(leave, cut, project)
    frames["leave_trees"] = declared(leave.assign(marked_as=labels), "leave_trees")
    kept = leave.assign(
        mark=labels,
        basal_area_m2=np.pi / 40_000 * leave["dbh_cm"].to_numpy(dtype=float) ** 2,
    )
    kept = kept[(kept["retention"] != "").to_numpy()]
    tables = []
    for stand, rows in rows_by(kept[STAND]).items():
        mine = kept.iloc[rows]
        table = retention_rows(pd.DataFrame(mine), measured.ground.operable[stand])
        tables.append(table.assign(stand=stand))
        if stand in figures:
            per_ha = dict(zip(table["kind"], table["trees_per_ha"].tolist(), strict=True))
            lost = [label for label in mine["mark"].tolist() if label]
            figures[stand]["retention"] = {**per_ha, "marked_as_well": lost}
    frames["retention"] = _declared(pd.concat(tables, ignore_index=True), "retention")


def _edges(measured: Measured) -> gpd.GeoDataFrame:
    """Openings and corridors with their names."""
    openings, strips = measured.openings, measured.corridors.strips
    names = [
        *("opening " + openings["opening"].astype(str)),
        *("corridor " + strips["corridor"].astype(str)),
    ]
    stands = np.concatenate([openings[STAND].to_numpy(), strips[STAND].to_numpy()])
    shapes = np.concatenate([openings.geometry.to_numpy(), strips.geometry.to_numpy()])
    return features({STAND: stands, "edge": names}, shapes, crs=openings.crs)
