"""``--progress json``: progress, notices and the refusal as lines of JSON on standard error."""

import io
import json
import logging
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from glademark.registered import registered

_EVERY_S = 0.5
"""A line at least so often while there is work, so that whoever reads sees that it goes on."""

_FIRST = "reading and measuring"
_LAST = "done"


class JsonLines(logging.Handler):
    """Writes one JSON object a line: steps, notices, and the error that ends a run."""

    def __init__(self) -> None:
        super().__init__()
        self._step, self._done = _FIRST, 0
        writers = len(registered("glademark.deliverables"))
        self._of = writers + 2  # what is read and measured, each file at most once, and the end
        self._stopped = threading.Event()
        self._stream = sys.stderr

    def emit(self, record: logging.LogRecord) -> None:
        """A notice."""
        self.write(notice=" ".join(record.getMessage().split()))

    def write(self, **values: object) -> None:
        """One line."""
        self._stream.write(json.dumps(values) + "\n")
        self._stream.flush()

    def tell(self) -> None:
        """Where the run is."""
        self.write(step=self._step, done=self._done, of=self._of)

    def go_on(self, title: str) -> None:
        """Begin the next step."""
        self._step, self._done = title, min(self._done + 1, self._of - 1)
        self.tell()

    @contextmanager
    def running(self) -> Iterator[Callable[[str], None]]:
        """Tell each step, and the current one again and again while it takes."""
        self.tell()
        beat = threading.Thread(target=self._beat, daemon=True)
        beat.start()
        try:
            yield self.go_on
        finally:
            self._stopped.set()
            beat.join()
        self.write(step=_LAST, done=self._of, of=self._of)

    def _beat(self) -> None:
        """Tell the current step until the work is done."""
        while not self._stopped.wait(_EVERY_S):
            self.tell()


class _Notices(io.TextIOBase):
    """Standard error for whatever else writes there: each line becomes a notice, blank ones go."""

    def __init__(self, lines: JsonLines) -> None:
        self._lines = lines

    def write(self, text: str) -> int:
        """Tell each line."""
        for line in filter(str.strip, text.splitlines()):
            self._lines.write(notice=" ".join(line.split()))
        return len(text)


def _start(_: click.Context, __: click.Parameter, asked: str | None) -> None:
    """From here on every line of standard error is JSON."""
    if asked is None:
        return
    own = logging.getLogger("glademark")
    own.handlers[:] = [lines := JsonLines()]
    sys.stderr = _Notices(lines)
    own.setLevel(min(own.level, logging.WARNING))


PROGRESS = click.option(
    "--progress",
    type=click.Choice(["json"]),
    is_eager=True,
    expose_value=False,
    callback=_start,
    help="Progress, notices and refusals on standard error, each line a JSON object.",
)
"""Option of every command that runs a job."""


def json_lines() -> JsonLines | None:
    """The lines of this run, None where they were not asked for."""
    found = [one for one in logging.getLogger("glademark").handlers if isinstance(one, JsonLines)]
    return found[0] if found else None


@contextmanager
def progress() -> Iterator[Callable[[str], None] | None]:
    """Run a job, with text in Python's own strings: a fifth less work where columns are short."""
    import pandas as pd  # noqa: PLC0415 - keeps --help light

    with pd.option_context("mode.string_storage", "python"), _telling() as on_each:
        yield on_each


@contextmanager
def _telling() -> Iterator[Callable[[str], None] | None]:
    """Say on a terminal what is being made; say nothing elsewhere, if not asked for JSON."""
    lines = json_lines()
    if lines is not None:
        with lines.running() as on_each:
            yield on_each
        return
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    with Console(stderr=True).status("reading and measuring") as status:
        yield lambda title: status.update(f"making: {title}")
