"""Whole ownerships: shares of stands laid out side by side by the workers of a Dask cluster."""

import hashlib
import logging
import signal
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, replace
from itertools import groupby, islice
from multiprocessing import resource_tracker
from operator import itemgetter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd
from dask.system import CPU_COUNT
from distributed import Nanny, Scheduler, Security, SpecCluster, Worker
from distributed.system import MEMORY_LIMIT

from glademark import __version__
from glademark.contracts.layers import LAYERS
from glademark.contracts.result_tables import STANDS
from glademark.errors import InputError, OutputError, tell_changed
from glademark.export.output import held, refuse_inputs
from glademark.export.partitions import (
    done_before,
    remove_gone,
    rows_of,
    write_joined,
    write_stand,
    write_table,
)
from glademark.export.stands import CSV_TABLES
from glademark.intake.opened import OpenInputs, open_inputs
from glademark.intake.stand import digest_of, open_stands
from glademark.jobs.layout import installed_limits
from glademark.jobs.stands import lay_out_inputs
from glademark.judge.limits import limits_asked
from glademark.process import temporary_folder
from glademark.project import read_project
from glademark.project.model import Project
from glademark.report.quantities import written_frame

log = logging.getLogger(__name__)

NEEDS = "pip install 'glademark[scale]'"
"""What brings the engine."""

IN_FLIGHT = 3
"""Shares of stands handed out ahead, a worker."""

MOST_AT_ONCE = 20
"""Stands of a share: measured together, and lost together where a worker is killed."""

_NAMES = (*(f"{name}.parquet" for name in LAYERS), *(f"{name}.csv" for name in CSV_TABLES))
"""Folders and tables that may be written."""

TRIES = 3
"""How often a stand is given to another worker after its own was killed."""

