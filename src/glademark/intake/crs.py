"""
Coordinate systems: what each layer is in, which one the work is done in, and the way between them.

Everything is measured in one projected system in metres that is true to area at the stand. Axes are
always x (east), y (north), whatever the registry's order is.
"""

import warnings
from collections.abc import Sequence
from functools import lru_cache

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError as ProjCRSError
from pyproj.exceptions import ProjError
from pyproj.transformer import TransformerGroup

from glademark.contracts.frames import FloatArray
from glademark.errors import CrsError, shown
from glademark.intake.record_log import Reading, RecordLog

AREA_SCALE_TOLERANCE = 0.01
"""Share by which areas may differ from those on the ellipsoid: a UTM zone stays within 0.2 %."""

AREA_OF_USE_MARGIN_DEG = 3.0
"""How far outside its area of use a coordinate system may be stretched: about half a UTM zone."""

GRID_ERROR_MAX_M = 5.0
"""Error of a datum transformation that needs no notice [m]: WGS 84 taken as NAD83 has 4 m."""

WGS84 = CRS.from_epsg(4326)


def parse_crs(text: str, *, where: str) -> CRS:
    """Coordinate system of a text such as ``EPSG:26916``."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)  # of old forms, which are understood
            return _flat(CRS.from_user_input(text))
    except (ProjCRSError, ProjError) as error:
        msg = (
            f"{where}: '{shown(text)}' is no coordinate system; expected a code such as EPSG:26916."
        )
        raise CrsError(msg) from error


def _flat(crs: CRS) -> CRS:
    """The horizontal part."""
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    return crs.to_2d()


def stated_crs(reading: Reading, stated: str | None, log: RecordLog) -> CRS:
    """Two-dimensional coordinate system of a layer: its own, else that stated in ``[inputs]``."""
    name = reading.file.name
    own = None if reading.crs is None else _flat(reading.crs)
    local = "" if own is None or not own.is_engineering else f", only that it is '{crs_name(own)}'"
    own = None if local else own
    given = None if stated is None else parse_crs(stated, where=f"[inputs], crs of {name}")
    if own is None and given is None:
        msg = (
            f"{name}: it does not say its coordinate system{local}. Ask who made it, and state it "
            f'in [inputs]: {reading.file.input} = {{file = "{name}", crs = "EPSG:…"}}.'
        )
        raise CrsError(msg)
    if own is None or given is None:
        return own or given  # type: ignore[return-value] # one of them is there
    if same_crs(own, given):
        return own
    if reading.crs_by_default:
        text = f"{name}: read in {crs_name(given)}, as the project file states."
        log.notice(text, of=reading)
        return given
    msg = (
        f"{name}: the file says {crs_name(own)}, the project file {crs_name(given)}. "
        "Remove the crs from [inputs], or the wrong one from the file."
    )
    raise CrsError(msg)


def crs_name(crs: CRS) -> str:
    """Name for people, with the registry's code where there is one."""
    code = crs.to_authority(min_confidence=100)
    return f"{':'.join(code)} ({shown(crs.name)})" if code else shown(crs.name)


def same_crs(first: CRS, second: CRS) -> bool:
    """Whether two coordinate systems are one, the order of axes apart."""
    return bool(first.equals(second, ignore_axis_order=True))


def working_crs(own: CRS, *, lon: float, lat: float, stated: str | None) -> tuple[CRS, str]:
    """
    System to work in, and a sentence on it where it is neither stated nor the stand's own.

    It is the project's, else the stand's own where fit, else the UTM zone of its middle [deg]:
    projected, in metres, true to area at the stand.
    """
    if stated is not None:
        crs = parse_crs(stated, where="[project] working_crs")
        unfit = _unfit(crs, lon, lat)
        if unfit:
            msg = (
                f"[project] working_crs: {crs_name(crs)} {unfit}; expected a projected system in "
                "metres that is true to area at the stand. Remove it, or use "
                f"{crs_name(_utm(lon, lat))}."
            )
            raise CrsError(msg)
        return crs, ""
    unfit = _unfit(own, lon, lat)
    if not unfit:
        return own, ""
    utm = _utm(lon, lat)
    return utm, (
        f"The stand's own coordinate system {crs_name(own)} {unfit}; the work is done in "
        f"{crs_name(utm)}."
    )


def fits(crs: CRS, middles: Sequence[tuple[float, float]]) -> bool:
    """
    Whether areas of all stands can be measured in a coordinate system.

    Parameters
    ----------
    middles
        Longitude and latitude of each stand [deg].
    """
    lon, lat = np.array(middles, dtype=np.float64).T
    return not _unfit(crs, lon, lat)


