"""Whole ownerships: shares of stands laid out side by side by the workers of a Dask cluster."""

import hashlib
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import groupby, islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd

from glademark import __version__
from glademark.contracts.layers import STANDS
from glademark.errors import InputError, OutputError
from glademark.export.csv_tables import write_csv
from glademark.export.partitions import done_before, rows_of, write_joined, write_stand
from glademark.export.stands import CSV_TABLES
from glademark.intake.opened import Shelf, open_inputs
from glademark.intake.stands import ManyStands, digest_of, open_stands, stands_in
from glademark.jobs.plugins import installed_limits
from glademark.jobs.stands import lay_out_stand, lay_out_together
from glademark.judge.limits import limits_asked
from glademark.project import read_project
from glademark.project.model import Project
from glademark.report.columns import written_frame

log = logging.getLogger(__name__)

NEEDS = "pip install 'glademark[scale]'"
"""What brings the engine."""

IN_FLIGHT = 3
"""Shares of stands handed out ahead, a worker."""

MOST_AT_ONCE = 20
"""Stands of a share: measured together, and lost together where a worker is killed."""

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
class _Source:
    """The stands of one project, and the digest of what each rests on."""

    project: Project
    digests: Mapping[str, str]
    inputs: ManyStands | Shelf

    def share(self, names: Sequence[str]) -> "_Task":
        """Some of the stands, to be laid out together."""
        inputs = self.inputs
        return _Task(
            shelf=inputs if isinstance(inputs, Shelf) else inputs.part(names),
            project=self.project,
            digests={name: self.digests[name] for name in names},
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    """Some stands of one project, to be laid out together."""

    shelf: Shelf
    project: Project
    digests: Mapping[str, str]


def lay_out_batch(
    project_files: Sequence[Path],
    *,
    out: Path,
    engine: Engine,
    on_each: Callable[[str], None] | None = None,
) -> BatchOutcome:
    """
    Layout of every stand of several projects, in shares of stands.

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
        sources = _sources(project_files, stack)
        _made(out)
        names = [name for source in sources for name in source.digests]
        left = [
            (source, name)
            for source in sources
            for name, digest in source.digests.items()
            if not done_before(out, name, digest=digest)
        ]
        failed = _run(left, out, engine, on_each) if left else []
    if failed:
        raise OutputError(*failed)
    rows = rows_of(out, names)
    units = sources[0].project.heading.units
    stands = pd.DataFrame(rows, columns=list(STANDS.names))
    write_csv(written_frame(stands, STANDS, units), out / f"{STANDS.name}.csv")
    joined = [name for name in CSV_TABLES if name != STANDS.name]
    return BatchOutcome(
        project=sources[0].project,
        rows=tuple(rows),
        skipped=len(names) - len(left),
        files=(out / f"{STANDS.name}.csv", *write_joined(out, names, joined)),
    )


def _made(out: Path) -> None:
    """Make the folder for the results."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{out} cannot be made: {(error.strerror or str(error)).lower()}"
        raise OutputError(msg) from error


def _sources(project_files: Sequence[Path], stack: ExitStack) -> list[_Source]:
    """Every stand of every project, opened; private copies stay until the stack is closed."""
    sources: list[_Source] = []
    for path in project_files:  # a project each
        project = read_project(path)
        limits_asked(project.limits, known=installed_limits())
        settings = hashlib.sha256(f"{__version__}\n{path.read_text('utf-8')}".encode()).hexdigest()
        if project.heading.stand_id:
            many = stack.enter_context(open_stands(project, folder=path.parent))
            inputs: ManyStands | Shelf = many
            digests = {name: digest_of(many.of(name)) for name in many.names}
        else:
            temporary = Path(stack.enter_context(TemporaryDirectory(prefix="glademark-")))
            inputs = open_inputs(project, folder=path.parent, temporary=temporary)
            digests = {path.absolute().parent.name: digest_of(inputs)}
        whole = {name: f"{settings}{digest}" for name, digest in digests.items()}
        sources.append(_Source(project=project, digests=whole, inputs=inputs))
    names = pd.Series([name for source in sources for name in source.digests])
    if names.duplicated().any():
        msg = (
            f"two stands are called {names[names.duplicated()].iloc[0]!r}; expected each name "
            "once. Rename the folder of a project, or the stand"
        )
        raise InputError(msg)
    return sources


def _shares(left: Sequence[tuple[_Source, str]], workers: int) -> Iterator[_Task]:
    """Stands that are left in shares of one project, small enough that no worker waits long."""
    size = min(MOST_AT_ONCE, -(-len(left) // (IN_FLIGHT * workers)))
    for _, stands in groupby(left, key=lambda one: id(one[0])):
        mine = list(stands)
        for start in range(0, len(mine), size):
            share = mine[start : start + size]
            yield share[0][0].share([name for _, name in share])


def _run(
    left: Sequence[tuple[_Source, str]],
    out: Path,
    engine: Engine,
    on_each: Callable[[str], None] | None,
) -> list[str]:
    """Lay out all stands; one sentence for each that could not be written."""
    try:
        from distributed import as_completed  # noqa: PLC0415 - an extra
    except ImportError as error:
        msg = f"a batch needs an engine to run on. Install it: {NEEDS}"
        raise InputError(msg) from error
    failed: list[str] = []
    done = 0
    with _client(engine) as client:
        workers = max(1, len(client.scheduler_info()["workers"]))
        waiting = _shares(left, workers)

        def submit(task: _Task) -> Any:  # noqa: ANN401 - an untyped library
            return client.submit(_lay_out, task, str(out), pure=False, retries=TRIES)

        first = islice(waiting, IN_FLIGHT * workers)
        names = {submit(task): tuple(task.digests) for task in first}
        running = as_completed(list(names))
        for future in running:
            mine = names.pop(future)
            if future.status == "error":
                failed += [f"stand {name}: {future.exception()}" for name in mine]
            else:
                failed += future.result()
            for name in mine:
                done += 1
                if on_each is not None:
                    on_each(f"stand {name} ({done} of {len(left)})")
            task = next(waiting, None)
            if task is not None:
                more = submit(task)
                names[more] = tuple(task.digests)
                running.add(more)
    return failed


def _lay_out(task: _Task, out: str) -> list[str]:
    """Lay out some stands and write each, what a worker does; a sentence for each unwritten one."""
    project, names, failed = task.project, tuple(task.digests), []
    asked = limits_asked(project.limits, known=installed_limits())
    if project.heading.stand_id:
        many = stands_in(task.shelf, project)
        laid = lay_out_together(names, many, project, asked)
    else:
        laid = [lay_out_stand(names[0], task.shelf, project, asked)]
    for name, tables in zip(names, laid, strict=True):
        try:
            write_stand(tables, Path(out), digest=task.digests[name])
        except OSError as error:
            failed.append(f"stand {name}: {error}")
    return failed


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
