"""Limits on trees that stay: crop trees, young growth, retained trees, shares of species."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from glademark.judge.limits import (
    Case,
    Limit,
    OfTrees,
    Value,
    columns_of,
    not_checked,
    number,
    rows_of,
    verdicts,
)
from glademark.judge.standing import with_interval
from glademark.measure.table_use import sold_of
from glademark.units import HECTARE_M2

NO_MAP = "the trees around are not known; give [inputs] standing"
NO_STOCK = "what stays is not known; give [inputs] standing or cruise"
NO_CROWNS = "crowns or diameters of the trees before the cut are not known"
COVER_FROM = {
    "crowns": "union of mapped crowns, leave trees included",
    "plots": "from crown widths of the plots, overlapping at random: 1 - exp(-crown area/ground)",
}
"""What a canopy cover rests on."""

NO_DIAMETERS = "marked or standing trees without a diameter"


def crop_tree_marked(case: Case) -> pd.DataFrame:
    """Crop trees that are marked to be cut: each is a contradiction."""
    trees = case.layout.crop_trees
    lost = trees[trees["marked"].astype(bool)] if len(trees) else trees
    return _contradictions("crop_trees", lost["tree_id"].tolist(), "crop tree {} is marked")


def retention_tree_marked(case: Case) -> pd.DataFrame:
    """Retained trees that are marked to be cut: each is a contradiction."""
    trees = case.layout.leave_trees
    if "marked_as" not in trees:
        return pd.DataFrame()
    lost = trees[(trees["marked_as"] != "").to_numpy()]
    return _contradictions("leave_trees", lost["label"].tolist(), "retained tree {} is marked")


def _contradictions(layer: str, labels: Sequence[str], subject: str) -> pd.DataFrame:
    """One row a tree."""
    if not labels:
        return pd.DataFrame()
    rows = columns_of(layer, labels, np.ones(len(labels)), subject=subject)
    return verdicts(rows, limit=0.0, sense="max", unit="trees")


def _sides_min(case: Case, value: Value) -> pd.DataFrame:
    """Open sides of each crop tree after the cut."""
    trees = case.layout.crop_trees
    if trees.empty:
        return pd.DataFrame()
    subject = "open sides of crop tree {}"
    if trees["open_after"].isna().all():
        return not_checked(
            reason=NO_MAP, limit=value, unit="sides", subject="open sides of crop trees"
        )
    names = trees["tree_id"].where(trees["tree_id"] != "", (trees.index + 1).astype(str))
    measured = trees["open_after"].to_numpy(dtype=float, na_value=np.nan)
    rows = rows_of("crop_trees", names.to_numpy(), measured, subject=subject)
    return verdicts(rows, limit=number(value), sense="min", unit="sides")


def _machine_share_max(case: Case, value: Value) -> pd.DataFrame:
    """Share of each patch of young growth under corridors and landings."""
    patches = case.layout.regeneration
    if patches.empty:
        return pd.DataFrame()
    names = patches["name"].where(patches["name"] != "", (patches.index + 1).astype(str))
    subject = "share of regeneration {} under machines"
    share = patches["machine_share"].to_numpy(dtype=float)
    rows = rows_of("regeneration", names.to_numpy(), share, subject=subject)
    return verdicts(rows, limit=number(value), sense="max", unit="share")


def _retention_min(case: Case, value: Value) -> pd.DataFrame:
    """Retained trees per hectare of some kinds and sizes; those marked as well do not count."""
    if not isinstance(value, OfTrees):
        msg = f"expected trees per hectare, got {value!r}"
        raise TypeError(msg)
    kinds = " or ".join(value.kinds) or "any"
    subject = f"retained trees ({kinds})"
    trees = case.layout.leave_trees
    hectares = case.layout.figures.stand.operable_m2 / HECTARE_M2
    known = pd.Series(0.0, index=trees.index)
    unknown = known
    if "retention" in trees:
        wanted = {kind.casefold() for kind in value.kinds}
        own = trees["retention"].str.casefold().str.split("+")
        fits = own.map(lambda codes: bool(wanted & set(codes)) if wanted else codes != [""])
        fits = fits.astype(bool) & (trees["marked_as"] == "")
        known = (fits & (trees["dbh_cm"] >= value.dbh_min_cm)).astype(float)
        unknown = (fits & trees["dbh_cm"].isna()).astype(float)
    if not value.dbh_min_cm:
        known = known + unknown
        unknown = unknown * 0
    least, most = known.sum() / hectares, (known.sum() + unknown.sum()) / hectares
    if least < value.value <= most:
        reason = f"{int(unknown.sum())} retained trees have no diameter"
        return not_checked(reason=reason, limit=value.value, unit="trees/ha", subject=subject)
    rows = rows_of("retention", [kinds], [least], subject=subject)
    return verdicts(rows, limit=value.value, sense="min", unit="trees/ha")


def _species_share_min(case: Case, value: Value) -> pd.DataFrame:
    """Share of a species in the basal area that stays; near where the interval spans the limit."""
    if not isinstance(value, OfTrees):
        msg = f"expected the share of a species, got {value!r}"
        raise TypeError(msg)
    subject = f"share of {value.species} in the basal area that stays"
    table = case.layout.residual_by_class
    if table.empty:
        return not_checked(reason=NO_STOCK, limit=value.value, unit="share", subject=subject)
    (name,) = sold_of(case.survey, case.project).species.fold(np.array([value.species], object))
    whole = table.iloc[-1]
    rows = table[(table["row"] == "species") & (table["species"] == name)]
    if rows.empty:
        found = rows_of("residual_by_class", [name], [0.0], subject=subject)
        return verdicts(found, limit=value.value, sense="min", unit="share")
    own = rows.iloc[0]
    share = float(own["share_of_basal_area_residual"])
    least, most = _share_ends(case, own, whole)
    if np.isnan(share) or least < value.value <= most:
        return not_checked(reason=NO_DIAMETERS, limit=value.value, unit="share", subject=subject)
    others = float(whole["residual_basal_area_m2"] - own["residual_basal_area_m2"])
    low, high = (float(own[f"residual_basal_area_{end}_m2"]) for end in ("low", "high"))
    ends = tuple(one / (one + others) if one + others > 0 else np.nan for one in (low, high))
    found = rows_of("residual_by_class", [name], [share], subject=subject)
    return with_interval(found, value.value, "min", "share", (ends[0], ends[1]))


def _share_ends(case: Case, own: pd.Series, whole: pd.Series) -> tuple[float, float]:
    """Ends of a species' share, if the marked trees without a diameter were all of it, or none."""
    cut = case.layout.marks[case.layout.marks["kind"].isin(case.cut_kinds)]
    largest = float((cut["basal_area_m2"] / cut["count"]).max()) if len(cut) else 0.0
    unknown = int(whole["trees_without_dbh"]) * largest
    area, total = float(own["residual_basal_area_m2"]), float(whole["residual_basal_area_m2"])
    left = total - unknown
    if not unknown:
        return np.inf, np.inf
    return (max(area - unknown, 0.0) / left, area / left) if left > 0 else (0.0, 1.0)


