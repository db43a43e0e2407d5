"""The columns that are written: declared, beside, brought along."""

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from glademark.contracts.layers import LAYERS, STAND
from glademark.contracts.result_tables import CHECKS
from glademark.export.iso_metadata import titled
from glademark.report.quantities import (
    CHECKS_SHOWN,
    names_brought_along,
    with_shown_units,
    written_columns,
    written_frame,
)


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("layer", [*LAYERS.values(), CHECKS_SHOWN], ids=lambda each: each.title)
def test_names_and_titles_are_unique(layer: object, units: str) -> None:
    """No two columns of a layer share a name, in whatever letter case, or a title."""
    written = written_columns(layer, units)

    names = {column.name.casefold() for column in written}
    titles = {titled(column) for column in written}
    assert len(names) == len(titles) == len(written)


def test_free_names_differ() -> None:
    """Columns that share a name, or differ by letter case only, all keep a name of their own."""
    shape = gpd.GeoDataFrame(
        [["a", "b", "c", "d"]],
        columns=["Name", "NAME", "name_recorded", " "],
        geometry=[shapely.Point(0, 0)],
    )

    names = names_brought_along(shape, STAND, "us")

    assert names == {
        "name_recorded": "Name",
        "name_recorded2": "NAME",
        "name_recorded_recorded": "name_recorded",
        "column": " ",
    }


def test_infinite_is_missing() -> None:
    """An infinite number is no measure."""
    frame = pd.DataFrame({column.name: [float("inf")] for column in STAND.columns})

    written = written_frame(frame, STAND, "us")

    assert written["area_m2"].isna().all()


def test_unit_without_another_form() -> None:
    """A target in cords is shown in cords."""
    row = dict.fromkeys(CHECKS.names, "") | {
        "measured": 55.0, "limit_value": 60.0, "margin": -5.0, "unit": "cord",
    }  # fmt: skip

    shown = with_shown_units(pd.DataFrame([row]), "us")

    assert shown[["measured_shown", "unit_shown"]].iloc[0].tolist() == [55, "cord"]
