"""Sets of volume equations: their contract, their ranges, their choice."""

import math
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint

import numpy as np
import pytest
from numpy.typing import NDArray

from glademark.errors import InputError
from glademark.forestry import (
    Product,
    TreePart,
    Trees,
    choose_equation_set,
    equation_sets,
    sale_volume,
    solid_volume_m3,
    tree_volume,
)
from glademark.forestry.volume_equations import (
    Honer,
    LakeStates,
    NationalVolumeSystem,
    WorkedExample,
    contract_faults,
    load_equation_sets,
)
from glademark.units import CUBIC_FOOT_M3, FOOT_M, INCH_CM

ALL_SETS = sorted(equation_sets())
GROUP_8 = (0.002340041, 1.894587354, 1.03509406)  # Westfall and others 2024, table S1b
OAK = Trees(dbh_cm=[40.0], height_m=[22.0], species_code=833)


@pytest.mark.parametrize("name", ALL_SETS)
def test_set_keeps_the_contract(name: str) -> None:
    """Every installed set names itself, its source and its inputs, and its example comes out."""
    equation_set = equation_sets()[name]

    assert contract_faults(equation_set) == ()
    assert equation_set.id == name
    assert all(part.meaning and part.needs for part in equation_set.parts.values())


@pytest.mark.parametrize("name", ALL_SETS)
def test_volume_grows_with_diameter(name: str) -> None:
    """In each set and part a thicker tree has no less volume, and far thicker ones have more."""
    equation_set = equation_sets()[name]
    dbh_cm = np.linspace(31, 75, 45)
    species = 318 if name != "composite-hardwood-1964" else 833
    trees = Trees(
        dbh_cm=dbh_cm,
        species_code=species,
        height_m=24.0,
        merchantable_height_m=12.0,
        logs=2.0,
        site_index_m=20.0,
        basal_area_m2_ha=25.0,
    )

    for part in equation_set.parts:
        if part == "topwood":  # what is above the sawlog top; need not grow
            continue
        volume = tree_volume(trees, equation_set=equation_set, part=part).volume
        if not part.startswith("top"):
            assert (np.diff(volume) >= 0).all(), part
            assert volume[-1] > volume[0] > 0, part


def test_parts_of_the_stem_make_up_the_whole() -> None:
    """Stump, sawlog, topwood and top add to the whole stem, inside bark and outside."""
    trees = Trees(dbh_cm=[20, 30, 60.0], height_m=[15, 20, 30.0], species_code=[318, 129, 0])
    system = NationalVolumeSystem()

    for bark in ("", "_outside_bark"):
        parts = [
            system.volume(trees, part + bark) for part in ("stump", "sawlog", "topwood", "top")
        ]
        whole = system.volume(trees, "total" + bark)
        assert np.sum(parts, axis=0) == pytest.approx(whole, rel=1e-12, nan_ok=True)


def test_bark_lies_between_inside_and_outside() -> None:
    """Whole stem outside bark less whole stem inside bark is the bark."""
    system = NationalVolumeSystem()

    outside, inside, bark = (
        system.volume(OAK, part) for part in ("total_outside_bark", "total", "bark")
    )

    assert outside - inside == pytest.approx(bark, rel=1e-12)


def test_division_changes_the_equation() -> None:
    """Sugar maple has an equation for division 210 of its own; an unfitted one takes the common."""
    trees = {"dbh_cm": 40.0, "height_m": 22.0, "species_code": 318}
    system = NationalVolumeSystem()

    own, common, unfitted = (
        float(system.volume(Trees(**trees, division=division), "total"))
        for division in ("210", "all", "999")
    )

    assert own != common
    assert unfitted == common


def test_group_stands_in_for_a_species() -> None:
    """Ailanthus and mountain maple have no equation of their own: they take that of their group."""
    trees = Trees(dbh_cm=[30.0, 30.0], height_m=[18.0, 18.0], species_code=[341, 319])

    volume = NationalVolumeSystem().volume(trees, "total")

    a, b, c = GROUP_8
    assert np.isfinite(volume).all()
    assert volume[0] == pytest.approx(a * (30 / INCH_CM) ** b * (18 / FOOT_M) ** c)


def test_broken_tree_ends_at_its_break() -> None:
    """A tree that broke under its sawlog top has no topwood, and less than it had."""
    whole = Trees(dbh_cm=40.0, height_m=22.0, species_code=833)
    broken = Trees(dbh_cm=40.0, height_m=22.0, species_code=833, broken_height_m=6.0)
    system = NationalVolumeSystem()

    assert system.volume(broken, "total") < system.volume(whole, "total")
    assert system.volume(broken, "topwood") == 0
    assert system.volume(broken, "top") == 0


