"""
Cruise plots and the trees counted on them; a plot without trees is a row without a tree.

Trees that were only counted, one number a plot, give basal area at points and nothing else.
"""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features, no_features, no_rows
from glademark.contracts.survey import DBH_FLAGS
from glademark.errors import FileError, counted, listed, quoted, shown
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, Found, recognise, yes_or_no
from glademark.intake.columns.mark_fields import sizes
from glademark.intake.columns.positions import with_points
from glademark.intake.columns.tree_sizes import LOGS, diameters, logs_of, note_flagged, shares, wood
from glademark.intake.record_log import Reading, RecordLog, text_of
from glademark.intake.site import Stands
from glademark.project.model import Project, Source
from glademark.units import AREA_M2, BASAL_AREA_M2_HA

PLOT_COLUMNS = ("plot", "stratum", "weight", "baf_m2_ha", "plot_area_m2")
TREE_COLUMNS = (
    "plot", "species", "product", "dbh", "dbh_unit", "dbh_cm", "count", "times", "height_m",
    "crown_radius_m", "live_crown_ratio", "volume", "volume_unit", "defect_share", "cull",
    "source_file", "record",
)  # fmt: skip
_REAL = (
    "weight", "baf_m2_ha", "plot_area_m2", "dbh", "dbh_cm", "height_m", "volume", "crown_radius_m",
    "live_crown_ratio",
)  # fmt: skip
_KINDS = dict.fromkeys((*_REAL, "defect_share"), "float64") | {
    "count": "int64", "times": "int64", "record": "int64", "cull": "bool", STAND: "int64",
}  # fmt: skip
_NO_TREE = frozenset({"none", "no tree", "no trees", "nil", "empty", "-"})

IS_MARKED = "is_marked"
"""Column of trees on plots that is there only where a cruise says which of them are marked."""

Cruise = tuple[gpd.GeoDataFrame, pd.DataFrame]


def no_cruise(crs: CRS) -> Cruise:
    """Plots and trees of a project without a cruise."""
    plots = no_features((*PLOT_COLUMNS, STAND), _KINDS, crs=crs)
    return plots, no_rows((*TREE_COLUMNS, STAND), _KINDS)


def read_cruise(
    reading: Reading, source: Source, stands: Stands, project: Project, log: RecordLog
) -> Cruise:
    """
    Plots in their stand and the trees counted on them, as in `contracts.survey.Survey`.

    There is one row a tree, or one a plot with the number of trees counted; a plot without trees is
    a row with neither species nor diameter (or one of 0), and no count or 0. A plot outside the
    stand is rejected with its trees, one without position is kept. A stand is refused where a plot
    has neither or both of factor and area, or says two different things of itself.
    """
    name = reading.file.name
    found = recognise(reading.headers, meanings.CRUISE, where=name)
    if "plot" not in found.header:
        msg = (
            f"{name}: a cruise needs a column 'plot'; the columns are {quoted(reading.headers)}. "
            "Add it."
        )
        raise FileError(msg)
    ids = Fields(reading=reading, found=found, log=log).names("plot")
    reading = replace(reading, ids=ids)
    reading = log.reject(
        reading, ids == "", reason="it names no plot; fill the cell", what="of no plot"
    )
    reading = _inside(with_places(reading, found, source, stands, log), stands, project, log)
    fields = Fields(reading=reading, found=found, log=log)
    trees, reasons = _trees(fields, project)
    size, bad_size = _sizes(fields)
    reading = log.left(reading)
    reasons = {**reasons, "with an impossible factor, area or weight": bad_size}
    for what, all_reasons in reasons.items():
        reason = all_reasons[reading.index]
        reading = log.reject(reading, reason != "", reason=reason, what=what)
    reading, plots = _plots(reading, size.loc[reading.index], stands, log)
    log.use(reading)
    is_tree = trees["is_tree"][reading.index]
    trees = trees.loc[reading.index][is_tree]
    on_plots = replace(fields, reading=reading.only(is_tree))
    note_flagged(on_plots, trees["dbh_flag"], noun="tree on plots")
    columns = [*TREE_COLUMNS, *(name for name in (LOGS, IS_MARKED) if name in trees), STAND]
    return plots, trees[columns].reset_index(drop=True)


