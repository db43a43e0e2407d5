"""Whole ownerships on a Dask cluster."""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import os
import shutil
import signal
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import dask
import distributed
import geopandas as gpd
import pandas as pd
import psutil
import pyogrio
import pytest

from glademark.errors import InputError, OutputError
from glademark.export.output import held
from glademark.export.partitions import done_before, write_stand
from glademark.hosts.cli import INTERRUPTED, NOT_WRITTEN, _guarded
from glademark.intake.stand import open_stands
from glademark.jobs.batch import BatchOutcome, Engine, _client, lay_out_batch
from glademark.jobs.stands import StandsOutcome, lay_out_inputs, lay_out_stands
from glademark.project import read_project
from tests.stands.conftest import Ownership

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from subprocess import CompletedProcess

    from distributed import Client

STARTED = "spawn" if sys.platform == "win32" else "forkserver"
"""Workers that are killed and start again come out of a process that has loaded what they need."""
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


@pytest.fixture
def copied(batch: tuple[Path, BatchOutcome], tmp_path: Path) -> tuple[Path, Path]:
    """Project file and results of a copy of the batch, which a test may break."""
    shutil.copytree(batch[0], tmp_path / "copy")
    return tmp_path / "copy" / "in" / "harvest.toml", tmp_path / "copy" / "out"


def with_partitioned_marks(ownership: Ownership, folder: Path) -> Path:
    """Project file of a new folder whose marks are GeoParquet, partitioned by stand."""
    project = ownership.write(folder, column="stand_id")
    marks = gpd.GeoDataFrame(
        ownership.marks.drop(columns=["x", "y"]),
        geometry=gpd.points_from_xy(ownership.marks["x"], ownership.marks["y"]),
        crs="EPSG:26916",
    )
    for name, part in marks.groupby("stand_id"):
        place = folder / "marks.parquet" / f"stand_id={name}"
        place.mkdir(parents=True)
        part.drop(columns="stand_id").to_parquet(place / "part.parquet")
    text = project.read_text(encoding="utf-8")
    stated = '{file = "marks.csv", crs = "EPSG:26916"}'
    project.write_text(text.replace(stated, '"marks.parquet"'), encoding="utf-8")
    return project


def every_file(folder: Path) -> dict[Path, bytes]:
    """Content of every file below a folder."""
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def digests_of(out: Path) -> dict[str, str]:
    """What each note says of the inputs of its stand."""
    notes = (out / "done").glob("*.json")
    return {note.stem: json.loads(note.read_text(encoding="utf-8"))["digest"] for note in notes}


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
    layers = sorted(names - {"stands", "parameters", "layer_styles"})  # settings differ
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
    project = with_partitioned_marks(ownership, tmp_path / "in")

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
    with dask.config.set({"distributed.worker.multiprocessing-method": STARTED}):
        multiprocessing.get_context(STARTED).set_forkserver_preload(["glademark.jobs.batch"])
        lay_out_batch([project], out=tmp_path, engine=Engine(workers=2), on_each=kill)

    assert len(killed) >= 2
    for table in TABLES:
        name = f"{table}.csv"
        assert (tmp_path / name).read_bytes() == (batch[0] / "out" / name).read_bytes(), name


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


