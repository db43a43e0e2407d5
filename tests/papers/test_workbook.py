"""The workbook: real tables with units, whose texts are texts and whose numbers are exact."""

from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import shapely
from openpyxl.workbook import Workbook

from glademark.export.tables import WORKBOOK, workbook_sheets
from glademark.jobs.layout import Outcome
from glademark.report.delivery import Delivery

ACRE_M2 = 43_560 * 0.3048**2
FT2_M2 = 0.3048**2


def opened(delivery: Delivery, folder: Path) -> Workbook:
    """The workbook, read back by another library."""
    WORKBOOK.write(delivery, folder)
    return openpyxl.load_workbook(folder / "layout.xlsx")


def column(book: Workbook, sheet: str, head: str) -> list[object]:
    """Values under a heading."""
    cells = next(cells for cells in book[sheet].columns if cells[0].value == head)
    return [cell.value for cell in cells[1:]]


def test_every_sheet_is_a_table_with_a_frozen_head(sample: Outcome, tmp_path: Path) -> None:
    """Six sheets hold one table each, over all of its rows, its head frozen and printed again."""
    book = opened(sample.delivery, tmp_path)
    tables = {sheet.title: sheet.tables for sheet in book if sheet.tables}

    assert list(tables) == [
        "Volume by zone", "Group openings", "Limits checked", "Allowance",
        "Residual stand by size class", "Rejected",
    ]  # fmt: skip
    for title, found in tables.items():
        sheet = book[title]
        assert [table.ref for table in found.values()] == [sheet.dimensions]
        assert sheet.freeze_panes == "A2"
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.page_setup.paperSize == 1  # letter, as the file format numbers it


def test_numbers_are_exact_in_the_units_of_the_project(sample: Outcome, tmp_path: Path) -> None:
    """Areas stand in acres and basal area in square feet, unrounded."""
    book = opened(sample.delivery, tmp_path)
    openings = sample.delivery.layout.openings

    assert column(book, "Group openings", "Area (acre)") == pytest.approx(
        [area / ACRE_M2 for area in openings["area_m2"]], rel=1e-12
    )
    assert column(book, "Group openings", "Basal area (ft2)") == pytest.approx(
        [area / FT2_M2 for area in openings["basal_area_m2"]], rel=1e-12
    )


def test_metric_project_has_metric_sheets(small: Delivery, tmp_path: Path) -> None:
    """Hectares and metres, on A4."""
    book = opened(small, tmp_path)

    assert column(book, "Group openings", "Area (ha)") == pytest.approx(
        [area / 10_000 for area in small.layout.openings["area_m2"]], rel=1e-12
    )
    assert book["Group openings"].page_setup.paperSize == 9


def test_allowance_names_the_unit_of_its_amounts(sample: Outcome, tmp_path: Path) -> None:
    """Basal area drawn stands in square feet where the project shows those, and says so."""
    book = opened(sample.delivery, tmp_path)
    known = sample.delivery.layout.allowance.set_index("quantity")
    units = dict(
        zip(column(book, "Allowance", "Quantity"), column(book, "Allowance", "Unit"), strict=True)
    )
    drawn = dict(
        zip(column(book, "Allowance", "Quantity"), column(book, "Allowance", "Marked"), strict=True)
    )

    assert units["basal_area"] == "ft2"
    assert drawn["basal_area"] == pytest.approx(known.loc["basal_area", "marked"] / FT2_M2)


def test_stand_without_allowance_has_no_such_sheet(small: Delivery, tmp_path: Path) -> None:
    """Without a known stock there is no empty sheet of it; rejected stays, to say none was."""
    book = opened(small, tmp_path)

    assert "Allowance" not in book.sheetnames
    assert column(book, "Rejected", "Reason") == [None]


def test_text_is_never_a_formula_or_a_link(
    delivery_of: Callable[..., Delivery], tmp_path: Path
) -> None:
    """A species typed as a formula or an address stays text."""
    stand = shapely.box(400_000, 5_100_000, 400_100, 5_100_100)
    marks = [
        {"geometry": shapely.Point(400_050, 5_100_050 + i), "species": text, "product": "saw"}
        for i, text in enumerate(["=1+1", "https://example.org", "bell\x07"])
    ]
    book = opened(delivery_of(stand, {}, marks=marks), tmp_path)
    cells = [cell for row in book["Volume by zone"].iter_rows() for cell in row]
    texts = {cell.value for cell in cells if cell.data_type == "s"}

    assert {"=1+1", "https://example.org", "bell\\x07"} <= texts
    assert not any(cell.data_type == "f" or cell.hyperlink for cell in cells)


def test_no_two_headings_are_alike(sample: Outcome) -> None:
    """A table of a spreadsheet wants each of its headings once."""
    for sheet in workbook_sheets(sample.delivery):
        assert len(set(sheet.heads)) == len(sheet.heads)


def test_cautions_go_along(small: Delivery, tmp_path: Path) -> None:
    """What has to be said stands on a sheet of its own and under each printed page."""
    book = opened(small, tmp_path)
    notes = [cell.value for cell in book["Notes"]["A"]]

    assert any("paint on the tree governs" in str(note) for note in notes)
    assert "paint on the tree governs" in str(book["Limits checked"].oddFooter.left.text)


def test_equal_layouts_give_equal_bytes(small: Delivery, tmp_path: Path) -> None:
    """No clock and no chance is in the file."""
    contents = []
    for _ in range(2):
        WORKBOOK.write(small, tmp_path)
        contents.append((tmp_path / "layout.xlsx").read_bytes())

    assert contents[0] == contents[1]


def test_volumes_of_openings_stand_in_columns_by_product(sample: Outcome, tmp_path: Path) -> None:
    """A column a product and unit, in the workbook and in openings.csv; they add up to the zone."""
    book = opened(sample.delivery, tmp_path)
    folder = Path(sample.files[0]).parent
    table = pd.read_csv(folder / "openings.csv")
    zone = sample.delivery.layout.volume_by_zone
    cells = zone[(zone["row"] == "cell") & (zone["zone"] == "opening")]

    for product, unit, name in (
        ("pulpwood", "cord", "volume_pulpwood_cord"),
        ("sawlog", "board foot", "volume_sawlog_board_foot"),
    ):
        whole = cells.loc[cells["product"] == product, "volume_net"].sum()
        shown = column(book, "Group openings", f"Net volume, {product} ({unit})")
        assert sum(shown) == pytest.approx(whole, rel=1e-12)
        assert table[name].tolist() == pytest.approx(shown)
