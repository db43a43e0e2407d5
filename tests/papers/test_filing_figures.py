"""The planner's page: its figures are those of the summary, its limits name their source."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import docx
import pypdf
import shapely

from glademark.jobs.layout import Outcome
from glademark.report.delivery import Delivery
from glademark.report.papers.filing_figures import DELIVERABLE, filing_tables
from glademark.report.wording import approval_words, edition_words

ACRE_M2 = 43_560 * 0.3048**2  # 43,560 square feet, the international foot
FOOT_M = 0.3048


def filing_text(delivery: Delivery, folder: Path) -> str:
    """All words of the page, in one line."""
    DELIVERABLE.write(delivery, folder)
    pages = pypdf.PdfReader(folder / "filing_figures.pdf").pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_figures_are_those_of_the_summary(sample: Outcome, tmp_path: Path) -> None:
    """Areas, shares and lengths read back from the paper are those of summary.json, rounded."""
    words, summary = filing_text(sample.delivery, tmp_path), sample.delivery.summary
    stand, corridors, openings = summary["stand"], summary["corridors"], summary["openings"]

    for area in (stand["area_m2"], stand["operable_m2"], corridors["area_m2"], openings["area_m2"]):
        assert f"{area / ACRE_M2:.2f} acres" in words
    for share in (corridors["share"], corridors["share_operable"], openings["share"]):
        assert f"{100 * share:.1f} %" in words
    assert f"{corridors['length_m'] / FOOT_M:,.0f} ft" in words
    assert f"{openings['largest_m2'] / ACRE_M2:.2f} acre" in words
    assert f"{openings['combined_largest_m2'] / ACRE_M2:.2f} acre" in words
    assert f"{openings['nearest_spacing_m'] / FOOT_M:.1f} ft" in words


def test_it_is_one_sheet(sample: Outcome, tmp_path: Path) -> None:
    """The planner files a sheet, not a booklet."""
    DELIVERABLE.write(sample.delivery, tmp_path)

    assert len(pypdf.PdfReader(tmp_path / "filing_figures.pdf").pages) == 2


def test_each_opening_stands_with_its_verdict(sample: Outcome) -> None:
    """Size on the plan's edge between both other figures, and what limits say, in words."""
    rows = {row[0]: row for row in filing_tables(sample.delivery)["Openings one by one"].rows}
    found = sample.delivery.layout.openings.set_index("opening")

    assert len(rows) == len(found) == 9
    for number, row in rows.items():
        mine = found.loc[int(number)]
        for cell, name in ((2, "area_m2"), (3, "area_marked_crowns_m2"), (4, "area_boles_m2")):
            assert row[cell] == f"{mine[name] / ACRE_M2:.2f} acre"
        assert row[5] == f"{mine['width_m'] / FOOT_M:.{0 if mine['width_m'] > 30.48 else 1}f} ft"
    assert rows["1"][-1] == "EXCEEDED: size"
    assert rows["2"][-1] == "met"


def test_what_stays_is_told_with_its_confidence(sample: Outcome, bare: Delivery) -> None:
    """Basal area left per acre with its interval; nothing is made up without a cruise."""
    rows = dict(filing_tables(sample.delivery)["Residual stand"].rows)
    left = sample.delivery.layout.stock_left["basal_area_m2_ha"] * ACRE_M2 / 10_000 / FOOT_M**2

    assert f"{left:.0f} ft2/acre" in rows["Basal area left"]
    assert rows["Confidence level of intervals"] == "95 %"
    assert any("after" in words for words in rows.values())
    unknown = dict(filing_tables(bare)["Residual stand"].rows)["Basal area and trees left"]
    assert unknown.startswith("not computed")


def test_sums_that_leave_trees_out_say_so(sample: Outcome) -> None:
    """One tree has no diameter, so that basal area and pulpwood are least figures."""
    tables = filing_tables(sample.delivery)
    removed, stand = dict(tables["Removed"].rows), dict(tables["Stand and system"].rows)

    assert removed["Basal area"].startswith("at least ")
    assert removed["Net volume, pulpwood"].startswith("at least ")
    assert not removed["Net volume, sawlog"].startswith("at least ")
    assert (
        "at least 490.4 ft2 basal area, pulpwood at least 62.7 cords, sawlog 18"
        in (stand["Not among them"])
    )


def test_sources_of_volumes_are_sources(sample: Outcome) -> None:
    """What has no volume is told as left out, not as where volumes come from."""
    sources = sample.delivery.layout.figures.volume.sources

    assert not any("not computed" in source for source in sources)
    assert any("volume_table.csv" in source for source in sources)


