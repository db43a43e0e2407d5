"""Published figures, row by row, each with its source and the tolerance of its printed digits."""

import math
from collections.abc import Callable, Iterable

import numpy as np
import pytest

from glademark.forestry import Trees, VolumeTable, crown_radius_m, equation_sets, tree_volume
from glademark.forestry.log_rules import international_quarter, scale_logs, scribner_decimal_c
from glademark.forestry.species import species_table
from glademark.forestry.volume_equations.national import NationalVolumeSystem
from glademark.forestry.volume_equations.regional import LakeStates
from glademark.forestry.volume_table import read_rows
from glademark.units import FOOT_M, INCH_CM

Check = dict[str, str]
Reader = Callable[..., Iterable[Check]]

WATER_LB_FT3 = 62.4  # as the national volume system uses it
FT2_AC = 0.3048**2 / (43560 * 0.3048**2 / 10_000)


def number(text: str, default: float = math.nan) -> float:
    """Return a cell as a number."""
    return float(text) if text else default


def trees_of(check: Check, *, whole: bool = False) -> Trees:
    """Return the tree of a volume check; whole as it grew, where asked."""
    broken = math.nan if whole else number(check["broken_ft"]) * FOOT_M
    return Trees(
        dbh_cm=number(check["dbh_in"]) * INCH_CM,
        species_code=int(check["species_code"] or 0),
        height_m=number(check["height_ft"]) * FOOT_M,
        broken_height_m=broken,
        merchantable_height_m=number(check["merchantable_height_ft"]) * FOOT_M,
        logs=number(check["logs"]),
        form_class=number(check["form_class"], 78),
        site_index_m=number(check["site_index_ft"]) * FOOT_M,
        basal_area_m2_ha=number(check["basal_area_ft2_ac"]) * FT2_AC,
        division=check["division"] or "all",
    )


def agrees(check: Check, value: float) -> bool:
    """Return whether a value is within the tolerance of its check."""
    relative, absolute = number(check["relative"], 0), number(check["absolute"], 0)
    return math.isclose(value, float(check["expected"]), rel_tol=relative, abs_tol=absolute)


@pytest.mark.checks("volume_checks", quantity="volume")
def test_published_tree_volume(check: Check) -> None:
    """A published worked example, or a cell of a printed table, comes out within its digits."""
    equation_set = equation_sets()[check["set"]]
    unit = 1 if check["unit"] != "ft3 total inside bark" else FOOT_M**3

    result = tree_volume(trees_of(check), equation_set=equation_set, part=check["part"])
    volume = float(result.volume) * number(check["factor"], 1) / unit

    assert agrees(check, volume), check["source"]


@pytest.mark.checks("volume_checks", quantity="height to top")
def test_published_height_to_top(check: Check) -> None:
    """The height to a top diameter agrees with the worked examples of its publication."""
    system = NationalVolumeSystem() if check["set"] == "national-2024" else LakeStates()

    height = system.height_to_top_ft(trees_of(check, whole=True), float(check["argument"]))

    assert agrees(check, float(height)), check["source"]


@pytest.mark.checks("volume_checks", quantity="share below")
def test_published_share_below_height(check: Check) -> None:
    """The share of wood below the stump agrees with the worked examples of the report."""
    share = NationalVolumeSystem().share_below(trees_of(check), float(check["argument"]))

    assert agrees(check, float(share)), check["source"]


@pytest.mark.checks("volume_checks", quantity="share below top")
def test_published_share_below_top(check: Check) -> None:
    """The share of wood below a top diameter agrees with the worked examples of the report."""
    system, tree = NationalVolumeSystem(), trees_of(check)
    height = float(system.height_to_top_ft(tree, float(check["argument"])))

    share = system.share_below(tree, height)

    assert agrees(check, float(share)), check["source"]


@pytest.mark.checks("volume_checks", quantity="missing top")
def test_published_missing_top(check: Check) -> None:
    """What a broken tree lost is the difference to the stem as it grew."""
    system = NationalVolumeSystem()

    whole = system.volume(trees_of(check, whole=True), "total")
    lost = float(whole - system.volume(trees_of(check), "total"))

    assert agrees(check, lost), check["source"]


@pytest.mark.checks("volume_checks", quantity="dry weight")
def test_published_dry_weight(check: Check) -> None:
    """Dry weight of stem wood is volume times the packaged gravity times 62.4 lb/ft3."""
    table = species_table()
    gravity = table.look_up(table.wood_gravity, int(check["species_code"]))

    volume = NationalVolumeSystem().volume(trees_of(check), "total")

    assert agrees(check, float(volume * gravity) * WATER_LB_FT3), check["source"]


def cordwood_table(rows_of: Reader) -> VolumeTable:
    """Return the printed table of cords by DBH, with the 12-in class that the example names."""
    rows: list[dict[str, object]] = [
        {"dbh": row["dbh_in"], "volume": row["expected"]}
        for row in rows_of("volume_checks", quantity="table")
    ]
    rows.append({"dbh": "12", "volume": "0.30"})
    cells = read_rows(rows, unit="cord", dbh_unit="in")
    return VolumeTable(rows=cells, dbh_unit="in", class_width=1)


