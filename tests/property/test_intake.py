"""What holds for every set of field files: nothing lost, nothing moved, order without meaning."""

from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.read import read_survey
from glademark.project.model import Project

STAND = shapely.box(500_000, 5_000_000, 500_200, 5_000_200)
HEAD = ("tree", "by", "dbh_in", "count", "kind", "time", "x", "y")
INSIDE = st.floats(0, 200).map(lambda metres: round(metres, 3))

rows = st.lists(
    st.tuples(
        st.sampled_from(["", "1", "2", "3", "007"]),
        st.sampled_from(["", "JD", "KL"]),
        st.sampled_from(["", "8", "12.5", "30", "0", "see photo", "1e9"]),
        st.sampled_from(["", "1", "3", "0", "x"]),
        st.sampled_from(["", "cut", "leave", "danger", "boundary"]),
        st.sampled_from(["", "08:15", "08:16"]),
        st.sampled_from(["500050", "500051.5", "500203", "500260", "", "0", "far"]),
        st.sampled_from(["5000050", "5000051.5", "5000090", "", "0"]),
    ),
    min_size=1,
    max_size=12,
)


def read(lines: list[tuple[str, ...]]) -> Survey | tuple[str, ...]:
    """Survey of marks, or why they are refused."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        gpd.GeoDataFrame(geometry=[STAND], crs=32616).to_file(folder / "stand.gpkg")
        text = "\n".join(",".join(line) for line in [HEAD, *lines])
        (folder / "marks.csv").write_text(text + "\n", encoding="utf-8")
        inputs = {"stand": "stand.gpkg", "marks": {"file": "marks.csv", "crs": "EPSG:32616"}}
        asked = Project.model_validate({"project": {"name": "T"}, "inputs": inputs})
        try:
            return read_survey(asked, folder=folder)
        except InputError as error:
            return error.faults


def content(survey: Survey) -> list[tuple[object, ...]]:
    """Used marks without the place in the file, which labels may tell, in an order of their own."""
    frame = pd.DataFrame(survey.marks.drop(columns=["record", "label", "geometry"]).astype(str))
    frame["place"] = survey.marks.geometry.to_wkt()
    return sorted(frame.itertuples(index=False, name=None))


@settings(max_examples=15)
@given(rows)
def test_every_record_is_used_or_rejected_and_never_both(lines: list[tuple[str, ...]]) -> None:
    """A record is a line with anything in it; each is in exactly one of the two."""
    survey = read(lines)
    written = {number for number, line in enumerate(lines, start=2) if any(line)}

    if not isinstance(survey, Survey):
        assert all(survey)
        return
    used = survey.marks["record"].tolist()
    aside = survey.rejected["record"].tolist()
    assert len(set(used)) == len(used)
    assert len(set(aside)) == len(aside)
    assert set(used).isdisjoint(aside)
    assert set(used) | set(aside) == written


@settings(max_examples=8)
@given(rows, st.randoms(use_true_random=False))
def test_the_order_of_lines_means_nothing(lines: list[tuple[str, ...]], random: object) -> None:
    """Shuffled lines give the same marks."""
    shuffled = list(lines)
    random.shuffle(shuffled)  # type: ignore[attr-defined] # hypothesis gives a Random
    first, second = read(lines), read(shuffled)

    if isinstance(first, Survey):
        assert isinstance(second, Survey)
        assert content(first) == content(second)
    else:
        assert not isinstance(second, Survey)


@pytest.mark.parametrize("ending", ["gpkg", "shp", "geojson", "csv"])
@settings(max_examples=3)
@given(positions=st.lists(st.tuples(INSIDE, INSIDE), min_size=1, max_size=20))
def test_positions_come_back_as_written(ending: str, positions: list[tuple[float, float]]) -> None:
    """To a millionth of a metre, in every format."""
    points = shapely.points(np.add(positions, (500_000, 5_000_000)))
    columns = {"tree": [str(n) for n in range(len(points))], "dbh_in": 12.0}
    marks = gpd.GeoDataFrame(columns, geometry=points, crs=32616)
    with TemporaryDirectory() as name:
        folder = Path(name)
        gpd.GeoDataFrame(geometry=[STAND], crs=32616).to_file(folder / "stand.gpkg")
        source: object = f"marks.{ending}"
        if ending == "csv":
            table = marks.assign(x=marks.geometry.x, y=marks.geometry.y).drop(columns="geometry")
            table.to_csv(folder / "marks.csv", index=False)
            source = {"file": "marks.csv", "crs": "EPSG:32616"}
        else:
            marks.to_file(folder / f"marks.{ending}")
        inputs = {"stand": "stand.gpkg", "marks": source}
        asked = Project.model_validate({"project": {"name": "T"}, "inputs": inputs})
        survey = read_survey(asked, folder=folder)

    assert shapely.distance(survey.marks.geometry.to_numpy(), points).max() < 1e-6
