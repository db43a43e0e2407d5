"""Areas: walked openings, exclusions, landings, marked ground, water and setbacks."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.contracts.frames import features, no_features
from glademark.contracts.survey import SETBACK_RULES
from glademark.errors import FileError
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.match import recognise
from glademark.intake.outlines import with_areas
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading
from glademark.intake.site import Ground
from glademark.intake.wording import counted, listed, quoted, shown
from glademark.project.model import Source, WaterSettings
from glademark.units import BASAL_AREA_M2_HA

QUARTER_SEGMENTS = 16
"""Segments a quarter circle where a line is widened, as for corridors."""

LANDING_MAX_M = 5000.0
"""A landing farther from the stand belongs to another one [m]."""

WALKED_COLUMNS = ("group", "source_file", "record")
AREA_COLUMNS = ("name",)
SETBACK_COLUMNS = ("name", "rule", "minimum_m2_ha")
_KINDS = {"record": "int64", "minimum_m2_ha": "float64"}


def no_areas(ground: Ground, names: tuple[str, ...]) -> gpd.GeoDataFrame:
    """
    Areas of an input that was not given.

    Parameters
    ----------
    ground
        The stand.
    names
        Columns.

    Returns
    -------
    areas
        No rows.
    """
    return no_features(names, _KINDS, crs=ground.crs)


def read_areas(
    reading: Reading, source: Source, ground: Ground, ledger: Ledger, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """
    Exclusions or marked ground, cut at the stand.

    Parameters
    ----------
    reading
        Polygons, or closed lines.
    source
        As the project file states it.
    ground
        The stand.
    ledger
        Takes polygons outside the stand.
    gap_max_m
        Gap between the ends of a walked line that is still closed [m].

    Returns
    -------
    areas
        `AREA_COLUMNS` and Polygon or MultiPolygon in the working CRS.

    Raises
    ------
    FileError
        If there are points or open lines, or all areas are outside.
    """
    reading, fields = _brought(reading, source, ground, ledger, meanings.AREAS)
    reading = with_areas(reading, ledger, gap_max_m=gap_max_m)
    reading, geometry = _in_stand(reading, ground, ledger)
    ledger.use(reading)
    names = fields.cells("name")[reading.rows.index]
    return features({"name": names}, geometry, crs=ground.crs).reset_index(drop=True)


def read_landings(
    reading: Reading, source: Source, ground: Ground, ledger: Ledger, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """
    Landings as given: wood is extracted to those outside the stand as well.

    Parameters
    ----------
    reading
        Polygons, or closed lines.
    source
        As the project file states it.
    ground
        The stand.
    ledger
        Takes landings that are farther than `LANDING_MAX_M` from the stand.
    gap_max_m
        Gap between the ends of a walked line that is still closed [m].

    Returns
    -------
    sites
        `AREA_COLUMNS` and Polygon or MultiPolygon in the working CRS, not cut at the stand.

    Raises
    ------
    FileError
        If there are points or open lines, or all landings are too far away.
    """
    reading, fields = _brought(reading, source, ground, ledger, meanings.AREAS)
    reading = with_areas(reading, ledger, gap_max_m=gap_max_m)
    away = shapely.distance(reading.shapes.to_numpy(), ground.stand)  # NaN without a stand
    far = pd.Series(away > LANDING_MAX_M, index=reading.rows.index)
    if far.all():
        ground.refuse_if_most_outside(reading, far)
    reading = ledger.reject(
        reading,
        far,
        reason="it lies more than 5 km from the stand; correct it or leave it out",
        what="far from the stand",
    )
    ledger.use(reading)
    names = fields.cells("name")[reading.rows.index]
    return features({"name": names}, reading.shapes, crs=ground.crs).reset_index(drop=True)


def cut_at_stand(areas: gpd.GeoDataFrame, ground: Ground) -> gpd.GeoDataFrame:
    """
    The parts of areas that lie in the stand.

    Parameters
    ----------
    areas
        Polygon rows in the working CRS.
    ground
        The stand.

    Returns
    -------
    areas
        Without those that have no part in it, on an index 0..n-1.
    """
    cut = areas.set_geometry(ground.clipped(areas.geometry))
    return cut[cut.area > 0].reset_index(drop=True)


def read_walked(
    reading: Reading, source: Source, ground: Ground, ledger: Ledger, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """
    Walked perimeters of openings, as walked.

    Parameters
    ----------
    reading
        Polygons, or lines that come back to their start.
    source
        As the project file states it.
    ground
        The stand.
    ledger
        Takes perimeters outside the stand.
    gap_max_m
        Gap between the ends of a walked line that is still closed [m].

    Returns
    -------
    walked
        `WALKED_COLUMNS` and Polygon or MultiPolygon in the working CRS, not cut at the stand.

    Raises
    ------
    FileError
        If there are points or open lines, or all perimeters are outside.
    """
    reading, fields = _brought(reading, source, ground, ledger, meanings.WALKED)
    reading = with_areas(reading, ledger, gap_max_m=gap_max_m)
    reading, _ = _in_stand(reading, ground, ledger)
    ledger.use(reading)
    groups = fields.names("group")[reading.rows.index].astype("object")
    blank = groups == ""
    groups[blank] = [f"W{number}" for number in range(1, int(blank.sum()) + 1)]
    frame = gpd.GeoDataFrame(
        {"group": groups.astype("str"), "source_file": reading.file.name, "record": reading.record},
        geometry=reading.shapes,
        crs=ground.crs,
    )
    return frame.reset_index(drop=True)


def read_water(
    reading: Reading, source: Source, ground: Ground, settings: WaterSettings, ledger: Ledger
) -> gpd.GeoDataFrame:
    """
    Open water out to its banks; water beyond the boundary counts for distances and is kept.

    Parameters
    ----------
    reading
        Polygons, or centre lines with a width.
    source
        As the project file states it.
    ground
        The stand.
    settings
        Width where a line has none of its own.
    ledger
        For notices.

    Returns
    -------
    water
        `AREA_COLUMNS` and Polygon or MultiPolygon in the working CRS.

    Raises
    ------
    FileError
        If a line has no width, since distances are measured from the bank.
    """
    reading, fields = _brought(reading, source, ground, ledger, meanings.WATER)
    widths, bad = fields.lengths("width", unit=None, key="")
    bad |= widths <= 0
    widths = widths.fillna(np.nan if settings.width_m is None else settings.width_m)
    lines = _dimension(reading) == 1
    mend = (
        "Give it a column width_m or width_ft, or state [water] width: distances are measured "
        "from the bank."
    )
    _refuse(reading, lines & (bad | widths.isna()), "the line has no width that can be used", mend)
    reading = _widened(reading, lines, widths / 2)
    reading = with_areas(reading, ledger, gap_max_m=0.0)
    ledger.use(reading)
    names = fields.cells("name")[reading.rows.index]
    return features({"name": names}, reading.shapes, crs=ground.crs).reset_index(drop=True)


def read_setbacks(
    reading: Reading, source: Source, ground: Ground, ledger: Ledger
) -> gpd.GeoDataFrame:
    """
    Strips with a rule of their own, cut at the stand.

    Parameters
    ----------
    reading
        Polygons, or lines with a distance; each with its rule.
    source
        As the project file states it.
    ground
        The stand.
    ledger
        Takes strips outside the stand.

    Returns
    -------
    setbacks
        `SETBACK_COLUMNS` and Polygon or MultiPolygon in the working CRS.

    Raises
    ------
    FileError
        If a rule is unknown, a line has no distance, or a residual basal area no minimum.
    """
    reading, fields = _brought(reading, source, ground, ledger, meanings.SETBACKS)
    rules = fields.cells("rule").str.casefold().str.replace(r"[\s_-]+", "_", regex=True)
    rules = rules.replace("no_cutting", "no_cut").replace("no_machines", "no_machine")
    _refuse(
        reading, ~rules.isin(SETBACK_RULES), "the rule is missing or unknown",
        f"Give a column 'rule' that says one of {', '.join(SETBACK_RULES)}.",
    )  # fmt: skip
    minimum = _minimum(fields, rules)
    distances, bad = fields.lengths("distance", unit=None, key="")
    lines = _dimension(reading) == 1
    _refuse(
        reading, lines & (bad | ~(distances > 0)), "the line has no distance that can be used",
        "Give it a column distance_m or distance_ft, or draw the strip as a polygon.",
    )  # fmt: skip
    reading = with_areas(_widened(reading, lines, distances), ledger, gap_max_m=0.0)
    reading, geometry = _in_stand(reading, ground, ledger)
    ledger.use(reading)
    frame = pd.DataFrame({"name": fields.cells("name"), "rule": rules, "minimum_m2_ha": minimum})
    kept = frame.loc[reading.rows.index]
    return features(kept, geometry, crs=ground.crs).reset_index(drop=True)


def water_setbacks(
    water: gpd.GeoDataFrame, ground: Ground, settings: WaterSettings
) -> gpd.GeoDataFrame:
    """
    The strip along the banks that ``[water] setback`` asks for.

    Parameters
    ----------
    water
        Open water out to its banks.
    ground
        The stand.
    settings
        Width of the strip and its rule.

    Returns
    -------
    setbacks
        One row for all banks, or none where no part of the strip lies in the stand.
    """
    none = no_areas(ground, SETBACK_COLUMNS)
    if settings.setback_m is None or water.empty:
        return none
    banks = shapely.union_all(water.geometry.to_numpy())
    strip = shapely.difference(
        shapely.buffer(banks, settings.setback_m, quad_segs=QUARTER_SEGMENTS), banks
    )
    inside = ground.clipped(gpd.GeoSeries([strip], crs=ground.crs))
    if not inside.area.iloc[0] > 0:
        return none
    minimum = settings.setback_minimum_m2_ha
    row = {
        "name": ["along water"],
        "rule": [settings.setback_rule],
        "minimum_m2_ha": [np.nan if minimum is None else minimum],
    }
    return features(row, inside, crs=ground.crs)


def _brought(
    reading: Reading,
    source: Source,
    ground: Ground,
    ledger: Ledger,
    wanted: tuple[meanings.Meaning, ...],
) -> tuple[Reading, Fields]:
    """Records in the working CRS, known by their names, and their fields."""
    reading = ground.bring(reading, source, ledger)
    if not len(reading.rows):
        msg = (
            f"{reading.file.name}: no feature in it can be used. Draw it again, or leave the "
            "input out."
        )
        raise FileError(msg)
    found = recognise(list(reading.rows.columns), wanted, where=reading.file.name)
    fields = Fields(reading=reading, found=found)
    reading = replace(reading, ids=fields.cells(wanted[0].name))
    return reading, Fields(reading=reading, found=found)


def _dimension(reading: Reading) -> pd.Series:
    """0 for points, 1 for lines, 2 for areas."""
    return pd.Series(shapely.get_dimensions(reading.shapes.to_numpy()), index=reading.rows.index)


def _refuse(reading: Reading, bad: pd.Series, what: str, mend: str) -> None:
    """Refuse a file some of whose records cannot be left out without harm."""
    if bad.any():
        more = counted(int(bad.sum()), "record")
        names = listed(reading.called(bad))
        msg = f"{reading.file.name}, {reading.place(bad)}: {what} ({more}: {names}). {mend}"
        raise FileError(msg)


def _widened(reading: Reading, lines: pd.Series, metres: pd.Series) -> Reading:
    """Lines as the ground within some distance of them."""
    if not lines.any():
        return reading
    shapes = reading.shapes.to_numpy().copy()
    wanted = lines.to_numpy()
    shapes[wanted] = shapely.buffer(
        shapes[wanted], metres[lines].to_numpy(), quad_segs=QUARTER_SEGMENTS
    )
    geometry = gpd.GeoSeries(shapes, index=reading.rows.index, crs=reading.shapes.crs)
    return replace(reading, geometry=geometry)


def _in_stand(reading: Reading, ground: Ground, ledger: Ledger) -> tuple[Reading, gpd.GeoSeries]:
    """Areas that have a part in the stand, and those parts."""
    clipped = ground.clipped(reading.shapes)
    outside = ~(clipped.area > 0)
    if outside.all():
        ground.refuse_if_most_outside(reading, outside)
    reading = ledger.reject(
        reading,
        outside,
        reason="it lies outside the stand; correct it or leave it out",
        what="outside the stand",
    )
    return reading, gpd.GeoSeries(clipped[reading.rows.index], crs=ground.crs)


def _minimum(fields: Fields, rules: pd.Series) -> pd.Series:
    """Least basal area to be left [m2/ha]."""
    values, bad = fields.numbers("minimum")
    asked = rules == "residual_basal_area"
    unit = fields.found.unit.get("minimum", "")
    if values.notna().any() and not unit:
        header = shown(fields.found.header["minimum"])
        msg = (
            f"{fields.reading.file.name}: the column '{header}' does not say its unit. "
            f"Call it {quoted(['minimum_m2_ha', 'minimum_ft2_ac'])} as fits."
        )
        raise FileError(msg)
    _refuse(
        fields.reading, asked & (bad | ~(values > 0)), "the residual basal area has no minimum",
        "Give it in a column minimum_m2_ha or minimum_ft2_ac.",
    )  # fmt: skip
    return values * BASAL_AREA_M2_HA.get(unit, 1.0)
