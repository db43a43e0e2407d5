"""The advice and the comparison as files: layers, tables and figures."""

from __future__ import annotations

import hashlib
import os
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from glademark import __version__
from glademark.advice.outcome import EDGE_WARNING, RESTS_ON, Advice
from glademark.contracts.job_layers import AFTER_CUT_LAYERS, FINDINGS
from glademark.contracts.layers import LEAVE_STANDING, Units
from glademark.errors import OutputError, tell_changed
from glademark.export.geopackage import write_frames
from glademark.export.tables import write_csv
from glademark.process import temporary_folder
from glademark.report.comparison.papers import PAGE_FILE, SHEET_FILE, write_page, write_sheet
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.quantities import written_frame
from glademark.report.summary import json_value, write_summary
from glademark.report.wording import cautions

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import geopandas as gpd

    from glademark.comparison.comparison import Comparison
    from glademark.contracts.survey import AfterCutSurvey
    from glademark.project.model import Project

ADVICE_FIGURES_FILE = "advice.json"

FORMATS = (".csv", ".gpkg", ".geojson")
"""Endings of a file of marks that can be written."""

NOTE = "applied.sha256"
"""Digests of the marks files that were written, in the folder of the advice."""

_DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON"}

_FIGURES = (
    "unit", "amount", "low", "high", "trees_without", "share_of_marked", "marked_without",
)  # fmt: skip

COMPARISON_FIGURES_FILE = "compare.json"


def advice_deliverables(advice: Advice) -> Mapping[str, Deliverable]:
    """Writers of the advice on one stand, for `glademark.export.output.Part`."""
    writers = {"advice.gpkg": _write_geopackage, "advice.csv": _write_table}
    return {
        name: Deliverable(id=name, title="Advice", files=(name,), write=partial(write, advice))
        for name, write in writers.items()
    }


def figures_deliverable(
    file: str, content: Mapping[str, Any], *, title: str
) -> Mapping[str, Deliverable]:
    """Writer of the figures of a job on all stands, as JSON."""
    one = Deliverable(
        id=file,
        title=title,
        files=(file,),
        write=lambda _, folder: write_summary(content, folder / file),
    )
    return {file: one}


def of_stands(content: Mapping[str, Any], refused: Mapping[str, str]) -> dict[str, Any]:
    """Figures of one stand as they are, those of many by the stand's name."""
    return dict(content[""]) if "" in content else {"stands": content, "refused": dict(refused)}


def _write_geopackage(advice: Advice, delivery: Delivery, folder: Path) -> None:
    """Write ``advice.gpkg``."""
    units: Units = delivery.project.heading.units
    frames, layers = (
        {LEAVE_STANDING.name: advice.leave_standing},
        {LEAVE_STANDING.name: LEAVE_STANDING},
    )
    write_frames(frames, layers, folder / "advice.gpkg", units=units)


def _write_table(advice: Advice, delivery: Delivery, folder: Path) -> None:
    """Write ``advice.csv``."""
    table = written_frame(advice.leave_standing, LEAVE_STANDING, delivery.project.heading.units)
    write_csv(table, folder / "advice.csv")


def advice_content(advice: Advice) -> Any:  # noqa: ANN401 - JSON is one of several types
    """The advice on a stand in the types of JSON."""
    standing = advice.leave_standing.drop(columns="geometry").astype(object)
    limits = [
        {
            "limit": row["limit"],
            "subject": row["subject"],
            "limit_value": row["limit_value"],
            "unit": row["unit"],
            "before": row["measured"],
            "after": advice.again(row)[0],
        }
        for row in advice.exceeded.to_dict("records")
    ]
    return json_value(
        {
            "by": advice.by,
            "groups": advice.groups,
            "wood_compared_by": advice.wood,
            "leave_standing": standing.where(standing.notna(), None).to_dict("records"),
            "notes": advice.notes,
            "given_up": advice.given_up.to_dict("records"),
            "limits": limits,
            "proof": _proof(advice),
            "rests_on": RESTS_ON,
            "not_mended": [
                {
                    "limit": one.limit,
                    "subject": one.subject,
                    "reason": one.reason,
                    "trees": one.trees,
                }
                for one in advice.unmended
            ],
            "given_way": advice.broken,
            "run_again": _run_again(advice),
            "edge_trees": None if advice.edge_trees is None else _edge_trees(advice.edge_trees),
            "edge_warning": EDGE_WARNING if advice.touches_edges else None,
            "cautions": cautions(),
        }
    )


