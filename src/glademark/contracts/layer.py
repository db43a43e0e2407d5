"""What a layer or table and its columns are declared by, and columns that several of them share."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

from glademark.units import ACRE_M2, CUBIC_FOOT_M3, FOOT_M, HECTARE_M2, INCH_CM

Kind = Literal["text", "integer", "real", "flag"]
Geometry = Literal["Point", "MultiLineString", "MultiPolygon"]
Units = Literal["us", "metric"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """
    One column of a layer.

    Attributes
    ----------
    name
        As written in files; a unit is its suffix.
    kind
        Type of its values.
    title
        Heading for people.
    meaning
        One sentence.
    unit
        SI unit of a number; empty for counts and text.
    optional
        Whether the column is left out where what it needs was not given.
    """

    name: str
    kind: Kind
    title: str
    meaning: str
    unit: str = ""
    optional: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Layer:
    """
    One layer (with a geometry type) or attribute table (without).

    Attributes
    ----------
    name
        Table name in the GeoPackage.
    title
        Heading for people.
    meaning
        What one row is.
    geometry
        Type of all its features; None for a table.
    columns
        In the order in which they are written.
    """

    name: str
    title: str
    meaning: str
    geometry: Geometry | None
    columns: tuple[Column, ...] = field(default=())

    @property
    def names(self) -> tuple[str, ...]:
        """
        Names of the columns.

        Returns
        -------
        names
            In order.
        """
        return tuple(column.name for column in self.columns)


def text_column(name: str, title: str, meaning: str) -> Column:
    """A column of text."""
    return Column(name=name, kind="text", title=title, meaning=meaning)


def count_column(name: str, title: str, meaning: str) -> Column:
    """A column of whole numbers."""
    return Column(name=name, kind="integer", title=title, meaning=meaning)


def real_column(name: str, unit: str, title: str, meaning: str) -> Column:
    """A column of real numbers."""
    return Column(name=name, kind="real", title=title, meaning=meaning, unit=unit)


def flag_column(name: str, title: str, meaning: str) -> Column:
    """A column of yes and no."""
    return Column(name=name, kind="flag", title=title, meaning=meaning)


def present(layer: Layer, names: Iterable[object]) -> Layer:
    """
    A layer without those optional columns that a frame does not have.

    Parameters
    ----------
    layer
        Declared layer.
    names
        Columns of the frame.

    Returns
    -------
    layer
        The same where all are there.
    """
    there = {str(name) for name in names}
    columns = tuple(c for c in layer.columns if not c.optional or c.name in there)
    return layer if len(columns) == len(layer.columns) else replace(layer, columns=columns)


_PER_HECTARE = HECTARE_M2 / ACRE_M2
"""Per hectare over this is per acre."""

_BESIDE: Mapping[Units, Mapping[str, tuple[str, str, float]]] = MappingProxyType(
    {
        "us": {
            "area": ("m2", "ac", ACRE_M2),
            "basal_area": ("m2", "ft2", FOOT_M**2),
            "m": ("m", "ft", FOOT_M),
            "cm": ("cm", "in", INCH_CM),
            "1/ha": ("ha", "ac", _PER_HECTARE),
            "m2/ha": ("m2_ha", "ft2_ac", _PER_HECTARE * FOOT_M**2),
            "m3/ha": ("m3_ha", "ft3_ac", _PER_HECTARE * CUBIC_FOOT_M3),
        },
        "metric": {"area": ("m2", "ha", HECTARE_M2)},
    }
)
"""Ending of a column in SI, ending beside it, and what the SI value is divided by."""


def shown_beside(column: Column, units: Units) -> tuple[str, float] | None:
    """
    Name and divisor of the column in the user's units that stands beside an SI column.

    Parameters
    ----------
    column
        A declared column.
    units
        What reports and maps show.

    Returns
    -------
    name_and_divisor
        None where the SI column says it all.

    Examples
    --------
    >>> shown_beside(real_column("area_m2", "m2", "Area", ""), "metric")
    ('area_ha', 10000.0)
    """
    kind = column.unit
    if kind == "m2":
        kind = "basal_area" if "basal_area" in column.name else "area"
    if kind not in _BESIDE[units]:
        return None
    ending, shown, divisor = _BESIDE[units][kind]
    return column.name.removesuffix(ending) + shown, divisor


def where_given(*columns: Column) -> tuple[Column, ...]:
    """Columns that are left out where what they need was not given."""
    return tuple(replace(column, optional=True) for column in columns)


def interval(name: str, unit: str, title: str, what: str) -> tuple[Column, ...]:
    """The two ends of an interval, left out where the position error is not carried through."""
    suffix = f"_{unit}" if unit else ""
    return where_given(
        *(
            real_column(
                f"{name}_{end}{suffix}", unit, f"{title}, {end}", f"{words} end of the {what}."
            )
            for end, words in (("low", "Low"), ("high", "High"))
        )
    )


AREA = real_column("area_m2", "m2", "Area", "Planar area in the working CRS.")

SLOPES = where_given(
    real_column(
        "slope_mean_pct", "%", "Mean slope", "Of the terrain's cells inside, by Horn's method."
    ),
    real_column("slope_p90_pct", "%", "90th percentile of slope", "One cell in ten is steeper."),
    real_column("slope_max_pct", "%", "Largest slope", "Of the terrain's cells inside."),
    text_column("aspect", "Main aspect", "Sector that most of its sloping cells face; or flat."),
)

BASAL_AREA = real_column(
    "basal_area_m2",
    "m2",
    "Basal area",
    "Cross-section of the stems at breast height, summed over trees.",
)

VOLUME_M3 = real_column(
    "volume_m3",
    "m3",
    "Solid volume",
    "Net solid volume; empty where it is not known of every tree.",
)

TREES_WITHOUT = count_column(
    "trees_without", "Trees without a volume", "Trees that the volumes of the row leave out."
)
