"""Whole ownerships on a Dask cluster."""

from __future__ import annotations

import multiprocessing
import socket
from contextlib import suppress
from typing import TYPE_CHECKING

import distributed
import geopandas as gpd
import pandas as pd
import pyogrio
import pytest

from glademark.errors import InputError
from glademark.jobs.batch import BatchOutcome, Engine, _client, lay_out_batch
from glademark.jobs.stands import StandsOutcome, lay_out_stands

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.stands.conftest import Ownership

TABLES = ("stands", "volume_by_zone", "checks", "openings")


@pytest.fixture(scope="session")
def batch(
    ownership: Ownership, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, BatchOutcome]:
    """Folder and outcome of a batch over three stands on two workers."""
    folder = tmp_path_factory.mktemp("batch")
    project = ownership.write(folder / "in", column="stand_id")
    return folder, lay_out_batch([project], out=folder / "out", engine=Engine(workers=2))


@pytest.fixture(scope="module")
def running() -> Iterator[Engine]:
    """A cluster that runs already, in this process: no worker has to start."""
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0"
    ) as cluster:
        yield Engine(scheduler=cluster.scheduler_address)


def test_side_by_side_is_one_by_one(
    batch: tuple[Path, BatchOutcome], together: tuple[Path, StandsOutcome]
) -> None:
    """The tables are byte for byte those of a run that lays the stands out one after the other."""
    for table in TABLES:
        name = f"{table}.csv"
        assert (batch[0] / "out" / name).read_bytes() == (together[0] / name).read_bytes(), name


def test_layers_of_all_stands_are_those_of_each(
    batch: tuple[Path, BatchOutcome], together: tuple[Path, StandsOutcome]
) -> None:
    """Each layer of the joint GeoPackage holds the rows of every stand, made one at a time."""
    names = {str(name) for name, _ in pyogrio.list_layers(together[0] / "layout.gpkg")}
    layers = sorted(names - {"stands", "parameters"})  # settings: the two projects differ
    place = batch[0] / "out"

    for layer in layers:
        joint = pyogrio.read_dataframe(together[0] / "layout.gpkg", layer=layer)
        parts = [
            pd.read_parquet(part) if "geometry" not in joint else gpd.read_parquet(part)
            for name in together[1].summary["stands"]
            for part in [place / f"{layer}.parquet" / f"stand_id={name}" / "part.parquet"]
        ]
        assert len(joint) == sum(map(len, parts)), layer
        for column in (name for name in joint if name not in {"stand_id", "geometry"}):
            alone = [value for part in parts for value in part[column].astype(object)]
            mine = joint[column].astype(object).tolist()
            assert [v for v in mine if not pd.isna(v)] == [v for v in alone if not pd.isna(v)]
            assert [pd.isna(v) for v in mine] == [pd.isna(v) for v in alone], (layer, column)
        if "geometry" in joint:
            shapes = [shape for part in parts for shape in part.geometry]
            assert joint.geometry.tolist() == shapes, layer


def test_layers_are_partitioned_by_stand(batch: tuple[Path, BatchOutcome]) -> None:
    """A layer is a folder that reads as one data set, with the stand as a column."""
    marks = gpd.read_parquet(batch[0] / "out" / "marks.parquet")

    assert marks.groupby("stand_id", observed=True).size().to_dict() == {
        "7": 60,
        "North 1": 60,
        "North 2": 60,
    }
    assert marks.crs == "EPSG:26916"


def test_done_stands_are_skipped(
    batch: tuple[Path, BatchOutcome], ownership: Ownership, running: Engine
) -> None:
    """A second run does nothing; after a change to one stand it does that stand."""
    project = batch[0] / "in" / "harvest.toml"
    again = lay_out_batch([project], out=batch[0] / "out", engine=running)
    assert again.skipped == 3

    marks = ownership.marks.copy()
    marks.loc[0, "dbh_cm"] += 1.0
    before = (batch[0] / "in" / "marks.csv").read_bytes()
    marks.to_csv(batch[0] / "in" / "marks.csv", index=False)
    changed = lay_out_batch([project], out=batch[0] / "out", engine=running)
    (batch[0] / "in" / "marks.csv").write_bytes(before)
    back = lay_out_batch([project], out=batch[0] / "out", engine=running)

    assert (changed.skipped, back.skipped) == (2, 2)


