"""The main job over many stands: inputs opened once, each stand laid out, all in one output."""

import gc
import logging
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from glademark.contracts.survey import InputCount
from glademark.errors import CrsError, InputError
from glademark.export.manifest import Missing, replaced_edition
from glademark.export.output import Part, deliver_parts
from glademark.export.stands import (
    JoinedTables,
    Spool,
    StandTables,
    deliverables_of_stands,
    laid_out,
    refused,
    summary_of_stands,
)
from glademark.intake.opened import OpenInputs
from glademark.intake.read import surveys_of, title_of
from glademark.intake.stand import open_stands
from glademark.jobs.layout import all_refused, chosen, installed_limits, lay_out_many
from glademark.judge.limits import LimitAsked, limits_asked
from glademark.process import temporary_folder
from glademark.project import read_project
from glademark.project.model import Project
from glademark.report.delivery import Delivery

_T = TypeVar("_T")
_U = TypeVar("_U")

log = logging.getLogger(__name__)

STANDS_AT_ONCE, MARKS_AT_ONCE = 100, 20_000
"""Stands and marks laid out at once: more would take memory and save no time."""

_SELDOM = (100_000, 50, 100)
"""How often memory is searched for garbage: frames of many stands have few rings to be found."""


SHARES_AT_ONCE = 2
"""Shares laid out side by side: overlays run beside each other, all else one after another."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StandsOutcome:
    """What a run over many stands gave."""

    project: Project  # what was asked
    stands: tuple[StandTables, ...]
    """Every stand, laid out or refused, in the order of the boundaries' file."""
    summary: dict[str, Any]  # content of ``summary.json``
    files: tuple[Path, ...]  # files written
    missing: tuple[Missing, ...] = ()  # deliverables that could not be made, each with the reason


def lay_out_stands(
    project_file: Path,
    *,
    out: Path,
    only: Sequence[str] = (),
    on_each: Callable[[str], None] | None = None,
) -> StandsOutcome:
    """
    Layout of every stand of a project whose inputs name the stand of each record.

    Parameters
    ----------
    project_file
        The project file; its ``[project]`` has `stand_id`.
    """
    project = read_project(project_file)
    with (
        _seldom_searched(),
        temporary_folder() as temporary,
    ):
        spool = Spool(folder=temporary, units=project.heading.units)
        found, rejected, counts = _lay_out_all(project, project_file.parent, spool, on_each)
        refuse_if_all_are(found)
        refuse_different_crs(found)
        tables = JoinedTables(
            stands=found,
            kept=spool.names,
            parts=spool.parts,
            rejected=rejected,
            project=project,
        )
        summary = summary_of_stands(found, counts, project)
        if replaced := replaced_edition(out, summary["provenance"]["edition"]):
            summary["provenance"]["replaces"] = replaced
        writers = chosen(deliverables_of_stands(tables, summary), only)
        delivered = deliver_parts(project, out, [Part(deliverables=writers)], on_each=on_each)
    return StandsOutcome(
        project=project,
        stands=tuple(found),
        summary=summary,
        files=delivered.files,
        missing=delivered.missing,
    )


def _lay_out_all(
    project: Project, folder: Path, spool: Spool, on_each: Callable[[str], None] | None
) -> tuple[list[StandTables], pd.DataFrame, tuple[InputCount, ...]]:
    """All stands, their layers in the spool; records of no stand, and what was read."""
    found: list[StandTables] = []
    asked = limits_asked(project.limits, known=installed_limits())
    with open_stands(project, folder=folder) as many, ThreadPoolExecutor(SHARES_AT_ONCE) as workers:
        shares = shares_of(many.inputs)

        def _laid_out(share: range) -> list[StandTables]:
            return lay_out_inputs(many.inputs.of(share), project, asked)

        for share, laid in zip(shares, ahead(workers, _laid_out, shares), strict=True):
            found += spool.keep(laid, first=len(found))
            if on_each is not None:
                names = many.inputs.names
                on_each(f"stands {names[share[0]]} to {names[share[-1]]}")
        return found, many.rejected, many.counts


@contextmanager
def _seldom_searched() -> Iterator[None]:
    """Memory is searched for garbage seldom: a fifth of the time of a long run goes there else."""
    before = gc.get_threshold()
    gc.set_threshold(*_SELDOM)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def ahead(
    workers: ThreadPoolExecutor, work: Callable[[_T], _U], items: Sequence[_T]
) -> Iterator[_U]:
    """Results of some work in order, begun only as far ahead as there are workers."""
    waiting: deque[Future[_U]] = deque()
    for item in items:
        waiting.append(workers.submit(work, item))
        if len(waiting) > SHARES_AT_ONCE:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def shares_of(inputs: OpenInputs) -> list[range]:
    """Numbers of stands that are read and measured at once, in shares of not too many marks."""
    marks = np.zeros(len(inputs.names), dtype=np.intp)
    for reading in inputs.marks:
        if reading is not None:
            marks += np.bincount(reading.stand, minlength=len(marks))
    shares, start, every = [], 0, 0
    for stand, count in enumerate(marks.tolist()):
        every += count
        if stand > start and (every > MARKS_AT_ONCE or stand - start == STANDS_AT_ONCE):
            shares.append(range(start, stand))
            start, every = stand, count
    return [*shares, range(start, len(marks))]


def lay_out_inputs(
    inputs: OpenInputs, project: Project, asked: tuple[LimitAsked, ...]
) -> list[StandTables]:
    """Layers and tables of all stands of some inputs, or the reason why a stand is refused."""
    deliveries: dict[str, Delivery | InputError] = {}
    for survey in surveys_of(inputs, project):
        deliveries |= lay_out_many(survey, project, asked)
    return [_tables(name, deliveries[title_of(project, name)]) for name in inputs.names]


def _tables(name: str, delivery: Delivery | InputError) -> StandTables:
    """Tables of a stand that was laid out, or why it was not."""
    if isinstance(delivery, InputError):
        log.info("stand %s refused: %s", name, delivery)
        return refused(name, delivery.faults)
    return laid_out(name, delivery)


def refuse_if_all_are(stands: Sequence[StandTables]) -> None:
    """Refuse a run in which no stand could be laid out."""
    if all(stand.summary is None for stand in stands):
        raise all_refused({str(stand.row["stand_id"]): stand.row["reason"] for stand in stands})


def refuse_different_crs(stands: Sequence[StandTables]) -> None:
    """Refuse to put stands of different coordinate systems into one layer."""
    found = {str(stand.crs) for stand in stands if stand.crs}
    if len(found) > 1:
        msg = (
            f"the stands lie in several coordinate systems ({', '.join(sorted(found))}); expected "
            "one for all layers. State [project] working_crs"
        )
        raise CrsError(msg)
