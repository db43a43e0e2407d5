"""The reference pages of the inputs say what intake does."""

from importlib.resources import files
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely

from glademark.intake.columns.fields import recognise
from glademark.intake.columns.reference import INPUTS, MEANT, InputReference
from glademark.intake.first_project import new_project
from glademark.intake.inspect import inspect_files
from glademark.project.model import Inputs

TABLES = (
    "marks", "leave_trees", "tally", "cruise", "volume_table", "standing", "crop_trees",
)  # fmt: skip


def test_every_input_has_its_page() -> None:
    """An input that is read and stands on no page is documented nowhere."""
    keys = {one.key for one in INPUTS}

    assert keys >= set(Inputs.model_fields) - {"terrain", "canopy_height"}  # rasters
    assert {"volume_table", "stumps"} <= keys


@pytest.mark.parametrize("one", INPUTS, ids=lambda one: one.key)
def test_every_column_of_an_example_is_read(one: InputReference) -> None:
    """Each heading of the example is recognised, what is needed is among them, all is explained."""
    found = recognise(list(one.example), one.meanings, where=one.key)

    assert set(found.header.values()) == set(one.example)
    assert set(one.needed) <= set(found.header)
    assert {meaning.name for meaning in one.meanings} <= set(MEANT)


@pytest.mark.parametrize("key", TABLES)
def test_templates_hold_headings_that_are_read(key: str) -> None:
    """A table that `glademark new` writes needs no mapping of columns."""
    (one,) = [one for one in INPUTS if one.key == key]
    text = (files("glademark.project") / "templates" / f"{key}.csv").read_text(encoding="utf-8")
    headings = text.strip().split(",")

    found = recognise(headings, one.meanings, where=key)

    assert set(headings) - set(found.header.values()) <= {"remarks"}
    assert set(one.example) <= set(headings)


def test_layers_to_draw_in_are_read_for_what_they_are(tmp_path: Path) -> None:
    """A shape drawn in each empty layer makes a file of that input, all of its columns read."""
    layers = [path for path in new_project(tmp_path) if path.suffix == ".gpkg"]
    lines = {"corridors", "water"}
    for path in layers:
        (one,) = [one for one in INPUTS if one.key == path.stem]
        line = shapely.LineString([(-88.14, 46.39), (-88.13, 46.39)])
        shape = line if path.stem in lines else line.buffer(0.001)
        row = {
            name: [float(text) if text.isdecimal() else text] for name, text in one.example.items()
        }
        drawn = gpd.GeoDataFrame(row, geometry=[shape], crs="EPSG:4326")
        pyogrio.write_dataframe(
            drawn,
            path,
            append=True,
            promote_to_multi=path.stem not in {"water", "setbacks", "hazards"},
        )
        (layer,) = inspect_files([path])[0].layers

        assert (layer.input, layer.records, layer.problems) == (path.stem, 1, ())
        assert {column.header for column in layer.columns if column.meaning} == set(one.example)
    assert len(layers) == 11
