"""The settings and figures that a layout rests on: all that is needed to draw it again."""

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from glademark.deliver.delivery import Delivery
from glademark.deliver.json_values import json_value
from glademark.layers import PARAMETERS
from glademark.project.model import Project

_BARE_KEY = re.compile("[A-Za-z0-9_-]+")


def parameters_table(delivery: Delivery) -> pd.DataFrame:
    """
    Settings of the project and figures of the layout by name.

    Parameters
    ----------
    delivery
        What is handed over.

    Returns
    -------
    table
        Columns of `glademark.layers.PARAMETERS`. Settings are named as in the project file,
        quantities in SI with the unit in the name; figures as in ``summary.json``, behind
        ``summary``. A key with other letters than ``A-Za-z0-9_-`` stands in quotes, as in a project
        file. Input files stand by their names, without folders.
    """
    settings = project_settings(delivery.project)
    rows = [*named_values(settings), *named_values({"summary": json_value(delivery.summary)})]
    return pd.DataFrame(rows, columns=list(PARAMETERS.names), dtype="string")


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
    settings: dict[str, Any] = json_value(project)
    return {"project": settings.pop("heading"), **settings}


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
    for plain, value in values.items():
        key = plain if _BARE_KEY.fullmatch(plain) else json.dumps(plain, ensure_ascii=False)
        if isinstance(value, Mapping) and value:
            yield from named_values(value, prefix=f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", json.dumps(value, ensure_ascii=False, allow_nan=False)
