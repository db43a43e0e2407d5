"""The summary: every figure of the layout under one roof, as ``summary.json``."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from pydantic import BaseModel

from glademark import __version__
from glademark.contracts.frames import STAND
from glademark.contracts.layers import MARKS
from glademark.contracts.layout import ZONE_NAMES, Layout
from glademark.contracts.result_tables import PARAMETERS
from glademark.measure.standing import BASAL
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.quantities import (
    AT_LEAST,
    AT_MOST,
    basal_area_unit,
    names_brought_along,
    show,
    show_area,
    show_number,
    show_share,
)

if TYPE_CHECKING:
    from pyproj import CRS

    from glademark.contracts.layers import Units
    from glademark.contracts.survey import InputCount, Survey
    from glademark.project.model import Project

SUMMARY_FILE = "summary.json"
EDITION_DIGITS = 8
"""Of the hash that tells editions apart."""

VERDICTS = ("met", "near", "exceeded", "not_checked")
"""What can become of a limit, in the order in which they are counted."""


def build_summary(
    project: Project,
    survey: Survey,
    layout: Layout,
    checks: pd.DataFrame,
    *,
    uncertainty: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Every figure of the layout, in the types of JSON."""
    figures, found = layout.figures, Counter(checks["verdict"].tolist())
    zones = {zone: figures.zones[zone] for zone in ZONE_NAMES if zone in figures.zones}
    summary = {
        "stand": figures.stand,
        "corridors": figures.corridors,
        "openings": figures.openings,
        "zones": zones,
        "marks": figures.marks,
        "volume": figures.volume,
        **({"with_unconfirmed": figures.with_unconfirmed} if figures.with_unconfirmed else {}),
        "allowance": _allowance(layout),
        **({"residual": layout.residual} if layout.residual else {}),
        **_ground(layout),
        **({"uncertainty": uncertainty} if uncertainty else {}),
        "checks": {verdict: found[verdict] for verdict in VERDICTS},
        "notices": layout.notices,
    }
    settings = project_settings(project)
    provenance = {
        "version": __version__,
        "edition": edition_of(survey.counts, settings),
        "project": project.heading.name,
        "units": project.heading.units,
        "crs": _crs_text(layout.crs, layout.crs.srs),
        "inputs": json_value(survey.counts),
        "newest_mark": max(marking_days(survey.marks), default=None),
        "parameters": settings,
    }
    return {**json_value(summary), "provenance": provenance}


def edition_of(counts: Sequence[InputCount], settings: Mapping[str, Any]) -> str:
    """Short hash of the inputs, the settings and the version, the same for all stands of a run."""
    files = sorted({(one.input, one.file, one.sha256) for one in counts})
    asked = {name: part for name, part in settings.items() if name not in {"project", "deliver"}}
    text = json.dumps([__version__, files, asked], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:EDITION_DIGITS]


@lru_cache(maxsize=8)  # the stands of a run have equal ones; the search among names takes 1.5 ms
def _crs_text(crs: CRS, _: str) -> str:
    """A coordinate system by its authority and code, else as it was stated."""
    return str(crs.to_string())


def _allowance(layout: Layout) -> dict[str, Any]:
    """Each quantity whose standing stock is known, and what stays; empty without a known stock."""
    if layout.allowance.empty:
        return {}
    rows, by_class = (
        table.drop(columns=STAND, errors="ignore").set_index(key).to_dict("index")
        for table, key in ((layout.allowance, "quantity"), (layout.stock_by_class, "size_class"))
    )
    return {"quantities": rows, "residual": layout.stock_left, "by_size_class": by_class}


def _ground(layout: Layout) -> dict[str, Any]:
    """What was found of the ground; nothing where nothing was."""
    found = {
        part.name: getattr(layout.ground, part.name)
        for part in fields(layout.ground)
        if getattr(layout.ground, part.name) is not None
    }
    return {"ground": found} if found else {}


