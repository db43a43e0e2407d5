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
from glademark.contracts.survey import Survey
from glademark.forestry import SizeClasses
from glademark.measure.assembly import Measured
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
from glademark.measure.residual.one_stand import OneStand
from glademark.measure.residual.stand_tables import removals_by_reason
from glademark.measure.residual.standing_trees import with_measures_of_trees
from glademark.measure.residual.target import (
    target_of,
)
from glademark.measure.tables import declared, rows_by
from glademark.project.model import Project

_NONE = np.zeros(0, dtype=np.intp)


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
        one = OneStand(
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
