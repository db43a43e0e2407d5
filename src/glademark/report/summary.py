"""The summary: every figure of the layout under one roof, as ``summary.json``."""

import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import fields
from functools import lru_cache
from pathlib import Path
from typing import Any

import pandas as pd
from pyproj import CRS

from glademark import __version__
from glademark.contracts.frames import STAND
from glademark.contracts.layout import ZONE_NAMES, Layout
from glademark.contracts.survey import InputCount, Survey
from glademark.project.model import Project
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.json_values import json_value
from glademark.report.marking_days import marking_days
from glademark.report.parameters import project_settings

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
    """
    Every figure of the layout, in the types of JSON.

    Parameters
    ----------
    project
        What was asked.
    survey
        What was brought home.
    layout
        What was measured.
    checks
        Columns of `contracts.layers.CHECKS`.
    uncertainty
        Intervals of the figures, where the project asks for them.

    Returns
    -------
    summary
        Numbers unrounded, in SI units; shares from 0 to 1; None where there is no number. No date
        and no path, so that equal input gives an equal summary.
    """
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
    return {"quantities": rows, "residual": layout.residual, "by_size_class": by_class}


def _ground(layout: Layout) -> dict[str, Any]:
    """What was found of the ground; nothing where nothing was."""
    found = {
        part.name: getattr(layout.ground, part.name)
        for part in fields(layout.ground)
        if getattr(layout.ground, part.name) is not None
    }
    return {"ground": found} if found else {}


def summary_text(summary: object) -> str:
    """
    A summary as the text of its file.

    Parameters
    ----------
    summary
        As `build_summary` makes it.

    Returns
    -------
    text
        Indented JSON in declared order, with a line feed at its end.
    """
    return json.dumps(summary, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_summary(summary: object, path: Path) -> None:
    """
    Write a summary as JSON and read it back.

    Parameters
    ----------
    summary
        In the types of JSON.
    path
        Of the file.
    """
    path.write_bytes(summary_text(summary).encode("utf-8", "replace"))
    json.loads(path.read_bytes())


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``summary.json``."""
    write_summary(delivery.summary, folder / SUMMARY_FILE)


DELIVERABLE = Deliverable(id="summary", title="Summary", files=(SUMMARY_FILE,), write=_write)
"""Every figure as JSON."""