def test_the_form_holds_the_same_tables(sample: Outcome, tmp_path: Path) -> None:
    """The text document has every row of the printed figures, and blanks to fill in."""
    DELIVERABLE.write(sample.delivery, tmp_path)
    document = docx.Document(str(tmp_path / "filing_figures.docx"))
    cells = [[cell.text for cell in row.cells] for table in document.tables for row in table.rows]
    words = " ".join(paragraph.text for paragraph in document.paragraphs)

    for grid in filing_tables(sample.delivery).values():
        assert all(list(row) in cells for row in grid.rows)
    assert ["Silvicultural system as prescribed", ""] in cells
    assert approval_words(sample.delivery) in words
    assert edition_words(sample.delivery) in words
    assert document.core_properties.created.isoformat().startswith("2025-10-07")


def test_a_prescription_is_printed_instead_of_a_blank(
    delivery_of: Callable[..., Delivery], tmp_path: Path
) -> None:
    """What the project file states is not asked for again; equal input gives equal bytes."""
    stand = shapely.box(400_000, 5_100_000, 400_100, 5_100_100)
    tables = {"deliver": {"prescription": "group selection (invented)"}}
    marks = [{"geometry": shapely.Point(400_050, 5_100_050)}]
    words = filing_text(delivery_of(stand, tables, marks=marks), tmp_path)
    first = (tmp_path / "filing_figures.docx").read_bytes()

    assert "Prescription group selection (invented)" in words
    assert "Silvicultural system as prescribed" not in words
    filing_text(delivery_of(stand, tables, marks=marks), tmp_path)
    assert (tmp_path / "filing_figures.docx").read_bytes() == first


def test_every_limit_has_a_row_with_its_source(small: Delivery) -> None:
    """Each limit stands once, with its worst case, verdict, authority and source."""
    rows = {row[0].split(" (")[0]: row for row in filing_tables(small)["Limits"].rows}

    assert len(rows) == small.checks["limit"].nunique()
    assert rows["Opening, largest area"][3] == "EXCEEDED"
    assert rows["Opening, largest area"][4] == "plan; item 4"
    assert rows["Corridors, share of the stand"][3] == "met"


def test_the_worst_case_is_the_one_that_is_shown(sample: Outcome) -> None:
    """Of openings held against one limit, in any order, that with the least margin is named."""
    checks = sample.delivery.checks[::-1].reset_index(drop=True)
    areas = checks[checks["limit"] == "opening_area_max"]
    worst = areas.loc[areas["margin"].astype(float).idxmin(), "subject"]
    turned = replace(sample.delivery, checks=checks)
    rows = {row[0].split(" (")[0]: row for row in filing_tables(turned)["Limits"].rows}

    assert rows["Opening, largest area"][2].startswith(f"{worst}:")


def test_shares_of_the_stock_stand_with_their_interval(sample: Outcome) -> None:
    """Where a cruise was given, the share removed stands with both ends of its interval."""
    rows = dict(filing_tables(sample.delivery)["Removed"].rows)
    known = sample.delivery.layout.allowance.set_index("quantity").loc["basal_area"]
    words = rows["Share of the standing basal area removed"]

    assert words.startswith(f"at least {100 * known['share']:.1f} %, 1 tree without an amount left")
    assert f"({100 * known['share_low']:.1f} % to {100 * known['share_high']:.1f} %)" in words


def test_unknown_stock_is_said_to_be_unknown(bare: Delivery) -> None:
    """Without a cruise no share is made up."""
    rows = dict(filing_tables(bare)["Removed"].rows)

    assert rows["Share of the standing stock removed"].startswith("not known")


def test_crossings_are_counted_where_water_is_known(small: Delivery, bare: Delivery) -> None:
    """A corridor over a brook is one crossing; where no water was given, nobody knows."""
    known = dict(filing_tables(small)["Setbacks, exclusions and crossings"].rows)
    unknown = dict(filing_tables(bare)["Setbacks, exclusions and crossings"].rows)

    assert known["Crossings of water by corridors"] == "corridor 1 over area 1"
    assert unknown["Crossings of water"] == "not known: no water was given"


def test_the_system_is_left_to_the_prescription(small: Delivery, tmp_path: Path) -> None:
    """The page says what was marked; the name of the system is filled in by hand."""
    words = filing_text(small, tmp_path)

    assert "group openings, machine corridors" in words
    assert "Silvicultural system as prescribed" in words


def test_stand_without_openings_says_none(bare: Delivery) -> None:
    """No opening, no figures of openings."""
    assert filing_tables(bare)["Openings together"].rows == []