def damage(path: Path, how: str) -> None:
    """Do to a file what disks, copies and people do."""
    content = path.read_bytes()
    path.write_bytes(
        {
            "emptied": b"",
            "truncated": content[: len(content) // 2],
            "bytes changed": content[:-20] + bytes([content[-20] ^ 1]) + content[-19:],
            "garbage": b"\xff[" * 9,
            "another type": b"[1, 2]",
            "a figure changed": content.replace(b'"trees": 60', b'"trees": 61'),
        }.get(how, content)
    )
    if how == "removed":
        path.unlink()
    else:
        assert path.read_bytes() != content


@pytest.mark.parametrize("how", ["removed", "emptied", "truncated", "bytes changed"])
def test_a_stand_with_a_broken_part_is_not_done(copied: tuple[Path, Path], how: str) -> None:
    """The note says what each part holds; a part that does not, and its stand alone, is no more."""
    _, out = copied
    digests = digests_of(out)

    damage(out / "marks.parquet" / "stand_id=7" / "part.parquet", how)

    assert [done_before(out, name, digest=digests[name]) for name in digests] == [
        name != "7" for name in digests
    ]


@pytest.mark.parametrize(
    "how", ["removed", "emptied", "truncated", "garbage", "another type", "a figure changed"]
)
def test_a_stand_with_a_broken_note_is_not_done(copied: tuple[Path, Path], how: str) -> None:
    """A note counts only where every word of it is as it was written."""
    _, out = copied
    digests = digests_of(out)

    damage(out / "done" / "7.json", how)

    assert not done_before(out, "7", digest=digests["7"])


def test_broken_stands_are_made_again(copied: tuple[Path, Path], running: Engine) -> None:
    """A run over broken parts and notes gives the files of the first run, byte for byte."""
    project, out = copied
    before = every_file(out)
    damage(out / "zones.parquet" / "stand_id=North 1" / "part.parquet", "emptied")
    damage(out / "done" / "North 2.json", "truncated")
    (out / "allowance.csv").write_text("of an earlier run\n", encoding="utf-8")

    again = lay_out_batch([project], out=out, engine=running)

    assert again.skipped == 1
    assert every_file(out) == before


def test_parts_are_on_the_disk_before_the_note(
    batch: tuple[Path, BatchOutcome], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every part, and then the note, is flushed to the disk before the note has its name."""
    steps: list[str] = []
    flush, rename = os.fsync, Path.replace

    def flushed(handle: int) -> None:
        steps.append(Path(f"/proc/self/fd/{handle}").readlink().name)
        flush(handle)

    def renamed(self: Path, target: Path) -> Path:
        steps.append(target.name)
        return rename(self, target)

    project = read_project(batch[0] / "in" / "harvest.toml")
    with open_stands(project, folder=batch[0] / "in") as many:
        number = many.inputs.names.index("7")
        (stand,) = lay_out_inputs(many.inputs.of([number]), project, ())
    monkeypatch.setattr(os, "fsync", flushed)
    monkeypatch.setattr(Path, "replace", renamed)
    write_stand(stand, tmp_path, digest="x")

    parts = len(list(tmp_path.glob("*.parquet/stand_id=7/part.parquet")))
    assert parts > 5
    assert steps == ["part.parquet"] * parts + ["7.draft", "7.json"]


def test_two_batches_into_one_folder(
    copied: tuple[Path, Path], command: Callable[..., CompletedProcess[str]]
) -> None:
    """The second is told in one sentence to wait, and changes nothing."""
    project, out = copied
    (out / "done" / "7.json").unlink()
    before = every_file(out)

    with held(out):
        second = command("batch", project, "--out", out, "--workers", "1")

    assert (second.returncode, second.stdout) == (NOT_WRITTEN, "")
    assert second.stderr == (
        f"glademark: another run is writing into {out}. Wait until it has ended and run again\n"
    )
    assert every_file(out) == before


def test_the_place_of_an_input_is_not_written(ownership: Ownership, tmp_path: Path) -> None:
    """A layer partitioned by stand may be an input: its folder is no place for the output."""
    project = with_partitioned_marks(ownership, tmp_path / "in")
    before = every_file(tmp_path)

    with pytest.raises(OutputError, match=r"marks\.parquet is an input"):
        lay_out_batch([project], out=tmp_path / "in", engine=Engine(workers=1))

    assert every_file(tmp_path) == before


def test_stands_that_are_gone_are_removed(
    copied: tuple[Path, Path],
    ownership: Ownership,
    command: Callable[..., CompletedProcess[str]],
) -> None:
    """A stand that left the inputs leaves every layer, and is named; no other file is touched."""
    project, out = copied
    own = out / "marks.parquet" / "stand_id=7" / "read me.txt"
    own.write_text("the forester's own", encoding="utf-8")
    (out / "other.parquet" / "stand_id=7").mkdir(parents=True)
    (out / "other.parquet" / "stand_id=7" / "part.parquet").write_bytes(b"another program's")
    before = every_file(out)
    shutil.rmtree(project.parent)
    fewer = {name: frame[frame["stand_id"] != "7"] for name, frame in vars(ownership).items()}
    Ownership(**fewer).write(project.parent, column="stand_id")

    done = command("batch", project, "--out", out, "--workers", 1)

    after = every_file(out)
    assert done.returncode == 0, done.stderr
    assert "removed, since the inputs no longer have them: stand 7\n" in done.stderr
    assert {path for path in before if path not in after} == {
        path for path in before if path.name == "part.parquet" and path.parent.name == "stand_id=7"
        and path.parent.parent.name != "other.parquet"
    } | {out / "done" / "7.json"}  # fmt: skip
    assert {
        path.parent.name for path in before if before[path] != after.get(path, before[path])
    } == {"out"}
    assert set(gpd.read_parquet(out / "zones.parquet")["stand_id"]) == {"North 1", "North 2"}


def test_an_interrupt_is_told_how_far_the_batch_came(
    batch: tuple[Path, BatchOutcome],
    running: Engine,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """
    Interrupted after one stand of three, the run says so, and the next one skips that stand.

    One stand is handed out at a time: none that waits is lost.
    """
    for name in ("IN_FLIGHT", "MOST_AT_ONCE"):
        monkeypatch.setattr(f"glademark.jobs.batch.{name}", 1)

    def interrupt(_: str) -> None:
        raise KeyboardInterrupt

    project = batch[0] / "in" / "harvest.toml"
    run = partial(lay_out_batch, [project], out=tmp_path / "out", engine=running)
    code = _guarded(lambda: run(on_each=interrupt))
    said = capsys.readouterr().err
    after = run()

    assert after.rows == batch[1].rows
    assert code == INTERRUPTED
    assert said == "interrupted; 1 of 3 stands are done and will be skipped by the next run\n"
    assert after.skipped == 1


def test_an_interrupt_after_the_batch_is_told_that_all_is_written(
    copied: tuple[Path, Path], running: Engine, capsys: pytest.CaptureFixture[str]
) -> None:
    """Interrupted while the answer is printed, the run says that all of it is there."""
    project, out = copied

    def interrupted() -> None:
        lay_out_batch([project], out=out, engine=running)
        raise KeyboardInterrupt

    assert _guarded(interrupted) == INTERRUPTED
    assert capsys.readouterr().err == (
        f"interrupted; all 3 stands and their tables had been written into {out}\n"
    )


async def answers(address: str, security: distributed.Security | None) -> bool:
    """Whether a server tells a stranger who it is."""
    given = security.get_connection_args("client") if security else {}
    try:
        async with asyncio.timeout(10):
            async with distributed.rpc(address, timeout=1, connection_args=given) as server:
                return bool(await server.identity())
    except (OSError, ValueError):
        return False


@pytest.fixture(scope="module")
def own() -> Iterator[tuple[Client, set[int]]]:
    """A cluster of our own, and the ports on which its processes wait for others."""
    before = listening()
    with _client(Engine(workers=1)) as client:
        yield client, listening() - before


def test_a_cluster_of_our_own_answers_nobody_else(own: tuple[Client, set[int]]) -> None:
    """No port of any of its processes speaks to who has no certificate, or one of another run."""
    client, ports = own

    async def strangers() -> list[bool]:
        other = distributed.Security.temporary()
        plain = [answers(f"tcp://127.0.0.1:{port}", None) for port in ports]
        forged = [answers(f"tls://127.0.0.1:{port}", other) for port in ports]
        return await asyncio.gather(*plain, *forged)

    assert not any(asyncio.run(strangers()))
    assert len(ports) == 3  # the scheduler, a worker and what watches over it; no pages
    assert client.submit(sum, [1, 2]).result() == 3


@pytest.mark.skipif(sys.platform == "win32", reason="processes there know no such mask")
def test_workers_do_not_hear_the_interrupt_key(own: tuple[Client, set[int]]) -> None:
    """A terminal sends the key to every process: the run alone acts on it, and ends the others."""
    blocked = own[0].submit(signal.pthread_sigmask, signal.SIG_BLOCK, [], pure=False).result()

    assert signal.SIGINT in blocked
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])


def listening() -> set[int]:
    """Ports on which this process and those it started wait for others."""
    me = psutil.Process()
    return {
        one.laddr.port
        for process in (me, *me.children(recursive=True))
        for one in process.net_connections("tcp")
        if one.status == psutil.CONN_LISTEN
    }