def test_partitioned_inputs_are_read(
    ownership: Ownership, together: tuple[Path, StandsOutcome], tmp_path: Path
) -> None:
    """Inputs may be GeoParquet partitioned by stand; the tables are those of the other formats."""
    project = ownership.write(tmp_path / "in", column="stand_id")
    marks = gpd.GeoDataFrame(
        ownership.marks.drop(columns=["x", "y"]),
        geometry=gpd.points_from_xy(ownership.marks["x"], ownership.marks["y"]),
        crs="EPSG:26916",
    )
    for name, part in marks.groupby("stand_id"):
        place = tmp_path / "in" / "marks.parquet" / f"stand_id={name}"
        place.mkdir(parents=True)
        part.drop(columns="stand_id").to_parquet(place / "part.parquet")
    text = project.read_text(encoding="utf-8")
    stated = '{file = "marks.csv", crs = "EPSG:26916"}'
    project.write_text(text.replace(stated, '"marks.parquet"'), encoding="utf-8")

    second = lay_out_stands(project, out=tmp_path / "parquet")

    assert [stand.row for stand in second.stands] == [stand.row for stand in together[1].stands]


def test_killed_workers_cost_nothing_but_time(
    batch: tuple[Path, BatchOutcome], tmp_path: Path
) -> None:
    """When all workers are killed in the middle, new ones lay out what was in their hands."""
    killed: list[int] = []

    def kill(_: str) -> None:
        for child in multiprocessing.active_children() if not killed else []:
            child.kill()
            killed.append(child.pid or 0)

    project = batch[0] / "in" / "harvest.toml"
    lay_out_batch([project], out=tmp_path, engine=Engine(workers=2), on_each=kill)

    assert len(killed) >= 2
    for table in TABLES:
        name = f"{table}.csv"
        assert (tmp_path / name).read_bytes() == (batch[0] / "out" / name).read_bytes(), name


def test_no_stand_is_lost_where_more_wait_than_are_handed_out(
    batch: tuple[Path, BatchOutcome],
    running: Engine,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With one stand handed out at a time, every stand has its turn."""
    for name in ("IN_FLIGHT", "MOST_AT_ONCE"):
        monkeypatch.setattr(f"glademark.jobs.batch.{name}", 1)

    outcome = lay_out_batch(
        [batch[0] / "in" / "harvest.toml"], out=tmp_path / "out", engine=running
    )

    assert outcome.rows == batch[1].rows


def test_single_stands_are_named_after_their_folders(
    ownership: Ownership, running: Engine, tmp_path: Path
) -> None:
    """Projects of one stand each go side by side under the names of their folders."""
    projects = [ownership.of(name).write(tmp_path / name) for name in ("North 1", "7")]

    outcome = lay_out_batch(projects, out=tmp_path / "out", engine=running)

    assert [row["stand_id"] for row in outcome.rows] == ["North 1", "7"]


def test_names_of_stands_must_differ(ownership: Ownership, tmp_path: Path) -> None:
    """Two stands of one name would write over each other: the batch is refused."""
    project = ownership.of("7").write(tmp_path / "7")

    with pytest.raises(InputError, match="two stands are called '7'"):
        lay_out_batch([project, project], out=tmp_path / "out", engine=Engine(workers=1))


def test_two_batches_at_once_do_not_want_the_same_port() -> None:
    """A cluster of its own starts while the port that the engine prefers is taken."""
    with socket.socket() as taken:
        with suppress(OSError):  # taken by another program already: just as well
            taken.bind(("127.0.0.1", 8787))
            taken.listen()
        with _client(Engine(workers=1)) as client:
            total = client.submit(sum, [1, 2]).result()

    assert total == 3