def test_bark_of_a_broken_stem_ends_at_its_break() -> None:
    """Bark is lost with the wood that it was on: the same share of both is left below the break."""
    whole = Trees(dbh_cm=40.0, height_m=22.0, species_code=833)
    broken = Trees(dbh_cm=40.0, height_m=22.0, species_code=833, broken_height_m=6.0)
    system = NationalVolumeSystem()

    left = system.volume(broken, "total") / system.volume(whole, "total")
    assert system.volume(broken, "bark") == pytest.approx(left * system.volume(whole, "bark"))
    assert system.volume(broken, "total_outside_bark") == pytest.approx(
        system.volume(broken, "total") + system.volume(broken, "bark")
    )


def test_form_class_ends_where_its_tables_do() -> None:
    """The Doyle parabola turns up again for thin trees: 2 in, 3 logs has no volume, 12 in has."""
    trees = Trees(dbh_cm=np.array([2.0, 6.0, 10.0, 12.0]) * INCH_CM, logs=3.0)

    result = tree_volume(trees, equation_set=equation_sets()["form-class-1986"], part="doyle")

    assert np.isfinite(result.volume).tolist() == [False, False, False, True]
    assert result.status.tolist() == ["outside range"] * 3 + ["ok"]
    assert "DBH 12 to 30 in (30.5 to 76.2 cm)" in result.notices[0]
    assert "no volume" in result.notices[0]


def test_a_diameter_on_the_edge_of_the_range_is_inside_it() -> None:
    """12 in are the least of the form-class tables, also as 30.479999999999997 cm by metres."""
    trees = Trees(dbh_cm=12 * 0.0254 * 100, logs=3.0)

    result = tree_volume(trees, equation_set=equation_sets()["form-class-1986"], part="doyle")

    assert result.status == "ok"


def test_stem_thinner_than_a_top_has_no_part_above() -> None:
    """A hardwood of 5 in is nowhere 9 in thick: no sawlog, in two sets."""
    sapling = Trees(
        dbh_cm=5 * INCH_CM,
        height_m=12.0,
        species_code=318,
        site_index_m=20.0,
        basal_area_m2_ha=25.0,
    )

    for name in ("national-2024", "lake-states-1984"):
        result = tree_volume(sapling, equation_set=equation_sets()[name], part="sawlog")
        assert float(result.volume) == 0
        assert result.status == "outside range"


def test_status_tells_why_there_is_no_volume() -> None:
    """Unknown species and missing heights have no volume; trees outside the range have one."""
    trees = Trees(
        dbh_cm=[40.0, 40.0, math.nan, 8.0],
        height_m=[20.0, math.nan, 20.0, 8.0],
        species_code=[0, 833, 833, 833],
    )

    result = tree_volume(trees, equation_set=NationalVolumeSystem(), part="merchantable")

    assert result.status.tolist() == [
        "unknown species",
        "missing input",
        "missing input",
        "outside range",
    ]
    assert np.isnan(result.volume).tolist() == [True, True, True, False]
    assert result.notices[1:] == (
        "1 tree is of a species that Westfall and others 2024 has no equation for",
        "2 trees are without an input that Westfall and others 2024 needs (dbh_cm, height_m)",
    )


def test_trees_inside_the_range_need_no_notice() -> None:
    """Where all is well there is nothing to say."""
    assert tree_volume(OAK, equation_set=NationalVolumeSystem()).notices == ()


def test_lake_states_set_needs_no_height() -> None:
    """DBH, site index and basal area give volume; a taller measured stem gives more."""
    taped = Trees(dbh_cm=30.0, species_code=318, site_index_m=20.0, basal_area_m2_ha=25.0)
    system = LakeStates()

    estimated = tree_volume(taped, equation_set=system, part="merchantable")
    height = float(system.height_to_top_ft(taped, 4.0)) * FOOT_M
    measured = tree_volume(
        Trees(dbh_cm=30.0, species_code=318, merchantable_height_m=height),
        equation_set=system,
        part="merchantable from height",
    )

    assert estimated.status == "ok"
    assert float(measured.volume) == pytest.approx(float(estimated.volume), rel=1e-12)