def _canopy_cover_min(case: Case, value: Value) -> pd.DataFrame:
    """Share of the operable area under the crowns that stay, ground under several counted once."""
    limit, subject = number(value), "canopy cover after the cut"
    residual = case.layout.residual
    cover = residual.get("residual", {}).get("canopy_cover")
    if cover is None or np.isnan(cover):
        reason = NO_CROWNS if "residual" in residual else NO_STOCK
        return not_checked(reason=reason, limit=limit, unit="share", subject=subject)
    rows = rows_of("residual_by_class", ["all"], [cover], subject=subject)
    return verdicts(rows, limit=limit, sense="min", unit="share").assign(
        reason=COVER_FROM[residual["canopy_cover_from"]]
    )


CANOPY_COVER_MIN = Limit(
    id="canopy_cover_min",
    title="least canopy cover after the cut",
    kind="share",
    judge=_canopy_cover_min,
)
CROP_TREE_SIDES_MIN = Limit(
    id="crop_tree_sides_min",
    title="least open sides of a crop tree",
    kind="count",
    judge=_sides_min,
)
REGENERATION_MACHINE_SHARE_MAX = Limit(
    id="regeneration_machine_share_max",
    title="largest share of a patch of regeneration under machines",
    kind="share",
    judge=_machine_share_max,
)
RETENTION_TREES_MIN = Limit(
    id="retention_trees_min",
    title="least retained trees per hectare",
    kind="trees",
    judge=_retention_min,
)
SPECIES_SHARE_MIN = Limit(
    id="species_share_min",
    title="least share of a species in the basal area that stays",
    kind="species",
    judge=_species_share_min,
)
