"""A volume table made from equations, for a forester to carry into the woods."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.size_classes import SizeClasses
from glademark.forestry.species import common_names
from glademark.forestry.volume_equations.equation_set import (
    INPUT_UNITS,
    EquationSet,
    Trees,
    TreeVolume,
    tree_volume,
)
from glademark.units import INCH_CM

__all__ = ["MadeTable", "make_volume_table", "middle_diameters"]


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
