"""
Which sets of volume equations there are, our own and those of installed plug-ins; tables of them.

A volume table is made from equations for a forester to carry into the woods.

A plug-in registers a class, or any callable without arguments, that gives an `EquationSet`.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from importlib.metadata import EntryPoint
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.log_rules import Product, to_solid_m3
from glademark.forestry.size_classes import SizeClasses
from glademark.forestry.species import common_names
from glademark.forestry.volume_equations.equation_set import (
    INPUT_UNITS,
    EquationSet,
    TreePart,
    Trees,
    TreeVolume,
    tree_volume,
)
from glademark.forestry.volume_equations.national import Honer, NationalVolumeSystem, Sharma
from glademark.forestry.volume_equations.regional import CompositeHardwood, FormClass, LakeStates
from glademark.process import registered
from glademark.units import INCH_CM, SOLID_M3

__all__ = [
    "ENTRY_POINT_GROUP",
    "EquationChoice",
    "MadeTable",
    "can_be_sold_as",
    "choose_equation_set",
    "contract_faults",
    "equation_set_faults",
    "equation_sets",
    "load_equation_sets",
    "make_volume_table",
    "middle_diameters",
    "sale_volume",
    "solid_volume_m3",
]

ENTRY_POINT_GROUP = "glademark.volume_equations"
_OWN: tuple[Callable[[], EquationSet], ...] = (
    NationalVolumeSystem,
    LakeStates,
    Honer,
    partial(Honer, at_4_5_ft=True),
    Sharma,
    FormClass,
    CompositeHardwood,
)
_ANYWHERE = ""
_PREFERENCES: tuple[tuple[str, str, str], ...] = (
    # set, part, region that it is kept to; the first that fits the measurements is taken
    ("honer-1983", "merchantable", "canada"),
    ("sharma-2021", "merchantable", "canada"),
    ("national-2024", "merchantable", _ANYWHERE),
    ("lake-states-1984", "merchantable from height", "lake states"),
    ("lake-states-1984", "merchantable", "lake states"),
    ("lake-states-1984", "sawlog from height", "lake states"),
    ("lake-states-1984", "sawlog", "lake states"),
    ("form-class-1986", "international-1/4", _ANYWHERE),
    ("form-class-1986", "scribner", _ANYWHERE),
    ("form-class-1986", "doyle", _ANYWHERE),
    ("composite-hardwood-1964", "board_feet", _ANYWHERE),
    ("composite-hardwood-1964", "cords", _ANYWHERE),
    ("composite-hardwood-1964", "cubic", _ANYWHERE),
)

_BOARD_FEET = {"board foot": 1.0, "MBF": 1000.0}


@dataclass(frozen=True, kw_only=True, slots=True)
class EquationChoice:
    """The set that was chosen for a product."""

    equation_set: str  # its id
    part: str  # part of the tree
    reason: str  # one sentence for the table that is made with it


def equation_sets() -> Mapping[str, EquationSet]:
    """
    Every set of volume equations that can be used, by id.

    Examples
    --------
    >>> list(equation_sets())[:2]
    ['national-2024', 'lake-states-1984']
    """
    return _installed()[0]


def equation_set_faults() -> tuple[str, ...]:
    """Why plug-ins of volume equations were left out."""
    return _installed()[1]


@cache
def _installed() -> tuple[Mapping[str, EquationSet], tuple[str, ...]]:
    """Sets of all installed packages, and what is wrong with those left out."""
    return load_equation_sets(registered(ENTRY_POINT_GROUP))


def load_equation_sets(
    plugins: Iterable[EntryPoint],
) -> tuple[Mapping[str, EquationSet], tuple[str, ...]]:
    """Our own sets and those of plug-ins, with what is wrong with the latter."""
    sets = {own.id: own for own in (make() for make in _OWN)}
    faults: list[str] = []
    for plugin in plugins:
        if plugin.value.startswith("glademark."):
            continue
        try:
            candidate: EquationSet = plugin.load()()
            wrong = contract_faults(candidate)
        except (Exception, SystemExit) as error:  # noqa: BLE001 - in any way: the rest goes on
            wrong = (f"it does not load: {error!r}",)
        else:
            if not wrong and candidate.id in sets:
                wrong = (f"the id {candidate.id!r} is taken",)
        maker = plugin.dist.name if plugin.dist else plugin.value
        faults += [f"volume equations {plugin.name!r} of {maker}: {fault}" for fault in wrong]
        if not wrong:
            sets[candidate.id] = candidate
    return MappingProxyType(sets), tuple(faults)


def contract_faults(equation_set: EquationSet) -> tuple[str, ...]:
    """Every way in which a set breaks the contract; empty for a good one."""
    faults = [
        f"{name} is empty; expected a text"
        for name in ("id", "title", "source")
        if not getattr(equation_set, name)
    ]
    for name, part in equation_set.parts.items():
        faults += [
            f"part {name!r} uses the input {wanted!r}; expected one of {', '.join(INPUT_UNITS)}"
            for wanted in (*part.needs, *part.fitted)
            if wanted not in INPUT_UNITS
        ]
        faults += [
            f"part {name!r} has the range {low:g} to {high:g}; expected the lesser number first"
            for low, high in part.fitted.values()
            if not low <= high
        ]
    if faults:
        return tuple(faults)
    example = equation_set.example
    result = tree_volume(example.trees, equation_set=equation_set, part=example.part)
    if not np.allclose(result.volume, example.volume, rtol=example.tolerance, atol=0):
        return (f"its example gives {result.volume}; expected {example.volume}",)
    return ()


def choose_equation_set(
    product: Product, *, measured: Collection[str], region: str = ""
) -> EquationChoice | None:
    """
    The set for a product, by region and by what was measured.

    Examples
    --------
    >>> pulpwood = Product(name="pulpwood", unit="cord")
    >>> choose_equation_set(pulpwood, measured=["dbh_cm", "height_m"]).equation_set
    'national-2024'
    >>> stand = ["dbh_cm", "site_index_m", "basal_area_m2_ha"]
    >>> choose_equation_set(pulpwood, measured=stand, region="lake states").equation_set
    'lake-states-1984'
    """
    known = {*measured, "form_class"}
    place = region.strip().casefold()
    for name, part, kept_to in _PREFERENCES:
        declared = equation_sets()[name].parts[part]
        fits = set(declared.needs) <= known and can_be_sold_as(declared, product)
        if fits and kept_to in (_ANYWHERE, place):
            where = f" for {kept_to.title()}" if kept_to else ""
            inputs = ", ".join(field.rsplit("_", 1)[0] for field in declared.needs)
            source = equation_sets()[name].source
            reason = f"{source}{where}: chosen because {inputs.replace('_', ' ')} are known"
            return EquationChoice(equation_set=name, part=part, reason=reason)
    return None


def solid_volume_m3(volumes: TreeVolume) -> NDArray[np.float64]:
    """
    Solid volume of each tree [m3].

    Returns
    -------
    volume
        NaN for board feet and cords: they have no general conversion.
    """
    return volumes.volume * SOLID_M3.get(volumes.part.unit, np.nan)


def can_be_sold_as(part: TreePart, product: Product) -> bool:
    """Whether the volume of a part can be given in a product's sale unit."""
    if part.unit in _BOARD_FEET and product.unit in _BOARD_FEET:
        return part.log_rule == product.log_rule
    if part.unit in SOLID_M3:
        return product.unit == "green ton" or bool(np.isfinite(to_solid_m3(1.0, product)[0]))
    return part.unit == product.unit