def with_places(
    reading: Reading, found: Found, source: Source, stands: Stands, log: RecordLog
) -> Reading:
    """Rows with their positions, where the file has any; one row of a plot speaks for all."""
    pairs = (("lon", "lat"), ("x", "y"))
    columns = [found.header[one] for pair in pairs for one in pair if one in found.header]
    if reading.geometry is None and len(columns) < len(pairs[0]):
        nowhere = np.full(len(reading), None, dtype=object)
        shapes = gpd.GeoSeries(nowhere, index=reading.index, crs=stands.crs)
        return replace(reading, geometry=shapes)
    if reading.geometry is None and reading.ids is not None:
        cells = reading.rows.loc[reading.index, columns].apply(text_of)
        first = cells.where(cells != "").groupby([reading.stand, reading.ids]).transform("first")
        rows = reading.rows.loc[reading.index].assign(**first.fillna(""))
        reading = replace(reading, rows=rows)
    reading = with_points(reading, found, source, log)
    bare = _nowhere(reading)
    if bare.all():
        return replace(reading, geometry=gpd.GeoSeries(reading.shapes, crs=stands.crs))
    moved = stands.bring(reading.only(~bare), source, log)
    reading = log.left(reading)
    kept = reading.only(bare[reading.index] | reading.index.isin(moved.index))
    points = np.asarray(moved.shapes.reindex(kept.index).array, dtype=np.object_)
    there = gpd.GeoSeries(points, index=kept.index, crs=stands.crs)
    return replace(kept, geometry=there, unmoved=kept.shapes, crs=moved.crs)


def _nowhere(reading: Reading) -> pd.Series:
    """Rows without a position."""
    shapes = reading.shapes.to_numpy()
    missing = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    return pd.Series(missing, index=reading.index)


def _inside(reading: Reading, stands: Stands, project: Project, log: RecordLog) -> Reading:
    """Rows of plots in their stand, or nearer to it than the position error."""
    placed = ~_nowhere(reading)
    there = reading.only(placed)
    away = stands.distance_outside(there).reindex(reading.index, fill_value=0.0)
    outside = away > project.marks.position_error_m
    reading = stands.refuse_if_most_outside(reading, outside, log)
    placed, outside = placed[reading.index], outside[reading.index]
    away = away[reading.index].map("{:.0f} m".format).astype("str")
    every = np.bincount(reading.stand)
    for stand, places in reading.split(~placed):
        lost = [] if reading.ids is None else list(reading.ids.iloc[places].unique())
        if len(places) == every[stand]:
            log.notice(
                f"{reading.file.name}: the plots have no positions; all are taken to lie in the "
                "stand.",
                stand=stand,
            )
        elif lost:
            log.notice(
                f"{reading.file.name}: no position of {counted(len(lost), 'plot')} "
                f"({listed(lost)}), taken to lie in the stand.",
                stand=stand,
            )
    reason = "its plot lies " + away + " outside the stand"
    return log.reject(reading, outside, reason=reason, what="on plots outside the stand")


def _trees(fields: Fields, project: Project) -> tuple[pd.DataFrame, dict[str, pd.Series]]:
    """Tree of each row, and why rows cannot be used."""
    stem = diameters(fields, unit=project.marks.dbh_unit)
    sold, bad_wood = wood(fields, project.volume.products)
    size = sizes(fields, project.marks.height_unit)
    count, bad_count = _whole(fields, "count")
    stated, _ = fields.numbers("count")
    times, bad_times = _times(fields)
    species = fields.cells("species")
    species = species.mask(species.str.casefold().isin(_NO_TREE), "")
    nothing = fields.cell_quantities("dbh")[0] == 0
    sized = stem["dbh_cm"].notna() | (stem["dbh_flag"].isin(DBH_FLAGS[:2]) & ~nothing)
    described = sized | (species != "") | (sold["product"] != "")
    bad_count = bad_count & (described | (stated != 0))
    frame = pd.DataFrame(
        {
            "plot": fields.names("plot"),
            "species": species,
            "count": count,
            "times": times,
            "height_m": size["height_m"],
            "crown_radius_m": size["crown_radius_m"],
            "live_crown_ratio": shares(fields, "live_crown_ratio", bare_is_share=True)[0],
            "is_tree": described | (stated >= 1),
            "source_file": fields.reading.file.name,
            "record": fields.reading.record,
            STAND: pd.Series(fields.reading.stand, index=fields.reading.index, dtype="int64"),
            **stem,
            **sold,
            **logs_of(fields),
        }
    )
    reasons = {
        "with an impossible volume, defect or cull": bad_wood,
        "with an impossible count": fields.refusal("count", bad_count, "a whole number from 1"),
        "counted an impossible number of times": fields.refusal("times", bad_times, "1 or 2"),
    }
    if fields.has(IS_MARKED):
        marked, bad = yes_or_no(fields.cells(IS_MARKED))
        frame[IS_MARKED] = marked
        reasons["of which it is not clear whether they are marked"] = fields.refusal(
            IS_MARKED, bad, "yes or no"
        )
    return frame, reasons


