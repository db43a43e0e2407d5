"""Columns of one file of marks, by their meaning and in SI units."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count, product
from string import ascii_uppercase

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.layers import MARKS
from glademark.errors import counted, listed, quoted, shown
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, recognise, words, yes_or_no
from glademark.intake.columns.kinds import kinds, named_codes
from glademark.intake.columns.tree_sizes import diameters, logs_of, wood
from glademark.intake.record_log import Reading, RecordLog
from glademark.project.model import NAME_FIELD, Project
from glademark.project.text_values import error_per_radius

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

REASON = "reason"
"""Column of marks and tally that is there only where a file says why trees are cut."""

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
    """Columns of one file of marks."""

    columns: dict[str, pd.Series]
    reasons: dict[str, pd.Series]
    """By group of reasons, in a few words: why a record cannot be used, empty where it can."""


def mark_fields(fields: Fields, project: Project, *, from_columns: bool) -> MarkFields:
    """Columns of one file; `from_columns`: whether columns of coordinates are its positions."""
    reasons: dict[str, pd.Series] = {}
    count, reasons["with a count that is no number of trees"] = counts(fields)
    stem = diameters(fields, unit=project.marks.dbh_unit)
    kind, reasons["of an unknown kind"], by_type = kinds(fields, project.marks)
    product, reasons["with an impossible volume, defect or cull"] = wood(
        fields, project.volume.products
    )
    size = sizes(fields, project.marks.height_unit)
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
    if fields.has(REASON):
        columns[REASON] = named_codes(fields, REASON, project.reasons)
    columns |= other_columns(fields, by_type, from_columns=from_columns, taken=_RESERVED)
    return MarkFields(columns=columns, reasons=reasons)


def _must_go(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Trees that no advice may leave standing, and why a record cannot be used."""
    yes, bad = yes_or_no(fields.cells(MUST_GO))
    return yes, fields.refusal(MUST_GO, bad, "yes or no")


