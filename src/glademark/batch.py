"""Whole ownerships: stands laid out side by side by the workers of a Dask cluster."""

import hashlib
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd

from glademark import __version__
from glademark.deliver.columns import written_frame
from glademark.deliver.partitions import done_before, rows_of, write_joined, write_stand
from glademark.deliver.stands import CSV_TABLES
from glademark.deliver.tables import write_csv
from glademark.errors import InputError, OutputError
from glademark.intake.shelf import Shelf, open_inputs
from glademark.intake.stands import digest_of, open_stands
from glademark.judge.limits import limits_asked
from glademark.layers import STANDS
from glademark.pipeline_stands import lay_out_stand
from glademark.plugins import installed_limits
from glademark.project import read_project
from glademark.project.model import Project

log = logging.getLogger(__name__)

NEEDS = "pip install 'glademark[scale]'"
"""What brings the engine."""

IN_FLIGHT = 3
"""Stands handed out ahead, a worker."""

_FREE_PORT = "127.0.0.1:0"
"""Address of the scheduler's own pages: any free port, seen from this machine alone."""

TRIES = 3
"""How often a stand is given to another worker after its own was killed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Engine:
    """
    Where the stands are laid out.

    Attributes
    ----------
    workers
        Processes on this machine; None for one a processor.
    scheduler
        Address of a cluster that runs already, whose workers see the same files; empty for none.
    """

    workers: int | None = None
    scheduler: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class BatchOutcome:
    """
    What a run over an ownership gave.

    Attributes
    ----------
    project
        The first project: its units are those of the tables.
    rows
        Rows of the table of stands, those done before included.
    skipped
        Stands that were done before from the same inputs.
    files
        Joined tables that were written.
    """

    project: Project
    rows: tuple[Mapping[str, Any], ...]
    skipped: int
    files: tuple[Path, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    """One stand to be laid out."""

    name: str
    shelf: Shelf
    project: Project
    digest: str


def lay_out_batch(
    project_files: Sequence[Path],
    *,
    out: Path,
    engine: Engine,
    on_each: Callable[[str], None] | None = None,
) -> BatchOutcome:
    """
    Layout of every stand of several projects, each stand a unit of work of its own.

    Parameters
    ----------
    project_files
        Project files of one stand, named after their folder, or of many.
    out
        Folder of the run: a folder a layer with one GeoParquet file a stand, tables of all stands
        as CSV, and notes of the stands that are done. A later run into it takes up what is left.
    engine
        Where to work.
    on_each
        Called with a line of progress after each stand.

    Returns
    -------
    outcome
        Stands that are refused are in it with the reason.

    Raises
    ------
    InputError
        If a project file or a file of many stands is refused, names of stands are not unique, or
        the engine is not installed.
    OutputError
        If stands could not be written; those that could are, and a later run goes on from there.
    """
    with ExitStack() as stack:
        tasks, projects = _tasks(project_files, stack)
        out.mkdir(parents=True, exist_ok=True)
        todo = [task for task in tasks if not done_before(out, task.name, digest=task.digest)]
        failed = _run(todo, out, engine, on_each) if todo else []
        names = [task.name for task in tasks]
    if failed:
        raise OutputError(*failed)
    rows = rows_of(out, names)
    units = projects[0].heading.units
    stands = pd.DataFrame(rows, columns=list(STANDS.names))
    write_csv(written_frame(stands, STANDS, units), out / f"{STANDS.name}.csv")
    joined = [name for name in CSV_TABLES if name != STANDS.name]
    return BatchOutcome(
        project=projects[0],
        rows=tuple(rows),
        skipped=len(tasks) - len(todo),
        files=(out / f"{STANDS.name}.csv", *write_joined(out, names, joined)),
    )


def _tasks(project_files: Sequence[Path], stack: ExitStack) -> tuple[list[_Task], list[Project]]:
    """Every stand of every project, opened; private copies stay until the stack is closed."""
    tasks: list[_Task] = []
    projects = []
    for path in project_files:  # a project each
        project = read_project(path)
        limits_asked(project.limits, known=installed_limits())
        projects.append(project)
        settings = hashlib.sha256(f"{__version__}\n{path.read_text('utf-8')}".encode()).hexdigest()
        if project.heading.stand_id:
            many = stack.enter_context(open_stands(project, folder=path.parent))
            shelves = {name: many.of(name) for name in many.names}
        else:
            temporary = Path(stack.enter_context(TemporaryDirectory(prefix="glademark-")))
            shelf = open_inputs(project, folder=path.parent, temporary=temporary)
            shelves = {path.absolute().parent.name: shelf}
        tasks += [
            _Task(name=name, shelf=shelf, project=project, digest=f"{settings}{digest_of(shelf)}")
            for name, shelf in shelves.items()
        ]
    names = pd.Series([task.name for task in tasks])
    if names.duplicated().any():
        msg = (
            f"two stands are called {names[names.duplicated()].iloc[0]!r}; expected each name "
            "once. Rename the folder of a project, or the stand"
        )
        raise InputError(msg)
    return tasks, projects


def _run(
    todo: Sequence[_Task], out: Path, engine: Engine, on_each: Callable[[str], None] | None
) -> list[str]:
    """Lay out all stands; one sentence for each that could not be written."""
    try:
        from distributed import as_completed  # noqa: PLC0415 - an extra
    except ImportError as error:
        msg = f"a batch needs an engine to run on. Install it: {NEEDS}"
        raise InputError(msg) from error
    failed: list[str] = []
    waiting = iter(todo)
    with _client(engine) as client:

        def submit(task: _Task) -> Any:  # noqa: ANN401 - an untyped library
            return client.submit(_lay_out, task, str(out), pure=False, retries=TRIES)

        ahead = IN_FLIGHT * max(1, len(client.scheduler_info()["workers"]))
        names = {submit(task): task.name for task, _ in zip(waiting, range(ahead), strict=False)}
        running = as_completed(list(names))
        for done, future in enumerate(running, start=1):
            name = names.pop(future)
            if future.status == "error":
                failed.append(f"stand {name}: {future.exception()}")
            if on_each is not None:
                on_each(f"stand {name} ({done} of {len(todo)})")
            task = next(waiting, None)
            if task is not None:
                more = submit(task)
                names[more] = task.name
                running.add(more)
    return failed


def _lay_out(task: _Task, out: str) -> None:
    """Lay out one stand and write it: what a worker does."""
    asked = limits_asked(task.project.limits, known=installed_limits())
    tables = lay_out_stand(task.name, task.shelf, task.project, asked)
    write_stand(tables, Path(out), digest=task.digest)


@contextmanager
def _client(engine: Engine) -> Iterator[Any]:
    """A client of the cluster asked for, or of one of its own."""
    import dask  # noqa: PLC0415 - an extra
    from distributed import Client, LocalCluster  # noqa: PLC0415 - an extra

    quiet = {"distributed.scheduler.allowed-failures": TRIES}
    if engine.scheduler:
        with dask.config.set(quiet), Client(engine.scheduler) as client:
            yield client
        return
    with (
        dask.config.set(quiet),
        TemporaryDirectory(prefix="glademark-") as scratch,
        LocalCluster(
            n_workers=engine.workers,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            scheduler_kwargs={"dashboard_address": _FREE_PORT},
            local_directory=scratch,
            silence_logs=logging.ERROR,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client
