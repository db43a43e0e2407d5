"""Layers of several stands as one: put together first, then written, and still those of each."""

import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.contracts.layers import MARKS, STAND, Column, Layer, Units
from glademark.contracts.result_tables import REJECTED
from glademark.export import geopackage
from glademark.export.geopackage import Table, table_of, write_tables
from glademark.export.stands import Rows, alike, as_one
from glademark.report.summary import named_values, parameter_rows

CRS = "EPSG:26916"


def frame_of(layer: Layer, rows: int, *, seed: int = 0, text: str = "str") -> gpd.GeoDataFrame:
    """Rows of a layer that differ from one another, every third number missing."""
    numbers = np.arange(rows) + 10.0 * seed

    def values(column: Column) -> object:
        if column.kind == "text":
            return pd.Series([f"{column.name} {number:.0f}" for number in numbers], dtype=text)
        if column.kind == "integer":
            return numbers.astype("int64")
        if column.kind == "flag":
            return numbers > 1
        return np.where(np.arange(rows) % 3 == 2, np.nan, numbers / 7)

    columns = {column.name: values(column) for column in layer.columns if not column.optional}
    shapes = [shapely.box(n, 0, n + 1, 1) for n in numbers]
    if layer.geometry == "Point":
        shapes = shapely.points(numbers, 0).tolist()
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def joined_of(parts: list[tuple[str, pd.DataFrame]], name: str, units: Units) -> Table:
    """The tables of all stands as one."""
    rows = [
        Rows([place], [stand], [len(frame)], frame) for place, (stand, frame) in enumerate(parts)
    ]
    return as_one(alike(rows, name, units))


def each_alone(parts: list[tuple[str, pd.DataFrame]], name: str, units: Units) -> list[Table]:
    """The table of every stand, made from its own frame."""
    return [table_of(frame, name, units) for _, frame in parts]


def same_values(joined: pd.Series, alone: pd.Series) -> bool:
    """Whether values are the same to the last bit, what is missing being missing in both."""
    return joined.isna().tolist() == alone.isna().tolist() and (
        joined.dropna().tolist() == alone.dropna().tolist()
    )


@given(
    rows=st.lists(st.integers(0, 4), min_size=1, max_size=5),
    text=st.lists(st.sampled_from(["str", "object"]), min_size=5, max_size=5),
    units=st.sampled_from(["us", "metric"]),
)
def test_joined_is_each_alone(rows: list[int], text: list[str], units: Units) -> None:
    """Whatever the order of like and unlike frames, each stand has the rows that it has alone."""
    parts = [
        (f"S{place}", frame_of(STAND, count, seed=place, text=text[place]))
        for place, count in enumerate(rows)
    ]

    joined = joined_of(parts, STAND.name, units)

    assert joined.frame["stand_id"].tolist() == [
        name for name, frame in parts for _ in range(len(frame))
    ]
    assert list(joined.frame)[:-1] == [column.name for column in joined.columns]
    for (name, _), alone in zip(parts, each_alone(parts, STAND.name, units), strict=True):
        mine = joined.frame[joined.frame["stand_id"] == name]
        for column in alone.columns:
            assert same_values(mine[column.name], alone.frame[column.name])
        assert mine.geometry.tolist() == alone.frame.geometry.tolist()


@pytest.mark.parametrize("rows", [(2, 0, 3), (0, 2, 2), (2, 2, 0), (0, 0, 0)])
def test_what_a_stand_does_not_have_is_missing(rows: tuple[int, int, int]) -> None:
    """An optional column that one stand has, with rows or without, stands empty for the others."""
    parts = [(str(place), frame_of(MARKS, count, seed=place)) for place, count in enumerate(rows)]
    parts[1] = ("1", parts[1][1].assign(slope_pct=12.5, landing="L 1", vigor="good"))

    table = joined_of(parts, MARKS.name, "metric")

    has = (table.frame["stand_id"] == "1").tolist()
    for column in ("slope_pct", "landing", "vigor"):
        assert table.frame[column].notna().tolist() == has
        assert [one.name for one in table.columns].count(column) == 1


