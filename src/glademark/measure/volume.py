"""
Volume of trees: as recorded, else by the project's volume table, else by a published equation.

A tree is counted once and may have parts that each add volume. Gross, defect, net; cull has gross
volume and no net. What is not known is NaN, never zero. Amounts in different sale units are never
added; solid m3 stands beside them where a conversion is known.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.forestry import (
    PACKAGED_SPECIES,
    Product,
    SpeciesNames,
    VolumeTable,
    product_key,
    to_solid_m3,
)
from glademark.forestry.size_classes import DiameterUnit
from glademark.measure.equations import NOT_COMPUTED, EquationVolumes, equation_volumes
from glademark.measure.tables import exact_sums, sums
from glademark.project.model import ProductSettings, VolumeSettings
from glademark.units import CUBIC_FOOT_M3, FOOT_M, INCH_CM, SOLID_M3

PART_COLUMNS = (
    "stand", "tree", "product", "unit", "log_rule", "gross", "net", "m3", "source", "conversion",
    "by_table",
)  # fmt: skip
"""Columns of `volumes`: one row a part of a tree."""

RECORDED = "recorded with the mark"
CULL = "cull: gross volume only"
NO_TABLE = f"{NOT_COMPUTED}no volume table"
NO_DIAMETER = f"{NOT_COMPUTED}no diameter"
NO_PRODUCT = f"{NOT_COMPUTED}no product"
NOT_IN_TABLE = f"{NOT_COMPUTED}product, species or size not in the volume table"
NO_HEIGHT = f"{NOT_COMPUTED}no height or logs, by which the volume table goes"
UNIT_DIFFERS = f"{NOT_COMPUTED}recorded in a unit that does not convert to the product's"

SAME_KIND: Mapping[str, tuple[str, float]] = MappingProxyType(
    {
        "board foot": ("board foot", 1.0),
        "MBF": ("board foot", 1000.0),
        "m3": ("solid", 1.0),
        "ft3": ("solid", CUBIC_FOOT_M3),
        "cord": ("cord", 1.0),
        "green ton": ("green ton", 1.0),
    }
)

BOARD_FEET = ("board foot", "MBF")
SAWLOG = "sawlog"
"""Part of a tree that board feet are scaled of, by the name that sets of equations have for it."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Sold:
    """What the volumes of a layout rest on; published equations are used only with `settings`."""

    table: VolumeTable | None
    products: Mapping[str, Product]
    settings: VolumeSettings | None = None
    species: SpeciesNames = PACKAGED_SPECIES


def products_sold(settings: Mapping[str, ProductSettings]) -> Mapping[str, Product]:
    """Products of the project file, by name."""
    return MappingProxyType(
        {
            name: Product(name=name, unit=s.unit, log_rule=s.rule or "", solid_m3=s.solid_m3)
            for name, s in settings.items()
        }
    )


def table_factor(given: str, product: Product) -> float:
    """Sale units of a product in one unit of the table: exact, or by its stated solid content."""
    factor = unit_factor(given, product.unit)
    if np.isnan(factor) and given in SOLID_M3 and product.solid_m3 is not None:
        return SOLID_M3[given] / product.solid_m3
    return factor


def sale_unit_of(product: str, products: Mapping[str, Product]) -> str:
    """Sale unit that the project states for a product; empty where it states none."""
    return products[product].unit if product in products else ""


def solid_sums(parts: pd.DataFrame, group: npt.ArrayLike, count: int) -> FloatArray:
    """Net solid volume of the groups 0..count-1; NaN without any or where some does not convert."""
    total = exact_sums(parts["m3"], group, count)
    return np.where(sums(_unconverted(parts), group, count) > 0, np.nan, total)


