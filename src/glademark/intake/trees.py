"""Trees counted and listed: the paper tally, leave trees, crop trees, all that stand."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features, no_features, no_rows
from glademark.errors import FileError, counted, listed, quoted, shown
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, numbers, recognise, translated
from glademark.intake.columns.kinds import named_codes
from glademark.intake.columns.mark_fields import REASON, counts, other_columns, sizes
from glademark.intake.columns.meanings import Meaning
from glademark.intake.columns.positions import with_points
from glademark.intake.columns.tree_sizes import LOGS, diameters, logs_of, note_flagged, shares, wood
from glademark.intake.cruise import with_places
from glademark.intake.marks import FAR_M
from glademark.intake.record_log import Reading, RecordLog
from glademark.intake.site import Stands
from glademark.project.model import Project, Source
from glademark.units import AREA_M2, HECTARE_M2

CROP_COLUMNS = ("tree_id", "species", "dbh_cm", "height_m", "crown_radius_m")
LEAVE_COLUMNS = ("tree_id", "label", "species", "dbh_cm", "crown_radius_m", "retention")
STANDING_COLUMNS = (
    "tree_id", "species", "dbh_cm", "height_m", "crown_radius_m", "product", "grade", "defect",
    "condition", "live_crown_ratio", "dbh", "dbh_unit", "count", "volume", "volume_unit", "cull",
    "source_file", "record",
)  # fmt: skip
_REAL = (
    "dbh_cm", "height_m", "crown_radius_m", "defect", "live_crown_ratio", "dbh", "volume",
)  # fmt: skip
_KINDS = dict.fromkeys(_REAL, "float64") | {
    "count": "int64", "cull": "bool", "record": "int64", STAND: "int64",
}  # fmt: skip


def no_trees(columns: tuple[str, ...], crs: CRS) -> gpd.GeoDataFrame:
    """Trees of an input that was not given."""
    return no_features((*columns, STAND), _KINDS, crs=crs)


def read_leave_trees(
    reading: Reading, source: Source, stands: Stands, project: Project, log: RecordLog
) -> gpd.GeoDataFrame:
    """Leave trees, `LEAVE_COLUMNS`, in their stand and near it; most outside: a refused stand."""

    def _columns(fields: Fields) -> Mapping[str, pd.Series]:
        kept_for = named_codes(fields, "retention", project.retention)
        return {"label": fields.names("id"), "retention": kept_for}

    found = _placed_trees(reading, source, stands, project, log, (meanings.LEAVE_TREES, _columns))
    return found[[*LEAVE_COLUMNS, STAND, "geometry"]]


def read_crop_trees(
    reading: Reading, source: Source, stands: Stands, project: Project, log: RecordLog
) -> gpd.GeoDataFrame:
    """Crop trees, `CROP_COLUMNS`, in their stand and near it; most outside: a refused stand."""
    found = _placed_trees(
        reading, source, stands, project, log, (meanings.CROP_TREES, lambda _: {})
    )
    return found[[*CROP_COLUMNS, STAND, "geometry"]]


def _placed_trees(
    reading: Reading,
    source: Source,
    stands: Stands,
    project: Project,
    log: RecordLog,
    read: tuple[tuple[Meaning, ...], Callable[[Fields], Mapping[str, pd.Series]]],
) -> gpd.GeoDataFrame:
    """Trees whose positions are needed; `read` says which columns they have besides, and how."""
    wanted, more = read
    found = recognise(reading.headers, wanted, where=reading.file.name)
    ids = Fields(reading=reading, found=found, log=log).names("id")
    reading = with_points(replace(reading, ids=ids), found, source, log)
    reading = stands.bring(reading, source, log)
    fields = Fields(reading=reading, found=found, log=log)
    columns = {**_measured(fields, project), **more(fields)}
    reading = log.left(reading)
    noun = reading.file.input.replace("_", " ").removesuffix("s")
    note_flagged(replace(fields, reading=reading), columns["dbh_flag"][reading.index], noun=noun)
    return _frame(columns, _near_stand(reading, stands, log), log, stands.crs)


def _measured(fields: Fields, project: Project) -> dict[str, pd.Series]:
    """What is measured of any tree."""
    found = sizes(fields, project.marks.height_unit)
    return {
        "tree_id": fields.names("id"),
        "species": fields.cells("species"),
        "height_m": found["height_m"],
        "crown_radius_m": found["crown_radius_m"],
        **diameters(fields, unit=project.marks.dbh_unit),
    }


def _frame(
    columns: Mapping[str, pd.Series], reading: Reading, log: RecordLog, crs: CRS
) -> gpd.GeoDataFrame:
    """Columns and points of the records in use, with the number of their stand."""
    log.use(reading)
    kept = {name: column[reading.index] for name, column in columns.items()}
    kept[STAND] = pd.Series(reading.stand, index=reading.index, dtype="int64")
    return features(kept, reading.shapes.array, crs=crs).reset_index(drop=True)


def _near_stand(reading: Reading, stands: Stands, log: RecordLog) -> Reading:
    """Trees whose crown can reach into an opening: those in the stand or not far from it."""
    far = stands.distance_outside(reading) > FAR_M
    reading = stands.refuse_if_most_outside(reading, far, log)
    reason = (
        f"it lies more than {FAR_M:.0f} m outside the stand; correct its position or leave it out"
    )
    return log.reject(
        reading,
        far[reading.index],
        reason=reason,
        what=f"more than {FAR_M:.0f} m outside the stand",
    )


def read_standing(
    reading: Reading, source: Source, stands: Stands, project: Project, log: RecordLog
) -> gpd.GeoDataFrame:
    """
    All standing trees, `STANDING_COLUMNS` and every other column as text.

    The point is empty where the file gives no position. Trees far outside their stand are rejected.
    """
    found = recognise(reading.headers, meanings.STANDING, where=reading.file.name)
    ids = Fields(reading=reading, found=found, log=log).names("id")
    from_columns = reading.geometry is None
    reading = with_places(reading, found, source, stands, log)
    reading = replace(reading, ids=ids[reading.index])
    shapes = reading.shapes.to_numpy()
    bare = pd.Series(shapely.is_missing(shapes) | shapely.is_empty(shapes), index=reading.index)
    near = _near_stand(reading.only(~bare), stands, log)
    reading = log.left(reading.only(bare | bare.index.isin(near.index)))
    _note_without_place(reading, bare[reading.index], log)
    fields = Fields(reading=reading, found=found, log=log)
    count, bad_count = counts(fields)
    sold, bad_wood = wood(fields, project.volume.products)
    columns = {
        **_measured(fields, project),
        **sold,
        **logs_of(fields),
        "count": count,
        "grade": fields.cells("grade"),
        "condition": fields.cells("condition"),
        "live_crown_ratio": shares(fields, "live_crown_ratio", bare_is_share=True)[0],
        "source_file": pd.Series(reading.file.name, index=reading.index, dtype="str"),
        "record": reading.record,
    }
    columns["defect"] = columns.pop("defect_share")
    flag = columns.pop("dbh_flag")
    columns = {name: columns.pop(name) for name in STANDING_COLUMNS} | columns
    no_kind = pd.Series(data=False, index=reading.index)
    columns |= other_columns(
        fields, no_kind, from_columns=from_columns, taken=(*columns, STAND, "geometry")
    )
    reading = log.left(reading)
    for what, reason in (
        ("with a count that is no number of trees", bad_count),
        ("with an impossible volume, defect or cull", bad_wood),
    ):
        left = reason[reading.index]
        reading = log.reject(reading, left != "", reason=left, what=what)
    note_flagged(replace(fields, reading=reading), flag[reading.index], noun="standing tree")
    trees = _frame(columns, reading, log, stands.crs)
    points = trees.geometry.to_numpy()
    nowhere = np.full(len(points), shapely.Point(), dtype=np.object_)
    return trees.set_geometry(np.where(shapely.is_missing(points), nowhere, points), crs=trees.crs)


def _note_without_place(reading: Reading, bare: pd.Series, log: RecordLog) -> None:
    """Say so where standing trees have no position: they count, but are nobody's neighbours."""
    every = np.bincount(reading.stand, minlength=1)
    for stand, places in reading.split(bare):
        some = len(places) < every[stand]
        who = f" ({listed(reading.called(places))})" if some else ""
        log.notice(
            f"{reading.file.name}: {counted(len(places), 'standing tree')} without a position"
            f"{who}: counted, and matched with marks by number only.",
            stand=stand,
        )


