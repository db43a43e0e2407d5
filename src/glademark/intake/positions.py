"""
Points, from the geometry of a layer or from columns of coordinates.
"""

from collections.abc import Mapping
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.errors import CrsError, FileError
from glademark.intake.cells import numbers
from glademark.intake.columns import Found
from glademark.intake.crs import WGS84, parse_crs
from glademark.intake.records import Ledger, Reading, text_of
from glademark.intake.wording import counted, quoted, shown
from glademark.project.model import Source

_DEGREES = (
    r"^\s*([NSEWO])?\s*(\d{1,3}(?:\.\d+)?)\s*(?:°|º|d|:|\s)?\s*(?:(\d{1,2}(?:\.\d+)?)\s*(?:'|’|′|m|:|\s)?\s*)?"
    r"""(?:(\d{1,2}(?:\.\d+)?)\s*(?:"|”|″|''|s)?\s*)?([NSEWO])?\s*$"""
)
_SIGN: Mapping[str, int] = {"N": 1, "S": -1, "E": 1, "W": -1}
_PRECISION_DECIMALS_MAX = 4
_DEGREE_M = 111_320.0


def with_points(reading: Reading, found: Found, source: Source, ledger: Ledger) -> Reading:
    """
    Records as points.

    Parameters
    ----------
    reading
        With geometry, or with columns of coordinates.
    found
        Which columns they are.
    source
        As the project file states it.
    ledger
        Takes records that are no points.

    Returns
    -------
    reading
        Point or None a record, and the coordinate system in `crs` or in `source`.

    Raises
    ------
    FileError
        If no record is a point, or there are no columns of coordinates.
    CrsError
        If the columns need a coordinate system that is not stated.
    """
    if reading.geometry is None:
        return _from_columns(reading, found, source, ledger)
    kinds = shapely.get_type_id(reading.geometry.to_numpy())
    if (kinds == shapely.GeometryType.MULTIPOINT).any():
        reading = _single_points(reading, ledger)
        kinds = (
            shapely.get_type_id(reading.geometry.to_numpy())
            if reading.geometry is not None
            else kinds
        )
    other = pd.Series(~np.isin(kinds, [-1, shapely.GeometryType.POINT]), index=reading.rows.index)
    if other.any() and other.sum() == (kinds != -1).sum():
        what = reading.geometry[other].iloc[0].geom_type if reading.geometry is not None else ""
        msg = f"{reading.file.name}: points are expected, and these are of type {what}. Name the layer of points."
        raise FileError(msg)
    return ledger.set_aside(
        reading, other, reason="it is no point; mark trees as points", what="not points"
    )


def _single_points(reading: Reading, ledger: Ledger) -> Reading:
    """One point a record; a record of several points becomes several."""
    geometry = reading.geometry.to_numpy() if reading.geometry is not None else np.array([])
    counts = np.where(shapely.is_missing(geometry), 1, shapely.get_num_geometries(geometry))
    counts = np.maximum(counts, 1)
    rows = np.repeat(np.arange(len(geometry)), counts)
    parts = np.full(len(rows), None, dtype=object)
    points, owner = shapely.get_parts(geometry, return_index=True)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    rank = np.arange(len(owner)) - np.searchsorted(owner, owner, side="left")
    parts[first[owner] + rank] = points
    several = int((counts > 1).sum())
    if several:
        ledger.notice(
            f"{reading.file.name}: {counted(several, 'record')} with several points each; every point is read "
            "as a mark of its own."
        )
    ledger.split(reading, more=len(rows) - len(geometry))
    return replace(
        reading,
        rows=reading.rows.iloc[rows].reset_index(drop=True),
        record=reading.record.iloc[rows].reset_index(drop=True),
        geometry=gpd.GeoSeries(parts),
        ids=None if reading.ids is None else reading.ids.iloc[rows].reset_index(drop=True),
    )


def _from_columns(reading: Reading, found: Found, source: Source, ledger: Ledger) -> Reading:
    """Points from two columns of coordinates."""
    x_name, y_name, crs = _pair(reading, found, source)
    x, bad_x = _coordinates(reading, found.header[x_name])
    y, bad_y = _coordinates(reading, found.header[y_name])
    for name, bad in ((x_name, bad_x), (y_name, bad_y)):
        _refuse_if_none_reads(reading, found.header[name], bad)
    cells = (
        text_of(reading.rows[found.header[x_name]])
        + " / "
        + text_of(reading.rows[found.header[y_name]])
    )
    bad = bad_x | bad_y
    reason = (
        'its position is "' + cells.map(shown) + '", not two numbers; correct the cells'
        if bad.any()
        else ""
    )
    here = x.notna() & y.notna()
    points = np.full(len(x), None, dtype=object)
    points[here.to_numpy()] = shapely.points(x[here].to_numpy(), y[here].to_numpy())
    reading = replace(reading, geometry=gpd.GeoSeries(points, index=x.index), crs=crs)
    if crs is not None and crs.is_geographic:
        _note_coarse(reading, x[here], y[here], ledger)
    return ledger.set_aside(
        reading, bad, reason=reason, what="with a position that is not two numbers"
    )