def _proof(advice: Advice) -> list[dict[str, Any]]:
    """How far each part of the search got."""
    return [
        {"limits": proof.limits, "trees": proof.trees, "proof": proof.words}
        for proof in advice.proofs
    ]


def _run_again(advice: Advice) -> dict[str, Any]:
    """What is left beyond its limit once the trees stand."""
    return {
        "mended": advice.mended,
        "still_exceeded": advice.still_exceeded["subject"].tolist(),
    }


def _edge_trees(other: Advice) -> dict[str, Any]:
    """What trees on the edges of groups would do instead."""
    columns = ["label", "opening", "left_as"]
    rows = other.leave_standing[columns].astype(object)
    return {
        "trees": int(other.leave_standing["count"].sum()),
        "leave_standing": rows.where(rows.notna(), None).to_dict("records"),
        "proof": _proof(other),
        "run_again": _run_again(other),
    }


def refuse_marks_file(path: Path, *, inputs: Iterable[Path], out: Path) -> None:
    """Refuse a name that is no marks file, or a file that is not as we wrote it."""
    if path.suffix.casefold() not in FORMATS:
        msg = f"{path}: marks are written as {', '.join(FORMATS)}. Choose a name that ends so"
        raise OutputError(msg)
    here = Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    try:
        same = any(
            here == Path(os.path.abspath(other))  # noqa: PTH100 - the same
            or (path.exists() and other.exists() and path.samefile(other))
            for other in inputs
        )
        there = os.path.lexists(path) and not _is_own(path, out)
    except OSError as error:
        msg = f"{path} cannot be written: {(error.strerror or str(error)).lower()}"
        raise OutputError(msg) from error
    if same:
        msg = f"{path} is an input of this project and would be overwritten. Choose another name"
        raise OutputError(msg)
    if there:
        msg = (
            f"{path} is there already, and is not as an earlier --apply into {out} wrote it. "
            "Choose another name, or move it away"
        )
        raise OutputError(msg)


def _is_own(path: Path, out: Path) -> bool:
    """Whether a file is, byte for byte, one that an earlier advice into a folder noted."""
    return path.is_file() and _digest(path) in _noted(out)


def _noted(out: Path) -> list[str]:
    """Digests of the marks files of earlier advice."""
    note = out / NOTE
    if not note.is_file():
        return []
    lines = note.read_text(encoding="utf-8", errors="replace").splitlines()
    return [line.partition(" ")[0] for line in lines]


