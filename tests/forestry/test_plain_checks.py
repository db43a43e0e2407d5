"""Check values that are plain arithmetic: units, sampling, spacing, pattern, position error."""

import math
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

import numpy as np
import pytest
from scipy.spatial import KDTree

from glademark.forestry import (
    CORD_SOLID_FT3,
    PlotDesign,
    Product,
    Trees,
    allocate_plots,
    basal_area_m2,
    clark_evans,
    crown_overlap_area,
    equation_sets,
    estimate_mean,
    gingrich_stocking_pct,
    green_tons_per_m3,
    live_crown_ratio,
    plots_needed,
    quadratic_mean_diameter_cm,
    recommended_points,
    stand_density_index,
    to_solid_m3,
    tree_volume,
)
from glademark.forestry.opening_size import (
    area_of_entry,
    circle_diameter,
    corridor_share,
    ellipse_area,
    mean_spacing,
    opening_area_for_width,
)
from glademark.forestry.position_accuracy import (
    chance_beyond_line,
    mean_error,
    nssda_accuracy,
    radius_holding,
)
from glademark.units import (
    ACRE_M2,
    BASAL_AREA_M2_HA,
    CORD_STACKED_FT3,
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
# distances of the textbook exercise, 15 by 15
NINE = [6, 6, 5, 5, 4, 4, 2, 2, 8]


def plot_radius_factor(baf_ft2_ac: float, *, dbh_in: float = 1, face: bool = False) -> float:
    """Return the limiting distance [ft] of a tree, by the package's own design."""
    design = PlotDesign.variable_radius(baf_ft2_ac * FT2_AC)
    return float(design.limiting_distance_m(dbh_in * INCH_CM, to_near_face=face)) / FOOT_M


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
        "plot radius factor at BAF 1 ft2/ac": lambda: plot_radius_factor(1),
        "centre to near face": lambda: plot_radius_factor(1) - plot_radius_factor(1, face=True),
        "plot radius factor at BAF 1 m2/ha": lambda: float(
            PlotDesign.variable_radius(1).limiting_distance_m(1)
        ),
        "1 ft2/ac": lambda: FT2_AC,
        "1 acre": lambda: ACRE_M2 / FOOT_M**2,
        "1 acre, international foot": lambda: ACRE_M2,
        "1 ft3": lambda: CUBIC_FOOT_M3,
        "1 ft3/ac": lambda: CUBIC_FOOT_M3 * PER_HA,
        "stacked cord": lambda: CORD_STACKED_FT3,
        "stacked cord in m3": lambda: CORD_STACKED_FT3 * CUBIC_FOOT_M3,
        "solid wood in a cord": solid_cord_ft3,
        "solid share of a cord": lambda: 100 * CORD_SOLID_FT3 / CORD_STACKED_FT3,
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
        "stand density index of 200 trees/ac, 12.3 in": lambda: (
            float(stand_density_index(200 * PER_HA, 12.3 * INCH_CM)) / PER_HA
        ),
        "Gingrich stocking of 100 ft2/ac, 200 trees/ac": lambda: float(
            gingrich_stocking_pct(100 * FT2_AC, 200 * PER_HA)
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
        "plots for the stratum with 17.6 of 67.9": lambda: allocate_plots(185, [17.6, 50.3])[0],
        "plots for the stratum with 7.2 of 67.9": lambda: allocate_plots(185, [7.2, 60.7])[0],
        "area of 80 plots of 1/5 acre": lambda: (
            80 * PER_HA / float(PlotDesign.fixed_area(ACRE_M2 / 5).trees_per_ha(30))
        ),
        "plot radius factor, BAF 10": lambda: plot_radius_factor(10),
        "limiting distance, 12 in, BAF 10": lambda: plot_radius_factor(10, dbh_in=12),
        "plot radius factor, BAF 20": lambda: plot_radius_factor(20),
        "plot area, 12 in, BAF 20": lambda: (
            math.pi * plot_radius_factor(20, dbh_in=12) ** 2 / 43560
        ),
        "trees an acre, 12 in, BAF 20": lambda: (
            float(PlotDesign.variable_radius(20 * FT2_AC).trees_per_ha(12 * INCH_CM)) / PER_HA
        ),
        "expansion of a 1/10-acre plot": lambda: (
            float(PlotDesign.fixed_area(ACRE_M2 / 10).trees_per_ha(30)) / PER_HA
        ),
        "radius of a 1/20-acre plot": lambda: (
            float(PlotDesign.fixed_area(ACRE_M2 / 20).limiting_distance_m(30)) / FOOT_M
        ),
        "radius of a 1/5-acre plot": lambda: (
            float(PlotDesign.fixed_area(ACRE_M2 / 5).limiting_distance_m(30)) / FOOT_M
        ),
        "points for 9 acres": lambda: recommended_points(9 * ACRE_M2),
        "points for 25 acres": lambda: recommended_points(25 * ACRE_M2),
        "points for 60 acres": lambda: recommended_points(60 * ACRE_M2),
        "points for 160 acres": lambda: recommended_points(160 * ACRE_M2),
    }
)

