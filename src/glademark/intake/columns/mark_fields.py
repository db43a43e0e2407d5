"""Columns of one file of marks, by their meaning and in SI units."""

import numpy as np
import pandas as pd

from glademark.contracts.layers import MARKS
from glademark.intake.columns.cells import yes_or_no
from glademark.intake.columns.diameters import diameters
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.kinds import kind_column, kinds
from glademark.intake.columns.match import words
from glademark.intake.columns.volumes import logs_of, wood
from glademark.intake.record_log import Ledger
from glademark.intake.wording import counted, listed, quoted, shown
from glademark.project.model import Project
from glademark.project.position_error import error_per_radius

HEIGHT_MAX_M = 130.0
"""No tree is taller [m]."""

CROWN_RADIUS_MAX_M = 30.0
"""No crown in a marked stand is wider [m]."""

GROUP_RADIUS_MAX_M = 1000.0
"""No group opening is wider [m]."""

POSITION_ERROR_MAX_M = 1000.0
"""A position that bad is none [m]."""

MARK_COLUMNS = (
    "tree_id", "marker", "count", "kind", "dbh_cm", "dbh", "dbh_unit", "species", "product",
    "paint", "paint_meaning", "group", "height_m", "crown_radius_m", "volume", "volume_unit",
    "defect_share", "cull", "position_error_m", "time", "order", "radius_m", "inside",
    "source_file", "record",
)  # fmt: skip
"""Columns of `Survey.marks`, before those that came in besides."""

MUST_GO = "must_go"
"""Column of `Survey.marks` that is there only where a file of marks says so."""

_RESERVED = frozenset({*MARK_COLUMNS, *MARKS.names, "geometry", "geom", "fid", "ogc_fid"})
_CROWN_WORDS = frozenset({"crown", "crownm", "crownft", "crownsize"})
_SIZES = (
    ("height_m", "height", HEIGHT_MAX_M),
    ("crown_radius_m", "crown_radius", CROWN_RADIUS_MAX_M),
    ("crown_width_m", "crown_width", 2 * CROWN_RADIUS_MAX_M),
    ("radius_m", "radius", GROUP_RADIUS_MAX_M),
)


def mark_fields(
    fields: Fields, project: Project, ledger: Ledger
) -> tuple[pd.DataFrame, dict[str, pd.Series]]:
    """
    Declared columns of one file, and why records of it cannot be used.

    Parameters
    ----------
    fields
        Records with their recognised columns.
    project
        Units, paint and products.
    ledger
        For notices.

    Returns
    -------
    frame
        `MARK_COLUMNS`, on the index of the records, and logs and `MUST_GO` where the file has them;
        `inside` is still to be found.
    reasons
        By group of reasons, in a few words: a reason a record, empty where it can be used.

    Raises
    ------
    FileError
        If a unit is not said anywhere.
    """
    reasons: dict[str, pd.Series] = {}
    count, reasons["with a count that is no number of trees"] = _counts(fields)
    stem, reasons["with an impossible diameter"] = diameters(fields, unit=project.marks.dbh_unit)
    kind, reasons["of an unknown kind"] = kinds(fields, project.marks.paint, ledger)
    product, reasons["with an impossible volume, defect or cull"] = wood(
        fields, project.volume.products, ledger
    )
    size = _sizes(fields, project.marks.height_unit, ledger)
    name = fields.reading.file.name
    marker = fields.cells("marker")
    frame = pd.DataFrame(
        {
            "tree_id": fields.names("id"),
            "marker": marker.where(marker != "", name),
            "count": count,
            "species": fields.cells("species"),
            "group": fields.names("group"),
            "position_error_m": _position_errors(
                fields, ledger, measure=project.marks.position_error_column
            ).fillna(
                project.marks.position_error_by_file_m.get(name, project.marks.position_error_m)
            ),
            "time": _times(fields),
            "order": _order(fields, ledger),
            "inside": True,
            "source_file": name,
            "record": fields.reading.record,
        }
    )
    frame = pd.concat([frame, stem, kind, product, size], axis=1)[list(MARK_COLUMNS)]
    frame = frame.join(logs_of(fields, ledger))
    if fields.has(MUST_GO):
        frame[MUST_GO], reasons["of which it is not clear whether they must go"] = _must_go(fields)
    return frame, reasons


