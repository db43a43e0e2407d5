"""What is written of the stand that stays: one set of figures on every paper, and absent blocks."""

import json
from pathlib import Path

import geopandas as gpd
import openpyxl
import pandas as pd
import pyogrio
import pytest
from pypdf import PdfReader

from glademark.export.reopen import reopen
from glademark.jobs.layout import Outcome
from glademark.report.summary import json_value


def _out(outcome: Outcome) -> Path:
    """Folder of the files."""
    return Path(outcome.files[0]).parent


def test_layers_and_tables_are_in_the_geopackage(mapped: Outcome) -> None:
    """Each with its declared columns, and the US columns left out in a metric project."""
    path = _out(mapped) / "layout.gpkg"
    names = {name for name, _ in pyogrio.list_layers(path)}

    assert names >= {
        "crop_trees", "regeneration", "exposed_edges", "residual_by_class", "marking_ratio",
        "removals_by_reason", "retention",
    }  # fmt: skip
    crop = gpd.read_file(path, layer="crop_trees")
    assert crop["freed"].tolist() == mapped.delivery.layout.crop_trees["freed"].tolist()


def test_the_summary_has_the_figures_of_the_tables(mapped: Outcome) -> None:
    """Basal area per hectare, trees by reason and retained trees are those of the tables."""
    summary = json.loads((_out(mapped) / "summary.json").read_text(encoding="utf-8"))["residual"]
    total = mapped.delivery.layout.residual_by_class.iloc[-1]

    assert summary["basis"] == "standing"
    assert summary["residual"]["basal_area_m2_ha"] == pytest.approx(
        total["residual_basal_area_m2_ha"]
    )
    assert summary["reasons"] == {"risk": 12}
    assert summary["trees_without_reason"] == 13
    assert summary["retention"]["marked_as_well"] == ["T12"]
    assert summary["crop_trees"]["crowded_after"] == {"3": 1}


def test_papers_say_what_the_tables_say(mapped: Outcome) -> None:
    """The sheet, the filing figures, the review page and the workbook have the same numbers."""
    folder, layout = _out(mapped), mapped.delivery.layout
    shown = f"{layout.residual['residual']['basal_area_m2_ha']:.1f} m2/ha"
    sheet, filing = (
        " ".join(page.extract_text() for page in PdfReader(folder / name).pages)
        for name in ("residual_stand.pdf", "filing_figures.pdf")
    )
    page = (folder / "review.html").read_text(encoding="utf-8")
    book = openpyxl.load_workbook(folder / "layout.xlsx", read_only=True)

    for text in (sheet, filing, page):
        assert shown in text
        assert "risk 12, not stated 13" in text
    for line in layout.marking_ratio["still_to_mark_of"]:
        assert line in sheet
        assert line in page
    assert {"Residual stand by size class", "Still to be marked"} <= set(book.sheetnames)


def test_a_layout_made_again_has_the_same_figures(mapped: Outcome) -> None:
    """Papers from the GeoPackage alone know the stand that stays."""
    again = reopen(_out(mapped) / "layout.gpkg").layout

    assert again.residual["residual"] == json_value(mapped.delivery.layout.residual["residual"])
    pd.testing.assert_series_equal(
        again.marking_ratio["still_to_mark_of"].astype(object),
        mapped.delivery.layout.marking_ratio["still_to_mark_of"].astype(object),
    )


def test_matched_marks_are_the_trees_of_their_numbers(mapped: Outcome) -> None:
    """The 25 marks are trees of the map, so that the cover after is known."""
    residual = mapped.delivery.layout.residual

    assert residual["marked"]["trees_per_ha"] == 25
    assert residual["residual"]["canopy_cover"] is not None
    assert not [one for one in mapped.delivery.layout.notices if "not found among" in one]
