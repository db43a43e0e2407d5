"""Areas: walked openings, exclusions, landings, marked ground, water and setbacks."""

from collections.abc import Mapping
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features, no_features
from glademark.contracts.survey import SETBACK_RULES
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.match import recognise
from glademark.intake.outlines import with_areas
from glademark.intake.record_log import RecordLog, refuse_if_none_left
from glademark.intake.records import Reading
from glademark.intake.site import Stands
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
_KINDS = {"record": "int64", "minimum_m2_ha": "float64", STAND: "int64"}


def no_areas(crs: CRS, names: tuple[str, ...]) -> gpd.GeoDataFrame:
    """Areas of an input that was not given."""
    return no_features((*names, STAND), _KINDS, crs=crs)


def read_areas(
    reading: Reading, source: Source, stands: Stands, log: RecordLog, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """
    Exclusions or marked ground, `AREA_COLUMNS`, cut at the stand.

    `gap_max_m` is the gap between the ends of a walked line that is still closed, here and below. A
    stand with points or open lines, or with all areas outside, is refused.
    """
    reading, fields = _brought(reading, source, stands, log, meanings.AREAS)
    reading = with_areas(reading, log, gap_max_m=gap_max_m)
    reading, geometry = _in_stand(reading, stands, log)
    log.use(reading)
    return _frame({"name": fields.cells("name")}, reading, geometry)


def read_landings(
    reading: Reading, source: Source, stands: Stands, log: RecordLog, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """Landings, `AREA_COLUMNS`, as given: wood is extracted to those outside the stand as well."""
    reading, fields = _brought(reading, source, stands, log, meanings.AREAS)
    reading = with_areas(reading, log, gap_max_m=gap_max_m)
    away = shapely.distance(reading.shapes.to_numpy(), stands.areas[reading.stand])
    far = pd.Series(away > LANDING_MAX_M, index=reading.index)  # NaN without a stand
    reading = stands.refuse_if_all_outside(reading, far, log)
    reading = log.reject(
        reading,
        far[reading.index],
        reason="it lies more than 5 km from the stand; correct it or leave it out",
        what="far from the stand",
    )
    log.use(reading)
    return _frame({"name": fields.cells("name")}, reading, reading.shapes)


def cut_at_stand(areas: gpd.GeoDataFrame, stands: Stands) -> gpd.GeoDataFrame:
    """The parts of areas that lie in their stand, without those that have none."""
    cut = areas.set_geometry(stands.clipped(areas.geometry, areas[STAND].to_numpy()))
    return cut[cut.area > 0].reset_index(drop=True)


def read_walked(
    reading: Reading, source: Source, stands: Stands, log: RecordLog, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """Walked perimeters of openings, `WALKED_COLUMNS`, as walked: not cut at the stand."""
    reading, fields = _brought(reading, source, stands, log, meanings.WALKED)
    reading = with_areas(reading, log, gap_max_m=gap_max_m)
    reading, _ = _in_stand(reading, stands, log)
    log.use(reading)
    groups = fields.names("group")[reading.index].astype("object")
    for _, places in reading.split(groups == ""):
        groups.iloc[places] = [f"W{number}" for number in range(1, len(places) + 1)]
    columns = {
        "group": groups.astype("str"),
        "source_file": pd.Series(reading.file.name, index=reading.index, dtype="str"),
        "record": reading.record,
    }
    return _frame(columns, reading, reading.shapes)


def read_water(
    reading: Reading, source: Source, stands: Stands, settings: WaterSettings, log: RecordLog
) -> gpd.GeoDataFrame:
    """
    Open water out to its banks, `AREA_COLUMNS`; that beyond the boundary counts for distances.

    A stand with a line without a width is refused, since distances are measured from the bank.
    """
    reading, fields = _brought(reading, source, stands, log, meanings.WATER)
    widths, bad = fields.lengths("width", unit=None, key="")
    bad |= widths <= 0
    widths = widths.fillna(np.nan if settings.width_m is None else settings.width_m)
    lines = _dimension(reading) == 1
    mend = (
        "Give it a column width_m or width_ft, or state [water] width: distances are measured "
        "from the bank."
    )
    _refuse(fields, lines & (bad | widths.isna()), "the line has no width that can be used", mend)
    reading = _widened(log.left(reading), lines, widths / 2)
    reading = with_areas(reading, log, gap_max_m=0.0)
    log.use(reading)
    return _frame({"name": fields.cells("name")}, reading, reading.shapes)


def read_setbacks(
    reading: Reading, source: Source, stands: Stands, log: RecordLog
) -> gpd.GeoDataFrame:
    """
    Strips with a rule of their own, `SETBACK_COLUMNS`, cut at the stand.

    A stand is refused where a rule is unknown, a line has no distance, or a residual basal area no
    minimum.
    """
    reading, fields = _brought(reading, source, stands, log, meanings.SETBACKS)
    rules = fields.cells("rule").str.casefold().str.replace(r"[\s_-]+", "_", regex=True)
    rules = rules.replace("no_cutting", "no_cut").replace("no_machines", "no_machine")
    _refuse(
        fields, ~rules.isin(SETBACK_RULES), "the rule is missing or unknown",
        f"Give a column 'rule' that says one of {', '.join(SETBACK_RULES)}.",
    )  # fmt: skip
    minimum = _minimum(fields, rules)
    distances, bad = fields.lengths("distance", unit=None, key="")
    lines = _dimension(reading) == 1
    _refuse(
        fields, lines & (bad | ~(distances > 0)), "the line has no distance that can be used",
        "Give it a column distance_m or distance_ft, or draw the strip as a polygon.",
    )  # fmt: skip
    reading = _widened(log.left(reading), lines, distances)
    reading = with_areas(reading, log, gap_max_m=0.0)
    reading, geometry = _in_stand(reading, stands, log)
    log.use(reading)
    columns = {"name": fields.cells("name"), "rule": rules, "minimum_m2_ha": minimum}
    return _frame(columns, reading, geometry)


def water_setbacks(
    water: gpd.GeoDataFrame, stands: Stands, settings: WaterSettings
) -> gpd.GeoDataFrame:
    """
    The strip along the banks that ``[water] setback`` asks for.

    One row for all banks of a stand, or none where no part of the strip lies in it.
    """
    if settings.setback_m is None or water.empty:
        return no_areas(stands.crs, SETBACK_COLUMNS)
    numbers, strips = [], []
    for stand, banks_of_stand in water.geometry.groupby(water[STAND]):
        banks = shapely.union_all(np.asarray(banks_of_stand))
        near = shapely.buffer(banks, settings.setback_m, quad_segs=QUARTER_SEGMENTS)
        numbers.append(stand)
        strips.append(shapely.difference(near, banks))
    stand_of = np.array(numbers, dtype=np.int64)
    inside = stands.clipped(gpd.GeoSeries(strips, crs=stands.crs), stand_of)
    some = (inside.area > 0).to_numpy()
    if not some.any():
        return no_areas(stands.crs, SETBACK_COLUMNS)
    minimum = settings.setback_minimum_m2_ha
    row = {
        "name": ["along water"] * int(some.sum()),
        "rule": settings.setback_rule,
        "minimum_m2_ha": np.nan if minimum is None else minimum,
        STAND: stand_of[some],
    }
    return features(pd.DataFrame(row), inside.array[some], crs=stands.crs)


def _frame(
    columns: Mapping[str, pd.Series], reading: Reading, shapes: gpd.GeoSeries
) -> gpd.GeoDataFrame:
    """Columns and shapes of the records in use, with the number of their stand."""
    kept = {name: column[reading.index] for name, column in columns.items()}
    kept[STAND] = pd.Series(reading.stand, index=reading.index, dtype="int64")
    return features(kept, shapes.array, crs=shapes.crs).reset_index(drop=True)


def _brought(
    reading: Reading,
    source: Source,
    stands: Stands,
    log: RecordLog,
    wanted: tuple[meanings.Meaning, ...],
) -> tuple[Reading, Fields]:
    """Records in the working CRS, known by their names, and their fields."""
    reading = stands.bring(reading, source, log)
    reading = refuse_if_none_left(
        reading,
        log,
        f"{reading.file.name}: no feature in it can be used. Draw it again, or leave the "
        "input out.",
    )
    found = recognise(reading.headers, wanted, where=reading.file.name)
    ids = Fields(reading=reading, found=found, log=log).cells(wanted[0].name)
    reading = replace(reading, ids=ids)
    return reading, Fields(reading=reading, found=found, log=log)


def _dimension(reading: Reading) -> pd.Series:
    """0 for points, 1 for lines, 2 for areas."""
    return pd.Series(shapely.get_dimensions(reading.shapes.to_numpy()), index=reading.index)


def _refuse(fields: Fields, bad: pd.Series, what: str, mend: str) -> None:
    """Refuse stands some of whose records cannot be left out without harm."""
    reading = fields.reading
    faults = (
        (
            stand,
            (
                f"{reading.file.name}, {reading.at(int(places[0]))}: {what} "
                f"({counted(len(places), 'record')}: {listed(reading.called(places))}). {mend}"
            ),
        )
        for stand, places in reading.split(bad)
    )
    fields.log.refuse(reading, faults)


def _widened(reading: Reading, lines: pd.Series, metres: pd.Series) -> Reading:
    """Lines as the ground within some distance of them."""
    lines, metres = lines[reading.index], metres[reading.index]
    if not lines.any():
        return reading
    shapes = reading.shapes.to_numpy().copy()
    wanted = lines.to_numpy()
    shapes[wanted] = shapely.buffer(
        shapes[wanted], metres[lines].to_numpy(), quad_segs=QUARTER_SEGMENTS
    )
    geometry = gpd.GeoSeries(shapes, index=reading.index, crs=reading.shapes.crs)
    return replace(reading, geometry=geometry)


def _in_stand(reading: Reading, stands: Stands, log: RecordLog) -> tuple[Reading, gpd.GeoSeries]:
    """Areas that have a part in their stand, and those parts."""
    clipped = stands.clipped(reading.shapes, reading.stand)
    outside = ~(clipped.area > 0)
    reading = stands.refuse_if_all_outside(reading, outside, log)
    reading = log.reject(
        reading,
        outside[reading.index],
        reason="it lies outside the stand; correct it or leave it out",
        what="outside the stand",
    )
    return reading, gpd.GeoSeries(clipped[reading.index], crs=stands.crs)


def _minimum(fields: Fields, rules: pd.Series) -> pd.Series:
    """Least basal area to be left [m2/ha]."""
    values, bad = fields.numbers("minimum")
    asked = rules == "residual_basal_area"
    unit = fields.found.unit.get("minimum", "")
    if values.notna().any() and not unit:
        header = shown(fields.found.header["minimum"])
        text = (
            f"{fields.reading.file.name}: the column '{header}' does not say its unit. "
            f"Call it {quoted(['minimum_m2_ha', 'minimum_ft2_ac'])} as fits."
        )
        fields.refuse(values.notna(), text)
    _refuse(
        fields, asked & (bad | ~(values > 0)), "the residual basal area has no minimum",
        "Give it in a column minimum_m2_ha or minimum_ft2_ac.",
    )  # fmt: skip
    return values * BASAL_AREA_M2_HA.get(unit, 1.0)
