"""
What a table is declared by, and frames: rows with a geometry each, of one stand out of many.

What a writer's change of coordinates breaks is made valid again.
"""

import ctypes
import logging
import re
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Literal, TypeVar, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from geopandas.array import GeometryArray, from_shapely
from pandas.api.extensions import ExtensionArray
from shapely.geometry.base import BaseGeometry
from shapely.validation import explain_validity

from glademark.units import ACRE_M2, CUBIC_FOOT_M3, FOOT_M, HECTARE_M2, INCH_CM

STAND = "stand"
"""Key column: number of the stand that a row belongs to."""

_Frame = TypeVar("_Frame", bound=pd.DataFrame)

_T = TypeVar("_T")

log = logging.getLogger(__name__)

MOST_MOVED = 1e-6
"""Share of its area by which a shape may be mended without a notice."""

MEND_SHARE_MAX = 0.001
"""Share of its area by which mending may change an outline from the field."""

_PLACE = re.compile(r"\[(\S+) (\S+?)\]")

ShapeArray = npt.NDArray[np.object_]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

_AREA = 2  # dimension

_PARTS = {"Point": 0, "MultiLineString": 1, "MultiPolygon": 2}  # dimension of the parts

_OF_TYPE = {"MultiLineString": (1, 5), "MultiPolygon": (3, 6)}  # GEOS: a part, the whole

_FLAT = 2  # coordinates without height

Kind = Literal["text", "integer", "real", "flag"]

Geometry = Literal["Point", "MultiLineString", "MultiPolygon"]

Units = Literal["us", "metric"]

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


def rows_of(frame: _Frame, stand: int, columns: Sequence[str] | None = None) -> _Frame:
    """Rows of one stand, renumbered 0, on an index 0..n-1; of a table sorted by `stand`."""
    if frame.empty:
        return frame
    start, end = frame[STAND].array.searchsorted([stand, stand + 1]).tolist()
    rows = frame.iloc[start:end]
    if columns is not None and [*rows.columns] != [*columns]:
        rows = rows[[*columns]]
    rows.index = pd.RangeIndex(len(rows))
    place = cast("int", rows.columns.get_loc(STAND))  # one column has the name
    rows.isetitem(place, np.zeros(len(rows), dtype=np.int64))
    return rows


class OnDemand:
    """Tables of one stand out of many, each cut out when it is first asked for."""

    __slots__ = ()
    _cut: Callable[[str], pd.DataFrame | None]

    def __getattr__(self, name: str) -> pd.DataFrame:
        """A table that has not been asked for before."""
        rows = None if name.startswith("_") else self._cut(name)
        if rows is None:
            raise AttributeError(name)
        object.__setattr__(self, name, rows)  # of a frozen class
        return rows


def cut_on_demand(
    made: _T, cut: Callable[[str], pd.DataFrame | None], others: Mapping[str, Any]
) -> _T:
    """An object without its tables, which `cut` gives by their names, and with all `others`."""
    for name, value in {**others, "_cut": cut}.items():
        object.__setattr__(made, name, value)  # of a frozen class
    return made


def features(
    columns: Mapping[Any, Any] | pd.DataFrame,
    geometry: npt.ArrayLike | Sequence[BaseGeometry] | ExtensionArray,
    *,
    crs: Any,  # noqa: ANN401 - as geopandas takes it
) -> gpd.GeoDataFrame:
    """
    Columns and a geometry as one frame.

    Returns
    -------
    features
        With the column ``geometry`` last. The geometry goes in with the columns and brings its CRS,
        which takes half the time of putting it on a frame that is made.

    Examples
    --------
    >>> import shapely
    >>> features({"name": ["a"]}, [shapely.Point(1, 2)], crs="EPSG:26916").crs.to_epsg()
    26916
    """
    shapes = np.asarray(geometry) if isinstance(geometry, GeometryArray) else geometry
    rows = {**columns, "geometry": from_shapely(shapes, crs=crs)}
    index = next((one.index for one in rows.values() if isinstance(one, pd.Series)), None)
    return gpd.GeoDataFrame(rows, index=index, geometry="geometry")


def give_back_memory() -> None:
    """Return freed memory to the system: glibc keeps the small pieces of many shapes."""
    if sys.platform == "linux" and _trim() is not None:
        _trim()(0)


