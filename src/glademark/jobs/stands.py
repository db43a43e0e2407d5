"""The main job over many stands: inputs opened once, each stand laid out, all in one output."""

import gc
import logging
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import Any, TypeVar

import pandas as pd

from glademark.contracts.survey import InputCount
from glademark.errors import CrsError, InputError
from glademark.export.output import deliver_files
from glademark.export.spool import Spool
from glademark.export.stands import (
    JoinedTables,
    StandTables,
    deliverables_of_stands,
    laid_out,
    refused,
    summary_of_stands,
)
from glademark.intake.many_stands import surveys_of
from glademark.intake.opened import Shelf
from glademark.intake.read import survey_of
from glademark.intake.stands import ManyStands, open_stands
from glademark.intake.wording import listed
from glademark.jobs.one_stand import lay_out_survey, lay_out_surveys
from glademark.jobs.plugins import chosen, installed_limits
from glademark.judge.limits import LimitAsked, limits_asked
from glademark.project import read_project
from glademark.project.model import Project
from glademark.report.delivery import Delivery

_T = TypeVar("_T")
_U = TypeVar("_U")

log = logging.getLogger(__name__)

STANDS_AT_ONCE = 100
"""Stands read at once: more would take memory and save no time."""

_SELDOM = (100_000, 50, 100)
"""How often memory is searched for garbage: frames of many stands have few rings to be found."""


SHARES_AT_ONCE = 2
"""Shares laid out side by side: overlays let go of the interpreter, all else does not."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StandsOutcome:
    """
    What a run over many stands gave.

    Attributes
    ----------
    project
        What was asked.
    stands
        Every stand, laid out or refused, in the order of the boundaries' file.
    summary
        Content of ``summary.json``.
    files
        Files written.
    """

    project: Project
    stands: tuple[StandTables, ...]
    summary: dict[str, Any]
    files: tuple[Path, ...]


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
    out
        Folder for the results; what it held before is replaced as a whole, or stays as it was.
    only
        Ids of the files to make; all where empty.
    on_each
        Called with the first and last of some stands once they are laid out, then with the title
        of each file before it is made.

    Returns
    -------
    outcome
        A stand that is refused does not stop the others.

    Raises
    ------
    InputError
        If the project file or an input file is refused, or every stand is.
    OutputError
        If the results could not be written.
    """
    project = read_project(project_file)
    with (
        _seldom_searched(),
        TemporaryDirectory(prefix="glademark-", ignore_cleanup_errors=True) as temporary,
    ):
        spool = Spool(folder=Path(temporary), units=project.heading.units)
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
        writers = chosen(deliverables_of_stands(tables, summary), only)
        files = deliver_files(project, out, writers, on_each=on_each)
    return StandsOutcome(project=project, stands=tuple(found), summary=summary, files=files)


def _lay_out_all(
    project: Project, folder: Path, spool: Spool, on_each: Callable[[str], None] | None
) -> tuple[list[StandTables], pd.DataFrame, tuple[InputCount, ...]]:
    """All stands, their layers in the spool; records of no stand, and what was read."""
    found: list[StandTables] = []
    asked = limits_asked(project.limits, known=installed_limits())
    with open_stands(project, folder=folder) as many, ThreadPoolExecutor(SHARES_AT_ONCE) as workers:
        names = many.names
        shares = [
            names[start : start + STANDS_AT_ONCE] for start in range(0, len(names), STANDS_AT_ONCE)
        ]
        lay_out = partial(lay_out_together, many=many, project=project, asked=asked)
        for share, laid in zip(shares, ahead(workers, lay_out, shares), strict=True):
            found += spool.keep(laid, first=len(found))
            if on_each is not None:
                on_each(f"stands {share[0]} to {share[-1]}")
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
    """
    Results of some work in order, begun only as far ahead as there are workers.

    Parameters
    ----------
    workers
        Do the work.
    work
        What is done with each item.
    items
        In order.

    Yields
    ------
    result
        Of each item; no more than a few wait to be taken.
    """
    waiting: deque[Future[_U]] = deque()
    for item in items:
        waiting.append(workers.submit(work, item))
        if len(waiting) > SHARES_AT_ONCE:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def lay_out_together(
    names: Sequence[str], many: ManyStands, project: Project, asked: tuple[LimitAsked, ...]
) -> list[StandTables]:
    """
    Layout of some stands, whole columns at a time.

    Parameters
    ----------
    names
        Of the stands.
    many
        Inputs of all stands.
    project
        What was asked of all stands.
    asked
        Limits.

    Returns
    -------
    tables
        As from `lay_out_stand`, in the order of the names.
    """
    read = surveys_of(many, names, project)
    whole = {name: one for name, one in read.items() if not isinstance(one, InputError)}
    projects = [_project_of(name, project) for name in whole]
    laid = lay_out_surveys([*whole.values()], projects, asked)
    lost = {name: one for name, one in read.items() if isinstance(one, InputError)}
    found = {**lost, **dict(zip(whole, laid, strict=True))}
    return [_tables(name, found[name]) for name in names]


def _tables(name: str, found: Delivery | InputError) -> StandTables:
    """Tables of a stand that was laid out, or why it was not."""
    if isinstance(found, InputError):
        log.info("stand %s refused: %s", name, found)
        return refused(name, found.faults)
    return laid_out(name, found)


def _project_of(name: str, project: Project) -> Project:
    """The project under the name of one of its stands."""
    heading = project.heading.model_copy(update={"name": f"{project.heading.name}, stand {name}"})
    return project.model_copy(update={"heading": heading})


def lay_out_stand(
    name: str, shelf: Shelf, project: Project, asked: tuple[LimitAsked, ...]
) -> StandTables:
    """
    Layout of one stand of many.

    Parameters
    ----------
    name
        Of the stand.
    shelf
        Its records.
    project
        What was asked of all stands.
    asked
        Limits.

    Returns
    -------
    tables
        Its layers and tables, or the reason why it is refused.
    """
    mine = _project_of(name, project)
    try:
        survey = survey_of(shelf, mine)
        found: Delivery | InputError = lay_out_survey(
            survey, mine, asked, earlier=MappingProxyType({})
        )
    except InputError as error:
        found = error
    return _tables(name, found)


def refuse_if_all_are(stands: Sequence[StandTables]) -> None:
    """
    Refuse a run in which no stand could be laid out.

    Parameters
    ----------
    stands
        All of them.

    Raises
    ------
    InputError
        With each reason and the stands that it holds for.
    """
    if all(stand.summary is None for stand in stands):
        by_reason: dict[str, list[str]] = {}
        for stand in stands:
            by_reason.setdefault(stand.row["reason"], []).append(str(stand.row["stand_id"]))
        raise InputError(
            *(f"stand {listed(names)}: {reason}" for reason, names in by_reason.items())
        )


def refuse_different_crs(stands: Sequence[StandTables]) -> None:
    """
    Refuse to put stands of different coordinate systems into one layer.

    Parameters
    ----------
    stands
        All of them.

    Raises
    ------
    CrsError
        Where the stands are given in degrees and lie in more than one UTM zone.
    """
    found = {str(stand.crs) for stand in stands if stand.crs}
    if len(found) > 1:
        msg = (
            f"the stands lie in several coordinate systems ({', '.join(sorted(found))}); expected "
            "one for all layers. State [project] working_crs"
        )
        raise CrsError(msg)
