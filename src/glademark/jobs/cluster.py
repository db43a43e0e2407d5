"""A Dask cluster on this machine: every port asks for its certificate, and none shows pages."""

import logging
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import resource_tracker
from tempfile import TemporaryDirectory
from typing import Any

from dask.system import CPU_COUNT
from distributed import Nanny, Scheduler, Security, SpecCluster, Worker
from distributed.system import MEMORY_LIMIT

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