@lru_cache(maxsize=1)
def _trim() -> Any:  # noqa: ANN401 - a function of the C library, or None where it has no such
    """What does it in the GNU C library."""
    return getattr(ctypes.CDLL(None), "malloc_trim", None)


def no_features(
    names: Iterable[str],
    kinds: Mapping[str, str],
    *,
    crs: Any,  # noqa: ANN401 - as above
) -> gpd.GeoDataFrame:
    """
    A frame without rows.

    Examples
    --------
    >>> no_features(["name", "record"], {"record": "int64"}, crs=26916).dtypes.astype(str).tolist()
    ['str', 'int64', 'geometry']
    """
    return features(no_rows(names, kinds), [], crs=crs)


def no_rows(names: Iterable[str], kinds: Mapping[str, str]) -> pd.DataFrame:
    """
    A table without rows.

    Examples
    --------
    >>> no_rows(["name", "record"], {"record": "int64"}).dtypes.astype(str).tolist()
    ['str', 'int64']
    """
    names = tuple(names)
    return _made_once(names, tuple(kinds.get(name, "str") for name in names)).copy()


@lru_cache(maxsize=64)  # a layout without terrain, cruise and water has a dozen of them
def _made_once(names: tuple[str, ...], kinds: tuple[str, ...]) -> pd.DataFrame:
    """Columns of these types, without rows."""
    return pd.DataFrame(
        {name: pd.Series(dtype=kind) for name, kind in zip(names, kinds, strict=True)}
    )


def sound(shapes: ShapeArray, *, what: str) -> ShapeArray:
    """Shapes whose areas are valid; a notice where mending moved one too far."""
    whole, moved = mended(shapes)
    tell_moved([f"shape {number}" for number in range(1, len(whole) + 1)], moved, what=what)
    return whole


def mended(shapes: ShapeArray) -> tuple[ShapeArray, FloatArray]:
    """Shapes whose areas are valid, and by which share of itself that has moved each area."""
    broken = ~shapely.is_valid(shapes) & (shapely.get_dimensions(shapes) == _AREA)
    whole, moved = np.array(shapes, dtype=object), np.zeros(len(shapes))
    if broken.any():
        whole[broken] = shapely.make_valid(whole[broken], method="structure", keep_collapsed=False)
        moved[broken] = _moved(shapes[broken], whole[broken])
    return whole, moved


def mended_outlines(shapes: ShapeArray) -> tuple[ShapeArray, npt.NDArray[np.object_]]:
    """
    Outlines that are valid areas, and where each crosses itself so that its area is not known.

    The place is empty for an outline that was valid, or that mending moves by less than
    `MEND_SHARE_MAX` of its area; else it is that of the first crossing, in the outline's own CRS.
    """
    shapes = np.asarray(shapes, dtype=object)
    places = np.full(len(shapes), "", dtype=object)
    whole = shapes.copy()
    broken = np.flatnonzero(~shapely.is_valid(shapes) & ~shapely.is_missing(shapes))
    whole[broken] = shapely.make_valid(shapes[broken], method="structure", keep_collapsed=False)
    was, now = shapely.area(shapes[broken]), shapely.area(whole[broken])
    far = np.abs(now - was) >= MEND_SHARE_MAX * np.maximum(was, now)
    places[broken[far]] = [_crossing(shape) for shape in shapes[broken[far]]]
    return whole, places


def _crossing(shape: shapely.Geometry) -> str:
    """Where an outline first crosses itself."""
    found = _PLACE.search(explain_validity(shape))
    if found is None:
        return "a place that could not be told"
    return f"E {float(found[1]):,.1f}, N {float(found[2]):,.1f}"


def rounded(shapes: ShapeArray, decimals: int) -> tuple[ShapeArray, FloatArray]:
    """
    Valid shapes on a decimal grid, and by which share of itself mending them has moved each area.

    Vertices that merely go to the grid count as not moved. Lines shorter than the grid are empty.
    """
    plain = shapely.transform(shapes, lambda xy: np.round(xy, decimals))
    broken = ~shapely.is_valid(plain)
    whole, moved = np.array(plain, dtype=object), np.zeros(len(plain))
    if broken.any():
        snapped = shapely.set_precision(shapes[broken], 10.0**-decimals)
        whole[broken] = shapely.transform(snapped, lambda xy: np.round(xy, decimals))
        moved[broken] = _moved(plain[broken], whole[broken])
    return whole, moved


