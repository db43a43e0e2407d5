"""Tables without positions: the paper tally, the volume table and the cruise."""

from dataclasses import replace

import geopandas as gpd
import pandas as pd

from glademark.contracts.frames import STAND, no_rows
from glademark.errors import FileError
from glademark.intake.columns import meanings
from glademark.intake.columns.diameters import diameters, note_flagged
from glademark.intake.columns.fields import Fields, numbers, recognise, translated
from glademark.intake.columns.kinds import named_codes
from glademark.intake.columns.mark_fields import REASON
from glademark.intake.columns.volumes import LOGS, logs_of, wood
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
from glademark.project.model import Project
from glademark.units import AREA_M2, HECTARE_M2
from glademark.wording import counted, listed, quoted, shown

ZONES = ("corridor", "opening", "matrix", "landing", "exclusion")
"""Where a tree of the paper tally may stand."""

TALLY_COLUMNS = (
    "zone", "group", "species", "product", "dbh", "dbh_unit", "count", "volume", "volume_unit",
    "defect_share", "cull", "source_file", "record",
)  # fmt: skip
"""Columns of `Survey.tally`."""

_KINDS = {
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
    return no_rows((*TALLY_COLUMNS, STAND), _KINDS)


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
        "in no zone": _reason(fields, "zone", zone == "", f"one of {', '.join(ZONES)}"),
        "without a count of trees": _reason(fields, "count", bad_count, "a whole number from 1"),
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


def _reason(fields: Fields, name: str, bad: pd.Series, expected: str) -> pd.Series:
    """Why rows cannot be used, empty for those that can."""
    reason = pd.Series("", index=bad.index, dtype="str")
    if bad.any():
        cells = fields.cells(name)[bad].map(shown)
        reason[bad] = f'{name} is "' + cells + f'"; expected {expected}; correct the cell'
    return reason


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