def _digest(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_marks_file(marks: gpd.GeoDataFrame, path: Path, *, out: Path) -> None:
    """Write rows of `marks_again` into a file, whole or not at all, and note it in the folder."""
    suffix = path.suffix.casefold()
    try:
        with temporary_folder(path.parent, prefix=".marks-") as folder:
            draft = folder / f"marks{suffix}"
            if suffix == ".csv":
                table = pd.DataFrame(marks.drop(columns="geometry"))
                table.to_csv(draft, index=False, lineterminator="\n", encoding="utf-8")
            else:
                shaped = marks.to_crs("EPSG:4326") if suffix == ".geojson" else marks
                options = {"COORDINATE_PRECISION": "12"} if suffix == ".geojson" else {}
                pyogrio.write_dataframe(
                    shaped, draft, layer="marks", driver=_DRIVERS[suffix], **options
                )
            if (digest := _digest(draft)) not in _noted(out):
                with (out / NOTE).open("a", encoding="utf-8") as note:
                    note.write(f"{digest}  {path.name}\n")
            draft.replace(path)
            tell_changed(f"all files had been written, {path} among them")
    except (OSError, DataSourceError, DataLayerError) as error:
        msg = f"{path} cannot be written. Check the folder and the space on its disk"
        raise OutputError(msg) from error


def write_layers(comparison: Comparison, seen: AfterCutSurvey, path: Path, *, units: Units) -> None:
    """Write ``compare.gpkg``."""
    frames: dict[str, pd.DataFrame] = {"rejected": seen.rejected}
    frames |= {name: getattr(comparison, name) for name in AFTER_CUT_LAYERS if name not in frames}
    write_frames(frames, AFTER_CUT_LAYERS, path, units=units)


def write_findings(comparison: Comparison, path: Path, *, units: Units) -> None:
    """Write ``findings.csv``."""
    table = written_frame(comparison.findings, FINDINGS, units)
    write_csv(table, path)


def _damage(comparison: Comparison) -> dict[str, Any] | None:
    """Damage to what is left; None where it was not looked for."""
    seen = comparison.damage_seen
    if seen is None:
        return None
    return {
        "share": seen.share.mean,
        "standard_error": seen.share.standard_error,
        "low": seen.low,
        "high": seen.high,
        "plots": seen.share.plots,
        "trees": seen.trees,
        "damaged": seen.damaged,
        "by_distance": comparison.damage.to_dict("records"),
        "causes": seen.causes,
        "ruts": {
            "number": seen.ruts,
            "length_m": seen.rut_length_m,
            "mean_depth_m": seen.rut_depth_m,
            "largest_depth_m": seen.rut_depth_max_m,
        },
        "regeneration": {"seen": seen.regeneration, "bent": seen.bent},
    }


def comparison_summary(
    comparison: Comparison, seen: AfterCutSurvey, project: Project
) -> dict[str, Any]:
    """Every figure of a comparison, in the types of JSON."""
    findings: dict[str, dict[str, Any]] = {}
    for row in comparison.findings.to_dict("records"):
        rest = {name: row[name] for name in _FIGURES}
        findings.setdefault(str(row["finding"]), {})[str(row["quantity"])] = rest
    residual = comparison.residual
    summary = {
        "stumps": {
            "trees": len(comparison.stumps),
            "doubtful": int(comparison.stumps["doubtful"].sum()),
            "by_finding": comparison.stumps["finding"].value_counts().sort_index().to_dict(),
        },
        "findings": findings,
        "questions": comparison.questions,
        "tallied": comparison.tallied.to_dict("records"),
        "sample_check": comparison.sample_check.to_dict("records"),
        "driven": None if comparison.driven is None else comparison.driven.figures,
        "openings": [
            {name: None if value is None else value for name, value in row.items()}
            for row in comparison.openings_after.drop(columns="geometry")
            .astype({"opening": float})
            .to_dict("records")
        ],
        "residual": None
        if residual is None
        else {
            "mean_m2_ha": residual.left.mean,
            "low_m2_ha": residual.left.low,
            "high_m2_ha": residual.left.high,
            "plots": residual.left.plots,
            "planned_m2_ha": residual.planned,
            "planned_trees_without": residual.trees_without,
            "difference_m2_ha": residual.difference,
            "difference_low_m2_ha": residual.low,
            "difference_high_m2_ha": residual.high,
            "disagrees": residual.disagrees,
        },
        "damage": _damage(comparison),
        "checks": comparison.checks.to_dict("records"),
        "match": {
            "error_scale": comparison.error_scale,
            "walked_m2": comparison.walked_m2,
            "shifts": comparison.shifts.to_dict("records"),
        },
        "notices": comparison.notices,
        "provenance": {
            "version": __version__,
            "project": project.heading.name,
            "crs": comparison.crs.to_string(),
            "inputs": seen.counts,
            "parameters": project.compare,
        },
    }
    return dict(json_value(summary))


def after_cut_deliverables(
    comparison: Comparison, seen: AfterCutSurvey
) -> Mapping[str, Deliverable]:
    """Writers of what a comparison of one stand hands over, by id, without its figures."""
    every = (
        Deliverable(
            id="compare_gpkg",
            title="GeoPackage",
            files=("compare.gpkg",),
            write=lambda delivery, folder: write_layers(
                comparison, seen, folder / "compare.gpkg", units=delivery.project.heading.units
            ),
        ),
        Deliverable(
            id="findings",
            title="Findings",
            files=("findings.csv",),
            write=lambda delivery, folder: write_findings(
                comparison, folder / "findings.csv", units=delivery.project.heading.units
            ),
        ),
        Deliverable(
            id="compare_page",
            title="Page of findings",
            files=(PAGE_FILE,),
            write=lambda delivery, folder: write_page(comparison, delivery, folder / PAGE_FILE),
        ),
        Deliverable(
            id="compare_sheet",
            title="Sheet of findings",
            files=(SHEET_FILE,),
            write=lambda delivery, folder: write_sheet(comparison, delivery, folder / SHEET_FILE),
        ),
    )
    return MappingProxyType({one.id: one for one in every})