@pytest.mark.checks("volume_checks", quantity="table")
def test_printed_cordwood_table_is_read(check: Check, rows_of: Reader) -> None:
    """A tree whose DBH rounds to a row of the printed table takes the cords of that row."""
    table = cordwood_table(rows_of)

    volume, _ = table.lookup(float(check["dbh_in"]) + 0.4)

    assert agrees(check, float(volume[0])), check["source"]


@pytest.mark.checks("volume_checks", quantity="plot")
def test_printed_cordwood_plot(check: Check, rows_of: Reader) -> None:
    """The printed plot of seven trees on a tenth of an acre has its printed cords an acre."""
    trees = [5, 5, 5, 8, 8, 10, 12]

    volume, _ = cordwood_table(rows_of).lookup(trees)

    assert agrees(check, float(volume.sum() * 10)), check["source"]


@pytest.mark.parametrize("rule", ["international-1/4", "scribner", "doyle"])
def test_printed_board_foot_table_is_read(rule: str, rows_of: Reader) -> None:
    """A printed table by DBH and logs, typed in by hand, gives back its own cells."""
    cells = [row for row in rows_of("volume_checks", part=rule) if row["check"].startswith("mg_")]
    rows = [
        {"dbh": cell["dbh_in"], "logs": cell["logs"], "volume": cell["expected"]} for cell in cells
    ]
    read = read_rows(rows, unit="board foot", dbh_unit="in")
    table = VolumeTable(rows=read, dbh_unit="in", read="interpolate")

    volume, found = table.lookup(
        [float(cell["dbh_in"]) for cell in cells], height=[float(cell["logs"]) for cell in cells]
    )

    assert found.all()
    assert volume.tolist() == [float(cell["expected"]) for cell in cells]


@pytest.mark.checks("log_rule_checks")
def test_printed_log_scale(check: Check) -> None:
    """A cell of a printed log rule comes out within its rounding."""
    scale = scale_logs(float(check["diameter_in"]), float(check["length_ft"]), rule=check["rule"])

    assert abs(float(scale) - float(check["board_feet"])) <= float(check["absolute"]) + 1e-9


def test_international_table_is_rounded_to_five(rows_of: Reader) -> None:
    """Rounded to 5, the closed form meets the printed table but for the cells known to differ."""
    cells = list(rows_of("log_rule_checks", rule="international-1/4"))
    diameter, length, printed = (
        np.array([float(cell[name]) for cell in cells])
        for name in ("diameter_in", "length_ft", "board_feet")
    )

    off = international_quarter(diameter, length, rounded=True) - printed

    assert set(np.abs(off)) <= {0, 5}
    assert np.count_nonzero(off) == sum(cell["absolute"] == "3.1" for cell in cells)


@pytest.mark.checks("scribner_decimal_c_checks", kind="factor")
def test_decimal_c_follows_its_factors(check: Check, rows_of: Reader) -> None:
    """Every length has 10 trunc((L factor + 5) / 10) board feet, plus its exception or special."""
    diameter, factor = int(check["diameter_in"]), float(check["value"])
    lengths = range(int(check["length_from_ft"]), int(check["length_to_ft"]) + 1)
    expected = {length: 10 * math.trunc((length * factor + 5) / 10) for length in lengths}
    for row in rows_of("scribner_decimal_c_checks", diameter_in=str(diameter)):
        for length in range(int(row["length_from_ft"]), int(row["length_to_ft"]) + 1):
            if length in expected and row["kind"] == "exception":
                expected[length] += int(row["value"])
            if length in expected and row["kind"] == "special":
                expected[length] = int(row["value"])

    scale = scribner_decimal_c(diameter, list(expected))

    assert scale.tolist() == list(expected.values())


@pytest.mark.checks("scribner_decimal_c_checks", kind="special")
def test_decimal_c_gives_five_to_the_smallest_logs(check: Check) -> None:
    """The smallest logs that have anything have 5 board feet."""
    lengths = [float(check["length_from_ft"]), float(check["length_to_ft"])]

    scale = scribner_decimal_c(float(check["diameter_in"]), lengths)

    assert scale.tolist() == [float(check["value"])] * 2


@pytest.mark.checks("scribner_decimal_c_checks", kind="exception")
def test_decimal_c_exceptions_are_kept(check: Check, rows_of: Reader) -> None:
    """A diameter and length in the list of exceptions departs from its factor by ten."""
    diameter, length = int(check["diameter_in"]), int(check["length_from_ft"])
    factor = next(
        float(row["value"])
        for row in rows_of("scribner_decimal_c_checks", kind="factor", diameter_in=str(diameter))
        if int(row["length_from_ft"]) <= length <= int(row["length_to_ft"])
    )

    scale = float(scribner_decimal_c(diameter, length))

    assert scale - 10 * math.trunc((length * factor + 5) / 10) == float(check["value"])


@pytest.mark.checks("crown_width_checks")
def test_crown_width_follows_its_coefficients(check: Check) -> None:
    """Width at a DBH is what the published coefficients give by hand."""
    factor = INCH_CM if check["dbh_unit"] == "in" else 1
    unit = FOOT_M if check["unit"] == "ft" else 1

    radius, _ = crown_radius_m(
        int(check["species_code"]),
        float(check["dbh"]) * factor,
        crown="open_grown" if check["crown"] == "open_grown" else "stand_grown",
    )

    width = 2 * float(radius) / unit
    assert width == pytest.approx(float(check["width"]), abs=float(check["absolute"]))
