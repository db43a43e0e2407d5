"""Layers, tables and figures of the comparison as files."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from glademark import __version__
from glademark.contracts.job_layers import AFTER_CUT_LAYERS, FINDINGS
from glademark.export.csv_tables import write_csv
from glademark.export.geopackage import write_frames
from glademark.report.columns import written_frame
from glademark.report.comparison.page import PAGE_FILE, write_page
from glademark.report.comparison.sheet import SHEET_FILE, write_sheet
from glademark.report.delivery import Deliverable
from glademark.report.summary import json_value, write_summary

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pandas as pd

    from glademark.comparison.comparison import Comparison
    from glademark.contracts.layers import Units
    from glademark.contracts.survey import AfterCutSurvey
    from glademark.project.model import Project

_FIGURES = (
    "unit", "amount", "low", "high", "trees_without", "share_of_marked", "marked_without",
)  # fmt: skip


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


COMPARISON_FIGURES_FILE = "compare.json"


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


def comparison_figures_deliverable(figures: Mapping[str, Any]) -> Mapping[str, Deliverable]:
    """Writer of ``compare.json``."""
    one = Deliverable(
        id="compare",
        title="Figures",
        files=(COMPARISON_FIGURES_FILE,),
        write=lambda _, folder: write_summary(figures, folder / COMPARISON_FIGURES_FILE),
    )
    return MappingProxyType({one.id: one})
