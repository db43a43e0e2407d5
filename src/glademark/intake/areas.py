"""Areas: walked openings, exclusions, landings, hazards, marked ground, water and setbacks."""

from collections.abc import Hashable, Mapping
from dataclasses import replace
from itertools import count

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features, no_features
from glademark.contracts.survey import SETBACK_RULES
from glademark.contracts.terrain import Elevation, heights_at
from glademark.errors import counted, listed, quoted, shown
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, recognise
from glademark.intake.lines_and_outlines import (
    BOTH,
    QUARTER_SEGMENTS,
    SIDES,
    SLIVER_M2,
    bank_strips,
    sides_of,
    with_areas,
)
from glademark.intake.record_log import Reading, RecordLog, refuse_if_none_left, split_by_stand
from glademark.intake.site import Stands, polygonal
from glademark.project.model import Source, WaterSettings
from glademark.units import BASAL_AREA_M2_HA

HAZARD_WIDTH_M = 2.0
"""Of a point or line that states no distance [m]."""

LANDING_MAX_M = 5000.0
"""A landing or hazard farther from the stand belongs to another one [m]."""

UPHILL_M = 1.0
"""Rise of a stream that is beyond the error of terrain and line [m]."""

FLOW_STEP_M = 10.0
"""Distance at which heights along a stream are looked at [m]."""

WALKED_COLUMNS = ("group", "source_file", "record", "crosses_at")
AREA_COLUMNS = ("name",)
WATER_COLUMNS = (*AREA_COLUMNS, "side", "line")
HAZARD_COLUMNS = (*AREA_COLUMNS, "keep_away_m")
PATCH_COLUMNS = (*AREA_COLUMNS, "priority")
SETBACK_COLUMNS = ("name", "rule", "minimum_m2_ha")
_KINDS = {
    "record": "int64",
    "keep_away_m": "float64",
    "priority": "float64",
    "minimum_m2_ha": "float64",
    STAND: "int64",
}


_AREA = 2  # dimension of a polygon


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