@pytest.mark.parametrize(
    ("code", "dbh_in", "height_ft", "printed"),
    [
        (129, 14, 80, (37.4, 36.2, 36.2)),
        (318, 14, 70, (30.0, 28.6, 32.7)),
        (833, 16, 70, (40.5, 35.6, 37.9)),
    ],
)
def test_sets_agree_as_far_as_published(
    code: int, dbh_in: float, height_ft: float, printed: tuple[float, ...]
) -> None:
    """Three publications give one tree volumes [ft3] a tenth or so apart (computed elsewhere)."""
    tree = Trees(dbh_cm=dbh_in * INCH_CM, height_m=height_ft * FOOT_M, species_code=code)

    volumes = [
        float(solid_volume_m3(tree_volume(tree, equation_set=equation_sets()[name])))
        for name in ("honer-1983-us", "sharma-2021", "national-2024")
    ]

    assert [volume / CUBIC_FOOT_M3 for volume in volumes] == pytest.approx(printed, abs=0.051)


def test_honer_share_falls_with_a_thicker_top() -> None:
    """A thicker top leaves less merchantable stem, and never less than none."""
    thin, thick, butt = (
        float(Honer(top_cm=top).volume(OAK, "merchantable")[0]) for top in (7, 20, 60)
    )

    assert thin > thick > 0
    assert butt == 0


def test_unknown_part_is_refused() -> None:
    """A part that the set does not give is answered with those that it does."""
    with pytest.raises(InputError, match="no part 'crown'; expected one of total"):
        tree_volume(OAK, equation_set=NationalVolumeSystem(), part="crown")


def test_inputs_of_two_lengths_are_refused() -> None:
    """Two heights for three trees go together in no way."""
    with pytest.raises(InputError, match=r"height_m has the shape \(2,\)"):
        Trees(dbh_cm=[1.0, 2.0, 3.0], height_m=[1.0, 2.0])


def test_division_that_is_none_is_refused() -> None:
    """A state is no ecological division."""
    trees = Trees(dbh_cm=30.0, height_m=20.0, species_code=318, division="Vermont")

    with pytest.raises(InputError, match="'Vermont' is none; expected a code such as '210'"):
        NationalVolumeSystem().volume(trees, "total")


@pytest.mark.parametrize(
    ("unit", "rule", "region", "measured", "chosen"),
    [
        ("cord", "", "", {"dbh_cm", "height_m"}, ("national-2024", "merchantable")),
        ("m3", "", "Canada", {"dbh_cm", "height_m"}, ("honer-1983", "merchantable")),
        (
            "cord",
            "",
            "Lake States",
            {"dbh_cm", "site_index_m", "basal_area_m2_ha"},
            ("lake-states-1984", "merchantable"),
        ),
        (
            "MBF",
            "international-1/4",
            "lake states",
            {"dbh_cm", "site_index_m", "basal_area_m2_ha"},
            ("lake-states-1984", "sawlog"),
        ),
        ("MBF", "doyle", "", {"dbh_cm", "logs"}, ("form-class-1986", "doyle")),
        ("cord", "", "", {"dbh_cm", "merchantable_height_m"}, ("composite-hardwood-1964", "cords")),
    ],
)
def test_set_is_chosen_by_region_and_measurements(
    unit: str, rule: str, region: str, measured: set[str], chosen: tuple[str, str]
) -> None:
    """What was measured, where, and how it is sold decides, and the reason is told."""
    product = Product(name="x", unit=unit, log_rule=rule)  # type: ignore[arg-type] # parametrised

    choice = choose_equation_set(product, measured=measured, region=region)

    assert choice is not None
    assert (choice.equation_set, choice.part) == chosen
    assert "chosen because dbh" in choice.reason


def test_no_set_is_chosen_where_none_fits() -> None:
    """DBH alone, outside the Lake States, gives no volume; nor does Decimal C have an equation."""
    pulpwood = Product(name="pulpwood", unit="cord")
    decimal_c = Product(name="sawlog", unit="MBF", log_rule="scribner-decimal-c")

    assert choose_equation_set(pulpwood, measured={"dbh_cm"}) is None
    assert choose_equation_set(decimal_c, measured={"dbh_cm", "height_m", "logs"}) is None


def test_cubic_volume_is_sold_by_the_cord() -> None:
    """79 ft3 are a cord; board feet never come from cubic volume."""
    cubic = tree_volume(OAK, equation_set=NationalVolumeSystem())

    cords, why = sale_volume(cubic, Product(name="pulpwood", unit="cord"))
    boards, why_not = sale_volume(
        cubic, Product(name="sawlog", unit="MBF", log_rule="international-1/4")
    )

    assert cords * 79 == pytest.approx(cubic.volume)
    assert "79 ft3" in why
    assert np.isnan(boards).all()
    assert why_not == "ft3 does not turn into MBF (International 1/4-inch)"


