"""
A local volume table: volume per tree by size, read as stated, or made from equations to carry.

A table is read in its own diameter unit. Rows are size classes (``class``: the tree takes the
volume of the class that it falls in) or diameters (``interpolate``: straight between two rows). The
most particular rows speak: product and species, else product, else species, else rows for any tree.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.log_rules import product_key
from glademark.forestry.size_classes import DiameterUnit, SizeClasses
from glademark.forestry.species import PACKAGED_SPECIES, SpeciesNames, common_names
from glademark.forestry.volume_equations.equation_set import (
    INPUT_UNITS,
    EquationSet,
    Trees,
    TreeVolume,
    tree_volume,
)
from glademark.forestry.volume_table_rows import TableRow, read_rows
from glademark.units import INCH_CM

__all__ = ["MadeTable", "ReadRule", "VolumeTable", "make_volume_table", "middle_diameters"]

ReadRule = Literal["class", "interpolate"]


@dataclass(frozen=True, kw_only=True, slots=True)
class VolumeTable:
    """
    Volume per tree by size class or diameter.

    Parameters
    ----------
    rows
        One row a cell of the table; `from_rows` makes them from plain text.
    dbh_unit
        Unit of the diameters in the table.
    read
        ``class``: each row holds from its diameter up to the next row, the last one upwards without
        end; ``interpolate``: straight between rows, and nothing outside them.
    class_width
        For ``class``: width of classes that are named by their middle (2: the row 10 holds from 9.0
        up to but not including 11.0); None where rows give the smallest diameter.
    source
        What the table says of itself: who made it, where and when.
    species
        Names of species, for those of the trees; their groups may have rows of their own.

    Raises
    ------
    InputError
        If the rule of reading is not known, the width does not fit it, or one product has volumes
        in two units.
    """

    rows: tuple[TableRow, ...]
    dbh_unit: DiameterUnit
    read: ReadRule = "class"
    class_width: float | None = None
    source: str = "the project's volume table"
    species: SpeciesNames = PACKAGED_SPECIES

    def __post_init__(self) -> None:
        """Refuse a table that could be read in two ways."""
        faults = [*self._rule_faults(), *self._unit_faults()]
        if faults:
            raise InputError(*(f"volume table: {fault}" for fault in faults))

    @classmethod
    def from_rows(
        cls,
        rows: Sequence[Mapping[str, object]],
        *,
        unit: str,
        dbh_unit: DiameterUnit,
        read: ReadRule = "class",
        class_width: float | None = None,
        species: SpeciesNames = PACKAGED_SPECIES,
    ) -> Self:
        """
        Table from plain rows, in long or wide form.

        Examples
        --------
        >>> rows = [{"dbh": "10", "volume": "0.1"}, {"dbh": "14", "volume": "0.3"}]
        >>> table = VolumeTable.from_rows(rows, unit="cord", dbh_unit="in")
        >>> volume, found = table.lookup([9.9, 10.0, 13.9, 31.0])
        >>> volume.tolist(), found.tolist()
        ([nan, 0.1, 0.1, 0.3], [False, True, True, True])
        """
        cells = read_rows(rows, unit=unit, dbh_unit=dbh_unit, species=species)
        return cls(
            rows=cells, dbh_unit=dbh_unit, read=read, class_width=class_width, species=species
        )

    def lookup(
        self,
        dbh: ArrayLike,
        *,
        species: ArrayLike | None = None,
        product: ArrayLike | None = None,
        height: ArrayLike | None = None,
        part: str = "",
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """
        Volume of each tree, and whether the table holds it.

        Returns
        -------
        volume
            In the unit that `unit_of` says; NaN where not found.
        """
        diameter = np.atleast_1d(np.asarray(dbh, np.float64))
        tall = np.broadcast_to(
            np.asarray(np.nan if height is None else height, float), diameter.shape
        )
        names = np.atleast_1d(self.species.fold("" if species is None else species))
        sold = np.atleast_1d(np.asarray("" if product is None else product, dtype=object))
        species_place, kinds = pd.factorize(names)
        product_place, products = pd.factorize(sold, use_na_sentinel=False)
        group = np.broadcast_to(species_place * len(products) + product_place, diameter.shape)
        volume = np.full(diameter.shape, np.nan)
        for place in np.unique(group):
            kind, name = divmod(int(place), len(products))
            here = group == place
            rows = self.rows_for(products[name], str(kinds[kind]), part)
            volume[here] = self._read_rows(rows, diameter[here], tall[here])
        return volume, np.isfinite(volume)

    def unit_of(self, product: str = "", *, part: str = "") -> str:
        """Sale unit of the volumes of a product."""
        wanted = ("", _product_key(product))
        rows = [
            row for row in self.rows if row.product in wanted and row.part == _product_key(part)
        ]
        return max(rows, key=lambda row: row.product).unit if rows else ""

    def parts_of(self, product: str = "") -> tuple[str, ...]:
        """Every product that one tree of a product gives."""
        wanted = ("", _product_key(product))
        return tuple(dict.fromkeys(row.part for row in self.rows if row.product in wanted))

    @property
    def height_unit(self) -> str:
        """What heights are counted in: logs, ft or m; empty for a table without heights."""
        return max((row.height_unit for row in self.rows if not math.isnan(row.height)), default="")

    def rows_for(self, product: object, species: str, part: str = "") -> list[TableRow]:
        """Rows of the most particular key that the table has for a tree of a folded species."""
        group = species_group(self.species, species)
        own = dict.fromkeys(name for name in (species, group) if name)
        for name in dict.fromkeys((_product_key(product), "")):
            for kind in (*own, ""):
                key = (name, kind, _product_key(part))
                rows = [row for row in self.rows if (row.product, row.species, row.part) == key]
                if rows:
                    return rows
        return []

    def _read_rows(
        self, rows: Sequence[TableRow], dbh: NDArray[np.float64], height: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Volumes from the rows of one key, by height where they have one."""
        heights = sorted({row.height for row in rows if not math.isnan(row.height)})
        if not heights:
            return self._read_curve(rows, dbh)
        curves = [
            self._read_curve([row for row in rows if row.height == step], dbh) for step in heights
        ]
        if self.read == "class":
            place = np.searchsorted(heights, height, side="right") - 1
            held = np.choose(np.maximum(place, 0), curves)
            return np.where((place < 0) | np.isnan(height), np.nan, held)
        return _between(np.array(heights), np.array(curves), height)

    def _read_curve(
        self, rows: Sequence[TableRow], dbh: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Volumes by diameter from the rows of one key and height."""
        ordered = sorted(rows, key=lambda row: row.dbh)
        sizes = np.array([row.dbh for row in ordered])
        volumes = np.array([row.volume for row in ordered])
        if not sizes.size:
            return np.full(dbh.shape, np.nan)
        if self.read == "interpolate":
            return np.asarray(np.interp(dbh, sizes, volumes, left=np.nan, right=np.nan))
        half = 0 if self.class_width is None else self.class_width / 2
        place = np.searchsorted(sizes - half, dbh, side="right") - 1
        top = np.inf if self.class_width is None else sizes[np.maximum(place, 0)] + half
        return np.where((place < 0) | ~(dbh < top), np.nan, volumes[np.maximum(place, 0)])

    def _rule_faults(self) -> list[str]:
        """What is wrong with the rule of reading."""
        if self.read not in ("class", "interpolate"):
            return [f"read is {self.read!r}; expected 'class' or 'interpolate'"]
        if self.class_width is not None and (self.read != "class" or not self.class_width > 0):
            expected = "a width above zero, with read = 'class'"
            return [f"class_width is {self.class_width}; expected {expected}. Correct or remove it"]
        return []

    def _unit_faults(self) -> list[str]:
        """Products whose volumes are in two units."""
        units: dict[tuple[str, str], set[str]] = {}
        for row in self.rows:
            units.setdefault((row.product, row.part), set()).add(row.unit)
        return [
            f"the volumes of {part or product or 'any product'} are in {', '.join(sorted(given))}; "
            "expected one unit. Convert the rows or name the product"
            for (product, part), given in units.items()
            if len(given) > 1
        ]


def species_group(names: SpeciesNames, species: str) -> str:
    """Group of a species as the table names it; empty for none."""
    group = str(names.groups([species])[0])
    return str(names.fold([group])[0]) if group else ""


def _between(
    heights: NDArray[np.float64], curves: NDArray[np.float64], height: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Volumes straight between the curves of two heights; NaN outside them."""
    if heights.size == 1:
        return np.where(height == heights[0], curves[0], np.nan)
    upper = np.clip(np.searchsorted(heights, height), 1, heights.size - 1)
    share = (height - heights[upper - 1]) / (heights[upper] - heights[upper - 1])
    tree = np.arange(height.size)
    low, high = curves[upper - 1, tree], curves[upper, tree]
    value = np.where(share == 0, low, np.where(share == 1, high, low + share * (high - low)))
    return np.where((share >= 0) & (share <= 1), value, np.nan)


def _product_key(name: object) -> str:
    """A product in lower case; nothing for a missing one."""
    return "" if name is None or isinstance(name, float) else product_key(str(name))


@dataclass(frozen=True, kw_only=True, slots=True)
class MadeTable:
    """
    Rows of a volume table, and the words that must stand on it.

    Parameters
    ----------
    rows
        One mapping a cell: ``species``, ``size_class``, ``dbh_in`` or ``dbh_cm`` (smallest of the
        class), ``logs``, ``height_m`` or another input that varies, ``volume`` and ``unit``.
        `VolumeTable.from_rows` reads them.
    unit
        Unit of the volumes, with the log rule.
    heading
        Lines for the head of the table: equations and source, part and bark, what was assumed, the
        rule of the classes, and every notice.
    """

    rows: tuple[Mapping[str, object], ...]
    unit: str
    heading: tuple[str, ...]


def make_volume_table(
    classes: SizeClasses,
    *,
    equation_set: EquationSet,
    part: str,
    species_code: Sequence[int],
    assumed: Mapping[str, float | Sequence[float]],
) -> MadeTable:
    """
    Volume of the tree in the middle of each class, by species and, where asked, by height.

    Parameters
    ----------
    assumed
        Inputs of `Trees` beside DBH and species: a number holds for all trees; one input may be a
        sequence, whose values get rows of their own, such as ``{"logs": [1, 1.5, 2]}``.

    Examples
    --------
    >>> from glademark.forestry.volume_equations import equation_sets
    >>> table = make_volume_table(
    ...     SizeClasses.from_edges([12, 16], "in"),
    ...     equation_set=equation_sets()["form-class-1986"],
    ...     part="doyle",
    ...     species_code=[833],
    ...     assumed={"logs": [1, 2]},
    ... )
    >>> [(row["dbh_in"], row["logs"]) for row in table.rows], table.unit
    ([(12.0, 1.0), (16.0, 1.0), (12.0, 2.0), (16.0, 2.0)], 'board foot (Doyle)')
    """
    varying = _varying(assumed)
    edges, middles = np.array(classes.edges), middle_diameters(classes)
    steps = np.atleast_1d(np.asarray(assumed[varying], float)) if varying else np.array([np.nan])
    codes, heights, places = (
        grid.ravel()
        for grid in np.meshgrid(species_code, steps, np.arange(edges.size), indexing="ij")
    )
    inputs: dict[str, ArrayLike] = {**assumed}
    if varying:
        inputs[varying] = heights
    dbh_cm = middles[places] * (INCH_CM if classes.unit == "in" else 1)
    trees = Trees(dbh_cm=dbh_cm, species_code=codes.astype(np.int64), **inputs)  # type: ignore[arg-type] # division, the one text, is no input here
    result = tree_volume(trees, equation_set=equation_set, part=part)
    rows = tuple(
        {
            "species": str(name),
            "size_class": classes.labels[place + 1],
            f"dbh_{classes.unit}": float(edges[place]),
            **({varying: float(height)} if varying else {}),
            "volume": float(volume),
            "unit": result.part.unit,
        }
        for name, height, place, volume in zip(
            common_names(codes), heights, places, result.volume, strict=True
        )
        if np.isfinite(volume)
    )
    title = f"{equation_set.title} ({equation_set.source})"
    heading = (title, *_heading(result, assumed, classes.rule))
    return MadeTable(rows=rows, unit=result.part.sale_unit, heading=heading)


def middle_diameters(classes: SizeClasses) -> NDArray[np.float64]:
    """
    Diameter in the middle of each class but the smallest.

    Examples
    --------
    >>> middle_diameters(SizeClasses.from_edges([5, 9, 12], "in")).tolist()
    [7.0, 10.5, 13.5]
    """
    edges = np.array(classes.edges)
    widths = np.diff(edges)
    last = widths[-1] if widths.size else 0.0
    return edges + np.append(widths, last) / 2


def _varying(assumed: Mapping[str, float | Sequence[float]]) -> str:
    """The one input that is a sequence; empty for none."""
    unknown = [name for name in assumed if name not in INPUT_UNITS]
    several = [name for name, value in assumed.items() if np.ndim(value)]
    if unknown:
        msg = (
            f"volume table: the inputs {', '.join(unknown)} are not known; expected some of "
            f"{', '.join(INPUT_UNITS)}"
        )
        raise InputError(msg)
    if len(several) > 1:
        msg = (
            f"volume table: the inputs {' and '.join(several)} both vary; expected one at most. "
            "Give the others one value"
        )
        raise InputError(msg)
    return several[0] if several else ""


def _heading(
    result: TreeVolume, assumed: Mapping[str, float | Sequence[float]], rule: str
) -> tuple[str, ...]:
    """Lines that say what the volumes are."""
    part = result.part
    bark = f", {part.bark} bark" if part.bark in ("inside", "outside") else ""
    words = [
        f"{name.rsplit('_', 1)[0].replace('_', ' ')} {value} {INPUT_UNITS[name]}"
        for name, value in assumed.items()
    ]
    return (
        f"{part.sale_unit} per tree, {part.meaning}{bark}",
        *([f"assumed: {', '.join(words)}"] if words else []),
        f"volume of the tree in the middle of its class; {rule}",
        *result.notices,
    )