def counts(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Trees of each record, 1 where blank, and why a record cannot be used."""
    values, bad = fields.numbers("count")
    values = values.fillna(1.0)
    bad = bad | (values < 1) | (values != values.round())
    reason = fields.refusal("count", bad, "a whole number from 1")
    return values.where(~bad, 1.0).astype("int64"), reason


def sizes(fields: Fields, unit: str | None) -> dict[str, pd.Series]:
    """Height, crown radius and radius of a group [m]; impossible figures are left empty."""
    found = {}
    for column, name, largest in _SIZES:
        metres, bad = fields.lengths(name, unit=unit, key="[marks] height_unit")
        bad = bad | (metres <= 0) | (metres > largest)
        _note_left_empty(fields, name, bad)
        found[column] = metres.where(~bad)
    width = found.pop("crown_width_m")
    found["crown_radius_m"] = found["crown_radius_m"].fillna(width / 2)
    return found


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


def other_columns(
    fields: Fields, by_type: pd.Series, *, from_columns: bool, taken: Iterable[str]
) -> dict[str, pd.Series]:
    """Every column that is not read, as text; one with a declared name gets the suffix ``_in``."""
    used = dict(fields.found.header)
    kind_column = used.get("type")
    if not by_type.all() or not len(by_type):
        used.pop("type", None)
    positions = {"lon", "lat", "x", "y", "utm_zone"}
    if not from_columns:
        used = {name: header for name, header in used.items() if name not in positions}
    reserved = {name.casefold() for name in taken}
    others = {}
    for header in fields.reading.headers:
        if header in set(used.values()):
            continue
        name = header
        while name.casefold() in reserved:
            name += "_in"
        reserved.add(name.casefold())
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


MARKER_MAX = 12
"""Longest name of a marker that stands in a label; the letter of the file does instead."""

LEAVE = "L"
"""Stands before the numbers of leave trees where marked trees have the same."""


def mark_labels(marks: pd.DataFrame, log: RecordLog) -> pd.Series:
    """
    Label of each mark: its number, behind its marker or the letter of its file where files repeat.

    A mark without a number is called after its record, as in ``#14``; the second of two records of
    one file with one number is ``5/2``. `_file` of the marks is the place of their file.
    """
    stand = marks[STAND].to_numpy()
    own = marks["tree_id"].where(marks["tree_id"] != "", "#" + marks["record"].astype("str"))
    source, by_marker = _sources(marks, stand)
    once = pd.MultiIndex.from_arrays([stand, own, source]).unique()
    repeat = once[once.droplevel(2).duplicated(keep=False)].get_level_values(0).unique()
    if len(repeat):
        before = np.isin(stand, repeat)
        own = own.where(~before, pd.Series(source, index=own.index) + "-" + own)
        for number in repeat.tolist():
            here = stand == number
            _note(marks[here], log, number, by_marker=bool(by_marker[here].all()))
    return _told_apart(own, stand)


def leave_labels(leave: pd.DataFrame, marks: pd.DataFrame | None) -> pd.Series:
    """Label of each leave tree, unlike those of the marks of its stand."""
    stand = leave[STAND].to_numpy()
    place = pd.Series(np.arange(1, len(leave) + 1), index=leave.index).astype("str")
    own = leave["tree_id"].where(leave["tree_id"] != "", "#" + place)
    if marks is not None and len(leave):
        taken = pd.MultiIndex.from_arrays([marks[STAND], marks["label"]])
        shared = pd.MultiIndex.from_arrays([stand, own]).isin(taken)
        before = np.isin(stand, stand[shared])
        own = own.where(~before, f"{LEAVE}-" + own)
    return _told_apart(own, stand)


def _sources(
    marks: pd.DataFrame, stand: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_]]:
    """What stands before a number: the marker where all of a stand are named, else a letter."""
    named = (marks["marker"] != marks["source_file"]) & (marks["marker"].str.len() <= MARKER_MAX)
    by_marker = named.groupby(stand).transform("all").to_numpy()
    letters = np.array(_letters(int(marks["_file"].max()) + 1 if len(marks) else 0), dtype=object)
    letter = letters[marks["_file"].to_numpy()]
    return np.where(by_marker, marks["marker"].to_numpy(dtype=object), letter), by_marker


def _letters(number: int) -> list[str]:
    """A to Z, then AA, AB and so on."""
    words = ("".join(word) for size in count(1) for word in product(ascii_uppercase, repeat=size))
    return [word for word, _ in zip(words, range(number), strict=False)]


def _note(marks: pd.DataFrame, log: RecordLog, stand: int, *, by_marker: bool) -> None:
    """Say how trees are shown in a stand whose files repeat numbers."""
    if by_marker:
        how = "its marker and its number"
    else:
        files = marks.drop_duplicates("_file").sort_values("_file")
        letters = _letters(int(files["_file"].max()) + 1)
        names = [
            f"{letters[place]} {name}"
            for place, name in zip(files["_file"], files["source_file"], strict=True)
        ]
        how = f"the letter of its file and its number: {listed(names)}"
    text = f"Numbers of trees repeat between files or markers; every tree is shown by {how}."
    log.notice(text, stand=stand)


def _told_apart(label: pd.Series, stand: npt.NDArray[np.int64]) -> pd.Series:
    """Labels, the second and further trees of one label with their place among them."""
    while True:
        place = label.groupby([stand, label.to_numpy()]).cumcount()
        if not place.any():
            return label
        label = label.where(place == 0, label + "/" + (place + 1).astype("str"))


_NAME = "name"
_NUMBERS = frozenset({"dbh", "height", "count", "logs"})
_ABOUT = r"(?:(?:ca|circa|abt|about|approx|~|\?)\.?\s*)?"
_UNITS = r"""(?:\s?(?:cm|mm|m|inches|inch|in|ft|["\u201d'\u2019]))?"""
_NUMBER = rf"{_ABOUT}[-+]?[.,]?\d\S*?{_UNITS}"
_WORDS = r".+?"

_SEPARATORS = (" ", "-", "_", "/", ",", ";")
_PLAIN_NUMBER = re.compile(rf"\d+(?:[.,]\d+)?{_UNITS}")
_COLOURS = frozenset(
    {
        "red", "orange", "yellow", "green", "blue", "white", "pink", "purple", "violet", "black",
        "brown", "grey", "gray", "silver", "magenta", "cyan", "turquoise", "lime",
        "rot", "gelb", "grün", "blau", "weiß", "weiss", "rosa", "lila", "schwarz", "braun", "grau",
    }
)  # fmt: skip
_FEWEST_NAMES = 3
_MOST_PARTS = 4
_ALIKE_SHARE = 0.8
_FITTING_SHARE = 0.6
_STEM = (2.0, 150.0)
"""Between these lies the median of numbers that may be diameters, in whichever unit."""


def with_names_read(
    reading: Reading, pattern: str, stated: Mapping[str, str], log: RecordLog
) -> Reading:
    """
    Records with what their names say in the columns of its meaning, added where there are none.

    A name that fits wins over what such a column holds; where it has no number of the tree, that
    of the record stands for it. Names that do not fit stay, and are told. A file without a column
    of names comes back as it is.
    """
    header = _name_header(reading.headers)
    if not header or not pattern or not len(reading):
        return reading
    names = reading.text(header)
    parts = names.str.extract(_expression(pattern))
    fits = parts.notna().any(axis=1)
    if not fits.all():
        _note_unfit(reading, names, fits, pattern, log)
    if "id" not in parts:
        parts["id"] = reading.record.astype("str").where(fits)
    found = recognise(reading.headers, meanings.MARKS, stated=stated, where=reading.file.name)
    rows = reading.rows
    for meaning in map(str, parts.columns):
        said = parts[meaning].where(fits, names if meaning == "id" else "").fillna("").str.strip()
        own = found.header.get(meaning, header)
        if own != header:
            rows = rows.assign(**{own: said.where(fits, reading.text(own))})
        else:
            rows = rows.assign(**{meaning: said.astype("str")})
    return replace(reading, rows=rows)


def _name_header(headers: Sequence[str]) -> str:
    """The column of names, or nothing."""
    return next((head for head in headers if head.strip().casefold() == _NAME), "")


def _expression(pattern: str) -> re.Pattern[str]:
    """A stated pattern as a regular expression of the whole name."""
    text, end = r"\s*", 0
    for found in NAME_FIELD.finditer(pattern):
        text += _literal(pattern[end : found.start()])
        name = found[1]
        text += f"(?P<{name}>{_NUMBER if name in _NUMBERS else _WORDS})"
        end = found.end()
    return re.compile(f"^{text}{_literal(pattern[end:])}\\s*$", re.IGNORECASE)


def _literal(text: str) -> str:
    """What stands between fields: any spaces for spaces, signs with or without spaces around."""
    words = [re.escape(word) for word in text.split()]
    return r"\s*".join(["", *words, ""]) if words else r"\s+" * bool(text)


def _note_unfit(
    reading: Reading, names: pd.Series, fits: pd.Series, pattern: str, log: RecordLog
) -> None:
    """Say which names do not fit."""
    for stand, places in reading.split(~fits):
        told = listed(f'"{shown(name)}"' for name in names.iloc[places])
        log.notice(
            f"{reading.file.name}: {len(places):,} of {int((reading.stand == stand).sum()):,} "
            f'names do not fit [marks] name_pattern "{shown(pattern)}" and are kept as they are, '
            f"without species, diameter or paint: {told}.",
            stand=stand,
        )


def likely_pattern(reading: Reading) -> str:
    """The pattern that most names seem to follow; nothing where columns say it, or none does."""
    header = _name_header(reading.headers)
    found = recognise(reading.headers, meanings.MARKS, where=reading.file.name).header
    if not header or {"dbh", "species", "paint"} & set(found):
        return ""
    names = reading.text(header)
    names = names[names != ""]
    if len(names) < _FEWEST_NAMES:
        return ""
    return next((pattern for sign in _SEPARATORS if (pattern := _by_parts(names, sign))), "")


def _by_parts(names: pd.Series, sign: str) -> str:
    """Pattern of names whose parts are separated by a sign, nothing where none is seen."""
    parts = names.str.split(sign) if sign != " " else names.str.split()
    size = parts.map(len)
    usual = int(size.mode().iloc[0])
    alike = parts[size == usual]
    if not 1 < usual <= _MOST_PARTS or len(alike) < _FITTING_SHARE * len(names):
        return ""
    fields: list[str] = []
    for place in range(usual):
        fields.append(_field_of(alike.str[place].str.strip().str.casefold(), fields))
    if "" in fields or not {"dbh", "paint"} & set(fields):
        return ""
    return sign.join(f"{{{name}}}" for name in fields)


def _field_of(words: pd.Series, taken: Sequence[str]) -> str:
    """What one part of the names may be, nothing where it cannot be told."""
    numbers = pd.to_numeric(
        words[words.str.fullmatch(_PLAIN_NUMBER)]
        .str.extract(r"(\d+(?:[.,]\d+)?)")[0]
        .str.replace(",", ".")
    )
    if len(numbers) >= _ALIKE_SHARE * len(words):
        running = numbers.is_unique and (numbers.sort_values().diff().dropna() == 1).all()
        name = "id" if running or not _STEM[0] <= numbers.median() <= _STEM[1] else "dbh"
    elif words.isin(_COLOURS).mean() >= _FITTING_SHARE:
        name = "paint"
    else:
        name = "species"
    return "" if name in taken else name
