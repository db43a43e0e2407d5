"""What a volume table whose reading is not stated would give, read in the other ways."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.forestry import VolumeTable
from glademark.measure.tables import rows_by
from glademark.measure.volume import Sold, volumes
from glademark.wording import counted


def reading_notices(trees: pd.DataFrame, parts: pd.DataFrame, sold: Sold) -> dict[int, str]:
    """
    One sentence a stand on the reading that was taken, where the project file states none.

    Differences are in per cent of the gross volume of all trees, by product where they are sold in
    several units, over the trees that have a volume by both readings.
    """
    said: dict[int, str] = {}
    table = sold.table
    if table is None or _is_stated(table, sold) or not parts["by_table"].any():
        return said
    others = {label: _compared(trees, parts, other, sold) for label, other in _others(table)}
    for stand, rows in rows_by(parts[STAND]).items():
        some = parts.iloc[rows]
        words = [
            f"{label}, {_differences(some, amounts.iloc[rows])}"
            for label, amounts in others.items()
        ]
        if words and some["by_table"].any():
            said[stand] = (
                f"The project file does not say how {table.source} is read: its diameters were "
                f"taken as the lower edges of classes. {'; '.join(words)}. State table_reading or "
                "table_class_width in [volume]."
            )
    return said


def _is_stated(table: VolumeTable, sold: Sold) -> bool:
    """Whether the project file, or sizes written as ranges, say how the table is read."""
    settings = sold.settings
    stated = settings is not None and (
        settings.table_reading is not None or settings.table_class_width is not None
    )
    return stated or all(row.is_range for row in table.rows)


def _others(table: VolumeTable) -> Iterator[tuple[str, VolumeTable]]:
    """The same table read in the other ways, under the words for it."""
    width = _usual_step(table)
    if width > 0:
        label = f"As middles of classes {width:g} {table.dbh_unit} wide"
        yield label, replace(table, class_width=width)
    yield "straight between its rows", replace(table, read="interpolate", class_width=None)


def _usual_step(table: VolumeTable) -> float:
    """Commonest distance between sizes of one key; 0 where each has one size only."""
    sizes: dict[tuple[str, str, str], set[float]] = {}
    for row in table.rows:
        sizes.setdefault((row.product, row.species, row.part), set()).add(row.dbh)
    steps = Counter(
        round(float(step), 6) for some in sizes.values() for step in np.diff(sorted(some))
    )
    return steps.most_common(1)[0][0] if steps else 0.0


def _compared(
    trees: pd.DataFrame, parts: pd.DataFrame, table: VolumeTable, sold: Sold
) -> pd.Series:
    """Gross volume of each part by another reading of the table; NaN where it has none."""
    other = volumes(trees, table=table, products=sold.products, species=sold.species)
    other = other[other["by_table"]].drop_duplicates(["tree", "product"])
    keys = pd.MultiIndex.from_frame(other[["tree", "product"]])
    wanted = pd.MultiIndex.from_frame(parts[["tree", "product"]])
    amounts = pd.Series(other["gross"].to_numpy(dtype=float), index=keys).reindex(wanted)
    return pd.Series(amounts.to_numpy(), index=parts.index)


def _differences(parts: pd.DataFrame, other: pd.Series) -> str:
    """By how much another reading differs, and how many trees it leaves out."""
    by_table = parts["by_table"].to_numpy(dtype=bool)
    units = set(parts.loc[by_table, "unit"])
    one_unit = len(units) == 1
    names = ["the total volume"] if one_unit else sorted(parts.loc[by_table, "product"].unique())
    said = []
    for name in names:
        mine = (
            parts["unit"].isin(parts.loc[by_table, "unit"])
            if one_unit
            else parts["product"] == name
        )
        both = mine & by_table & other.notna()
        total = parts.loc[mine, "gross"].sum()
        change = other[both].sum() - parts.loc[both, "gross"].sum()
        if total > 0:
            said.append(f"{name} would be {_percent(100 * change / total)}")
    lost = int((by_table & other.isna().to_numpy()).sum())
    beside = f", {counted(lost, 'record')} without a volume left out" if lost else ""
    return ", ".join(said) + beside


def _percent(change: float) -> str:
    """A change in words."""
    if abs(change) < 0.05:  # noqa: PLR2004 - what one decimal shows
        return "the same"
    return f"{abs(change):.1f} % {'higher' if change > 0 else 'lower'}"
