"""The CSV tables: what stands in a cell, and what no spreadsheet may run."""

import csv
import io
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from glademark.export import tables
from glademark.report.delivery import Delivery

FULL_WIDTH = "\uff1d\uff0b\uff0d\uff20"


def rows_of(path: Path) -> list[dict[str, str]]:
    """Read a CSV file by the standard library."""
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"), newline=""), strict=True))


@pytest.mark.parametrize("first", [*"=+-@\t\r", *FULL_WIDTH])
def test_no_formula_gets_through(first: str) -> None:
    """A text that a spreadsheet would run as a formula starts with an apostrophe."""
    table = pd.DataFrame({"remark": pd.array([f"{first}1+1"], dtype="string")})

    text = tables.csv_text(table)

    assert text == f'"remark"\n"\'{first}1+1"\n'


def test_numbers_stay_numbers() -> None:
    """Numbers stand without quotes, with all their digits, and empty where there is none."""
    table = pd.DataFrame(
        {
            "margin_m": [-0.1, 1e-7, float("nan")],
            "trees": pd.array([3, None, -2], dtype="Int64"),
            "confirmed": pd.array([True, False, None], dtype="boolean"),
        }
    )

    lines = tables.csv_text(table).splitlines()

    assert lines == ['"margin_m","trees","confirmed"', "-0.1,3,1", "1e-07,,0", ",-2,"]


@given(
    texts=st.lists(st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\0"))),
)
def test_text_comes_back(texts: list[str]) -> None:
    """Whatever was written in the field is read back letter for letter, guards taken off."""
    table = pd.DataFrame({"n": range(len(texts)), "text": pd.array(texts, dtype="string")})
    table["n"] = table["n"].astype("Int64")

    rows = list(csv.reader(io.StringIO(tables.csv_text(table), newline=""), strict=True))[1:]

    guarded = [f"'{text}" if text.startswith(tables.FORMULA_STARTS) else text for text in texts]
    assert [row[1] for row in rows] == guarded


@given(numbers=st.lists(st.floats(allow_nan=False, allow_infinity=False)))
def test_numbers_come_back(numbers: list[float]) -> None:
    """Every real number is read back to the last bit."""
    table = pd.DataFrame({"area_m2": numbers}, dtype="float64")

    lines = tables.csv_text(table).splitlines()[1:]

    assert [float(line) for line in lines] == numbers


def test_checks_in_users_units(delivery: Delivery, tmp_path: Path) -> None:
    """A planner in acres reads limit, measured and margin in acres, feet and per cent."""
    tables.CHECKS.write(delivery, tmp_path)

    rows = rows_of(tmp_path / "checks.csv")

    assert float(rows[2]["limit_shown"]) == pytest.approx(0.5, rel=1e-12)
    assert float(rows[2]["measured_shown"]) == pytest.approx(2500 / 4046.8564224)
    assert float(rows[3]["margin_shown"]) == pytest.approx(-24.48 / 0.3048)
    assert float(rows[4]["measured_shown"]) == pytest.approx(3.96)
    assert [row["unit_shown"] for row in rows] == ["acre", "acre", "acre", "ft", "%", "%"]


def test_checks_in_metric(make_in: Callable[..., Delivery], tmp_path: Path) -> None:
    """A planner in hectares reads hectares and metres."""
    tables.CHECKS.write(make_in(tmp_path, units="metric"), tmp_path)

    rows = rows_of(tmp_path / "checks.csv")

    assert float(rows[2]["measured_shown"]) == pytest.approx(0.25)
    assert float(rows[3]["measured_shown"]) == 6.0
    assert [row["unit_shown"] for row in rows[2:4]] == ["ha", "m"]


def test_openings_have_acres_beside(delivery: Delivery, tmp_path: Path) -> None:
    """Acres stand right beside square metres, and a missing measure is an empty cell."""
    tables.OPENINGS.write(delivery, tmp_path)

    rows = rows_of(tmp_path / "openings.csv")
    names = list(rows[0])
    assert names[names.index("area_m2") + 1] == "area_ac"
    assert float(rows[0]["area_ac"]) == pytest.approx(1600 / 4046.8564224)
    assert [row["water_m"] for row in rows] == ["", "", ""]


def test_line_ends(delivery: Delivery, tmp_path: Path) -> None:
    """Lines end in a line feed, on every system."""
    tables.VOLUME_BY_ZONE.write(delivery, tmp_path)

    data = (tmp_path / "volume_by_zone.csv").read_bytes()
    assert data.count(b"\n") == 6  # header and five rows
    assert b"\r" not in data