def sale_volume(
    volumes: TreeVolume, product: Product, *, species_code: ArrayLike | None = None
) -> tuple[NDArray[np.float64], str]:
    """
    Volume of each tree in the unit that a product is sold in.

    Returns
    -------
    amount
        NaN where the units do not meet: board feet never come from cubic volume, nor from another
        log rule.

    Examples
    --------
    >>> from glademark.forestry.volume_equations import Trees, equation_sets, tree_volume
    >>> pine = Trees(dbh_cm=[30.0], height_m=[20.0], species_code=129)
    >>> volumes = tree_volume(pine, equation_set=equation_sets()["national-2024"])
    >>> sale_volume(volumes, Product(name="pulpwood", unit="cord"))[1]
    '79 ft3 of solid wood in a cord (Minnesota Statutes 239.33)'
    """
    part = volumes.part
    if not can_be_sold_as(part, product):
        return volumes.volume * np.nan, f"{part.sale_unit} does not turn into {product.sale_unit}"
    if part.unit in _BOARD_FEET:
        factor = _BOARD_FEET[part.unit] / _BOARD_FEET[product.unit]
        return volumes.volume * factor, f"{part.sale_unit} by {volumes.source}"
    if part.unit == product.unit:
        return volumes.volume, f"{part.sale_unit} by {volumes.source}"
    solid, conversion = to_solid_m3(1.0, product, species_code=species_code)
    return solid_volume_m3(volumes) / solid, conversion


@dataclass(frozen=True, kw_only=True, slots=True)
class MadeTable:
    """Rows of a volume table, and the words that must stand on it."""

    rows: tuple[Mapping[str, object], ...]
    """One mapping a cell: ``species``, ``size_class``, ``dbh_in`` or ``dbh_cm`` (smallest of the
    class), ``logs``, ``height_m`` or another input that varies, ``volume`` and ``unit``.
    `volume_table.read_rows` reads them."""
    unit: str  # unit of the volumes, with the log rule
    heading: tuple[str, ...]
    """Lines for the head of the table: equations and source, part and bark, what was assumed, the
    rule of the classes, and every notice."""


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