def test_board_feet_are_sold_by_the_thousand_of_one_rule() -> None:
    """500 board feet Doyle are 0.5 MBF Doyle, and nothing by another rule."""
    tree = Trees(dbh_cm=[60.0], logs=[2.0])
    scaled = tree_volume(tree, equation_set=equation_sets()["form-class-1986"], part="doyle")

    amount, _ = sale_volume(scaled, Product(name="sawlog", unit="MBF", log_rule="doyle"))
    other, _ = sale_volume(scaled, Product(name="sawlog", unit="MBF", log_rule="scribner"))

    assert amount * 1000 == pytest.approx(scaled.volume)
    assert np.isnan(other).all()
    assert np.isnan(solid_volume_m3(scaled)).all()


def test_green_tons_come_by_species() -> None:
    """Cubic volume is sold by the green ton where the species has a gravity."""
    cubic = tree_volume(OAK, equation_set=NationalVolumeSystem())

    tons, _ = sale_volume(
        cubic, Product(name="chips", unit="green ton"), species_code=OAK.species_code
    )

    assert np.isfinite(tons).all()
    assert (tons > 0).all()


@dataclass(frozen=True, kw_only=True)
class Cylinder:
    """A set from outside: every tree a cylinder as tall as it is."""

    id: str = "cylinder-2020"
    title: str = "Cylinders"
    source: str = "by hand"
    parts: dict[str, TreePart] = field(
        default_factory=lambda: {"total": TreePart(unit="m3", meaning="all of it")}
    )
    claimed: float = math.pi / 4 * 0.4**2 * 20

    @property
    def example(self) -> WorkedExample:
        """A tree of 40 cm and 20 m."""
        tree = Trees(dbh_cm=40.0, height_m=20.0)
        return WorkedExample(trees=tree, part="total", volume=self.claimed, tolerance=1e-9)

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """Return pi / 4 D^2 H."""
        assert part in self.parts
        return math.pi / 4 * (trees.column("dbh_cm") / 100) ** 2 * trees.column("height_m")


class Plugin:
    """Stands for an entry point of an installed distribution."""

    dist = None

    def __init__(self, name: str, made: object) -> None:
        self.name, self.made, self.value = name, made, f"outside:{name}"

    def load(self) -> object:
        """Give what the entry point names."""
        if isinstance(self.made, Exception):
            raise self.made
        return self.made


def load(name: str, made: object) -> tuple[list[str], tuple[str, ...]]:
    """Return the ids and faults after one plug-in."""
    sets, faults = load_equation_sets([Plugin(name, made)])  # type: ignore[list-item] # a stand-in
    return list(sets), faults


def test_set_from_outside_joins_ours() -> None:
    """A good plug-in is used like our own sets."""
    ids, faults = load("cylinder", Cylinder)

    assert "cylinder-2020" in ids
    assert faults == ()


@pytest.mark.parametrize(
    ("made", "fault"),
    [
        (ImportError("no wood"), "it does not load: ImportError"),
        (lambda: Cylinder(id="honer-1983"), "the id 'honer-1983' is taken"),
        (lambda: Cylinder(claimed=1.0), "its example gives"),
        (lambda: Cylinder(title=""), "title is empty"),
        (
            lambda: Cylinder(parts={"total": TreePart(unit="m3", meaning="x", needs=("girth",))}),
            "uses the input 'girth'; expected one of dbh_cm",
        ),
        (
            lambda: Cylinder(
                parts={"total": TreePart(unit="m3", meaning="x", fitted={"dbh_cm": (9, 1)})}
            ),
            "has the range 9 to 1",
        ),
    ],
)
def test_faulty_plugin_is_named_and_left_out(made: object, fault: str) -> None:
    """A plug-in that breaks the contract is named, and the other sets go on."""
    ids, faults = load("bad", made)

    assert len(ids) == len(ALL_SETS)
    assert len(faults) == 1
    assert faults[0].startswith("volume equations 'bad' of outside:bad: ")
    assert fault in faults[0]


def test_our_own_entry_points_are_not_loaded_twice() -> None:
    """What ships with the package is there already when its entry points are met."""
    own = EntryPoint(
        name="national-2024",
        value="glademark.forestry.volume_equations.national:NationalVolumeSystem",
        group="glademark.volume_equations",
    )

    sets, faults = load_equation_sets([own])

    assert list(sets) == list(equation_sets())
    assert faults == ()
