"""
What a set of volume equations is, and how one is asked for the volumes of trees.

A set comes from one publication. It declares its parts of the tree, each with unit, bark, the
inputs that it needs and the range that it was fitted in, and a worked example that anyone can run.
Sets from outside register an instance under the entry point group ``glademark.volume_equations``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.log_rules import LOG_RULE_TITLES, SaleUnit
from glademark.forestry.species import UNKNOWN_SPECIES, numbers, packaged_table
from glademark.units import INCH_CM

__all__ = [
    "INPUT_UNITS",
    "STATUSES",
    "EquationSet",
    "TreePart",
    "TreeVolume",
    "Trees",
    "VolumeStatus",
    "WorkedExample",
    "coefficients_for",
    "tree_volume",
]

VolumeStatus = Literal["ok", "outside range", "unknown species", "missing input"]
STATUSES: tuple[VolumeStatus, ...] = ("ok", "outside range", "unknown species", "missing input")
_RANGE_DECIMALS = 9  # inches turned to cm must meet the bound that they stand on
_OK, _OUTSIDE, _UNKNOWN, _MISSING = range(len(STATUSES))

INPUT_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "dbh_cm": "cm",
        "species_code": "FIA code",
        "height_m": "m",
        "broken_height_m": "m",
        "merchantable_height_m": "m",
        "logs": "16-ft logs",
        "form_class": "per cent",
        "site_index_m": "m at 50 years",
        "basal_area_m2_ha": "m2/ha",
        "division": "ecological division",
    }
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Trees:
    """
    What was measured of trees; one value for all, or one a tree.

    Parameters
    ----------
    dbh_cm
        Diameter at breast height [cm].
    species_code
        FIA species codes, 0 for an unknown species.
    height_m
        Total height to the tip, or to where the tip was before it broke [m].
    broken_height_m
        Height to the break of a tree that lost its top [m]; NaN for a whole tree.
    merchantable_height_m
        Height that is merchantable, as the set defines it [m].
    logs
        Number of 16-ft logs, halves allowed.
    form_class
        Girard form class: diameter inside bark at the top of the first log, per cent of DBH.
    site_index_m
        Height at 50 years of the stand's dominant trees [m].
    basal_area_m2_ha
        Basal area of the stand around the tree [m2/ha].
    division
        Ecological division of the stand, such as ``210`` or ``M220``; ``all`` where not known.

    Raises
    ------
    InputError
        If an input is of another length than the diameters.
    """

    dbh_cm: ArrayLike
    species_code: ArrayLike = UNKNOWN_SPECIES
    height_m: ArrayLike = np.nan
    broken_height_m: ArrayLike = np.nan
    merchantable_height_m: ArrayLike = np.nan
    logs: ArrayLike = np.nan
    form_class: ArrayLike = 78.0
    site_index_m: ArrayLike = np.nan
    basal_area_m2_ha: ArrayLike = np.nan
    division: str = "all"

    def __post_init__(self) -> None:
        """Refuse inputs that do not go together."""
        shape = np.shape(self.dbh_cm)
        faults = [
            f"trees: {name} has the shape {np.shape(getattr(self, name))}, the diameters have "
            f"{shape}; expected one value, or one a tree"
            for name in INPUT_UNITS
            if np.shape(getattr(self, name)) not in ((), shape)
        ]
        if faults:
            raise InputError(*faults)

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the diameters, and so of every result."""
        return np.shape(self.dbh_cm)

    def column(self, name: str) -> NDArray[np.float64]:
        """One numeric input, a value for each tree."""
        return np.broadcast_to(np.asarray(getattr(self, name), np.float64), self.shape)

    @property
    def codes(self) -> NDArray[np.int64]:
        """One species code for each tree."""
        return np.broadcast_to(np.asarray(self.species_code, np.int64), self.shape)


@dataclass(frozen=True, kw_only=True, slots=True)
class TreePart:
    """
    A part of the tree that a set of equations gives the volume of.

    Parameters
    ----------
    unit
        Unit of the volume.
    meaning
        From where to where, in words.
    bark
        ``inside``, ``outside`` or ``bark only``; empty where the measure does not say.
    log_rule
        Name of the log rule, for board feet.
    needs
        Fields of `Trees` that must be known.
    fitted
        Least and greatest value of inputs that the equation was made for; an input that is not
        named has no published bounds.
    only_fitted
        Whether there is no volume outside of `fitted`: a polynomial that turns up again there.
    """

    unit: SaleUnit
    meaning: str
    bark: str = "inside"
    log_rule: str = ""
    needs: tuple[str, ...] = ("dbh_cm", "height_m")
    fitted: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    only_fitted: bool = False

    @property
    def range_in_words(self) -> str:
        """Bounds of the inputs, such as ``DBH 12 to 30 in (30.5 to 76.2 cm)``; empty for none."""
        words = []
        for name, (low, high) in self.fitted.items():
            if name == "dbh_cm":
                inches = f"{low / INCH_CM:.3g} to {high / INCH_CM:.3g} in"
                words.append(f"DBH {inches} ({low:.3g} to {high:.3g} cm)")
            else:
                called = "" if name == "logs" else f"{_plain_name(name)} "
                words.append(f"{called}{low:g} to {high:g} {INPUT_UNITS[name]}")
        return "; ".join(words)

    @property
    def sale_unit(self) -> str:
        """Unit with its log rule."""
        return f"{self.unit} ({LOG_RULE_TITLES[self.log_rule]})" if self.log_rule else self.unit


