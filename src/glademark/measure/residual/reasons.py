"""Why trees are cut: removals by main reason, zone and product."""

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.residual_layers import REMOVALS_BY_REASON
from glademark.measure.residual.around import CODES_APART, NOT_STATED

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
            "volume_unit": own["unit"].reindex(trees.index).fillna(""),
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
