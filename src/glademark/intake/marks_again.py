"""Used marks as rows that `read_marks` reads again as they are."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.intake.columns import meanings
from glademark.intake.columns.match import is_known, recognise
from glademark.project.model import Project
from glademark.units import INCH_CM, LENGTH_M

_PLAIN: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "id": ("tree_id", "tree_id"),
        "marker": ("marker", "marker"),
        "count": ("count", "count"),
        "kind": ("kind", "kind"),
        "dbh": ("dbh", "dbh"),
        "dbh_unit": ("dbh_unit", "dbh_unit"),
        "species": ("species", "species"),
        "product": ("product", "product"),
        "paint": ("paint", "paint"),
        "group": ("group", "group"),
        "height": ("height_m", "height_m"),
        "crown_radius": ("crown_radius_m", "crown_radius_m"),
        "volume": ("volume", "volume"),
        "volume_unit": ("volume_unit", "volume_unit"),
        "defect": ("defect_share", "defect_share"),
        "cull": ("cull", "cull"),
        "position_error": ("position_error_m", "position_error_m"),
        "time": ("time", "time"),
        "order": ("order", "order"),
        "radius": ("radius_m", "radius_m"),
        "logs": ("logs", "logs"),
        "must_go": ("must_go", "must_go"),
    }
)
"""By meaning: the column of `Survey.marks`, and the heading under which it is written."""

_METRES = ("height", "crown_radius", "position_error", "radius")
_LEFT_OUT = (
    "label",
    "dbh_cm",
    "dbh_flag",
    "paint_meaning",
    "inside",
    "source_file",
    "record",
    "geometry",
)
WGS84 = "EPSG:4326"


@dataclass(frozen=True, kw_only=True, slots=True)
class _Heads:
    """Headings by meaning, and the unit that each says."""

    name: Mapping[str, str]
    unit: Mapping[str, str]


def marks_again(
    marks: gpd.GeoDataFrame, project: Project, *, with_degrees: bool
) -> gpd.GeoDataFrame:
    """
    Used marks with headings and units under which this project reads them again.

    Parameters
    ----------
    marks
        As in `contracts.survey.Survey.marks`.
    project
        Columns and units that it states are kept to.
    with_degrees
        Whether the position stands in columns of longitude and latitude, for a file without
        geometry.

    Returns
    -------
    rows
        One a mark, in order; what is not known is empty.
    """
    heads = _heads(project)
    columns: dict[str, pd.Series] = {}
    for meaning, (source, _) in _PLAIN.items():
        if source in marks:
            columns[heads.name[meaning]] = _cells(marks, meaning, source, heads, project)
    if heads.unit.get("dbh"):
        columns.pop(heads.name["dbh_unit"])
    if with_degrees:
        place = shapely.get_coordinates(marks.geometry.to_crs(WGS84).to_numpy())
        names = (project.marks.columns.get(name, name) for name in ("lon", "lat"))
        columns |= {name: pd.Series(place[:, i]) for i, name in enumerate(names)}
    for header in project.marks.columns.values():  # the reader looks for every heading stated
        columns.setdefault(header, pd.Series("", index=marks.index))
    own = {source for source, _ in _PLAIN.values()} | set(_LEFT_OUT)
    for name in marks.columns:
        if name not in own:
            columns[_free(str(name), columns)] = marks[name]
    return gpd.GeoDataFrame(columns, geometry=marks.geometry, crs=marks.crs)


def _heads(project: Project) -> _Heads:
    """Headings as the project states them, else plain ones that say their unit."""
    stated = project.marks.columns
    name = {meaning: stated.get(meaning, head) for meaning, (_, head) in _PLAIN.items()}
    known = {meaning: head for meaning, head in stated.items() if meaning in name}
    found = recognise(list(name.values()), meanings.MARKS, stated=known, where="marks")
    return _Heads(name=name, unit=found.unit)


def _cells(
    marks: gpd.GeoDataFrame, meaning: str, source: str, heads: _Heads, project: Project
) -> pd.Series:
    """One column in the unit that its heading or the project says."""
    values = marks[source]
    if meaning in _METRES:
        usual = project.marks.height_unit if meaning == "height" else "m"
        factor = LENGTH_M[heads.unit.get(meaning) or usual or "m"]
        return values / factor if factor != 1 else values
    if meaning == "dbh" and heads.unit.get("dbh"):
        return _diameters(marks, heads.unit["dbh"])
    if meaning == "defect":
        return values * 100 if heads.unit.get("defect") != "share" else values
    if values.dtype == bool:
        return pd.Series(np.where(values, "yes", ""), index=values.index)
    return values


def _diameters(marks: gpd.GeoDataFrame, unit: str) -> pd.Series:
    """Diameters in one unit; those recorded in it as they were recorded."""
    size = {"in": INCH_CM, "cm": 1.0, "mm": 0.1, "m": 100.0, "ft": 12 * INCH_CM}[unit]
    return marks["dbh"].where(marks["dbh_unit"] == unit, marks["dbh_cm"] / size)


def _free(name: str, taken: Mapping[str, object]) -> str:
    """A heading that means nothing to the reader and is not taken."""
    heads = {head.casefold() for head in taken}
    while name.casefold() in heads or is_known(name, meanings.MARKS):
        name += "_kept"
    return name