def _pair(reading: Reading, found: Found, source: Source) -> tuple[str, str, "object"]:
    """Names of the two meanings that give the position, and the coordinate system they imply."""
    name = reading.file.name
    stated = None if source.crs is None else parse_crs(source.crs, where=f"[inputs], crs of {name}")
    has = {pair: all(one in found.header for one in pair) for pair in (("lon", "lat"), ("x", "y"))}
    if has["x", "y"] and not (has["lon", "lat"] and (stated is None or stated.is_geographic)):
        if stated is None:
            msg = (
                f"{name}: the coordinate system of {quoted([found.header['x'], found.header['y']])} is not "
                f'stated. State it in [inputs]: {reading.file.input} = {{file = "{name}", crs = "EPSG:…"}}.'
            )
            raise CrsError(msg)
        return "x", "y", None
    if has["lon", "lat"]:
        if stated is not None and not stated.is_geographic:
            msg = (
                f"{name}: longitude and latitude are in degrees, but [inputs] states {shown(source.crs)}. "
                "Remove the crs, or name the columns x and y."
            )
            raise CrsError(msg)
        return "lon", "lat", WGS84 if stated is None else None
    msg = (
        f"{name}: no pair of coordinate columns (lon and lat, or x and y with a crs); the columns are "
        f"{quoted(list(reading.rows.columns))}. Rename them, or map them under [marks] columns."
    )
    raise FileError(msg)


def _coordinates(reading: Reading, header: str) -> tuple[pd.Series, pd.Series]:
    """Numbers of a column of coordinates, degrees with minutes and a hemisphere letter included."""
    column = reading.rows[header]
    values, bad = numbers(column, decimal_comma=reading.decimal_comma)
    if not bad.any():
        return values, bad
    cells = text_of(column[bad]).str.upper()
    if reading.decimal_comma:
        cells = cells.str.replace(",", ".", regex=False)
    parts = cells.str.extract(_DEGREES)
    letter = parts[0].fillna(parts[4]).replace("O", "")
    sign = letter.map(_SIGN)
    degrees = pd.to_numeric(parts[1])
    minutes = pd.to_numeric(parts[2]).fillna(0.0)
    seconds = pd.to_numeric(parts[3]).fillna(0.0)
    sound = sign.notna() & (minutes < 60) & (seconds < 60)  # noqa: PLR2004 - minutes in a degree
    whole = sign * (degrees + minutes / 60 + seconds / 3600)
    values.loc[sound.index[sound]] = whole[sound]
    return values, bad & values.isna()


def _refuse_if_none_reads(reading: Reading, header: str, bad: pd.Series) -> None:
    """A whole column that cannot be read is one fault, not a thousand records."""
    if bad.any() and bad.mean() > 0.5:  # noqa: PLR2004 - most
        cell = shown(text_of(reading.rows[header][bad]).iloc[0])
        msg = (
            f"{reading.file.name}, {reading.place(bad)}: {bad.sum():,} of {len(bad):,} cells of '{shown(header)}' "
            f'are no coordinate, the first is "{cell}". Expected decimal numbers, or degrees and '
            "minutes each with its letter N, S, E or W."
        )
        raise FileError(msg)


def _note_coarse(reading: Reading, lon: pd.Series, lat: pd.Series, ledger: Ledger) -> None:
    """Say so where degrees were rounded until trees coincide."""
    if len(lon) < 2:  # noqa: PLR2004 - a single point says nothing about rounding
        return
    for decimals in range(_PRECISION_DECIMALS_MAX + 1):
        if np.allclose(lon, lon.round(decimals), atol=1e-9, rtol=0) and np.allclose(
            lat, lat.round(decimals), atol=1e-9, rtol=0
        ):
            metres = _DEGREE_M / 10**decimals
            ledger.notice(
                f"{reading.file.name}: positions are rounded to {decimals} decimals of a degree, which is "
                f"about {metres:,.0f} m. Export them with six or more."
            )
            return