def _unfit(
    crs: CRS, lon: float | npt.NDArray[np.float64], lat: float | npt.NDArray[np.float64]
) -> str:
    """Why areas cannot be measured in a system at some places; nothing if they can."""
    if crs.is_geographic:
        return "is in degrees"
    if not crs.is_projected:
        return "is no map projection"
    factors = [axis.unit_conversion_factor for axis in crs.axis_info[:2]]
    if any(abs(factor - 1) > 1e-9 for factor in factors):  # noqa: PLR2004 - rounding in the registry
        return f"is in {crs.axis_info[0].unit_name}"
    try:
        scales = np.atleast_1d(Proj(crs).get_factors(lon, lat).areal_scale)
    except ProjError:
        return "does not reach the stand"
    wrong = scales[~(np.abs(scales - 1) <= AREA_SCALE_TOLERANCE)]
    if len(wrong):
        return f"makes areas at the stand {wrong[0]:.2f} times as large as they are"
    return ""


def _utm(lon: float, lat: float) -> CRS:
    """UTM zone of a place, on WGS 84."""
    area = AreaOfInterest(lon, lat, lon, lat)
    found = query_utm_crs_info(datum_name="WGS 84", area_of_interest=area)
    if not found:
        msg = (
            f"it lies at latitude {lat:.1f}, where there is no UTM zone. Check whether longitude "
            "and latitude are swapped, or state [project] working_crs."
        )
        raise CrsError(msg)
    return CRS.from_epsg(int(found[0].code))


@lru_cache(maxsize=32)
def _transformer(source: CRS, target: CRS) -> Transformer:
    """The way from one system to another, x before y."""
    try:
        return Transformer.from_crs(source, target, always_xy=True)
    except ProjError as error:
        msg = f"there is no way from {crs_name(source)} to {crs_name(target)}. State another crs."
        raise CrsError(msg) from error


def transformed(geometry: gpd.GeoSeries, source: CRS, target: CRS) -> gpd.GeoSeries:
    """Geometries carried to another coordinate system, point by point."""
    if same_crs(source, target):
        return gpd.GeoSeries(geometry.to_numpy(), index=geometry.index, crs=target)
    way = _transformer(source, target)
    shapes = geometry.to_numpy()
    if (shapely.get_type_id(shapes) == shapely.GeometryType.POINT).all():
        moved = shapely.points(*_moved(way, shapely.get_x(shapes), shapely.get_y(shapes)))
    else:
        moved = shapely.transform(shapes, lambda xy: np.column_stack(_moved(way, *xy.T[:2])))
    return gpd.GeoSeries(moved, index=geometry.index, crs=target)


def _moved(way: Transformer, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coordinates carried over, always arrays: before numpy 2.4, pyproj makes numbers of a pair."""
    alone = len(x) == 1
    east, north = way.transform(x.item(), y.item()) if alone else way.transform(x, y)
    return np.atleast_1d(east), np.atleast_1d(north)


def note_missing_grids(source: CRS, target: CRS, *, lon: float, lat: float) -> str:
    """
    Sentence that is due where the best way between two datums needs a grid that is not installed.

    Parameters
    ----------
    lon, lat
        Middle of the stand [deg].
    """
    error = _missing_grid_error(source, target, round(lon, 1), round(lat, 1))
    if 0 <= error <= GRID_ERROR_MAX_M:
        return ""
    size = f"by up to {error:.0f} m" if error > 0 else "by an unknown distance"
    return (
        f"positions in {crs_name(source)} may be off {size}, since the grid between the datums is "
        "not installed. Give the file in the datum of the stand."
    )


@lru_cache(maxsize=32)
def _missing_grid_error(source: CRS, target: CRS, lon: float, lat: float) -> float:
    """Error that a missing grid leaves [m]: 0 where none is missing, negative where unknown."""
    if same_crs(source, target):
        return 0.0
    area = AreaOfInterest(lon - 0.1, lat - 0.1, lon + 0.1, lat + 0.1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # told in our own words
        ways = TransformerGroup(
            source,
            target,
            always_xy=True,
            area_of_interest=area,  # type: ignore[arg-type] # pyproj's own class, typed otherwise
        )
    if ways.best_available or not ways.transformers:
        return 0.0
    return float(ways.transformers[0].accuracy)


def middles(
    bounds: npt.NDArray[np.float64], crs: CRS
) -> tuple[list[tuple[float, float]], npt.NDArray[np.bool_]]:
    """
    Longitude and latitude of the middle of each stand [deg], and which lie far outside `crs`.

    `bounds` are west, south, east and north of each in `crs`, shape (n, 4); degrees are on WGS 84.
    """
    west, south, east, north = bounds.T
    lon, lat = _moved(_transformer(crs, WGS84), (west + east) / 2, (south + north) / 2)
    inside = np.isfinite(lon) & np.isfinite(lat)
    use = crs.area_of_use
    if use is not None:
        spread = (use.east - use.west) % 360 or 360.0
        past = np.where(inside, lon - use.west + AREA_OF_USE_MARGIN_DEG, 0.0) % 360
        inside &= past <= spread + 2 * AREA_OF_USE_MARGIN_DEG
        inside &= (lat >= use.south - AREA_OF_USE_MARGIN_DEG) & (
            lat <= use.north + AREA_OF_USE_MARGIN_DEG
        )
    return list(zip(lon.tolist(), lat.tolist(), strict=True)), ~inside