RESTART = "1 hour"
"""How long a killed worker may take to start again; one that is given up is missed to the end."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Engine:
    """Where the stands are laid out."""

    workers: int | None = None  # processes on this machine; None for one a processor
    scheduler: str = ""
    """Address of a cluster that runs already, whose workers see the same files; empty for none."""


@dataclass(frozen=True, kw_only=True, slots=True)
class BatchOutcome:
    """What a run over an ownership gave."""

    project: Project  # the first project: its units are those of the tables
    rows: tuple[Mapping[str, Any], ...]  # rows of the table of stands, those done before included
    skipped: int  # stands that were done before from the same inputs
    removed: tuple[str, ...]  # stands of earlier runs that the inputs no longer have
    files: tuple[Path, ...]  # joined tables that were written


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Source:
    """The stands of one project, and the digest of what each rests on."""

    project: Project
    digests: Mapping[str, str]
    inputs: OpenInputs

    def share(self, names: Sequence[str]) -> "_Task":
        """Some of the stands, to be laid out at once."""
        number = {name: place for place, name in enumerate(self.digests)}
        return _Task(
            inputs=self.inputs.of([number[name] for name in names]),
            project=self.project,
            digests={name: self.digests[name] for name in names},
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    """Some stands of one project, to be laid out at once."""

    inputs: OpenInputs
    project: Project
    digests: Mapping[str, str]


def lay_out_batch(
    project_files: Sequence[Path],
    *,
    out: Path,
    engine: Engine,
    on_each: Callable[[str], None] | None = None,
) -> BatchOutcome:
    """Layout of every stand of several projects, in shares of stands."""
    with ExitStack() as stack:
        with _said_plainly(out):
            stack.enter_context(held(out))
        sources = _sources(project_files, stack)
        for source in sources:
            refuse_inputs(source.project, [out, *(out / name for name in _NAMES)])
        digests = {name: one for source in sources for name, one in source.digests.items()}
        left = [
            (source, name)
            for source in sources
            for name, digest in source.digests.items()
            if not done_before(out, name, digest=digest)
        ]
        with _interrupt_counted(out, digests, [name for _, name in left]):
            failed = _run(left, out, engine, on_each) if left else []
            if failed:
                raise OutputError(*failed)
            with _said_plainly(out):
                outcome = _outcome(out, sources, skipped=len(digests) - len(left))
        tell_changed(f"all {len(digests):,} stands and their tables had been written into {out}")
    return outcome


def _outcome(out: Path, sources: Sequence[_Source], *, skipped: int) -> BatchOutcome:
    """What the run gave, its tables written and the stands of earlier runs removed."""
    project = sources[0].project
    names = [name for source in sources for name in source.digests]
    rows = rows_of(out, names)
    stands = pd.DataFrame(rows, columns=list(STANDS.names))
    table = out / f"{STANDS.name}.csv"
    write_table(written_frame(stands, STANDS, project.heading.units), table)
    joined = [name for name in CSV_TABLES if name != STANDS.name]
    files = (table, *write_joined(out, names, joined))
    removed = remove_gone(out, names)
    return BatchOutcome(
        project=project, rows=tuple(rows), skipped=skipped, removed=removed, files=files
    )


@contextmanager
def _said_plainly(out: Path) -> Iterator[None]:
    """Say in a sentence that the folder cannot be written."""
    try:
        yield
    except OutputError:
        raise
    except OSError as error:
        msg = (
            f"{out} cannot be written: {error.strerror or error}. Stands that are done will be "
            "skipped by the next run"
        )
        raise OutputError(msg) from error


@contextmanager
def _interrupt_counted(
    out: Path, digests: Mapping[str, str], left: Sequence[str]
) -> Iterator[None]:
    """Say at an interrupt how many stands are done, those that workers finished meanwhile too."""
    kept = "done and will be skipped by the next run"
    tell_changed(f"some stands are {kept}")
    try:
        yield
    except KeyboardInterrupt:
        open_still = sum(not done_before(out, name, digest=digests[name]) for name in left)
        done = len(digests) - open_still
        tell_changed(f"{done:,} of {len(digests):,} stands are {kept}")
        raise


def _sources(project_files: Sequence[Path], stack: ExitStack) -> list[_Source]:
    """Every stand of every project, opened; private copies stay until the stack is closed."""
    sources: list[_Source] = []
    for path in project_files:  # a project each
        project = read_project(path)
        limits_asked(project.limits, known=installed_limits())
        settings = hashlib.sha256(f"{__version__}\n{path.read_text('utf-8')}".encode()).hexdigest()
        if project.heading.stand_id:
            many = stack.enter_context(open_stands(project, folder=path.parent))
            inputs = many.inputs
            digests = {
                name: digest_of(inputs.of([place])) for place, name in enumerate(inputs.names)
            }
        else:
            temporary = stack.enter_context(temporary_folder())
            inputs = open_inputs(project, folder=path.parent, temporary=temporary)
            inputs = replace(inputs, names=(path.absolute().parent.name,))
            digests = {inputs.names[0]: digest_of(inputs)}
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
    for source, stands in groupby(left, key=itemgetter(0)):
        names = [name for _, name in stands]
        for start in range(0, len(names), size):
            yield source.share(names[start : start + size])


def _run(
    left: Sequence[tuple[_Source, str]],
    out: Path,
    engine: Engine,
    on_each: Callable[[str], None] | None,
) -> list[str]:
    """Lay out all stands; one sentence for each that could not be written."""
    try:
        from distributed import as_completed  # noqa: PLC0415 - an extra

        if not engine.scheduler:
            import cryptography  # noqa: F401, PLC0415 - an extra, for a cluster of our own
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


@pd.option_context("mode.string_storage", "python")  # files do not depend on the process
def _lay_out(task: _Task, out: str) -> list[str]:
    """Lay out some stands and write each, what a worker does; a sentence for each unwritten one."""
    project, failed = task.project, []
    asked = limits_asked(project.limits, known=installed_limits())
    laid = lay_out_inputs(task.inputs, project, asked)
    for name, tables in zip(task.digests, laid, strict=True):
        try:
            write_stand(tables, Path(out), digest=task.digests[name])
        except Exception as fault:  # a writer may fail in any way; the other stands are written
            log.debug("stand %s could not be written", name, exc_info=fault)
            failed.append(f"stand {name}: {fault}")
    return failed


@contextmanager
def _client(engine: Engine) -> Iterator[Any]:
    """A client of the cluster asked for, or of one of its own."""
    import dask  # noqa: PLC0415 - an extra
    from distributed import Client  # noqa: PLC0415 - an extra

    from glademark.jobs.batch import own_cluster  # noqa: PLC0415 - the same

    cluster = nullcontext(engine.scheduler) if engine.scheduler else own_cluster(engine.workers)
    with (
        dask.config.set(
            {
                "distributed.scheduler.allowed-failures": TRIES,
                "distributed.deploy.lost-worker-timeout": RESTART,
            }
        ),
        cluster as place,
        Client(place) as client,
    ):
        yield client


HOST = "127.0.0.1"


class _Pageless:
    """A server of Dask that opens no port for web pages, which know no certificates of clients."""

    def start_http_server(self, *_: object, **__: object) -> None:
        """Leave the pages out."""


class PagelessScheduler(_Pageless, Scheduler):
    """The scheduler, without pages."""


class PagelessWorker(_Pageless, Worker):
    """A worker, without pages."""


@contextmanager
def own_cluster(workers: int | None) -> Iterator[Any]:
    """A cluster of worker processes, one a processor where not said; only this run can use it."""
    count = workers or CPU_COUNT
    # a certificate made for this run and kept in memory: without it no connection is taken
    common = {"host": HOST, "protocol": "tls://", "security": Security.temporary()}
    with TemporaryDirectory(prefix="glademark-") as scratch:
        of_worker = {
            **common,
            "worker_class": PagelessWorker,
            "nthreads": 1,
            "memory_limit": MEMORY_LIMIT // count,
            "local_directory": scratch,
            "silence_logs": logging.ERROR,
        }
        with _deaf_to_the_interrupt_key():
            cluster = SpecCluster(
                scheduler={"cls": PagelessScheduler, "options": {**common, "dashboard": False}},
                workers={place: {"cls": Nanny, "options": of_worker} for place in range(count)},
                security=common["security"],
                silence_logs=logging.ERROR,
            )
        with cluster:
            yield cluster


@contextmanager
def _deaf_to_the_interrupt_key() -> Iterator[None]:
    """Processes and threads started here never see the key; the run itself ends them."""
    if sys.platform == "win32":
        yield
        return
    resource_tracker.ensure_running()  # started by a worker's thread it would unblock the key there
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
