"""A volume table made from equations: chosen, converted, read back to the same volumes."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import pytest

from glademark.errors import InputError, UnitError
from glademark.forestry import green_tons_per_m3
from glademark.jobs.layout import lay_out
from glademark.jobs.volume_table import TableAsked, csv_of, table_to_carry, text_of
from glademark.units import CUBIC_FOOT_M3

MAPLE = TableAsked(species=["sugar maple"], unit="cord", height="70 ft", up_to=24)


def test_units_go_together() -> None:
    """A cord of the table is 79 ft3 of the same table in ft3 (Minnesota Statutes 239.33)."""
    cords = table_to_carry(MAPLE).rows
    feet = table_to_carry(
        TableAsked(species=["sugar maple"], unit="ft3", height="70 ft", up_to=24)
    ).rows

    assert [row["volume"] * 79 for row in cords] == pytest.approx([row["volume"] for row in feet])


def test_green_tons_go_by_species() -> None:
    """A green ton is ft3 at gravity, moisture and bark of the species, row by row."""
    words = {"species": ["loblolly pine", "white oak"], "height": "70 ft", "up_to": 16.0}
    tons = table_to_carry(TableAsked(**words, unit="green ton"))
    feet = table_to_carry(TableAsked(**words, unit="ft3"))

    per_m3 = dict(zip(("loblolly pine", "white oak"), green_tons_per_m3([131, 802]), strict=True))
    wanted = [
        row["volume"] * CUBIC_FOOT_M3 * per_m3[str(row["species"])] for row in feet.rows
    ]  # fmt: skip
    assert [row["volume"] for row in tons.rows] == pytest.approx(wanted)
    assert "gravity and moisture" in tons.heading[-1]


def test_doyle_of_thin_trees_is_blank() -> None:
    """Below 12 in the form-class formula has left its tables: no row, and the range is said."""
    table = table_to_carry(
        TableAsked(species=["white oak"], unit="board foot", rule="Doyle", logs=[3.0])
    )

    assert min(float(str(row["dbh_in"])) for row in table.rows) == 11  # the class 11 to 13
    assert "DBH 12 to 30 in" in "\n".join(table.heading)


def test_table_wholly_outside_the_range_is_refused() -> None:
    """Where no class is inside the published range the answer is the range, not an empty page."""
    asked = TableAsked(
        species=["white oak"], unit="MBF", rule="DOYLE", logs=[3.0], classes="2, 4, 6 in"
    )

    with pytest.raises(InputError, match="DBH 12 to 30 in"):
        table_to_carry(asked)


def test_heading_names_source_and_rule() -> None:
    """The table says which equations, what was assumed, which classes and which conversion."""
    text = text_of(table_to_carry(MAPLE))

    assert "Westfall" in text
    assert "height" in text
    assert "class takes" in text
    assert "79 ft3" in text
    head, rule, *rows = text[text.index("DBH  ") :].splitlines()
    assert rule == "-" * len(head)
    assert {len(row) for row in rows} == {len(head)}


def test_doyle_of_wiant() -> None:
    """24 in, 2.5 logs, form class 78: 428.9 board feet Doyle (Wiant 1986, example)."""
    asked = TableAsked(
        species=["northern red oak"], unit="board foot", rule="doyle", classes="23, 25 in",
        logs=[2.5],
    )  # fmt: skip
    row = table_to_carry(asked).rows[0]

    assert row["volume"] == pytest.approx(428.942, rel=1e-5)


@pytest.mark.parametrize(
    ("asked", "error", "message"),
    [
        (
            TableAsked(species=["sugr maple"], unit="ft3", height="70 ft"),
            InputError,
            "did you mean",
        ),
        (TableAsked(species=["sugar maple"], unit="cord"), InputError, "Give --height"),
        (
            TableAsked(species=["sugar maple"], unit="ft3", height="70"),
            UnitError,
            "'70' has no unit",
        ),
        (
            TableAsked(species=["sugar maple"], unit="ft3", equations="nobody-1900"),
            InputError,
            "no set is called 'nobody-1900'",
        ),
        (
            TableAsked(species=["sugar maple"], unit="ft3", height="70 ft", classes="2"),
            UnitError,
            "has no diameter unit",
        ),
    ],
)
def test_refusals(asked: TableAsked, error: type[Exception], message: str) -> None:
    """What cannot be made is refused with the mend."""
    with pytest.raises(error, match=message):
        table_to_carry(asked)


def test_command_prints_csv(command: Callable[..., CompletedProcess[str]]) -> None:
    """The command prints the same table as CSV."""
    words = ["--species", "sugar maple", "--unit", "cord", "--height", "70 ft", "--up-to", "24"]
    done = command("volume-table", *words, "--csv")

    assert done.returncode == 0, done.stderr
    assert done.stdout == csv_of(table_to_carry(MAPLE))


def test_a_layout_reads_the_table_back(tmp_path: Path) -> None:
    """A tree of each class gets from the table the volume that the table was made with."""
    table = table_to_carry(MAPLE)
    (tmp_path / "table.csv").write_text(csv_of(table), encoding="utf-8")
    ring = [[0, 0], [400, 0], [400, 400], [0, 400], [0, 0]]
    stand = {"type": "Polygon", "coordinates": [[[4e5 + x, 45e5 + y] for x, y in ring]]}
    (tmp_path / "stand.geojson").write_text(json.dumps(stand), encoding="utf-8")
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["id", "x", "y", "dbh_in", "species", "product"])
    for i, row in enumerate(table.rows):
        writer.writerow([i, 4e5 + 10 * i + 5, 45e5 + 9, row["dbh_in"], "sugar maple", "pulpwood"])
    (tmp_path / "marks.csv").write_text(out.getvalue(), encoding="utf-8")
    (tmp_path / "harvest.toml").write_text(
        '[project]\nname = "invented"\n[inputs]\n'
        'stand = {file = "stand.geojson", crs = "EPSG:26916"}\n'
        'marks = {file = "marks.csv", crs = "EPSG:26916"}\n'
        '[volume]\ntable = "table.csv"\n[volume.products.pulpwood]\nunit = "cord"\n',
        encoding="utf-8",
    )
    outcome = lay_out(tmp_path / "harvest.toml", out=tmp_path / "out", only=["gpkg"])
    volumes = outcome.delivery.layout.marks["volume"].tolist()

    assert volumes == [row["volume"] for row in table.rows]
