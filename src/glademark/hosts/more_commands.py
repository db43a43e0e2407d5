"""The commands `propose` and `volume-table`; ``--progress json``: lines of JSON."""

import io
import json
import logging
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from glademark.process import registered

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


@click.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), required=True, help="Folder for the results."
)
@click.option(
    "--as-marks",
    type=click.IntRange(1),
    metavar="N",
    help="Write alternative N as marks and a project file that layout reads.",
)
@click.option("--json", "as_json", is_flag=True, help="Print proposals.json instead.")
@PROGRESS
def propose(project: Path, *, out: Path, as_marks: int | None, as_json: bool) -> None:
    """Propose group openings among the standing trees of PROJECT: flags to walk to, no marks."""
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.export.proposal_files import PROPOSAL_FIGURES_FILE  # noqa: PLC0415 - the same
    from glademark.hosts import cli as host  # noqa: PLC0415 - it registers this command
    from glademark.jobs.propose import log  # noqa: PLC0415 - keeps --help light
    from glademark.jobs.propose import propose as propose_groups  # noqa: PLC0415 - the same
    from glademark.report.terminal.jobs import print_proposal  # noqa: PLC0415 - the same

    with progress() as tell:
        proposed = propose_groups(project, out=out, as_marks=as_marks, tell=tell or log.info)
    if as_json:
        host.print_file(proposed.files, PROPOSAL_FIGURES_FILE)
    else:
        units = proposed.project.heading.units
        for name, one in proposed.stands.items():
            print_proposal(one, Console(), units=units, stand=name)
        for path in proposed.files:
            click.echo(path)
    host.tell_refused(proposed.refused)
    host.end_if_missing(proposed.missing)


@click.command("volume-table")
@click.option("--species", multiple=True, required=True, help="Name or code; may be repeated.")
@click.option("--unit", default="ft3", show_default=True, help="Sale unit of the volumes.")
@click.option("--rule", default="", help="Log rule, for board feet.")
@click.option("--equations", default="", help="Set by name; else chosen by what is assumed.")
@click.option("--part", default="", help="Part of the tree, such as merchantable.")
@click.option(
    "--classes", default="2 in", show_default=True, help="Width, or edges: '5, 9, 12 in'."
)
@click.option("--up-to", default=30.0, show_default=True, help="Largest class.")
@click.option("--height", default="", help="Total height of all trees, such as '70 ft'.")
@click.option("--site-index", default="", help="Such as '65 ft', at 50 years.")
@click.option("--basal-area", default="", help="Of the stand, such as '90 ft2/acre'.")
@click.option("--logs", multiple=True, type=float, help="16-ft logs; may be repeated.")
@click.option("--region", default="", help="lake states, or canada.")
@click.option(
    "--csv",
    "as_csv",
    is_flag=True,
    help="Print CSV that [volume] table reads.",
)
def volume_table(*, as_csv: bool, **words: Any) -> None:  # noqa: ANN401 - the fields of TableAsked
    """Print a volume table by size class, to carry into the woods."""
    from glademark.jobs.volume_table import (  # noqa: PLC0415 - keeps --help light
        TableAsked,
        csv_of,
        table_to_carry,
        text_of,
    )

    table = table_to_carry(TableAsked(**words))
    click.echo(csv_of(table) if as_csv else text_of(table), nl=False)