ZONES = ("corridor", "opening", "matrix", "landing", "exclusion")
"""Where a tree of the paper tally may stand."""

TALLY_COLUMNS = (
    "zone", "group", "species", "product", "dbh", "dbh_unit", "count", "volume", "volume_unit",
    "defect_share", "cull", "source_file", "record",
)  # fmt: skip
"""Columns of `Survey.tally`."""

_TALLY_KINDS = {
    "dbh": "float64", "count": "int64", "volume": "float64", "defect_share": "float64",
    "cull": "bool", "record": "int64", STAND: "int64",
}  # fmt: skip
_ZONE_WORDS = {
    "corridor": "corridor corridors trail trails",
    "opening": "opening openings group groups gap",
    "matrix": "matrix single singles between",
    "landing": "landing landings",
    "exclusion": "exclusion exclusions keep_out keepout",
}
_ZONE_OF = {word: zone for zone, words in _ZONE_WORDS.items() for word in words.split()}


def no_tally() -> pd.DataFrame:
    """Paper tally of a project without one."""
    return no_rows((*TALLY_COLUMNS, STAND), _TALLY_KINDS)


def read_tally(reading: Reading, project: Project, log: RecordLog) -> pd.DataFrame:
    """
    Trees that were counted on paper, `TALLY_COLUMNS`.

    Rows have a zone and a count, and as far as known species, product, DBH and volume.
    """
    name = reading.file.name
    found = recognise(reading.headers, meanings.TALLY, where=name)
    for wanted in ("zone", "count"):
        if wanted not in found.header and not (wanted == "zone" and "group" in found.header):
            msg = (
                f"{name}: a paper tally needs a column '{wanted}'; the columns are "
                f"{quoted(reading.headers)}. Add it."
            )
            raise FileError(msg)
    fields = Fields(reading=reading, found=found, log=log)
    stem = diameters(fields, unit=project.marks.dbh_unit)
    product, bad_wood = wood(fields, project.volume.products)
    zone, group = _zones(fields)
    count, bad_count = fields.numbers("count")
    bad_count = bad_count | ~(count >= 1) | (count != count.round())
    reasons = {
        "in no zone": fields.refusal("zone", zone == "", f"one of {', '.join(ZONES)}"),
        "without a count of trees": fields.refusal("count", bad_count, "a whole number from 1"),
        "with an impossible volume, defect or cull": bad_wood,
    }
    columns = {
        "zone": zone,
        "group": group,
        "species": fields.cells("species"),
        "count": count,
        "source_file": name,
        "record": reading.record,
        STAND: pd.Series(reading.stand, index=reading.index, dtype="int64"),
        **stem,
        **product,
        **logs_of(fields),
        **({REASON: named_codes(fields, REASON, project.reasons)} if fields.has(REASON) else {}),
    }
    reading = log.left(reading)
    for what, reason in reasons.items():
        left = reason[reading.index]
        reading = log.reject(reading, left != "", reason=left, what=what)
    note_flagged(replace(fields, reading=reading), stem["dbh_flag"][reading.index], noun="record")
    log.use(reading)
    names = [*TALLY_COLUMNS, *(name for name in (LOGS, REASON) if name in columns), STAND]
    frame = pd.DataFrame(columns).loc[reading.index, names]
    return frame.astype({"count": "int64"}).reset_index(drop=True)