def _must_go(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Trees that no advice may leave standing, and why a record cannot be used."""
    yes, bad = yes_or_no(fields.cells(MUST_GO))
    reason = pd.Series("", index=yes.index, dtype="str")
    if bad.any():
        cells = fields.cells(MUST_GO)[bad].map(shown)
        reason[bad] = 'must_go is "' + cells + '"; expected yes or no; correct the cell'
    return yes, reason


def _counts(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Trees of each record, 1 where blank, and why a record cannot be used."""
    values, bad = fields.numbers("count")
    values = values.fillna(1.0)
    bad = bad | (values < 1) | (values != values.round())
    reason = pd.Series("", index=values.index, dtype="str")
    if bad.any():
        cells = fields.cells("count")[bad].map(shown)
        reason[bad] = 'count is "' + cells + '"; expected a whole number from 1; correct the cell'
    return values.where(~bad, 1.0).astype("int64"), reason


def _sizes(fields: Fields, unit: str | None, ledger: Ledger) -> pd.DataFrame:
    """Height, crown radius and radius of a group [m]; impossible figures are left empty."""
    sizes = {}
    for column, name, largest in _SIZES:
        metres, bad = fields.lengths(name, unit=unit, key="[marks] height_unit")
        bad = bad | (metres <= 0) | (metres > largest)
        _note_left_empty(fields, name, bad, ledger)
        sizes[column] = metres.where(~bad)
    width = sizes.pop("crown_width_m")
    sizes["crown_radius_m"] = sizes["crown_radius_m"].fillna(width / 2)
    return pd.DataFrame(sizes)


def _note_left_empty(fields: Fields, name: str, bad: pd.Series, ledger: Ledger) -> None:
    """Say so where a figure is not used though its record is."""
    for stand, places in fields.reading.parts(bad):
        cell = shown(fields.cells(name).iloc[places[0]])
        names = listed(fields.reading.called_at(places))
        ledger.notice(
            f"{fields.reading.file.name}: {name.replace('_', ' ')} of "
            f"{counted(len(places), 'record')} is impossible and taken as not measured: {names} "
            f'(the first is "{cell}").',
            stand=stand,
        )


def _position_errors(fields: Fields, ledger: Ledger, *, measure: str) -> pd.Series:
    """Root mean square error of each position [m], NaN where the record does not say its own."""
    if not fields.has("position_error"):
        return pd.Series(np.nan, index=fields.reading.rows.index)
    if not fields.found.unit.get("position_error"):
        header = shown(fields.found.header["position_error"])
        ledger.notice(
            f"{fields.reading.file.name}: position errors in '{header}' are taken as metres."
        )
    metres, bad = fields.lengths("position_error", unit="m", key="")
    metres = metres * error_per_radius(measure)
    bad = bad | (metres < 0) | (metres > POSITION_ERROR_MAX_M)
    _note_left_empty(fields, "position_error", bad, ledger)
    return metres.where(~bad)


def _times(fields: Fields) -> pd.Series:
    """When the mark was made, as written; day and time in two columns are put together."""
    if not fields.has("date"):
        return fields.cells("time")
    return (fields.cells("date") + " " + fields.cells("time")).str.strip()


def _order(fields: Fields, ledger: Ledger) -> pd.Series:
    """Place of a point on its perimeter."""
    values, bad = fields.numbers("order")
    _note_left_empty(fields, "order", bad, ledger)
    return values


def other_columns(fields: Fields, *, from_columns: bool) -> pd.DataFrame:
    """
    Every column that is not read, as text.

    Parameters
    ----------
    fields
        Records with their recognised columns.
    from_columns
        Whether columns of coordinates were read as the position.

    Returns
    -------
    others
        A name that a declared column has gets the suffix ``_in``.
    """
    used = dict(fields.found.header)
    if kind_column(fields) != "type":
        used.pop("type", None)
    positions = {"lon", "lat", "x", "y", "utm_zone"}
    if not from_columns:
        used = {name: header for name, header in used.items() if name not in positions}
    rows = fields.reading.rows
    unused = [str(header) for header in rows if header not in set(used.values())]
    others = pd.DataFrame(
        {header: fields.reading.text(header) for header in unused}, index=rows.index
    )
    taken = {name.casefold() for name in _RESERVED}
    names = {}
    for header in others:
        name = str(header)
        while name.casefold() in taken:
            name += "_in"
        taken.add(name.casefold())
        names[header] = name
    return others.rename(columns=names)


def note_missing_dbh(frame: pd.DataFrame, fields: Fields, ledger: Ledger) -> None:
    """
    Count cut trees without a diameter.

    Parameters
    ----------
    frame
        Marks still in use.
    fields
        Where they come from.
    ledger
        For the notice.
    """
    name = fields.reading.file.name
    missing = (frame["kind"] == "cut") & frame["dbh_cm"].isna()
    if not missing.any():
        return
    heads = quoted(list(fields.reading.rows.columns))
    everywhere = missing.reindex(fields.reading.rows.index, fill_value=False)
    for stand, places in fields.reading.parts(everywhere):
        if not fields.has("dbh"):
            ledger.notice(
                f"{name}: no column of diameters was recognised among {heads}. Map it under "
                "[marks] columns.",
                stand=stand,
            )
            continue
        names = listed(fields.reading.called_at(places))
        ledger.notice(
            f"{name}: {counted(len(places), 'mark')} without a diameter: {names}; counted, "
            "without basal area and volume.",
            stand=stand,
        )


def note_crown(fields: Fields, ledger: Ledger) -> None:
    """
    Say so where a crown may be a radius or a width: neither is guessed.

    Parameters
    ----------
    fields
        Records with their recognised columns.
    ledger
        For the notice.
    """
    if fields.has("crown_radius") or fields.has("crown_width"):
        return
    for header in fields.reading.rows:
        if "".join(words(str(header))) in _CROWN_WORDS:
            ledger.notice(
                f"{fields.reading.file.name}: '{shown(header)}' may be the radius or the width of "
                "the crown and is not used. Say which under [marks] columns, as crown_radius or "
                "crown_width."
            )
