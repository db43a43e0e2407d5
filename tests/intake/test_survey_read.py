"""A whole project read: all faults at once, all records accounted for, no input touched."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from glademark.contracts.survey import REJECTED_COLUMNS, Survey
from glademark.errors import InputError
from glademark.intake.read import read_survey

Read = Callable[..., Survey]


def test_all_faults_of_all_inputs_come_together(
    survey: Read, text: Callable[..., str], layer: Callable, square: Callable, line: Callable
) -> None:
    """The forester is mending files, and wants to mend them once."""
    inputs = {
        "stand": layer("s.gpkg", [line((0, 0), (200, 0), (200, 200), (0, 200), (0, 5))]),
        "corridors": layer("c.gpkg", [square()]),
        "exclusions": "missing.gpkg",
        "tally": text("t.csv", "place_name,dbh_in\na,1\n"),
        "terrain": text("t.tif", "no raster"),
    }
    with pytest.raises(InputError) as refused:
        survey(text("m.csv", "tree,DBH,lon,lat\n1,12,-86.9994,45.1531\n"), inputs=inputs)
    faults = refused.value.faults

    assert len(faults) == 6
    for part in ("s.gpkg", "c.gpkg", "missing.gpkg", "t.csv", "t.tif", "m.csv"):
        assert any(fault.startswith(part) for fault in faults), part


def test_every_file_is_counted_and_hashed(survey: Read, text: Callable) -> None:
    """Read is used and rejected, for each file."""
    result = survey(inputs={"tally": text("t.csv", "zone,count,dbh_in\nmatrix,2,12\nhill,1,12\n")})

    assert [(c.input, c.file, c.read, c.used, c.rejected) for c in result.counts] == [
        ("stand", "stand.gpkg", 1, 1, 0),
        ("marks", "marks.csv", 3, 3, 0),
        ("tally", "t.csv", 2, 1, 1),
    ]
    assert all(len(count.sha256) == 64 for count in result.counts)


def test_nothing_rejected_is_an_empty_table(survey: Read) -> None:
    """With its columns and their types."""
    aside = survey().rejected

    assert tuple(aside.columns) == REJECTED_COLUMNS
    assert aside.empty
    assert aside["record"].dtype == "int64"


def test_no_input_is_touched(survey: Read, layer: Callable, line: Callable, tmp_path: Path) -> None:
    """Neither a byte nor a file beside it is changed."""
    inputs = {
        "corridors": layer("c.shp", [line((20, 0), (20, 200))]),
        "water": layer("w.geojson", [line((90, 0), (90, 200))], {"width_m": [3.0]}),
    }
    survey(inputs=inputs)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    for path in tmp_path.iterdir():
        path.chmod(0o444)
    survey({"file": "marks.csv", "crs": "EPSG:32616"}, inputs={**inputs, "stand": "stand.gpkg"})

    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_reading_twice_gives_the_same(project: Callable, tmp_path: Path) -> None:
    """Same input, same Survey."""
    asked = project()
    first, second = (read_survey(asked, folder=tmp_path) for _ in range(2))

    assert first.marks.equals(second.marks)
    assert (first.notices, first.counts) == (second.notices, second.counts)


def test_a_row_that_could_not_be_read_is_in_the_table(survey: Read) -> None:
    """A shifted row is named by its line."""
    result = survey("tree,dbh_in,x,y\n1,12,500050,5000050\n2,12,500050\n")

    assert result.rejected[["record", "reason"]].to_numpy().tolist() == [
        [3, "3 cells where the header has 4; correct the line"]
    ]
    assert "marks.csv: 1 record could not be read and rejected: line 3." in result.notices


def test_loading_intake_loads_no_more_than_it_needs() -> None:
    """Rasters, damaged files and XML are rare; their libraries wait."""
    code = (
        "import sys, glademark.intake.read; "
        "print([name for name in ('rasterio', 'fiona', 'defusedxml', 'matplotlib') "
        "if name in sys.modules])"
    )
    ran = subprocess.run(  # noqa: S603 - our own interpreter
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )

    assert ran.stdout.strip() == "[]"