def _zones(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Zone and group of each row: a named group is an opening where no other zone is written."""
    words = fields.cells("zone").str.casefold().str.replace(r"[\s-]+", "_", regex=True)
    group = fields.names("group")
    zone = translated(words, _ZONE_OF).mask((words == "") & (group != ""), "opening")
    elsewhere = (group != "") & (zone != "") & (zone != "opening")
    for stand, places in fields.reading.split(elsewhere):
        fields.log.notice(
            f"{fields.reading.file.name}: {counted(len(places), 'record')} with a group in a zone "
            f"other than opening, counted in that zone: {listed(fields.reading.called(places))}.",
            stand=stand,
        )
    return zone, group.mask(elsewhere, "")


def with_centre_counts(
    tally: pd.DataFrame, marks: gpd.GeoDataFrame | None, log: RecordLog
) -> pd.DataFrame:
    """
    The paper tally with the trees counted at the centres of groups, which have no positions.

    A count of 1 is that of the record itself.
    """
    if marks is None:
        return tally
    counts = marks[(marks["kind"] == "group_centre") & (marks["count"] > 1)]
    if counts.empty:
        return tally
    for stand, rows in counts.groupby(STAND).indices.items():
        here = counts.iloc[rows]
        number, trees = len(here), int(here["count"].sum())
        log.notice(
            f"{listed(here['source_file'].unique())}: {trees:,} trees counted at "
            f"{counted(number, 'group centre')} ({listed(here['tree_id'])}) stand in the tally of "
            "their openings, without positions.",
            stand=int(str(stand)),
        )
    names = [
        name for name in (*TALLY_COLUMNS, LOGS, REASON, STAND) if name in counts and name != "zone"
    ]
    rows_again = pd.DataFrame(counts[names]).assign(zone="opening")
    both = pd.concat([frame for frame in (tally, rows_again) if len(frame)], ignore_index=True)
    return both.sort_values(STAND, kind="stable", ignore_index=True)


def read_target(reading: Reading, log: RecordLog) -> pd.DataFrame:
    """Target structure: `size_class` and `trees_per_ha`; every row must be a number from 0."""
    name = reading.file.name
    found = recognise(reading.headers, meanings.TARGET, where=name)
    unit = found.unit.get("trees", "")
    if "size_class" not in found.header or not unit:
        msg = (
            f"{name}: a target needs the columns 'size_class' and 'trees_per_ha' or "
            f"'trees_per_ac'; the columns are {quoted(reading.headers)}. Add them."
        )
        raise FileError(msg)
    fields = Fields(reading=reading, found=found, log=log)
    number, bad = fields.numbers("trees")
    if (bad | ~(number >= 0)).any():
        msg = f"{name}: a target is no number from 0. Correct the column."
        raise FileError(msg)
    log.use(reading)
    per_ha = number * HECTARE_M2 / AREA_M2[unit]
    return pd.DataFrame(
        {"size_class": fields.cells("size_class"), "trees_per_ha": per_ha}
    ).reset_index(drop=True)


def read_text_rows(reading: Reading, log: RecordLog) -> pd.DataFrame:
    """Rows of a table as text under the file's own headers, decimal commas as points."""
    recognise(reading.headers, (), where=reading.file.name)
    rows = reading.rows.copy()
    for header in rows:
        commas = rows[header].str.contains(",", regex=False)
        if not (reading.decimal_comma and commas.any()):
            continue
        values, bad = numbers(rows[header], decimal_comma=True)
        if not bad.any() and values[commas].notna().all():
            rows[header] = rows[header].str.replace(",", ".", regex=False)
            text = (
                f"{reading.file.name}: numbers in '{shown(header)}' are read with a decimal comma."
            )
            log.notice(text, of=reading)
    log.use(reading)
    return rows.reset_index(drop=True)