def _plain_name(name: str) -> str:
    """An input without its unit."""
    return name.rsplit("_", 1)[0].replace("_", " ")


@dataclass(frozen=True, kw_only=True, slots=True)
class WorkedExample:
    """
    One tree whose volume the publication, or a hand computation, gives.

    Parameters
    ----------
    trees
        The tree.
    part
        Part of it.
    volume
        In the unit of the part.
    tolerance
        Relative difference that the printed digits allow.
    """

    trees: Trees
    part: str
    volume: float
    tolerance: float


class EquationSet(Protocol):
    """A set of volume equations, our own or from outside."""

    @property
    def id(self) -> str:
        """Short name for the project file, with the year."""

    @property
    def title(self) -> str:
        """What it is and where it holds, in one line."""

    @property
    def source(self) -> str:
        """Author and year, for every table made with it."""

    @property
    def parts(self) -> Mapping[str, TreePart]:
        """Every part of the tree by name."""

    @property
    def example(self) -> WorkedExample:
        """A tree to try it on."""

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """
        Volume of a part of each tree.

        Parameters
        ----------
        trees
            What was measured; an input that the part does not need may be NaN.

        Returns
        -------
        volume
            In the unit of the part, shape of the diameters; NaN for a species without an equation.
        """


@dataclass(frozen=True, kw_only=True, slots=True)
class TreeVolume:
    """
    Volume of each tree, with all that must stand beside it.

    Parameters
    ----------
    volume
        In the unit of the part; NaN where there is none.
    status
        For each tree ``ok``, ``outside range`` (the volume is given all the same, but for a part
        that is `only_fitted`), ``unknown species`` or ``missing input``.
    part
        What the volume is of, and in which unit.
    source
        Author and year.
    """

    volume: NDArray[np.float64]
    status: NDArray[np.str_]
    part: TreePart
    source: str

    @property
    def notices(self) -> tuple[str, ...]:
        """One sentence for each thing that a reader must know of these volumes."""
        counts = {status: int((self.status == status).sum()) for status in STATUSES}
        needed = ", ".join(self.part.needs)
        given = "no volume is" if self.part.only_fitted else "the volume is"
        words: dict[VolumeStatus, str] = {
            "outside range": f"outside the range of {self.source} ({self.part.range_in_words}); "
            f"{given} given" + ("" if self.part.only_fitted else " all the same"),
            "unknown species": f"of a species that {self.source} has no equation for",
            "missing input": f"without an input that {self.source} needs ({needed})",
        }
        return tuple(
            f"{counts[status]} {'tree is' if counts[status] == 1 else 'trees are'} {text}"
            for status, text in words.items()
            if counts[status]
        )


def tree_volume(trees: Trees, *, equation_set: EquationSet, part: str = "total") -> TreeVolume:
    """
    Volume of a part of each tree, by a published set of equations.

    Examples
    --------
    >>> from glademark.forestry.volume_equations import equation_sets
    >>> oak = Trees(dbh_cm=[50, 50], height_m=[24, float("nan")], species_code=833)
    >>> volumes = tree_volume(oak, equation_set=equation_sets()["national-2024"])
    >>> volumes.status.tolist(), volumes.part.unit
    (['ok', 'missing input'], 'ft3')
    """
    if part not in equation_set.parts:
        msg = (
            f"volume equations {equation_set.id}: there is no part {part!r}; "
            f"expected one of {', '.join(equation_set.parts)}"
        )
        raise InputError(msg)
    declared = equation_set.parts[part]
    volume = np.array(equation_set.volume(trees, part), np.float64)
    missing = np.zeros(trees.shape, dtype=bool)
    outside = np.zeros(trees.shape, dtype=bool)
    for name in declared.needs:
        missing |= ~np.isfinite(trees.column(name))
    for name, (low, high) in declared.fitted.items():
        values = trees.column(name).round(_RANGE_DECIMALS)
        outside |= (values < low) | (values > high)
    volume[missing] = np.nan
    status = np.select(
        [missing, np.isnan(volume), outside], [_MISSING, _UNKNOWN, _OUTSIDE], default=_OK
    )
    if declared.only_fitted:
        volume[outside] = np.nan
    return TreeVolume(
        volume=volume,
        status=np.array(STATUSES)[status],
        part=declared,
        source=equation_set.source,
    )


_NOT_NUMBERS = ("species_group", "part")


def coefficients_for(
    table: str, species_code: NDArray[np.int64], *, part: str = ""
) -> Mapping[str, NDArray[np.float64]]:
    """
    Each coefficient of the trees' species.

    Returns
    -------
    coefficients
        One array a column, shape of the codes; NaN for a species without a row.
    """
    columns = _sorted_columns(table, part)
    listed = columns["species_code"]
    at = np.minimum(np.searchsorted(listed, species_code), listed.size - 1)
    known = listed[at] == species_code
    return {name: np.where(known, column[at], np.nan) for name, column in columns.items()}


@cache
def _sorted_columns(table: str, part: str) -> Mapping[str, NDArray[np.float64]]:
    """Numeric columns of the chosen rows, in ascending order of species code."""
    columns = packaged_table(table)
    rows = np.arange(len(columns["species_code"]))
    if part:
        rows = rows[columns["part"] == part]
    order = rows[np.argsort(numbers(columns["species_code"][rows]))]
    return MappingProxyType(
        {name: numbers(cells[order]) for name, cells in columns.items() if name not in _NOT_NUMBERS}
    )