def _whole(fields: Fields, name: str) -> tuple[pd.Series, pd.Series]:
    """Whole numbers from 1, 1 where blank, and which are none."""
    values, bad = fields.numbers(name)
    values = values.fillna(1.0)
    bad = bad | (values < 1) | (values != values.round())
    return values.where(~bad, 1.0).astype("int64"), bad


def _times(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """How often each tree counts: as counted, or twice by the walkthrough method."""
    times, bad = _whole(fields, "times")
    if fields.has("walkthrough"):
        cells = text_of(fields.column("walkthrough"))
        twice, unread = yes_or_no(cells)
        times, bad = times.where(~twice, 2), bad | unread
    return times, bad | (times > 2)  # noqa: PLR2004 - no tree counts three times


def _sizes(fields: Fields) -> tuple[pd.DataFrame, pd.Series]:
    """What each row says of its plot, and which rows say something impossible."""
    baf, baf_unit, bad_baf = fields.quantities("baf")
    area, area_unit, bad_area = fields.quantities("plot_area")
    radius, bad_radius = fields.lengths("plot_radius", unit=None, key="")
    weight, bad_weight = fields.numbers("weight")
    for name, values, units, example in (
        ("baf", baf, baf_unit, "baf_ft2_ac"),
        ("plot_area", area, area_unit, "plot_area_ac"),
    ):
        _refuse_without_unit(fields, name, values.notna() & (units == ""), example)
    area_m2 = (area * area_unit.map(AREA_M2).astype(float)).fillna(np.pi * radius**2)
    bad = bad_baf | bad_area | bad_radius | bad_weight
    bad = bad | (baf <= 0) | (area_m2 <= 0) | (weight <= 0) | (weight > 1)
    frame = pd.DataFrame(
        {
            "stratum": fields.cells("stratum"),
            "weight": weight,
            "baf_m2_ha": baf * baf_unit.map(BASAL_AREA_M2_HA).astype(float),
            "plot_area_m2": area_m2,
        }
    )
    mend = "the factor, area or weight of its plot is no number above 0 (a weight at most 1)"
    return frame, pd.Series(np.where(bad, mend, ""), index=bad.index)


def _refuse_without_unit(fields: Fields, name: str, unsaid: pd.Series, example: str) -> None:
    """A factor of 10 is ten times another in the other unit: never guessed."""
    if unsaid.any():
        header = shown(fields.found.header[name])
        text = (
            f"{fields.reading.file.name}: '{header}' has no unit. Say it in the header, as in "
            f"'{example}'."
        )
        fields.refuse(unsaid, text)


def _plots(
    reading: Reading, size: pd.DataFrame, stands: Stands, log: RecordLog
) -> tuple[Reading, gpd.GeoDataFrame]:
    """One row a plot, in the order read; what its rows say of it must agree."""
    name = reading.file.name
    ids = pd.Series(reading.ids, index=reading.index, dtype=object)
    stated = size.assign(stratum=size["stratum"].where(size["stratum"] != ""))
    keys = [pd.Series(reading.stand, index=reading.index, dtype="int64"), ids]
    known = stated.groupby(keys, sort=False)
    torn = known.nunique().gt(1).any(axis=1)
    plots = known.first().rename_axis([STAND, "plot"])
    both = plots["baf_m2_ha"].notna() == plots["plot_area_m2"].notna()
    for wrong, text in (
        (
            torn,
            (
                f"{name}: the plots {{}} have two different factors, areas, "
                "weights or strata. Correct the rows, or give the plots names of their own."
            ),
        ),
        (
            both,
            (
                f"{name}: the plots {{}} have neither or both of a basal area "
                "factor and a plot area. Give one of them, as baf_ft2_ac or plot_area_ac."
            ),
        ),
    ):
        bad = pd.Series(wrong[wrong].index.get_level_values(1), dtype=object)
        of_stand = bad.groupby(wrong[wrong].index.get_level_values(0))
        log.refuse(reading, ((stand, text.format(listed(mine))) for stand, mine in of_stand))
    first = ~pd.MultiIndex.from_arrays(keys).duplicated()
    shapes = np.asarray(reading.shapes[first].array, dtype=np.object_)
    nowhere = np.full(len(shapes), shapely.Point(), dtype=np.object_)
    points = np.where(shapely.is_missing(shapes), nowhere, shapes)
    plots = plots.reset_index()
    plots = plots.assign(stratum=plots["stratum"].fillna(""), weight=plots["weight"].fillna(1.0))
    frame = features(plots[[*PLOT_COLUMNS, STAND]], points, crs=stands.crs)
    left = log.left(reading)
    kept = frame[STAND].isin(left.stand)
    return left, frame if kept.all() else frame[kept].reset_index(drop=True)