lattice = clark_evans([10.0] * 16, area=1600)
nine = clark_evans(NINE, area=225)
GEOMETRY: Mapping[str, Callable[[], float]] = MappingProxyType(
    {
        "12 ft every 100 ft": lambda: 100 * corridor_share(12, spacing=100),
        "12 ft with 100 ft clear": lambda: 100 * corridor_share(12, clear=100),
        "12 ft every 150 ft": lambda: 100 * corridor_share(12, spacing=150),
        "12 ft with 150 ft clear": lambda: 100 * corridor_share(12, clear=150),
        "10 ft every 80 ft": lambda: 100 * corridor_share(10, spacing=80),
        "10 ft with 80 ft clear": lambda: 100 * corridor_share(10, clear=80),
        "14 ft every 100 ft": lambda: 100 * corridor_share(14, spacing=100),
        "14 ft with 100 ft clear": lambda: 100 * corridor_share(14, clear=100),
        "circle of 0.1 acre": lambda: circle_diameter(4356),
        "circle of 0.5 acre": lambda: circle_diameter(21780),
        "circle of 1 acre": lambda: circle_diameter(43560),
        "60 ft, 1 height wide": lambda: opening_area_for_width(60, 1) / 43560,
        "60 ft, 2 heights wide": lambda: opening_area_for_width(60, 2) / 43560,
        "70 ft, 2 heights wide": lambda: opening_area_for_width(70, 2) / 43560,
        "100 ft, 2 heights wide": lambda: opening_area_for_width(100, 2) / 43560,
        "ellipse 30 by 20": lambda: ellipse_area(30, 20),
        "ellipse 40 by 10": lambda: ellipse_area(40, 10),
        "entry of 40 acres, 15 of 100 years": lambda: area_of_entry(
            40, cycle_years=15, rotation_years=100
        ),
        "entry of 25 acres, 10 of 90 years": lambda: area_of_entry(
            25, cycle_years=10, rotation_years=90
        ),
        "12 openings on 40 acres": lambda: mean_spacing(40 * 43560, 12),
        "square lattice, R": lambda: clark_evans([7.0] * 100, area=4900).index,
        "16 points on 1600 m2, R": lambda: lattice.index,
        "16 points on 1600 m2, expected": lambda: lattice.expected,
        "16 points on 1600 m2, standard error": lambda: (
            (lattice.observed - lattice.expected) / lattice.z
        ),
        "16 points on 1600 m2, z": lambda: lattice.z,
        "nine points, R": lambda: nine.index,
        "nine points, z": lambda: nine.z,
        "CE95 over RMSE": lambda: radius_holding(0.95, 1),
        "CE95 over sigma": lambda: radius_holding(0.95, math.sqrt(2)),
        "CE90 over RMSE": lambda: radius_holding(0.9, 1),
        "CEP over sigma": lambda: radius_holding(0.5, math.sqrt(2)),
        "CE95 over mean": lambda: radius_holding(0.95, 1) / mean_error(1),
        "CE90 over CE95": lambda: radius_holding(0.9, 1) / radius_holding(0.95, 1),
        "accuracy from 2.1 and 2.8 m": lambda: nssda_accuracy(2.1, 2.8),
        "accuracy from 1.0 and 2.0 m": lambda: nssda_accuracy(1.0, 2.0),
        "crown 80 of 104 ft": lambda: 100 * live_crown_ratio(80, 104),
        "crown 48 of 104 ft": lambda: 100 * live_crown_ratio(48, 104),
        "3 m from a line at 3 m an axis": lambda: chance_beyond_line(3, 3 * math.sqrt(2)),
        "1 m from a line at 4 m an axis": lambda: chance_beyond_line(1, 4 * math.sqrt(2)),
        "crowns of 15 and 24 ft, 17 ft apart": lambda: crown_overlap_area(15, 24, 17),
        "crown 33.94113 ft wide on a 24-ft plot": lambda: (
            100 * crown_overlap_area(33.94113 / 2, 24, 1) / (math.pi * 24**2)
        ),
        "crown 9.616652 ft wide on a 6.8-ft plot": lambda: (
            100 * crown_overlap_area(9.616652 / 2, 6.8, 0) / (math.pi * 6.8**2)
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


@pytest.mark.checks("geometry_checks")
def test_published_layout_figure(check: Check, rows_of: Reader) -> None:
    """A figure of plain geometry, pattern or position error comes out."""
    figures = {**GEOMETRY, **swedish_pines(rows_of)}

    expect(check, figures[check["check"]]())


def swedish_pines(rows_of: Reader) -> Mapping[str, Callable[[], float]]:
    """Return the figures of the published pattern of 71 pines on 96 by 100 units."""
    points = np.array([(float(row["x"]), float(row["y"])) for row in rows_of("swedish_pines")])
    nearest = KDTree(points).query(points, k=2)[0][:, 1]
    plain = clark_evans(nearest, area=9600)
    corrected = clark_evans(nearest, area=9600, perimeter=392)
    return {
        "Swedish pines, R": lambda: plain.index,
        "Swedish pines, observed": lambda: plain.observed,
        "Swedish pines, expected": lambda: plain.expected,
        "Swedish pines, z": lambda: plain.z,
        "Swedish pines, corrected R": lambda: corrected.index,
    }


def test_rows_that_do_not_come_out_are_listed(rows_of: Reader) -> None:
    """Each published figure that is not reproduced has its reason, and is checked nowhere else."""
    listed = {row["check"]: row["reason"] for row in rows_of("not_reproduced")}

    checked = {
        row["check"]
        for file in ("unit_checks", "sampling_checks", "geometry_checks", "volume_checks")
        for row in rows_of(file)
    }

    assert len(listed) == 26
    assert all(len(reason) > 20 for reason in listed.values())
    assert not checked & set(listed)


@pytest.mark.parametrize(
    "file", ["unit_checks", "sampling_checks", "geometry_checks", "volume_checks"]
)
def test_every_check_names_its_basis(file: str, rows_of: Reader) -> None:
    """A figure is published, common practice or from memory, and names its source."""
    rows = list(rows_of(file))

    assert {row["basis"] for row in rows} <= {"published", "common practice", "from memory"}
    assert all(row["source"] for row in rows)


def test_allocation_rounds_to_nearest() -> None:
    """185 plots over 17.6, 43.1 and 7.2 of 67.9: 47.95, 117.43 and 19.62, in all 185."""
    assert allocate_plots(185, [17.6, 43.1, 7.2]).tolist() == [48, 117, 20]
