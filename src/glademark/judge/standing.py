"""
Limits on what is taken of the standing stock, and on what stays.

What stays: crop trees, young growth, retained trees, shares of species. With a cruise the stock is
an interval: a value inside its limit is near it where the interval spans the limit.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.errors import counted
from glademark.forestry import product_key
from glademark.judge.limits import (
    NO_ROWS,
    Case,
    Limit,
    OfTrees,
    Sense,
    Value,
    columns_of,
    not_checked,
    number,
    rows_of,
    verdicts,
)
from glademark.judge.uncertain_verdicts import between, why_incomplete
from glademark.measure.standing import BASAL, SOLID
from glademark.measure.table_use import sold_of
from glademark.measure.volume import unit_factor
from glademark.units import HECTARE_M2

NOT_KNOWN = "the standing stock is not known; give [inputs] cruise or [allowance] standing"
NO_BASAL_AREA = (
    "the standing basal area is not known; give [inputs] cruise, or basal_area under [allowance] "
    "standing"
)
CRUISE_LACKS = "the cruise gives no standing basal area: a tree of a fixed plot has no diameter"
NO_AMOUNT = "its standing stock is not known, or its amount not for every cut tree"
BASAL_AREA_LIMIT = "removal_basal_area_share_max"
NOTHING_STANDS = "the standing stock is zero"
ONE_PLOT = "a single plot gives no confidence interval"


def _removal_share_max(case: Case, value: Value) -> pd.DataFrame:
    """Share of the basal area, unless that has its own limit, and of each product known."""
    limit, known = number(value), case.layout.allowance["quantity"].tolist()
    if not known:
        subject = "share of the standing stock removed"
        why = _no_basal_area(case, NOT_KNOWN)
        return not_checked(reason=why, limit=limit, unit="share", subject=subject)
    products = [name for name in known if name not in (BASAL, SOLID)]
    if not products and SOLID in known:
        products = [SOLID]  # given as a whole
    rows = [
        _share(_quantity(case, name), limit, f"share of the standing {_in_words(name)} removed")
        for name in products
    ]
    if BASAL_AREA_LIMIT not in case.project.limits:
        subject = f"share of the standing {_in_words(BASAL)} removed"
        unknown = _no_basal_area(case, NO_BASAL_AREA)
        rows.insert(0, _share(_quantity(case, BASAL), limit, subject, unknown=unknown))
    lost = sorted(set(case.layout.figures.volume.by_product).difference(known))
    if lost and SOLID not in products:
        subject = f"share of the standing {', '.join(lost)} removed"
        rows.append(not_checked(reason=NO_AMOUNT, limit=limit, unit="share", subject=subject))
    return pd.concat(rows) if rows else NO_ROWS


def _no_basal_area(case: Case, else_: str) -> str:
    """Why the standing basal area is not known."""
    return else_ if case.survey.plots.empty else CRUISE_LACKS


def _in_words(quantity: str) -> str:
    """Basal area, solid volume, or a product by its name."""
    return quantity.replace("_", " ") if quantity in (BASAL, SOLID) else quantity


def _removal_basal_area_share_max(case: Case, value: Value) -> pd.DataFrame:
    """Share of the standing basal area."""
    subject = "share of the standing basal area removed"
    unknown = _no_basal_area(case, NOT_KNOWN)
    return _share(_quantity(case, BASAL), number(value), subject, unknown=unknown)


def _residual_basal_area_min(case: Case, value: Value) -> pd.DataFrame:
    """Basal area left on the operable area."""
    subject = "basal area left on the operable area"
    left = case.layout.stock_left
    if not left:
        why = _no_basal_area(case, NOT_KNOWN)
        return not_checked(reason=why, limit=value, unit="m2/ha", subject=subject)
    row = _quantity(case, BASAL)
    without = 0 if row is None else int(row["trees_without"])
    if row is None or not without:
        return _stays(left, 0.0, number(value), subject)
    hectares = case.layout.figures.stand.operable_m2 / HECTARE_M2
    more = float(row["marked_at_most"] - row["marked"]) / hectares
    known, at_most = (_stays(left, taken, number(value), subject) for taken in (0.0, more))
    why = why_incomplete(without, lacking="diameter", end="at most")
    return between(known, at_most, why=why)


def _stays(left: Mapping[str, float], taken: float, limit: float, subject: str) -> pd.DataFrame:
    """Basal area left less more that is taken [m2/ha], held against a limit."""
    stays, low, high = (left[f"basal_area{end}_m2_ha"] - taken for end in ("", "_low", "_high"))
    rows = rows_of("stand", ["all"], [stays], subject=subject)
    return with_interval(rows, limit, "min", "m2/ha", (low, high))


def _quantity(case: Case, quantity: str) -> pd.Series | None:
    """Row of the allowance for one quantity."""
    table = case.layout.allowance
    rows = table[table["quantity"] == quantity]
    return None if rows.empty else rows.iloc[0]


def _share(
    row: pd.Series | None, limit: float, subject: str, *, unknown: str = NOT_KNOWN
) -> pd.DataFrame:
    """A share taken, with its interval; open at the top where the stock may be nothing."""
    if row is None or not row["standing"] > 0:
        reason = unknown if row is None else NOTHING_STANDS
        return not_checked(reason=reason, limit=limit, unit="share", subject=subject)
    known = _share_of(row, float(row["marked"]), limit, subject)
    without = int(row["trees_without"])
    if not without:
        return known
    at_most = _share_of(row, float(row["marked_at_most"]), limit, subject)
    lacking = "diameter" if row["quantity"] == BASAL else "volume"
    return between(known, at_most, why=why_incomplete(without, lacking=lacking))


def _share_of(row: pd.Series, amount: float, limit: float, subject: str) -> pd.DataFrame:
    """Share that an amount of marks takes, held against a limit."""
    rows = rows_of("allowance", [row["quantity"]], [amount / row["standing"]], subject=subject)
    low, high = (
        amount / row[end] if row[end] > 0 else math.nan for end in ("standing_high", "standing_low")
    )
    if row["standing_low"] <= 0 < amount:
        high = math.inf
    return with_interval(rows, limit, "max", "share", (low, high))


def with_interval(
    rows: pd.DataFrame, limit: float, sense: Sense, unit: str, ends: tuple[float, float]
) -> pd.DataFrame:
    """One row held against a limit, near where its interval spans the limit."""
    low, high = ends
    alone = math.isnan(low)
    if not (alone or high > low):
        return verdicts(rows, limit=limit, sense=sense, unit=unit)
    checked = verdicts(rows, limit=limit, sense=sense, unit=unit, near=-1.0)
    if not (alone or low < limit < high):
        return checked
    spans = checked["verdict"] == "met"
    reason = ONE_PLOT if alone else _why_near(ends, limit, unit)
    return checked.assign(
        verdict=checked["verdict"].mask(spans, "near"),
        reason=checked["reason"].mask(spans, reason),
    )


def _why_near(ends: tuple[float, float], limit: float, unit: str) -> str:
    """What makes a row near: its interval, as shares or against the limit."""
    low, high = (100 * end / (1.0 if unit == "share" else limit) for end in ends)
    between = f"from {low:.1f} % up" if math.isinf(high) else f"{low:.1f} to {high:.1f} %"
    of = "" if unit == "share" else " of it"
    return f"the confidence interval spans the limit: {between}{of}"


def setback_residuals(case: Case) -> pd.DataFrame:
    """Basal area left in each setback that asks for it; the stock is even per hectare."""
    layout = case.layout
    areas = layout.setbacks[layout.setbacks["rule"] == "residual_basal_area"]
    if areas.empty:
        return NO_ROWS
    stock = _quantity(case, BASAL)
    rows = [
        _setback_residual(case, stock, name or str(i + 1), minimum, area)
        for i, name, minimum, area in zip(
            areas.index, areas["name"], areas["minimum_m2_ha"], areas.geometry, strict=True
        )
    ]
    return pd.concat(rows)


def _setback_residual(
    case: Case, stock: pd.Series | None, name: str, minimum: float, area: BaseGeometry
) -> pd.DataFrame:
    """One setback."""
    subject = "residual basal area in setback {}"
    marked = {"layer": "setbacks", "feature": name, "subject": subject.format(name)}
    if stock is None:
        why = _no_basal_area(case, NOT_KNOWN)
        row = not_checked(reason=why, limit=minimum, unit="m2/ha", subject=subject)
        return row.assign(**marked)
    marks = case.layout.marks[case.layout.marks["kind"].isin(case.cut_kinds)]
    here = np.asarray(shapely.intersects(area, marks.geometry.to_numpy()))
    basal, trees = marks["basal_area_m2"].to_numpy(), marks["count"].to_numpy()
    bare = marks["dbh_cm"].isna().to_numpy()
    without = int(trees[here & bare].sum())
    largest = float((basal[~bare] / trees[~bare]).max()) if not bare.all() else math.inf
    operable_ha = case.layout.figures.stand.operable_m2 / HECTARE_M2

    def left(cut_m2: float) -> pd.DataFrame:
        """The row with so much cut."""
        stays, low, high = (
            stock[end] / operable_ha - cut_m2 / (area.area / HECTARE_M2)
            for end in ("standing", "standing_low", "standing_high")
        )
        rows = rows_of("setbacks", [name], [stays], subject=subject).assign(**marked)
        return with_interval(rows, minimum, "min", "m2/ha", (low, high))

    cut_m2 = float(basal[here].sum())
    if not without:
        return left(cut_m2)
    why = why_incomplete(without, lacking="diameter", end="at most")
    return between(left(cut_m2), left(cut_m2 + without * largest), why=why)


REMOVAL_SHARE_MAX = Limit(
    id="removal_share_max",
    title="largest share of the standing basal area and of each product removed",
    kind="share",
    judge=_removal_share_max,
)
REMOVAL_BASAL_AREA_SHARE_MAX = Limit(
    id="removal_basal_area_share_max",
    title="largest share of the standing basal area removed",
    kind="share",
    judge=_removal_basal_area_share_max,
)
RESIDUAL_BASAL_AREA_MIN = Limit(
    id="residual_basal_area_min",
    title="least basal area left",
    kind="basal_area",
    judge=_residual_basal_area_min,
)


NAMED = 20
"""Trees named in one row; the rest are counted."""


def _dbh_max(case: Case, value: Value) -> pd.DataFrame:
    """The largest cut tree, with all trees beyond the limit named."""
    limit = number(value)
    cut = case.layout.marks[case.layout.marks["kind"].isin(case.cut_kinds)]
    largest = cut["dbh_cm"].max()
    beyond = cut.loc[cut["dbh_cm"] > limit, "label"].tolist()
    names = ", ".join(beyond[:NAMED])
    if len(beyond) > NAMED:
        names += f" and {len(beyond) - NAMED} more"
    rows = rows_of("marks", [names], [largest], subject="largest diameter of a cut tree")
    return verdicts(rows, limit=limit, sense="max", unit="cm")


def _target(case: Case, value: Value) -> pd.DataFrame:
    """Net volume of each product against its target."""
    if not isinstance(value, dict):
        msg = f"expected amounts per product, got {value!r}"
        raise TypeError(msg)
    return pd.concat([_one_target(case, *item) for item in value.items()])


def _one_target(case: Case, product: str, wanted: tuple[float, str]) -> pd.DataFrame:
    """One product; in the unit of the target."""
    amount, unit = wanted
    product = product_key(product)
    subject = f"net volume of {product} against the target"
    cut = case.layout.figures.volume.by_product.get(product)
    factor = np.nan if cut is None else unit_factor(cut.unit, unit)
    if cut is None or np.isnan(factor):
        reason = (
            "no tree of that product is marked"
            if cut is None
            else f"the product is sold by the {cut.unit}, the target is in {unit or 'no unit'}"
        )
        return not_checked(reason=reason, limit=amount, unit=unit, subject=subject)
    without = cut.trees_without + cut.parts_without
    net = math.nan if cut.net is None else cut.net * factor
    known, at_most = (
        verdicts(
            rows_of("volume_by_zone", [product], [end], subject=subject),
            limit=amount,
            sense="min",
            unit=unit,
        )
        for end in (net, math.inf)
    )
    why = why_incomplete(without, lacking="volume")
    if cut.net is None:
        why = f"no volume is computed: {counted(without, 'tree')} without one"
    return between(known, at_most, why=why) if without else known


DBH_MAX = Limit(
    id="dbh_max", title="largest diameter of a cut tree", kind="diameter", judge=_dbh_max
)
TARGET = Limit(id="target", title="volume to reach", kind="amounts", judge=_target)


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
    if trees.empty:
        return NO_ROWS
    lost = trees[trees["marked"].astype(bool)]
    return _contradictions("crop_trees", lost["tree_id"].tolist(), "crop tree {} is marked")


def retention_tree_marked(case: Case) -> pd.DataFrame:
    """Retained trees that are marked to be cut: each is a contradiction."""
    trees = case.layout.leave_trees
    if trees.empty or "marked_as" not in trees:
        return NO_ROWS
    lost = trees[(trees["marked_as"] != "").to_numpy()]
    return _contradictions("leave_trees", lost["label"].tolist(), "retained tree {} is marked")


def _contradictions(layer: str, labels: Sequence[str], subject: str) -> pd.DataFrame:
    """One row a tree."""
    if not labels:
        return NO_ROWS
    rows = columns_of(layer, labels, np.ones(len(labels)), subject=subject)
    return verdicts(rows, limit=0.0, sense="max", unit="trees")


def _sides_min(case: Case, value: Value) -> pd.DataFrame:
    """Open sides of each crop tree after the cut."""
    trees = case.layout.crop_trees
    if trees.empty:
        return NO_ROWS
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
        return NO_ROWS
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
