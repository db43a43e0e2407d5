"""Columns of one file of marks, by their meaning and in SI units."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from glademark.contracts.layers import MARKS
from glademark.intake.columns.cells import yes_or_no
from glademark.intake.columns.diameters import diameters
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.kinds import kinds
from glademark.intake.columns.match import words
from glademark.intake.columns.volumes import logs_of, wood
from glademark.project.model import Project
from glademark.project.position_error import error_per_radius
from glademark.wording import counted, listed, quoted, shown

HEIGHT_MAX_M = 130.0
"""No tree is taller [m]."""

CROWN_RADIUS_MAX_M = 30.0
"""No crown in a marked stand is wider [m]."""

GROUP_RADIUS_MAX_M = 1000.0
"""No group opening is wider [m]."""

POSITION_ERROR_MAX_M = 1000.0
"""A position that bad is none [m]."""

MARK_COLUMNS = (
    "tree_id", "label", "marker", "count", "kind", "dbh_cm", "dbh", "dbh_unit", "dbh_flag",
    "species", "product", "paint", "paint_meaning", "group", "height_m", "crown_radius_m", "volume",
    "volume_unit", "defect_share", "cull", "position_error_m", "time", "order", "radius_m",
    "inside", "source_file", "record",
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


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkFields:
    """
    Columns of one file of marks.

    Attributes
    ----------
        `MARK_COLUMNS` in SI units, logs and `MUST_GO` where the file has them, and every other
        column as text;
        `inside` is still to be found.
    reasons
        By group of reasons, in a few words: why a record cannot be used, empty where it can.
    """

    columns: dict[str, pd.Series]
    reasons: dict[str, pd.Series]


def mark_fields(fields: Fields, project: Project, *, from_columns: bool) -> MarkFields:
    """Columns of one file; `from_columns`: whether columns of coordinates are its positions."""
    reasons: dict[str, pd.Series] = {}
    count, reasons["with a count that is no number of trees"] = _counts(fields)
    stem = diameters(fields, unit=project.marks.dbh_unit)
    kind, reasons["of an unknown kind"], by_type = kinds(fields, project.marks)
    product, reasons["with an impossible volume, defect or cull"] = wood(
        fields, project.volume.products
    )
    size = _sizes(fields, project.marks.height_unit)
    name = fields.reading.file.name
    marker = fields.cells("marker")
    usual = project.marks.position_error_by_file_m.get(name, project.marks.position_error_m)
    measure = project.marks.position_error_column
    index = fields.reading.index
    columns = {
        "tree_id": fields.names("id"),
        "label": fields.names("id"),
        "marker": marker.where(marker != "", name),
        "count": count,
        "species": fields.cells("species"),
        "group": fields.names("group"),
        "position_error_m": _position_errors(fields, measure=measure).fillna(usual),
        "time": _times(fields),
        "order": _order(fields),
        "inside": pd.Series(np.ones(len(index), dtype=bool), index=index),
        "source_file": pd.Series(name, index=index, dtype="str"),
        "record": fields.reading.record,
        **stem,
        **kind,
        **product,
        **size,
    }
    columns = {column: columns[column] for column in MARK_COLUMNS} | logs_of(fields)
    if fields.has(MUST_GO):
        what = "of which it is not clear whether they must go"
        columns[MUST_GO], reasons[what] = _must_go(fields)
    columns |= _other_columns(fields, by_type, from_columns=from_columns)
    return MarkFields(columns=columns, reasons=reasons)


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


def _sizes(fields: Fields, unit: str | None) -> dict[str, pd.Series]:
    """Height, crown radius and radius of a group [m]; impossible figures are left empty."""
    sizes = {}
    for column, name, largest in _SIZES:
        metres, bad = fields.lengths(name, unit=unit, key="[marks] height_unit")
        bad = bad | (metres <= 0) | (metres > largest)
        _note_left_empty(fields, name, bad)
        sizes[column] = metres.where(~bad)
    width = sizes.pop("crown_width_m")
    sizes["crown_radius_m"] = sizes["crown_radius_m"].fillna(width / 2)
    return sizes


def _note_left_empty(fields: Fields, name: str, bad: pd.Series) -> None:
    """Say so where a figure is not used though its record is."""
    for stand, places in fields.reading.split(bad):
        cell = shown(fields.cells(name).iloc[places[0]])
        names = listed(fields.reading.called(places))
        fields.log.notice(
            f"{fields.reading.file.name}: {name.replace('_', ' ')} of "
            f"{counted(len(places), 'record')} is impossible and taken as not measured: {names} "
            f'(the first is "{cell}").',
            stand=stand,
        )


def _position_errors(fields: Fields, *, measure: str) -> pd.Series:
    """Root mean square error of each position [m], NaN where the record does not say its own."""
    if not fields.has("position_error"):
        return pd.Series(np.nan, index=fields.reading.index)
    if not fields.found.unit.get("position_error"):
        header = shown(fields.found.header["position_error"])
        fields.log.notice(
            f"{fields.reading.file.name}: position errors in '{header}' are taken as metres.",
            of=fields.reading,
        )
    metres, bad = fields.lengths("position_error", unit="m", key="")
    metres = metres * error_per_radius(measure)
    bad = bad | (metres < 0) | (metres > POSITION_ERROR_MAX_M)
    _note_left_empty(fields, "position_error", bad)
    return metres.where(~bad)


def _times(fields: Fields) -> pd.Series:
    """When the mark was made, as written; day and time in two columns are put together."""
    if not fields.has("date"):
        return fields.cells("time")
    return (fields.cells("date") + " " + fields.cells("time")).str.strip()


def _order(fields: Fields) -> pd.Series:
    """Place of a point on its perimeter."""
    values, bad = fields.numbers("order")
    _note_left_empty(fields, "order", bad)
    return values


def _other_columns(
    fields: Fields, by_type: pd.Series, *, from_columns: bool
) -> dict[str, pd.Series]:
    """Every column that is not read, as text; one with a declared name gets the suffix ``_in``."""
    used = dict(fields.found.header)
    kind_column = used.get("type")
    if not by_type.all() or not len(by_type):
        used.pop("type", None)
    positions = {"lon", "lat", "x", "y", "utm_zone"}
    if not from_columns:
        used = {name: header for name, header in used.items() if name not in positions}
    taken = {name.casefold() for name in _RESERVED}
    others = {}
    for header in fields.reading.headers:
        if header in set(used.values()):
            continue
        name = header
        while name.casefold() in taken:
            name += "_in"
        taken.add(name.casefold())
        others[name] = fields.reading.text(header)
        if header == kind_column and by_type.any():
            others[name] = others[name].where(~by_type, "")
    return others


def note_missing_dbh(missing: pd.Series, fields: Fields) -> None:
    """Count cut trees without a diameter: `missing` on marks still in use."""
    if not missing.any():
        return
    name = fields.reading.file.name
    heads = quoted(fields.reading.headers)
    everywhere = missing.reindex(fields.reading.index, fill_value=False)
    for stand, places in fields.reading.split(everywhere):
        if not fields.has("dbh"):
            fields.log.notice(
                f"{name}: no column of diameters was recognised among {heads}. Map it under "
                "[marks] columns.",
                stand=stand,
            )
            continue
        names = listed(fields.reading.called(places))
        fields.log.notice(
            f"{name}: {counted(len(places), 'mark')} without a diameter: {names}; counted, "
            "without basal area and volume.",
            stand=stand,
        )


def note_crown(fields: Fields) -> None:
    """Say so where a crown may be a radius or a width: neither is guessed."""
    if fields.has("crown_radius") or fields.has("crown_width"):
        return
    for header in fields.reading.headers:
        if "".join(words(header)) in _CROWN_WORDS:
            fields.log.notice(
                f"{fields.reading.file.name}: '{shown(header)}' may be the radius or the width of "
                "the crown and is not used. Say which under [marks] columns, as crown_radius or "
                "crown_width.",
                of=fields.reading,
            )
