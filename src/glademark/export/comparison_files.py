"""What a comparison hands over, in the order in which it is written; the figures last."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from glademark.export.comparison_tables import write_findings, write_layers
from glademark.report.comparison.page import PAGE_FILE, write_page
from glademark.report.comparison.sheet import SHEET_FILE, write_sheet
from glademark.report.delivery import Deliverable
from glademark.report.summary import write_summary

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glademark.compare.comparison import Comparison
    from glademark.contracts.comparison_survey import AfterCutSurvey

FIGURES_FILE = "compare.json"


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


def figures_deliverable(figures: Mapping[str, Any]) -> Mapping[str, Deliverable]:
    """Writer of ``compare.json``."""
    one = Deliverable(
        id="compare",
        title="Figures",
        files=(FIGURES_FILE,),
        write=lambda _, folder: write_summary(figures, folder / FIGURES_FILE),
    )
    return MappingProxyType({one.id: one})