def tell_moved(names: Sequence[str], moved: FloatArray, *, what: str) -> None:
    """Log how far mending went, as a notice for each shape that it has moved too far."""
    if moved.any():
        most = float(moved.max())
        log.debug(
            "%s: %d shapes mended, %.1e of an area moved", what, np.count_nonzero(moved), most
        )
    for place in np.flatnonzero(moved > MOST_MOVED).tolist():
        log.warning(
            "%s: the outline of %s crossed itself as it was written and was mended, which moved "
            "%.1g %% of its area. Look at it on a map before it is used.",
            what,
            names[place],
            100 * moved[place],
        )


def _moved(before: ShapeArray, after: ShapeArray) -> FloatArray:
    """Share of its area that each shape has gained or lost."""
    was = shapely.area(before)
    change = np.abs(shapely.area(after) - was)
    return np.asarray(change / np.where(was > 0, was, np.where(change > 0, change, 1.0)))


def of_declared_type(geometries: np.ndarray, geometry: str) -> np.ndarray:
    """
    Geometries of exactly the type that a layer declares.

    Examples
    --------
    >>> of_declared_type(np.array([shapely.box(0, 0, 1, 1)]), "MultiPolygon")[0].geom_type
    'MultiPolygon'
    """
    flat = np.asarray(geometries, dtype=object)
    if (shapely.get_coordinate_dimension(flat) > _FLAT).any():
        flat = shapely.force_2d(flat)
    if geometry == "Point":
        return np.asarray(flat)
    kind, single, multi = shapely.get_type_id(flat), *_OF_TYPE[geometry]
    alone = (kind == single) & ~shapely.is_empty(flat)
    whole = np.flatnonzero(kind == multi)
    parts, of = shapely.get_parts(flat[whole], return_index=True)
    whole = np.delete(whole, of[shapely.is_empty(parts)])
    result = flat.copy()
    _collect(geometry)(flat[alone], indices=np.flatnonzero(alone), out=result)
    others = ~alone
    others[whole] = False
    if others.any():
        result[others] = _collected(flat[others], geometry)
    return np.asarray(shapely.orient_polygons(result))


def _collected(flat: np.ndarray, geometry: str) -> np.ndarray:
    """Of each geometry, whatever its type, its parts of the declared dimension in one."""
    parts, rows = shapely.get_parts(shapely.get_parts(flat), return_index=True)
    outer = np.repeat(np.arange(len(flat)), shapely.get_num_geometries(flat))
    wanted = shapely.get_dimensions(parts) == _PARTS[geometry]
    wanted &= ~shapely.is_empty(parts)
    result = np.full(len(flat), shapely.from_wkt(f"{geometry.upper()} EMPTY"), dtype=object)
    _collect(geometry)(parts[wanted], indices=outer[rows[wanted]], out=result)
    return sound(result, what="layout.gpkg")


def _collect(geometry: str) -> Callable[..., object]:
    """What makes a multi-geometry of a type."""
    return shapely.multipolygons if geometry == "MultiPolygon" else shapely.multilinestrings


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """One column of a layer."""

    name: str  # as written in files; a unit is its suffix
    kind: Kind  # type of its values
    title: str  # heading for people
    meaning: str  # one sentence
    unit: str = ""  # SI unit of a number; empty for counts and text
    optional: bool = False  # whether the column is left out where what it needs was not given


@dataclass(frozen=True, kw_only=True, slots=True)
class Layer:
    """One layer (with a geometry type) or attribute table (without)."""

    name: str  # table name in the GeoPackage
    title: str  # heading for people
    meaning: str  # what one row is
    geometry: Geometry | None  # type of all its features; None for a table
    columns: tuple[Column, ...] = field(default=())  # in the order in which they are written

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns."""
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
    """A layer without those optional columns that a frame does not have."""
    there = {str(name) for name in names}
    columns = tuple(c for c in layer.columns if not c.optional or c.name in there)
    return layer if len(columns) == len(layer.columns) else replace(layer, columns=columns)


def shown_beside(column: Column, units: Units) -> tuple[str, float] | None:
    """
    Name and divisor of the column in the user's units that stands beside an SI column.

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
