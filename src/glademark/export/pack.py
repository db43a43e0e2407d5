"""
The pack for the contractor: sheets, field guide, handheld files and cautions in one archive.

It holds no price, nothing of the cruise and nothing of the allowance: what goes in is made from a
delivery without them.
"""

from __future__ import annotations

import tempfile
import zipfile
from dataclasses import replace
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING

from glademark.errors import shown
from glademark.export.manifest import wanted
from glademark.project.model import AllowanceSettings
from glademark.report.crew_sentences import say
from glademark.report.delivery import Deliverable, Delivery, add_file
from glademark.report.site_rules import cautions, unpainted_rules
from glademark.report.verdicts import approval_words, edition_words, newest_day

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import pandas as pd

PACK_FILE = "layout_pack.zip"
CAUTIONS_FILE = "cautions.txt"
CONTENTS_FILE = "contents.txt"
CONTENTS = ("map", "field_guide", "stump_check", "extraction", "gpx", "kml", "geojson")
"""Ids of the deliverables in the pack; one that is not installed is left out."""

STOCK_LIMITS = ("removal_share_max", "removal_basal_area_share_max", "residual_basal_area_min")
"""Limits that speak of the standing stock."""


def make_pack(
    delivery: Delivery, folder: Path, *, deliverables: Mapping[str, Deliverable] | None = None
) -> Path:
    """Write the pack for the contractor."""
    known = _registered() if deliverables is None else deliverables
    crew = without_stock(delivery)
    path = folder / PACK_FILE
    with (
        tempfile.TemporaryDirectory(prefix="pack-", dir=folder) as place,
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
    ):
        day = newest_day(delivery)
        add_file(archive, CAUTIONS_FILE, cautions_text(delivery).encode("utf-8", "replace"), day)
        found = [known[name] for name in CONTENTS if name in known and wanted(known[name], crew)]
        add_file(archive, CONTENTS_FILE, contents_text(delivery, found).encode(), day)
        for deliverable in found:
            deliverable.write(crew, Path(place))
            for name in deliverable.files:
                add_file(archive, name, (Path(place) / name).read_bytes(), day)
    return path


def contents_text(delivery: Delivery, deliverables: Sequence[Deliverable]) -> str:
    """What is in the pack, file by file."""
    files = [(name, one.title) for one in deliverables for name in one.files]
    lines = [
        f"{shown(delivery.project.heading.name)}. {edition_words(delivery)}.",
        *filter(None, [approval_words(delivery)]),
        f"{CAUTIONS_FILE}: read before work begins",
        *(f"{name}: {title}" for name, title in files),
    ]
    return "\n".join(lines) + "\n"


def without_stock(delivery: Delivery) -> Delivery:
    """A delivery in which nothing tells of the standing stock."""
    layout = delivery.layout
    limits = {*STOCK_LIMITS, "target"}
    kept = {name: limit for name, limit in delivery.project.limits.items() if name not in limits}
    return Delivery(
        project=delivery.project.model_copy(
            update={"allowance": AllowanceSettings(), "limits": kept}
        ),
        survey=replace(
            delivery.survey,
            plots=delivery.survey.plots.iloc[:0],
            plot_trees=delivery.survey.plot_trees.iloc[:0],
            stand_notices=(),
        ),
        layout=replace(
            layout,
            cruise_plots=layout.cruise_plots.iloc[:0],
            allowance=layout.allowance.iloc[:0],
            stock_by_class=layout.stock_by_class.iloc[:0],
            by_stand={
                stand: replace(results, residual={}, notices=())
                for stand, results in layout.by_stand.items()
            },
        ),
        checks=_checks_without(delivery.checks, limits),
        summary={**delivery.summary, "allowance": {}, "notices": []},
    )


def _checks_without(checks: pd.DataFrame, limits: Collection[str]) -> pd.DataFrame:
    """Checks without some limits; of those exceeded the verdict stays, and no figure."""
    hidden = checks["limit"].isin(limits)
    kept = checks[~hidden | (checks["verdict"] == "exceeded")].reset_index(drop=True)
    bare = kept["limit"].isin(limits)
    figures = {name: kept[name].mask(bare) for name in ("measured", "limit_value", "margin")}
    return kept.assign(**figures, reason=kept["reason"].mask(bare, ""))


def cautions_text(delivery: Delivery) -> str:
    """What has to be read before work begins."""
    project = delivery.project
    lines = [
        f"Layout of {shown(delivery.project.heading.name)}. {edition_words(delivery)}.",
        *filter(None, [approval_words(delivery)]),
        *cautions(),
        say("two-tree-lengths"),
        say("line-trees"),
        *(say(f"unpainted-{where}", rule=what) for where, what in unpainted_rules(project)),
        say("stop-in-short"),
    ]
    return "\n\n".join(lines) + "\n"


def _registered() -> dict[str, Deliverable]:
    """What goes into the pack, found as every deliverable is."""
    points = entry_points(group="glademark.deliverables")
    return {point.name: point.load() for point in points if point.name in CONTENTS}


def _write_pack(delivery: Delivery, folder: Path) -> None:
    """Write ``layout_pack.zip``."""
    make_pack(delivery, folder)


PACK = Deliverable(
    id="pack",
    title="Pack for the contractor",
    files=(PACK_FILE,),
    write=_write_pack,
    on_request=True,
)
"""One archive, made only where it is asked for."""