def read_failing_patches(
    reading: Reading, source: Source, stands: Stands, log: RecordLog, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """Walked patches of failing trees, `PATCH_COLUMNS` (NaN: no priority), cut at the stand."""
    reading, fields = _brought(reading, source, stands, log, meanings.FAILING_PATCHES)
    priority, bad = fields.numbers("priority")
    _refuse(
        fields, bad | (priority <= 0), "the priority is no number above 0",
        "Correct it, or leave it blank.",
    )  # fmt: skip
    reading = with_areas(log.left(reading), log, gap_max_m=gap_max_m)
    reading, geometry = _in_stand(reading, stands, log)
    log.use(reading)
    return _frame({"name": fields.cells("name"), "priority": priority}, reading, geometry)


def read_landings(
    reading: Reading, source: Source, stands: Stands, log: RecordLog, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """Landings, `AREA_COLUMNS`, as given: wood is extracted to those outside the stand as well."""
    reading, fields = _brought(reading, source, stands, log, meanings.AREAS)
    reading = with_areas(reading, log, gap_max_m=gap_max_m)
    reading = _not_far(reading, stands, log)
    log.use(reading)
    return _frame({"name": fields.cells("name")}, reading, reading.shapes)


def _not_far(reading: Reading, stands: Stands, log: RecordLog) -> Reading:
    """Areas that lie near their stand, in it or not."""
    away = shapely.distance(reading.shapes.to_numpy(), stands.areas[reading.stand])
    far = pd.Series(away > LANDING_MAX_M, index=reading.index)  # NaN without a stand
    reading = stands.refuse_if_all_outside(reading, far, log)
    return log.reject(
        reading,
        far[reading.index],
        reason="it lies more than 5 km from the stand; correct it or leave it out",
        what="far from the stand",
    )


def read_hazards(
    reading: Reading, source: Source, stands: Stands, log: RecordLog
) -> gpd.GeoDataFrame:
    """Ground within the distance to keep from hazards, `HAZARD_COLUMNS`, as far as 5 km away."""
    reading, fields = _brought(reading, source, stands, log, meanings.HAZARDS)
    away, bad = fields.lengths("keep_away", unit=None, key="")
    _refuse(
        fields, bad | (away < 0), "the distance to keep cannot be read",
        "Correct keep_away_m or keep_away_ft, or leave it blank.",
    )  # fmt: skip
    drawn = away.fillna(0.0).where(_dimension(reading) == _AREA, away.fillna(HAZARD_WIDTH_M / 2))
    reading = _widened(log.left(reading), drawn > 0, drawn)
    reading = with_areas(reading, log, gap_max_m=0.0)
    reading = _not_far(reading, stands, log)
    log.use(reading)
    return _frame({"name": fields.cells("name"), "keep_away_m": away}, reading, reading.shapes)


def read_walked(
    reading: Reading,
    source: Source,
    stands: Stands,
    log: RecordLog,
    *,
    gap_max_m: float,
    keep_crossing: bool = True,
) -> gpd.GeoDataFrame:
    """
    Walked perimeters of openings, `WALKED_COLUMNS`, as walked: not cut at the stand.

    One that crosses itself is kept, with the place, or else its stand is refused.
    """
    reading, fields = _brought(reading, source, stands, log, meanings.WALKED)
    crosses_at: dict[Hashable, str] = {}
    reading = with_areas(
        reading, log, gap_max_m=gap_max_m, crosses_at=crosses_at if keep_crossing else None
    )
    reading, _ = _in_stand(reading, stands, log)
    log.use(reading)
    columns = {
        "group": fields.names("group"),
        "source_file": pd.Series(reading.file.name, index=reading.index, dtype="str"),
        "record": reading.record,
        "crosses_at": pd.Series(crosses_at, dtype="str").reindex(reading.index, fill_value=""),
    }
    return _frame(columns, reading, reading.shapes)


def named_outlines(walked: gpd.GeoDataFrame, log: RecordLog) -> gpd.GeoDataFrame:
    """Walked perimeters of all files, W1, W2 and so on in each stand where they have no name."""
    groups = walked["group"].astype("object").copy()
    for stand, rows in walked.groupby(STAND).groups.items():
        taken = set(groups[rows].str.strip().str.casefold())
        free = (f"W{number}" for number in count(1) if f"w{number}" not in taken)
        groups[rows] = [name or next(free) for name in groups[rows]]
        twice = groups[rows][groups[rows].str.strip().str.casefold().duplicated()]
        for name in twice.unique():
            log.notice(
                f"[inputs] openings: more than one outline is called {shown(name)}; only the first "
                "is used. Give each group a name of its own.",
                stand=int(str(stand)),
            )
    walked = walked.assign(group=groups.astype("str"))
    _note_crossing(walked, log)
    return walked


def _note_crossing(walked: gpd.GeoDataFrame, log: RecordLog) -> None:
    """Say so where a walked outline crosses itself: its area is not known."""
    names = [STAND, "source_file", "group", "crosses_at"]
    for stand, file, group, place in walked[names].itertuples(index=False):
        if place:
            log.notice(
                f"{file}: group {shown(group)} crosses itself at {place}; its area is not known "
                "and its limits are not checked. Correct the outline at that place.",
                stand=int(stand),
            )


def read_water(
    reading: Reading, source: Source, stands: Stands, settings: WaterSettings, log: RecordLog
) -> gpd.GeoDataFrame:
    """
    Open water out to its banks, `WATER_COLUMNS`; that beyond the boundary counts for distances.

    A stand with a line without a width is refused, since distances are measured from the bank.
    """
    reading, fields = _brought(reading, source, stands, log, meanings.WATER)
    sides = _sides(fields).replace("", settings.side)
    widths, bad = fields.lengths("width", unit=None, key="")
    bad |= widths <= 0
    widths = widths.fillna(np.nan if settings.width_m is None else settings.width_m)
    lines = _dimension(reading) == 1
    mend = (
        "Give it a column width_m or width_ft, or state [water] width: distances are measured "
        "from the bank."
    )
    _refuse(fields, lines & (bad | widths.isna()), "the line has no width that can be used", mend)
    drawn = reading.shapes.where(lines, None)
    reading = _widened(log.left(reading), lines, widths / 2)
    reading = with_areas(reading, log, gap_max_m=0.0)
    log.use(reading)
    columns = {"name": fields.cells("name"), "side": sides, "line": drawn.astype(object)}
    return _frame(columns, reading, reading.shapes)


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
    sides = _sides(fields).where(lines, "")
    _refuse(
        fields, lines & (bad | ~(distances > 0)), "the line has no distance that can be used",
        "Give it a column distance_m or distance_ft, or draw the strip as a polygon.",
    )  # fmt: skip
    drawn = reading.shapes.where(lines, None)
    reading = _widened(log.left(reading), lines, distances)
    reading = with_areas(reading, log, gap_max_m=0.0)
    reading, geometry = _in_stand(reading, stands, log)
    log.use(reading)
    columns = {"name": fields.cells("name"), "rule": rules, "minimum_m2_ha": minimum}
    columns |= {"side": sides, "line": drawn.astype(object), "strip": reading.shapes}
    _note_two_sides(rules, sides, drawn, reading, geometry, log)
    return _sides_apart(_frame(columns, reading, geometry))


def _sides(fields: Fields) -> pd.Series:
    """Sides of lines that have a strip; empty where nothing is said."""
    sides = fields.cells("side").str.casefold()
    _refuse(
        fields, ~sides.isin(["", *SIDES]), "the side is unknown",
        f"Expected {', '.join(SIDES)}, looking downstream along the line.",
    )  # fmt: skip
    return sides


def _sides_apart(setbacks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Setbacks of lines that name a side: those sides only, each a row of its own."""
    tables = [setbacks[setbacks["side"] == ""]]
    columns = ("name", "side", "line", "strip", "geometry")
    one_side = setbacks[setbacks["side"] != ""]
    rows = (one_side[name].to_numpy(dtype=object) for name in columns)
    for at, name, side, line, strip, shape in zip(one_side.index, *rows, strict=True):
        halves = sides_of(strip, [line], wanted=side)
        names = [f"{name}, {bank}" if name else bank for bank, _ in halves]
        shapes = shapely.intersection([half for _, half in halves], shape)
        part = setbacks.loc[[at] * len(halves)].assign(name=names)
        part = part.set_geometry(gpd.GeoSeries(polygonal(shapes), part.index, crs=setbacks.crs))
        tables.append(part[part.area > SLIVER_M2])
    every = pd.concat([table for table in tables if len(table)] or tables[:1]).sort_index()
    return every[[*SETBACK_COLUMNS, STAND, "geometry"]].reset_index(drop=True)


def _note_two_sides(
    rules: pd.Series,
    sides: pd.Series,
    drawn: gpd.GeoSeries,
    reading: Reading,
    geometry: gpd.GeoSeries,
    log: RecordLog,
) -> None:
    """Say so where a line in the middle of the stand has one strip for both of its sides."""
    chosen = (rules == "residual_basal_area") & (sides == "")
    lines = np.array(drawn[reading.index], dtype=object)
    lines[~chosen[reading.index].to_numpy(dtype=bool)] = None
    inside = [
        line is not None
        and len(
            [
                1
                for _, half in sides_of(strip, [line], wanted=BOTH)
                if shapely.area(shapely.intersection(half, part)) > SLIVER_M2
            ]
        )
        > 1
        for line, strip, part in zip(lines, reading.shapes, geometry, strict=True)
    ]
    for stand, places in reading.split(np.array(inside, dtype=bool)):
        names = listed(reading.called(places))
        log.notice(
            f"{reading.file.name}: one strip on both sides of the line is judged as a whole "
            f"({names}). Give a column 'side' that says both to judge each bank for itself.",
            stand=stand,
        )


def water_setbacks(
    water: gpd.GeoDataFrame, stands: Stands, settings: WaterSettings
) -> gpd.GeoDataFrame:
    """Strips along the banks that ``[water] setback`` asks for, one a body of water and bank."""
    strips: list[tuple[int, str, shapely.Geometry]] = []
    if settings.setback_m is not None and len(water):
        for stand, places in split_by_stand(water[STAND].to_numpy(), np.arange(len(water))):
            area = stands.areas[stand]
            if area is not None:
                found = bank_strips(water.iloc[places], stand=area, distance_m=settings.setback_m)
                strips += [(stand, name, ground) for name, ground in found]
    if not strips:
        return no_areas(stands.crs, SETBACK_COLUMNS)
    minimum = settings.setback_minimum_m2_ha
    rows = {
        "name": [name for _, name, _ in strips],
        "rule": settings.setback_rule,
        "minimum_m2_ha": np.nan if minimum is None else minimum,
        STAND: np.array([stand for stand, *_ in strips], dtype=np.int64),
    }
    shapes = np.array([ground for *_, ground in strips], dtype=object)
    return features(pd.DataFrame(rows), shapes, crs=stands.crs)


def note_uphill(
    water: gpd.GeoDataFrame, elevation: Mapping[int, Elevation], log: RecordLog
) -> None:
    """Say so where a stream is drawn uphill, so that its banks are taken the wrong way round."""
    for stand, name, line in zip(water[STAND], water["name"], water["line"], strict=True):
        if line is None or stand not in elevation:
            continue
        corners = shapely.get_coordinates(shapely.segmentize(line, FLOW_STEP_M))
        heights = heights_at(elevation[stand], *corners.T)
        known = heights[np.isfinite(heights)]
        if len(known) and known[-1] - known[0] > UPHILL_M:
            log.notice(
                f"water {shown(name) or 'without a name'}: by the terrain its line rises by "
                f"{known[-1] - known[0]:.1f} m in the direction in which it is drawn. Left and "
                "right bank are taken looking along the line: turn it round, or check the terrain.",
                stand=int(stand),
            )


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