def _unconverted(parts: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Parts that have a volume and no solid volume."""
    return np.asarray(parts["net"].notna() & parts["m3"].isna())


def without_volume(parts: pd.DataFrame, count: pd.Series) -> pd.DataFrame:
    """
    What each part of a tree adds to the trees that an amount leaves out, as whole numbers.

    `trees_without` where the part has no volume, `own_without` of them those of the tree's own
    product (so that a sum over products counts a tree once), `unconverted` where it has one and no
    solid volume. `count` are the trees of each record, on the index that `tree` of parts speaks of.
    """
    trees = parts["tree"].map(count)
    without = trees.where(parts["net"].isna(), 0).astype(int)
    return pd.DataFrame(
        {
            "trees_without": without,
            "own_without": without.where(~parts["tree"].duplicated(), 0),
            "unconverted": trees.where(_unconverted(parts), 0).astype(int),
        }
    )


def volumes(
    trees: pd.DataFrame,
    *,
    table: VolumeTable | None,
    products: Mapping[str, Product],
    settings: VolumeSettings | None = None,
    species: SpeciesNames = PACKAGED_SPECIES,
) -> pd.DataFrame:
    """
    Volume of every tree record, one row a part.

    Parameters
    ----------
    settings
        The table ``[volume]``; published equations are used only where it is given.

    Returns
    -------
    parts
        Columns `PART_COLUMNS`: `tree` (index of `trees`), `product` that the part is sold as, its
        sale `unit` and `log_rule`, `gross` and `net` for all trees of the record, `m3` (net solid,
        NaN where not computable), `source`, `conversion`, `by_table` (whether the volume is the
        table's). Every tree has at least one row; its first is of its own product.
    """
    code, written = pd.factorize(trees["product"].to_numpy(dtype=object))
    keys = np.array([product_key(name) for name in written], dtype=object)[code]
    sold = Sold(table=table, products=products, settings=settings, species=species)
    stems = _Stems.of_all(trees, species)
    pieces = [
        piece
        for name in sorted(set(keys))
        for unit, some in _by_unit(stems.of(np.flatnonzero(keys == name)), name, sold)
        for piece in _of_product(some, name, sold, unit)
    ]
    if not pieces:
        return pd.DataFrame({name: [] for name in PART_COLUMNS}).astype({"stand": np.int64})
    columns = {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}
    columns |= _solid_of_board_feet(columns, trees, sold)
    order = np.argsort(columns["tree"], kind="stable")  # positions until here
    columns["stand"] = trees["stand"].to_numpy()[columns["tree"]]
    columns["tree"] = trees.index.to_numpy()[columns["tree"]]
    return pd.DataFrame({name: columns[name][order] for name in PART_COLUMNS})


def _solid_of_board_feet(
    columns: Mapping[str, npt.NDArray[Any]], trees: pd.DataFrame, sold: Sold
) -> dict[str, npt.NDArray[Any]]:
    """
    `m3` and `conversion` with the solid wood of board feet by the cubic equation of the tree.

    Only where the project states no solid content. An equation to a smaller top than the sawlog's
    holds the tree's other parts as well: they are taken off.
    """
    lost = np.isin(columns["unit"], BOARD_FEET) & np.isfinite(columns["net"])
    lost &= np.isnan(columns["m3"])
    if sold.settings is None or not lost.any():
        return {}
    row = columns["tree"][lost]
    some = trees.iloc[row]
    found = equation_volumes(
        some,
        product=Product(name="solid", unit="m3"),
        named=ProductSettings(unit="m3"),
        settings=sold.settings,
        species=sold.species,
        preferred=SAWLOG,
    )
    others = np.bincount(
        columns["tree"], weights=np.nan_to_num(columns["m3"]), minlength=len(trees)
    )
    gross, net = columns["gross"][lost], columns["net"][lost]
    sound = np.divide(net, gross, out=np.zeros(len(net)), where=gross > 0)
    stem = found.per_tree * some["count"].to_numpy(dtype=float) * sound
    solid, conversion = columns["m3"].copy(), columns["conversion"].copy()
    rest = np.maximum(stem - others[row], 0.0)
    solid[lost] = np.where(found.part == SAWLOG, stem, rest)
    conversion[lost] = "solid wood of board feet by " + found.source
    return {"m3": solid, "conversion": conversion}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Stems:
    """Some of the trees: their rows, and those of their columns that volumes come from."""

    trees: pd.DataFrame
    row: npt.NDArray[np.intp]
    columns: Mapping[str, npt.NDArray[Any]]

    @classmethod
    def of_all(cls, trees: pd.DataFrame, species: SpeciesNames) -> Self:
        """All trees."""
        numbers = {name: trees[name].to_numpy(dtype=float) for name in ("volume", "dbh", "count")}
        words = {name: trees[name].to_numpy(dtype=object) for name in ("volume_unit", "dbh_unit")}
        columns = {
            **numbers,
            **words,
            "cull": trees["cull"].to_numpy(dtype=bool),
            "sound": 1 - np.nan_to_num(trees["defect_share"].to_numpy(dtype=float)),
            "species": species.fold(trees["species"].to_numpy(dtype=object)),
            "code": species.volume_codes(trees["species"].to_numpy(dtype=object)),
        }
        return cls(trees=trees, row=np.arange(len(trees)), columns=columns)

    @property
    def recorded(self) -> npt.NDArray[np.bool_]:
        """Which have a volume that was recorded with the mark."""
        return np.asarray(np.isfinite(self.columns["volume"]))

    def of(self, chosen: npt.NDArray[Any]) -> Self:
        """Some of these."""
        columns = {name: values[chosen] for name, values in self.columns.items()}
        return replace(self, row=self.row[chosen], columns=columns)


def _of_product(
    stems: _Stems, name: str, sold: Sold, unit: str
) -> list[dict[str, npt.NDArray[Any]]]:
    """Parts of the trees of one product that is sold in one unit."""
    recorded = stems.recorded
    measured, rest = stems.of(recorded), stems.of(~recorded)
    first = _recorded(measured, name=name, unit=unit, products=sold.products)
    own = _computed(rest, name, "", sold, unit=unit)
    part_names = sold.table.parts_of(name) if sold.table is not None else ()
    more = [_computed(rest, name, part, sold) for part in part_names if part]
    unknown = np.isnan(own["net"])  # of a tree without a volume, the top has none either
    some = [{k: v[unknown | (piece["gross"] > 0)] for k, v in piece.items()} for piece in more]
    return [first, own, *some]


def _by_unit(stems: _Stems, name: str, sold: Sold) -> list[tuple[str, _Stems]]:
    """Sale unit of a product, as stated, else the table's, else a stand's commonest; its trees."""
    unit = sale_unit_of(name, sold.products)
    if not unit and sold.table is not None:
        unit = sold.table.unit_of(name)
    recorded = stems.recorded
    if unit or not name or not recorded.any():
        return [(unit, stems)]
    stand = stems.trees["stand"].to_numpy()[stems.row]
    given = pd.Series(stems.columns["volume_unit"][recorded])
    commonest = given.groupby(stand[recorded]).agg(lambda words: words.mode().iloc[0])
    units = commonest.reindex(stand).fillna("").to_numpy(dtype=object)
    return [(one, stems.of(np.flatnonzero(units == one))) for one in sorted(set(units))]


def _recorded(
    stems: _Stems, *, name: str, unit: str, products: Mapping[str, Product]
) -> dict[str, npt.NDArray[Any]]:
    """Volumes that were recorded with the tree, in the product's sale unit."""
    given = stems.columns["volume_unit"]
    code, units = pd.factorize(given)
    factor = np.array([*(unit_factor(one, unit) for one in units), np.nan], dtype=float)[code]
    gross = stems.columns["volume"] * factor
    source = np.where(np.isfinite(gross), RECORDED, UNIT_DIFFERS)
    source = np.where(stems.columns["cull"], CULL, source)
    sold_by = np.where(unit != "", unit, given)
    no = np.zeros(len(gross), dtype=bool)
    piece = _parts(stems, name=name, unit=sold_by, gross=gross, source=source, products=products)
    return {**piece, "by_table": no}


def unit_factor(given: str, wanted: str) -> float:
    """
    What one unit is in another of the same kind.

    Returns
    -------
    factor
        NaN where they are of different kinds: such amounts never add.

    Examples
    --------
    >>> unit_factor("MBF", "board foot"), unit_factor("cord", "m3")
    (1000.0, nan)
    """
    if wanted in ("", given):
        return 1.0
    kind, size = SAME_KIND.get(given, ("", np.nan))
    other, unit = SAME_KIND.get(wanted, ("unknown", np.nan))
    return size / unit if kind == other else float("nan")


def _computed(
    stems: _Stems, name: str, part: str, sold: Sold, *, unit: str = ""
) -> dict[str, npt.NDArray[Any]]:
    """Volumes of one part: from the table, else by an equation; NaN with the reason for none."""
    sold_as = part or name
    unit = unit or sale_unit_of(sold_as, sold.products)
    per_tree, source, unit = _from_table(stems, name, part, sold, unit=unit)
    by_table = np.isfinite(per_tree) & ~stems.columns["cull"]
    open_still = np.isnan(per_tree) & np.isfinite(stems.columns["dbh"])
    if part == "" and name in sold.products and sold.settings is not None and open_still.any():
        found = equation_volumes(
            stems.trees.iloc[stems.row[open_still]],
            product=sold.products[name],
            named=sold.settings.products[name],
            settings=sold.settings,
            species=sold.species,
        )
        per_tree[open_still] = found.per_tree
        source[open_still] = _why(source[open_still], found, has_table=sold.table is not None)
    gross, cull = per_tree * stems.columns["count"], stems.columns["cull"]
    source = np.where(cull, CULL, source)
    units = np.full(len(gross), unit, dtype=object)
    piece = _parts(
        stems, name=sold_as, unit=units, gross=gross, source=source, products=sold.products
    )
    return {**piece, "by_table": by_table}


def _why(
    table_said: npt.NDArray[np.object_], found: EquationVolumes, *, has_table: bool
) -> npt.NDArray[np.object_]:
    """Source of the volumes by equations; where there is none, why neither table nor equation."""
    if not has_table:
        return found.source
    plain = np.array([str(word).removeprefix(NOT_COMPUTED) for word in found.source], dtype=object)
    return np.where(np.isfinite(found.per_tree), found.source, table_said + "; " + plain)


def _from_table(
    stems: _Stems, name: str, part: str, sold: Sold, *, unit: str
) -> tuple[FloatArray, npt.NDArray[np.object_], str]:
    """Volume per tree from the table in a sale unit, its source, and that unit."""
    table, dbh = sold.table, stems.columns["dbh"]
    per_tree = np.full(len(dbh), np.nan)
    source = np.full(len(dbh), NO_TABLE, dtype=object)
    if table is not None and len(dbh):
        in_table = table.unit_of(name, part=part)
        unit = unit or in_table
        height = table_heights(stems.trees.iloc[stems.row], table)
        per_tree, found = table.lookup(
            in_unit(dbh, stems.columns["dbh_unit"], table.dbh_unit),
            species=stems.columns["species"],
            product=np.full(len(dbh), name, dtype=object),
            height=height,
            part=part,
        )
        factor, said = _to_sale_unit(in_table, unit, sold.products.get(part or name))
        per_tree = per_tree * factor
        source = np.where(found, table.source + said, NOT_IN_TABLE).astype(object)
        if table.height_unit:
            source[~found & np.isnan(height)] = NO_HEIGHT
    lost = np.isnan(per_tree)
    source[lost & (name == "") & (part == "")] = NO_PRODUCT
    source[lost & np.isnan(dbh)] = NO_DIAMETER
    return per_tree, source, unit


def _to_sale_unit(given: str, unit: str, product: Product | None) -> tuple[float, str]:
    """Factor from the table's unit to the sale unit, and how it goes where that is no matter."""
    if not given:
        return 1.0, ""
    factor = unit_factor(given, unit)
    if np.isnan(factor) and product is not None and product.unit == unit:
        said = f", {product.solid_m3:.6g} m3 of solid wood in a {unit} (the project file)"
        return table_factor(given, product), said if product.solid_m3 is not None else ""
    return factor, ""


def table_heights(trees: pd.DataFrame, table: VolumeTable) -> FloatArray:
    """Height or logs of each tree as the table counts them; NaN where it has none."""
    if table.height_unit == "logs":
        logs = trees["logs"] if "logs" in trees else pd.Series(np.nan, index=trees.index)
        return np.asarray(logs, dtype=float)
    unit_m = FOOT_M if table.height_unit == "ft" else 1.0
    return np.asarray(trees["height_m"], dtype=float) / unit_m


def in_unit(dbh: FloatArray, given: npt.NDArray[np.object_], unit: DiameterUnit) -> FloatArray:
    """
    Diameters in one unit; those recorded in it stand as they were read.

    Parameters
    ----------
    dbh
        As recorded, shape (n,).
    given
        Their units, "in" or "cm", shape (n,).

    Returns
    -------
    dbh
        In `unit`, shape (n,).

    Examples
    --------
    >>> in_unit(np.array([31.0, 25.4]), np.array(["in", "cm"], object), "in").tolist()
    [31.0, 10.0]
    """
    other = dbh / INCH_CM if unit == "in" else dbh * INCH_CM
    return np.where(given == unit, dbh, other)


def _parts(
    stems: _Stems,
    *,
    name: str,
    unit: npt.NDArray[np.object_],
    gross: FloatArray,
    source: npt.NDArray[np.object_],
    products: Mapping[str, Product],
) -> dict[str, npt.NDArray[Any]]:
    """Columns of `volumes` for one product; `tree` is the row of each."""
    count = len(gross)
    net = np.where(stems.columns["cull"], 0.0, gross * stems.columns["sound"])
    if name in products:
        solid, conversion = to_solid_m3(net, products[name], species_code=stems.columns["code"])
    else:  # cubic units are solid wood as they stand
        solid, conversion = net * [SOLID_M3.get(str(one), np.nan) for one in unit], ""
    log_rule = products[name].log_rule if name in products else ""
    return {
        "tree": stems.row,
        "product": np.full(count, name, dtype=object),
        "unit": unit,
        "log_rule": np.full(count, log_rule, dtype=object),
        "gross": gross,
        "net": net,
        "m3": np.where(stems.columns["cull"], 0.0, solid),
        "source": source,
        "conversion": np.full(count, conversion, dtype=object),
    }