def summary_text(summary: object) -> str:
    """A summary as the text of its file."""
    return json.dumps(summary, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_summary(summary: object, path: Path) -> None:
    """Write a summary as JSON and read it back."""
    path.write_bytes(summary_text(summary).encode("utf-8", "replace"))
    json.loads(path.read_bytes())


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``summary.json``."""
    write_summary(delivery.summary, folder / SUMMARY_FILE)


DELIVERABLE = Deliverable(id="summary", title="Summary", files=(SUMMARY_FILE,), write=_write)
"""Every figure as JSON."""


RECORDED = "recorded"
"""Key of the names under which the columns of a layer came in, by their names in the file."""

_BARE_KEY = re.compile("[A-Za-z0-9_-]+")
_json_text = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode

_Row = tuple[str, str]
_Known = dict[tuple[str, int], list[_Row]]


class _Same:
    """A part of a project, equal to itself alone; it never changes, but has no hash."""

    __slots__ = ("part",)

    def __init__(self, part: object) -> None:
        self.part = part

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.part is other.part

    def __hash__(self) -> int:
        return id(self.part)


def parameters_table(delivery: Delivery) -> pd.DataFrame:
    """
    Settings, figures, and the names that columns of the marks came in under.

    Settings are named as in the project file, quantities in SI with the unit in the name; figures
    as in ``summary.json``, behind ``summary``. A key with other letters than ``A-Za-z0-9_-`` stands
    in quotes, as in a project file. Input files stand by their names, without folders.
    """
    rows = parameter_rows([(project_settings(delivery.project), delivery.summary)])[0]
    marks, units = delivery.layout.marks, delivery.project.heading.units
    recorded = {new: str(name) for new, name in names_brought_along(marks, MARKS, units).items()}
    own = named_values({RECORDED: {MARKS.name: recorded}}) if recorded else ()
    return as_table([*rows, *own])


def as_table(rows: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """Names and values as a table."""
    columns = {
        name: pd.array([row[place] for row in rows], dtype="string")
        for place, name in enumerate(PARAMETERS.names)
    }
    return pd.DataFrame(columns)


def parameter_rows(
    stands: Sequence[tuple[Mapping[str, Any], Mapping[str, Any]]],
) -> list[list[tuple[str, str]]]:
    """Names and values of the settings and figures of several stands."""
    known: _Known = {}
    return [
        [*_named(settings, "", known), *_named({"summary": summary}, "", known)]
        for settings, summary in stands
    ]


def project_settings(project: Project) -> dict[str, Any]:
    """Settings of a project in the types of JSON."""
    parts = {name: _plain(_Same(getattr(project, name))) for name in type(project).model_fields}
    return {"project": parts.pop("heading"), **parts}


@lru_cache(maxsize=64)  # the stands of a run share all parts but the heading
def _plain(same: _Same) -> Any:  # noqa: ANN401 - JSON is one of several types
    """One part of a project in the types of JSON; shared by all who ask."""
    return json_value(same.part)


def named_values(values: Mapping[str, object], *, prefix: str = "") -> Iterator[tuple[str, str]]:
    """
    Name and JSON text of every value that is no table itself.

    Examples
    --------
    >>> list(named_values({"volume": {"no. 2": 1.5, "rules": {}}}))
    [('volume."no. 2"', '1.5'), ('volume.rules', '{}')]
    """
    yield from _named(values, prefix, {})


def _named(values: Mapping[str, object], prefix: str, known: _Known) -> list[_Row]:
    """Rows of nested values; of a mapping that was met under the same name, those made then."""
    rows: list[_Row] = []
    for plain, value in values.items():
        key = plain if _BARE_KEY.fullmatch(plain) else json.dumps(plain, ensure_ascii=False)
        if isinstance(value, Mapping) and value:
            place = (f"{prefix}{key}.", id(value))  # the caller holds it: no other has its id
            if place not in known:
                known[place] = _named(value, place[0], known)
            rows.extend(known[place])
        else:
            rows.append((f"{prefix}{key}", _json_text(value)))
    return rows


_SCALARS = frozenset({str, float, int, bool, type(None), np.float64, np.int64})


def json_value(value: object) -> Any:  # noqa: ANN401 - JSON is one of several types
    """
    The same value in the types that JSON has.

    Returns
    -------
    plain
        Mappings and dataclasses keep their order, keys between tables are left out; NaN and
        infinity become None; a path becomes its last part, so that nothing tells where on a machine
        a project lies.

    Examples
    --------
    >>> json_value({"share": float("nan"), "openings": (1, 2)})
    {'share': None, 'openings': [1, 2]}
    """
    if type(value) in _SCALARS:  # most are: the other questions take ten times as long
        return _json_scalar(value)
    if isinstance(value, BaseModel):
        value = value.model_dump()
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = [part.name for part in dataclasses.fields(value) if "key" not in part.metadata]
        value = {name: getattr(value, name) for name in parts}
    if isinstance(value, Mapping):
        return {str(key): json_value(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [json_value(part) for part in value]
    return _json_scalar(value)


def _json_scalar(value: object) -> str | float | int | bool | None:
    """One value that holds no others."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, Path):
        return value.name
    msg = f"a {type(value).__name__} cannot be written as JSON; expected number, text, flag or None"
    raise TypeError(msg)


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkingProgress:
    """What a forester asks at the end of a marking day."""

    marked_ground: str  # share of the operable area that is marked so far, and both areas
    taken: str  # share of the basal area taken on marked ground, and of that of the whole stand
    remaining: str  # remaining allowance of basal area, and where; empty where no limit is set


def marking_progress(layout: Layout, units: Units) -> MarkingProgress | None:
    """Marking progress in words."""
    rows = layout.allowance[layout.allowance["quantity"] == BASAL]
    if rows.empty:
        return None
    names = (
        "marked", "share", "share_on_marked_ground", "remaining", "remaining_per_ha_elsewhere",
        "trees_without",
    )  # fmt: skip
    row = {name: float(rows[name].astype(float).iloc[0]) for name in names}
    share = (
        row["share"] / row["share_on_marked_ground"]
        if row["share_on_marked_ground"] > 0
        else math.nan
    )
    if not math.isfinite(share):
        return None
    operable_m2, least = layout.figures.stand.operable_m2, f"{AT_LEAST} " * _leaves_out(row)
    areas = [show_area(part * operable_m2, units) for part in (share, 1.0, 1.0 - share)]
    return MarkingProgress(
        marked_ground=f"{show_share(share)} of the operable area, {areas[0]} of {areas[1]}",
        taken=f"{least}{show_share(row['share_on_marked_ground'])} of the basal area there, "
        f"{least}{show_share(row['share'])} of that of the stand",
        remaining=_remaining(row, areas[2], units),
    )


def _leaves_out(row: dict[str, float]) -> bool:
    """Whether trees without a diameter are not in what is marked."""
    return row["trees_without"] > 0


def _remaining(row: dict[str, float], rest: str, units: Units) -> str:
    """What remains, and where."""
    if math.isnan(row["remaining"]):
        return ""
    if row["remaining"] <= 0:
        return "nothing: the allowance is used up"
    most = f"{AT_MOST} " * _leaves_out(row)
    if math.isnan(row["remaining_per_ha_elsewhere"]):
        name, size = basal_area_unit(units)
        return f"{most}{show_number(row['remaining'] / size, 0)} {name}"
    each = show(row["remaining_per_ha_elsewhere"], "m2/ha", units)
    return f"{most}{each} on the {rest} not marked so far"


_DAY = re.compile(r"\s*(\d{4}-\d{2}-\d{2})(?:[T ].*)?")


def marking_days(marks: pd.DataFrame) -> tuple[str, ...]:
    """
    Days of the marks whose times are written in the order of ISO 8601.

    Examples
    --------
    >>> marking_days(pd.DataFrame({"time": ["2025-10-06 08:06", "7/10/25", "2025-13-01"]}))
    ('2025-10-06',)
    """
    times = marks["time"].unique() if "time" in marks else ()
    days = {found[1] for text in times if (found := _DAY.fullmatch(str(text)))}
    return tuple(sorted(day for day in days if _is_day(day)))


def _is_day(text: str) -> bool:
    """Whether the calendar has such a day."""
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True
