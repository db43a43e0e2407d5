"""The settings and figures that a layout rests on: all that is needed to draw it again."""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

import pandas as pd

from glademark.contracts.layers import MARKS, PARAMETERS
from glademark.project.model import Project
from glademark.report.columns import names_brought_along
from glademark.report.delivery import Delivery
from glademark.report.json_values import json_value

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
    """
    Names and values as a table.

    Parameters
    ----------
    rows
        As from `parameter_rows`.

    Returns
    -------
    table
        Columns of `contracts.layers.PARAMETERS`.
    """
    columns = {
        name: pd.array([row[place] for row in rows], dtype="string")
        for place, name in enumerate(PARAMETERS.names)
    }
    return pd.DataFrame(columns)


def parameter_rows(
    stands: Sequence[tuple[Mapping[str, Any], Mapping[str, Any]]],
) -> list[list[tuple[str, str]]]:
    """
    Names and values of the settings and figures of several stands.

    Parameters
    ----------
    stands
        Settings and summary of each, in the types of JSON. What several of them share, being the
        same thing in memory, is put into words once.

    Returns
    -------
    rows
        Of each stand, as in `parameters_table`.
    """
    known: _Known = {}
    return [
        [*_named(settings, "", known), *_named({"summary": summary}, "", known)]
        for settings, summary in stands
    ]


def project_settings(project: Project) -> dict[str, Any]:
    """
    Settings of a project in the types of JSON.

    Parameters
    ----------
    project
        What was asked.

    Returns
    -------
    settings
        Under the tables of the project file, quantities in SI with the unit in the name. Input
        files stand by their names, without folders.
    """
    parts = {name: _plain(_Same(getattr(project, name))) for name in type(project).model_fields}
    return {"project": parts.pop("heading"), **parts}


@lru_cache(maxsize=64)  # the stands of a run share all parts but the heading
def _plain(same: _Same) -> Any:  # noqa: ANN401 - JSON is one of several types
    """One part of a project in the types of JSON; shared by all who ask."""
    return json_value(same.part)


def named_values(values: Mapping[str, object], *, prefix: str = "") -> Iterator[tuple[str, str]]:
    """
    Name and JSON text of every value that is no table itself.

    Parameters
    ----------
    values
        Plain values, nested at will.
    prefix
        Of all names, with its dot.

    Yields
    ------
    name_and_value
        The name is a dotted key of TOML.

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