def test_columns_that_came_in_keep_their_values() -> None:
    """A column of numbers in one stand and of words in another holds both, as they were."""
    parts = [
        ("A", frame_of(MARKS, 2).assign(Vigor=[1, 2])),
        ("B", frame_of(MARKS, 1).assign(Vigor=["good"])),
        ("C", frame_of(MARKS, 1).assign(Vigor=[3])),
    ]

    table = joined_of(parts, MARKS.name, "metric")

    assert [str(value) for value in table.frame["vigor"]] == ["1", "2", "good", "3"]


def test_shared_settings_are_named_for_each_stand() -> None:
    """Settings that stands share by reference give the rows that each would give by itself."""
    shared = {"width_m": 4.0, "rules": {}}
    stands = [
        ({"project": {"name": name}, "corridors": shared}, {"area_m2": area, "notices": []})
        for name, area in (("A", 1.0), ("B", 2.0))
    ]

    rows = parameter_rows(stands)

    for (settings, summary), mine in zip(stands, rows, strict=True):
        alone = [*named_values(settings), *named_values({"summary": summary})]
        assert mine == alone
    assert rows[1][0] == ("project.name", '"B"')


def test_arrow_writes_the_same_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A layer of many rows has the same bytes where pyarrow is installed and where it is not."""
    frame = frame_of(MARKS, 1_500).assign(Größe="=größer", stays=True, defect_share=0.25)
    frame.loc[::7, ["species", "Größe"]] = None
    table = table_of(frame, MARKS.name, "us")

    write_tables([table], tmp_path / "arrow.gpkg", record="")
    monkeypatch.setattr(geopackage, "find_spec", lambda _: None)
    write_tables([table], tmp_path / "rows.gpkg", record="")

    assert (tmp_path / "arrow.gpkg").read_bytes() == (tmp_path / "rows.gpkg").read_bytes()


def test_slices_make_one_layer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A layer that is written in slices holds the rows and shapes of one written at once."""
    table = table_of(frame_of(STAND, 23), STAND.name, "metric")

    write_tables([table], tmp_path / "whole.gpkg", record="")
    monkeypatch.setattr(geopackage, "_VERTICES_AT_ONCE", 20)
    write_tables([table], tmp_path / "slices.gpkg", record="")

    whole, slices = (
        gpd.read_file(tmp_path / name, layer="stand") for name in ("whole.gpkg", "slices.gpkg")
    )
    pd.testing.assert_frame_equal(pd.DataFrame(slices), pd.DataFrame(whole))
    south = gpd.read_file(tmp_path / "slices.gpkg", layer="stand", bbox=(4.5, 0, 6.5, 1))
    assert len(south) == 3  # by the index of places: the squares from 4, 5 and 6 on


@pytest.mark.parametrize("rows", [0, 1, 179, 180, 181, 400])
def test_tables_keep_every_value(rows: int, tmp_path: Path) -> None:
    """Rows that fill a statement, or do not, come back in order, NULL where nothing is."""
    names = [f'no. {row} "ü"' if row % 5 else None for row in range(rows)]
    aside = pd.DataFrame(
        {
            "input": pd.array(["marks"] * rows, dtype="string"),
            "file": pd.array(["a.csv"] * rows, dtype="string"),
            "record": np.arange(rows),
            "tree_id": pd.array(names, dtype="string"),
            "reason": pd.array(["far away"] * rows, dtype="string"),
        }
    )
    first = table_of(frame_of(STAND, 1), STAND.name, "metric")

    tables = [first, table_of(aside, REJECTED.name, "metric")]
    write_tables(tables, tmp_path / "layout.gpkg", record="")

    with closing(sqlite3.connect(tmp_path / "layout.gpkg")) as database:
        found = database.execute("SELECT fid, record, tree_id FROM rejected").fetchall()
    assert found == [(row + 1, row, name) for row, name in enumerate(names)]
