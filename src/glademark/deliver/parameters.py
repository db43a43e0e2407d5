"""The settings and figures that a layout rests on: all that is needed to draw it again."""

import json
import re
from collections.abc import Iterator, Mapping

import pandas as pd

from glademark.deliver.delivery import Delivery
from glademark.deliver.json_values import json_value
from glademark.layers import PARAMETERS

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
    settings = json_value(delivery.project)
    settings["project"] = settings.pop("heading")
    rows = [*_rows(settings, ""), *_rows(json_value(delivery.summary), "summary.")]
    return pd.DataFrame(rows, columns=list(PARAMETERS.names), dtype="string")


def _rows(values: Mapping[str, object], prefix: str) -> Iterator[tuple[str, str]]:
    """Name and JSON text of every value that is no table itself."""
    for plain, value in values.items():
        key = plain if _BARE_KEY.fullmatch(plain) else json.dumps(plain, ensure_ascii=False)
        if isinstance(value, Mapping) and value:
            yield from _rows(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", json.dumps(value, ensure_ascii=False, allow_nan=False)
