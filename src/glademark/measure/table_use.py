"""The project's volume table: checked against its products, and which trees it gave a volume."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.survey import Survey
from glademark.errors import InputError, UnitError, counted
from glademark.forestry import PACKAGED_SPECIES, Product, SpeciesNames, VolumeTable
from glademark.forestry.size_classes import DiameterUnit
from glademark.forestry.volume_table import TableRow, heading_and_unit, read_rows
from glademark.measure.tables import rows_by
from glademark.measure.volume import (
    SAME_KIND,
    Sold,
    in_unit,
    products_sold,
    sale_unit_of,
    table_factor,
    table_heights,
    volumes,
)
from glademark.project.model import Project, VolumeSettings
from glademark.project.read import project_species
from glademark.units import SOLID_M3, split_quantity

NAMED = 3
"""Groups of trees and of rows named in a notice; the rest are counted."""


def table_notices(
    trees: pd.DataFrame,
    parts: pd.DataFrame,
    sold: Sold,
    *,
    cruised: pd.DataFrame,
) -> tuple[dict[int, str], dict[int, str]]:
    """
    One sentence a stand on trees that the table gave no volume, and why stands are refused.

    `trees` are cut trees with `stand`, `parts` their volumes as from `measure.volume.volumes`,
    `cruised` the trees on plots. A stand of which the table gave no tree a volume is refused, with
    the reason for each column.
    """
    said: dict[int, str] = {}
    refused: dict[int, str] = {}
    if sold.table is None or not len(trees):
        return said, refused
    asked = _asked(trees, parts, sold, sold.table)
    for stand, rows in rows_by(asked[STAND]).items():
        some = asked.iloc[rows]
        missed = some[~some["by_table"]]
        if missed.empty:
            continue
        if len(missed) < len(some) or _serves(cruised[cruised[STAND] == stand], sold):
            said[stand] = _notice(some, missed, sold.table)
        else:
            refused[stand] = _why_none(missed, sold.table)
    return said, refused


def _serves(trees: pd.DataFrame, sold: Sold) -> bool:
    """Whether the table gives any of some trees a volume."""
    found = volumes(trees, table=sold.table, products=sold.products, species=sold.species)
    return bool(found["by_table"].any())


def _asked(
    trees: pd.DataFrame, parts: pd.DataFrame, sold: Sold, table: VolumeTable
) -> pd.DataFrame:
    """Trees whose volume the table is asked for: with a diameter, sound, nothing recorded."""
    own = parts.drop_duplicates("tree")  # the first part is of the own product
    at = trees.index.get_indexer(pd.Index(own["tree"]))
    some = trees.iloc[at]
    frame = pd.DataFrame(
        {
            STAND: some[STAND].to_numpy(),
            "count": some["count"].to_numpy(),
            "product": some["product"].to_numpy(dtype=object),
            "species": sold.species.fold(some["species"].to_numpy(dtype=object)),
            "size": in_unit(
                some["dbh"].to_numpy(dtype=float),
                some["dbh_unit"].to_numpy(dtype=object),
                table.dbh_unit,
            ),
            "size_class": some["size_class"].to_numpy(dtype=object),
            "height": table_heights(some, table),
            "by_table": own["by_table"].to_numpy(dtype=bool),
            "has_volume": np.isfinite(own["gross"].to_numpy(dtype=float)),
        }
    )
    wanted = np.isfinite(frame["size"]) & some["volume"].isna().to_numpy()
    wanted &= ~some["cull"].to_numpy(dtype=bool)
    return pd.DataFrame(frame[wanted])


def _trees(rows: pd.DataFrame) -> int:
    """Trees of some records."""
    return int(rows["count"].sum())


def _notice(asked: pd.DataFrame, missed: pd.DataFrame, table: VolumeTable) -> str:
    """What the table left without a volume, by product, species and class; and its unused rows."""
    rows = missed.assign(reason=_reasons(missed, table)).sort_values("size", kind="stable")
    groups = rows.groupby(["product", "species", "reason"], sort=False)
    summed = groups.agg(trees=("count", "sum"), classes=("size_class", "unique")).reset_index()
    summed = summed.sort_values("trees", ascending=False, kind="stable")
    told = [
        f"{product or 'no product'}, {species or 'no species'}, {', '.join(classes)}: "
        f"{number:,} ({reason})"
        for product, species, reason, number, classes in summed.head(NAMED).to_numpy().tolist()
    ]
    more = f"; and {len(summed) - NAMED:,} more groups" if len(summed) > NAMED else ""
    none = missed[~missed["has_volume"]]
    instead = _trees(missed) - _trees(none)
    equations = f", {instead:,} of which have one by a published equation" if instead else ""
    return (
        f"{table.source} gives {_trees(missed):,} of {_trees(asked):,} trees no volume{equations}: "
        f"{'; '.join(told)}{more}.{_unused(asked, table) if len(none) else ''}"
    )


def _unused(asked: pd.DataFrame, table: VolumeTable) -> str:
    """Sentence about rows whose product or species no tree has; empty where all are of use."""
    found = asked.loc[asked["by_table"], ["product", "species"]].drop_duplicates()
    used = {
        (row.product, row.species)
        for product, species in zip(found["product"], found["species"], strict=True)
        for row in table.rows_for(product, species)
    }
    rows = [row for row in table.rows if not row.part and (row.product, row.species) not in used]
    if not rows:
        return ""
    kinds = dict.fromkeys(", ".join(filter(None, (row.product, row.species))) for row in rows)
    names = [kind or "any tree" for kind in kinds]
    more = f" and {len(names) - NAMED:,} more" if len(names) > NAMED else ""
    return (
        f" {len(rows):,} of its {len(table.rows):,} rows are used by no tree: "
        f"{'; '.join(names[:NAMED])}{more}."
    )


def _reasons(trees: pd.DataFrame, table: VolumeTable) -> npt.NDArray[np.object_]:
    """Why the table has no volume for each tree."""
    reason = np.full(len(trees), "", dtype=object)
    keys, kinds = pd.factorize(pd.MultiIndex.from_frame(trees[["product", "species"]]))
    for number, (product, species) in enumerate(kinds):
        here = np.flatnonzero(keys == number)
        rows = table.rows_for(product, species)
        if not rows:
            sold = any(row.product in ("", product) for row in table.rows)
            reason[here] = "no rows for the species" if sold else "no rows for the product"
            continue
        some = trees.iloc[here]
        low, high = _sizes(table, [row.dbh for row in rows])
        size, height = some["size"].to_numpy(), some["height"].to_numpy()
        reason[here] = np.select(
            [
                np.full(len(here), bool(table.height_unit)) & np.isnan(height),
                size < low,
                size > high,
            ],
            [
                "no height or logs",
                f"below {low:g} {table.dbh_unit}",
                f"above {high:g} {table.dbh_unit}",
            ],
            default="a blank cell, or outside its heights",
        )
    return reason


def _sizes(table: VolumeTable, sizes: Sequence[float]) -> tuple[float, float]:
    """Least and greatest diameter that rows hold."""
    half = (table.class_width or 0) / 2
    is_open = table.read == "class" and table.class_width is None
    return min(sizes) - half, np.inf if is_open else max(sizes) + half


def _why_none(trees: pd.DataFrame, table: VolumeTable) -> str:
    """Sentence about a table that gave no tree a volume, with the reason for each column."""
    reasons = _reasons(trees, table)
    said = []
    for column in ("product", "species"):
        lost = reasons == f"no rows for the {column}"
        if lost.any():
            said.append(_differ(column, trees[lost], [getattr(row, column) for row in table.rows]))
    left = ~np.isin(reasons, ("no rows for the product", "no rows for the species"))
    if left.any():
        sizes = trees["size"].to_numpy()[left]
        low, high = _sizes(table, [row.dbh for row in table.rows])
        words = ", ".join(dict.fromkeys(reasons[left].tolist()))
        upper = "up" if np.isinf(high) else f"to {high:g}"
        said.append(
            f"size: the trees have {sizes.min():g} to {sizes.max():g} {table.dbh_unit}, the table "
            f"{low:g} {upper} ({words})"
        )
    return (
        f"{table.source} gives none of {_trees(trees):,} trees a volume. {'; '.join(said)}. "
        "Correct the table, or take it out of [volume]"
    )


def _differ(column: str, trees: pd.DataFrame, in_table: Sequence[str]) -> str:
    """What trees and table have in a column."""
    theirs = _some(trees[column].tolist())
    return f"{column}: the trees have {theirs}, the table {_some(list(in_table))}"


def _some(words: Sequence[str]) -> str:
    """Different words, the first three, and how many more."""
    each = sorted(set(words) - {""})
    blank = ["blank"] if "" in words else []
    told = [*blank, *each]
    more = f" and {len(told) - NAMED:,} more" if len(told) > NAMED else ""
    return f"{', '.join(told[:NAMED])}{more}"


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


def sold_of(survey: Survey, project: Project) -> Sold:
    """Products, volume table and names of species of a project."""
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    products = products_sold(project.volume.products)
    species = project_species(project, survey.volume_table)
    table = project_table(
        survey.volume_table,
        products=products,
        settings=project.volume,
        diameter_unit=unit,
        species=species,
    )
    return Sold(table=table, products=products, settings=project.volume, species=species)


def project_table(
    rows: pd.DataFrame | None,
    *,
    products: Mapping[str, Product],
    settings: VolumeSettings,
    diameter_unit: DiameterUnit,
    species: SpeciesNames = PACKAGED_SPECIES,
) -> VolumeTable | None:
    """
    The project's volume table, every cell with a sale unit; None without rows.

    `rows` are text under the headings of the file; `diameter_unit` holds where no heading says it.
    A table that cannot be used for one of the products is refused.
    """
    if rows is None or settings.table is None:
        return None
    unit = _heading_unit(rows.columns) or diameter_unit
    records = [dict(zip(rows.columns, row, strict=True)) for row in rows.to_numpy().tolist()]
    cells = read_rows(records, unit="", dbh_unit=unit, species=species, products=products)
    table = VolumeTable(
        rows=tuple(_with_unit(cells, products)),
        dbh_unit=unit,
        read=settings.table_reading or "class",
        class_width=_class_width(settings.table_class_width, unit),
        source=f"volume table {settings.table.file.name}",
        species=species,
    )
    faults = [*_unit_faults(table, products), *_height_faults(table)]
    if faults:
        raise InputError(*faults)
    return table


def _with_unit(cells: Sequence[TableRow], products: Mapping[str, Product]) -> list[TableRow]:
    """Cells with their own sale unit, else that of their product, else the one of all products."""
    units = {product.unit for product in products.values()}
    common = units.pop() if len(units) == 1 else ""
    named = [
        cell if cell.unit else replace(cell, unit=sale_unit_of(cell.part or cell.product, products))
        for cell in cells
    ]
    named = [
        cell if cell.unit or cell.part or cell.product else replace(cell, unit=common)
        for cell in named
    ]
    lost = sorted({cell.part or cell.product or "any product" for cell in named if not cell.unit})
    if lost:
        msg = (
            f"volume table: {', '.join(lost)} has no sale unit; expected a column 'unit', a "
            "heading such as volume_m3, or a table [volume.products.NAME] in the project file. "
            "Add one of them"
        )
        raise InputError(msg)
    return named


def _unit_faults(table: VolumeTable, products: Mapping[str, Product]) -> list[str]:
    """Units that are none, and products whose volumes the table has in a unit that cannot turn."""
    faults = [
        f"volume table: the unit {unit!r} is no sale unit; expected one of "
        f"{', '.join(SAME_KIND)}. Correct it"
        for unit in sorted({row.unit for row in table.rows} - set(SAME_KIND))
    ]
    if faults:
        return faults
    for name in products:
        for part in table.parts_of(name):
            given, sold = table.unit_of(name, part=part), products.get(part or name)
            if given and sold is not None and np.isnan(table_factor(given, sold)):
                faults.append(_unit_fault(given, sold))
    return faults


def _unit_fault(given: str, sold: Product) -> str:
    """Sentence about a product whose volumes cannot be turned into its sale unit."""
    solid = f"State [volume.products.{sold.name}] solid, or give" if given in SOLID_M3 else "Give"
    return (
        f"volume table: the volumes of {sold.name} are in {given}, and it is sold by the "
        f"{sold.unit}; expected one unit, or a stated conversion. {solid} it rows of its own in "
        f"{sold.unit}"
    )


def _height_faults(table: VolumeTable) -> list[str]:
    """Heights of which it is not said what they are counted in."""
    units = {row.height_unit for row in table.rows if not np.isnan(row.height)}
    if not units or (len(units) == 1 and "" not in units):
        return []
    fault = (
        "volume table: it is not said what its heights are counted in; expected one heading logs, "
        "height_ft or height_m, or headings such as '2 logs' or '40 ft'. Name them"
    )
    return [fault]


def _class_width(text: str | None, unit: DiameterUnit) -> float | None:
    """Width of classes that the table names by their middle, in its own unit."""
    if text is None:
        return None
    width, given = split_quantity(text)
    if given != unit:
        msg = (
            f"[volume] table_class_width: {text!r} is not in the table's diameter unit; expected a "
            f"width in {unit}, as in '2 {unit}'"
        )
        raise UnitError(msg)
    return width


def _heading_unit(columns: pd.Index) -> DiameterUnit | None:
    """Diameter unit that a heading such as ``dbh_in`` states."""
    for base, given in map(heading_and_unit, map(str, columns)):
        if base.startswith(("d", "size", "class")):
            if given == "in":
                return "in"
            if given == "cm":
                return "cm"
    return None
