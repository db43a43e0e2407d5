"""Check values that are plain arithmetic: units and sampling."""

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

import pytest

from glademark.forestry import (
    CORD_SOLID_FT3,
    PlotDesign,
    Product,
    Trees,
    basal_area_m2,
    equation_sets,
    estimate_mean,
    green_tons_per_m3,
    plots_needed,
    quadratic_mean_diameter_cm,
    to_solid_m3,
    tree_volume,
)
from glademark.units import (
    ACRE_M2,
    BASAL_AREA_M2_HA,
    CUBIC_FOOT_M3,
    FOOT_M,
    HECTARE_M2,
    INCH_CM,
)

Check = dict[str, str]
Reader = Callable[..., Iterable[Check]]

FT2_AC = BASAL_AREA_M2_HA["ft2/acre"]
PER_HA = HECTARE_M2 / ACRE_M2  # a number an acre, as a number a hectare
FREESE = [7, 10, 7, 4, 7, 8, 8, 8, 7, 5, 2, 6, 9, 7, 8, 6, 7, 11, 8, 8, 7, 3, 8, 7, 7]


def composite(part: str) -> float:
    """Return the volume of a 12-in tree of 30 ft by the composite hardwood form."""
    tree = Trees(dbh_cm=12 * INCH_CM, merchantable_height_m=30 * FOOT_M, species_code=833)
    equation_set = equation_sets()["composite-hardwood-1964"]
    return float(tree_volume(tree, equation_set=equation_set, part=part).volume)


def solid_cord_ft3() -> float:
    """Return the solid wood [ft3] of one cord, by default."""
    return float(to_solid_m3(1, Product(name="pulpwood", unit="cord"))[0]) / CUBIC_FOOT_M3


def water_lb_ft3() -> float:
    """Return what the green weight of sugar maple says of the weight of water."""
    weight = float(green_tons_per_m3(318, with_bark=False)) * CUBIC_FOOT_M3 * 2000
    return weight / (0.56 * 1.5739286)


UNITS: Mapping[str, Callable[[], float]] = MappingProxyType(
    {
        "basal area of 1 in": lambda: float(basal_area_m2(INCH_CM)) / FOOT_M**2,
        "basal area of 1 cm": lambda: float(basal_area_m2(1)),
        "1 ft2/ac": lambda: FT2_AC,
        "1 acre": lambda: ACRE_M2 / FOOT_M**2,
        "1 acre, international foot": lambda: ACRE_M2,
        "1 ft3": lambda: CUBIC_FOOT_M3,
        "1 ft3/ac": lambda: CUBIC_FOOT_M3 * PER_HA,
        "solid wood in a cord": solid_cord_ft3,
        "composite cord inside bark": lambda: composite("cubic") / composite("cords"),
        "composite cord with bark": lambda: composite("cubic_outside_bark") / composite("cords"),
        "green cord of aspen": lambda: (
            CORD_SOLID_FT3 * CUBIC_FOOT_M3 * float(green_tons_per_m3(746))
        ),
        "smallest pulpwood tree": lambda: (
            equation_sets()["lake-states-1984"].parts["merchantable"].fitted["dbh_cm"][0] / INCH_CM
        ),
        "water": water_lb_ft3,
        "short ton": lambda: (
            water_lb_ft3()
            * 0.56
            * 1.5739286
            / (float(green_tons_per_m3(318, with_bark=False)) * CUBIC_FOOT_M3)
        ),
        "quadratic mean diameter of 80 ft2/ac, 200 trees/ac": lambda: (
            float(quadratic_mean_diameter_cm(80 * FT2_AC, 200 * PER_HA)) / INCH_CM
        ),
    }
)

freese = estimate_mean(FREESE, plots_in_stand=1000)
SAMPLING: Mapping[str, Callable[[], float]] = MappingProxyType(
    {
        "Freese: plots": lambda: freese.plots,
        "Freese: plots in the stand": lambda: 250 / 0.25,
        "Freese: sum": lambda: sum(FREESE),
        "Freese: sum of squares": lambda: sum(value**2 for value in FREESE),
        "Freese: mean": lambda: freese.mean,
        "Freese: variance": lambda: freese.standard_deviation**2,
        "Freese: standard error": lambda: freese.standard_error,
        "Freese: t": lambda: freese.t,
        "Freese: lower limit": lambda: freese.low,
        "Freese: upper limit": lambda: freese.high,
        "plots for 10 percent at t 2 and CV 67.9": lambda: plots_needed(67.9, 10, t=2),
        "area of 80 plots of 1/5 acre": lambda: (
            80 * PER_HA / float(PlotDesign.fixed_area(ACRE_M2 / 5).trees_per_ha(30))
        ),
        "trees an acre, 12 in, BAF 20": lambda: (
            float(PlotDesign.variable_radius(20 * FT2_AC).trees_per_ha(12 * INCH_CM)) / PER_HA
        ),
        "expansion of a 1/10-acre plot": lambda: (
            float(PlotDesign.fixed_area(ACRE_M2 / 10).trees_per_ha(30)) / PER_HA
        ),
    }
)


def expect(check: Check, value: float) -> None:
    """Assert that a value is within the tolerance of its check."""
    tolerance = float(check["absolute"])
    expected = pytest.approx(float(check["expected"]), abs=tolerance, rel=0, nan_ok=True)
    assert float(value) == expected, check["source"]


@pytest.mark.checks("unit_checks")
def test_published_unit(check: Check) -> None:
    """A constant of the trade is the published one."""
    expect(check, UNITS[check["check"]]())


@pytest.mark.checks("sampling_checks")
def test_published_sampling_figure(check: Check) -> None:
    """A figure of a published sampling example comes out."""
    expect(check, SAMPLING[check["check"]]())


def test_rows_that_do_not_come_out_are_listed(rows_of: Reader) -> None:
    """Each published figure that is not reproduced has its reason, and is checked nowhere else."""
    listed = {row["check"]: row["reason"] for row in rows_of("not_reproduced")}

    checked = {
        row["check"]
        for file in ("unit_checks", "sampling_checks", "volume_checks")
        for row in rows_of(file)
    }

    assert len(listed) == 26
    assert all(len(reason) > 20 for reason in listed.values())
    assert not checked & set(listed)


@pytest.mark.parametrize("file", ["unit_checks", "sampling_checks", "volume_checks"])
def test_every_check_names_its_basis(file: str, rows_of: Reader) -> None:
    """A figure is published, common practice or from memory, and names its source."""
    rows = list(rows_of(file))

    assert {row["basis"] for row in rows} <= {"published", "common practice", "from memory"}
    assert all(row["source"] for row in rows)
