"""What must hold for every tree, whatever the figures."""

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.forestry import Trees, equation_sets, species_table
from glademark.forestry.volume_equations import NationalVolumeSystem
from glademark.forestry.volume_equations.regional import LakeStates
from glademark.units import FOOT_M, INCH_CM

SYSTEM = NationalVolumeSystem()
GROUPED = species_table().code[species_table().volume_group > 0].tolist()
SPECIES = st.sampled_from(GROUPED)
DIVISIONS = st.sampled_from(["all", "210", "M220", "240"])


@given(
    code=SPECIES,
    division=DIVISIONS,
    dbh_cm=st.floats(13, 90),
    slenderness=st.floats(35, 75),
    more=st.floats(1.02, 1.5),
)
def test_taller_tree_has_more_wood(
    code: int, division: str, dbh_cm: float, slenderness: float, more: float
) -> None:
    """Of two trees of one diameter the taller has the greater stem."""
    height = dbh_cm * slenderness / 100
    trees = Trees(
        dbh_cm=[dbh_cm, dbh_cm],
        height_m=[height, height * more],
        species_code=code,
        division=division,
    )

    short, tall = SYSTEM.volume(trees, "total")

    assert tall > short > 0


@given(code=SPECIES, division=DIVISIONS, dbh_cm=st.floats(13, 90), more=st.floats(1.02, 1.3))
def test_thicker_tree_has_more_wood(code: int, division: str, dbh_cm: float, more: float) -> None:
    """Of two trees of one height the thicker has the greater stem."""
    trees = Trees(
        dbh_cm=[dbh_cm, dbh_cm * more], height_m=20.0, species_code=code, division=division
    )

    thin, thick = SYSTEM.volume(trees, "total")

    assert thick > thin > 0


@given(code=SPECIES, dbh_cm=st.floats(3, 120), height_m=st.floats(3, 50))
def test_parts_add_up_for_every_tree(code: int, dbh_cm: float, height_m: float) -> None:
    """Stump, sawlog, topwood and top are the stem, none of them below zero."""
    tree = Trees(dbh_cm=dbh_cm, height_m=height_m, species_code=code)

    parts = [float(SYSTEM.volume(tree, part)) for part in ("stump", "sawlog", "topwood", "top")]

    assert min(parts) >= 0
    assert sum(parts) == pytest.approx(float(SYSTEM.volume(tree, "total")))
    assert parts[1] + parts[2] == pytest.approx(float(SYSTEM.volume(tree, "merchantable")))


@given(
    code=SPECIES,
    dbh_cm=st.floats(15, 90),
    height_m=st.floats(8, 40),
    share=st.floats(0.1, 0.9),
)
def test_top_height_has_its_diameter(
    code: int, dbh_cm: float, height_m: float, share: float
) -> None:
    """At the height of a top diameter, the volume outside bark falls off by that cross-section."""
    tree = Trees(dbh_cm=dbh_cm, height_m=height_m, species_code=code)
    top_in = share * dbh_cm / 2.54
    height_ft = float(SYSTEM.height_to_top_ft(tree, top_in))
    step = 1e-4 * height_m / FOOT_M

    above, below = (
        float(SYSTEM.height_to_top_ft(tree, top_in * change)) for change in (0.999, 1.001)
    )

    assert 0 < height_ft < height_m / FOOT_M + step
    assert below < height_ft < above


@given(order=st.permutations(range(6)))
def test_order_of_trees_changes_nothing(order: list[int]) -> None:
    """Trees in another order have the same volumes in that order."""
    dbh, height = np.array([12, 20, 30, 40, 50, 60.0]), np.array([9, 15, 20, 24, 26, 30.0])
    codes = np.array([318, 129, 833, 0, 746, 202])
    straight = SYSTEM.volume(Trees(dbh_cm=dbh, height_m=height, species_code=codes), "sawlog")

    shuffled = SYSTEM.volume(
        Trees(dbh_cm=dbh[order], height_m=height[order], species_code=codes[order]), "sawlog"
    )

    assert shuffled.tolist() == pytest.approx(straight[order].tolist(), nan_ok=True)


def test_blocks_of_trees_meet_without_a_seam() -> None:
    """More trees than are worked on at once have the volumes that each has alone."""
    dbh = np.linspace(10, 80, 70_001)
    trees = Trees(dbh_cm=dbh, height_m=22.0, species_code=318)

    many = SYSTEM.volume(trees, "merchantable")

    for place in (0, 32_767, 32_768, 65_536, 70_000):
        alone = Trees(dbh_cm=float(dbh[place]), height_m=22.0, species_code=318)
        assert many[place] == pytest.approx(float(SYSTEM.volume(alone, "merchantable")))


@pytest.mark.parametrize("name", sorted(equation_sets()))
def test_no_trees_have_no_volumes(name: str) -> None:
    """An empty stand is computed like any other."""
    equation_set = equation_sets()[name]
    nobody = Trees(dbh_cm=np.array([]), species_code=np.array([], dtype=int))

    assert all(equation_set.volume(nobody, part).shape == (0,) for part in equation_set.parts)


def test_a_stem_as_thick_as_the_top_of_a_log_holds_none() -> None:
    """A hardwood's sawlog ends at 9 in: one of just 9 in at breast height has none, 10 in has."""
    trees = Trees(
        dbh_cm=np.array([8.0, 9.0, 10.0]) * INCH_CM,
        merchantable_height_m=16 * FOOT_M,
        species_code=318,
    )

    assert (LakeStates().volume(trees, "sawlog from height") > 0).tolist() == [
        False,
        False,
        True,
    ]
