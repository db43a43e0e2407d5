"""Every way that people write a species leads to one code."""

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.forestry import common_names, find_species, nearest_species, species_table

CODES = st.sampled_from(species_table().code.tolist())


@pytest.mark.parametrize(
    "written",
    [318, 318.0, "318", "318.0", " 0318 ", "ACSA3", "acsa3", "Sugar Maple", "sugar-maple",
     "SUGARMAPLE", "Acer saccharum", "acer  saccharum", "Acer saccharum Marshall", "hard maple"],
)  # fmt: skip
def test_sugar_maple_is_found(written: object) -> None:
    """Code, symbol, common, scientific and trade name all mean sugar maple (FIA 318)."""
    assert find_species([written]).tolist() == [318]


@pytest.mark.parametrize("written", ["", None, float("nan"), "palm", "999", "Acer", "0", "-1"])
def test_unknown_species_are_zero(written: object) -> None:
    """What is no listed species is 0, never the nearest one."""
    assert find_species([written]).tolist() == [0]


@given(code=CODES, shout=st.booleans())
def test_every_listed_name_leads_to_its_code(code: int, *, shout: bool) -> None:
    """Each symbol, common and scientific name in the table finds its own row."""
    table = species_table()
    row = int(table.rows([code])[0])
    names = [table.plants_symbol[row], table.common_name[row], table.scientific_name[row]]
    written = [name.upper() if shout else name.lower() for name in map(str, names)]

    assert find_species(written).tolist() == [code] * 3


@pytest.mark.parametrize(
    ("symbol", "code"), [("QUMO4", 832), ("Quercus montana", 832), ("NODE3", 631), ("CATO6", 409)]
)
def test_moved_names_are_accepted(symbol: str, code: int) -> None:
    """Symbols and names that taxonomy has moved still find their tree (from memory)."""
    assert find_species([symbol]).tolist() == [code]


def test_names_keep_their_shape() -> None:
    """A single name gives a single code, none gives none."""
    assert int(find_species("ACRU")) == 316
    assert find_species([]).size == 0


def test_misspelt_name_is_answered_with_near_ones() -> None:
    """A slip of the pen is answered with the names that it may stand for."""
    assert "northern red oak (QURU)" in nearest_species("nothern red ok")
    assert nearest_species("zzzz") == []
    assert len(nearest_species("maple", count=2)) <= 2


def test_codes_are_shown_by_name() -> None:
    """Codes without a row are shown as numbers, none as unknown."""
    assert common_names([833, 999, 0]).tolist() == [
        "northern red oak",
        "species 999",
        "unknown species",
    ]


def test_table_is_read_only_and_in_order() -> None:
    """The table ascends by code, and nobody can change it for all."""
    table = species_table()

    assert np.all(np.diff(table.code) > 0)
    with pytest.raises(ValueError, match="read-only"):
        table.common_name[0] = "weed"
