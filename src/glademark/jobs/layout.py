"""
The main job, in the order in which it is done, for one stand or many side by side.

    project file -> asked -> Survey -> Layout -> checks -> deliverables

Limits, writers and volume equations are plug-ins that the installed packages register; what ships
in this package registers in the same way as what others add.
"""

import logging
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import EntryPoint
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar
from urllib.parse import quote

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey, with_copies
from glademark.errors import InputError, PluginError, grouped_faults, listed
from glademark.export.manifest import (
    Missing,
    Replacing,
    changed_inputs,
    earlier_numbers,
    replaced_edition,
)
from glademark.export.output import Delivered, deliver
from glademark.export.reopen import reopen
from glademark.intake.read import SurveysByStand, called, read_survey
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked, limits_asked
from glademark.judge.uncertain_verdicts import (
    near_with_unconfirmed,
    uncertainty_figures,
    with_uncertainty,
)
from glademark.measure.figures import all_confirmed, same_openings, with_second_figures
from glademark.measure.layout import measure_layout
from glademark.process import registered
from glademark.project import read_project
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

if TYPE_CHECKING:
    from glademark.judge.limits import Limit
    from glademark.report.delivery import Deliverable

log = logging.getLogger(__name__)

LIMITS = "glademark.limits"
DELIVERABLES = "glademark.deliverables"
SUMMARY = "summary"

ALSO_CALLED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "geopackage": ("gpkg",),
        "tables": (
            "volume_by_zone", "checks", "openings", "allowance", "cruise_plots", "stock_by_class",
            "corridor_grades", "extraction", "water_crossings", "beyond_reach", "residual_by_class",
            "marking_ratio", "removals_by_reason", "retention", "crop_trees", "regeneration",
            "exposed_edges",
        ),
    }
)  # fmt: skip
"""Deliverables under another name, and those that are asked for together."""

T = TypeVar("T")

GEOPACKAGE = "gpkg"
"""Id of the deliverable that the papers can be made again from."""

_T = TypeVar("_T")


def installed_limits() -> Mapping[str, "Limit"]:
    """Limits of all installed packages by id; `PluginError` if one is unfit."""
    from glademark.judge.limits import Limit  # noqa: PLC0415 - loaded on first use

    return load(registered(LIMITS), kind=Limit)


def installed_deliverables(ids: Collection[str] = ()) -> Mapping[str, "Deliverable"]:
    """Writers of all installed packages by id, or those of some ids; only these are loaded."""
    from glademark.report.delivery import Deliverable  # noqa: PLC0415 - loaded on first use

    points = registered(DELIVERABLES)
    _refuse_unknown(ids, points.names)
    return load([one for one in points if not ids or one.name in ids], kind=Deliverable)


def asked_for(only: Sequence[str], also: Sequence[str] = ()) -> Mapping[str, "Deliverable"]:
    """Installed deliverables of some ids, or the usual ones and others besides."""
    return chosen(installed_for(only, also), only, also=also)


def installed_for(only: Sequence[str], also: Sequence[str]) -> Mapping[str, "Deliverable"]:
    """Installed deliverables that some ids are chosen from: only these are loaded, or all."""
    return installed_deliverables([*_ids(only), *also, SUMMARY] if only else ())


def _ids(only: Sequence[str], known: Collection[str] | None = None) -> list[str]:
    """Ids, those of a name of `ALSO_CALLED` in its place, as far as they are known."""
    return [
        one
        for name in only
        for one in ALSO_CALLED.get(name.casefold(), (name,))
        if known is None or one == name or one in known
    ]


def chosen(
    deliverables: Mapping[str, "Deliverable"], only: Sequence[str], *, also: Sequence[str] = ()
) -> Mapping[str, "Deliverable"]:
    """
    The deliverables that are asked for, and always the summary, which says what they rest on.

    Where `only` is empty, all but those that are made on request; `also` besides.
    """
    only = _ids(only, deliverables)
    _refuse_unknown([*only, *also], deliverables)
    usual = {name for name, one in deliverables.items() if not one.on_request}
    wanted = {*(only or usual), *also, SUMMARY}
    return MappingProxyType({name: d for name, d in deliverables.items() if name in wanted})


def _refuse_unknown(ids: Collection[str], known: Collection[str]) -> None:
    """Refuse ids of no deliverable."""
    unknown = [name for name in ids if name not in known]
    if unknown:
        msg = (
            f"no deliverable is called {', '.join(unknown)}; expected some of "
            f"{', '.join(sorted(known))}"
        )
        raise InputError(msg)


def load(points: Iterable[EntryPoint], *, kind: type[T]) -> Mapping[str, T]:
    """
    Objects that entry points name, by their id, which is the name of the entry point; sorted.

    One of another package that does not load is left out with a warning; `PluginError` names the
    plug-in that is unfit and the package that it came with.
    """
    plugins: dict[str, T] = {}
    for point in points:
        plugin = _load_one(point, kind)
        if plugin is None:
            continue
        if getattr(plugin, "id", "") != point.name:
            msg = f"plug-in {_named(point)}: its id is not {point.name!r}. Name them alike"
            raise PluginError(msg)
        if point.name in plugins:
            msg = f"plug-in {_named(point)}: the id is taken. Remove one of the packages"
            raise PluginError(msg)
        plugins[point.name] = plugin
    return MappingProxyType(dict(sorted(plugins.items())))


def _load_one(point: EntryPoint, kind: type[T]) -> T | None:
    """The object that one entry point names; None where another package's does not load."""
    try:
        plugin = point.load()
    except (Exception, SystemExit) as fault:
        why = str(fault) or type(fault).__name__
        msg = f"plug-in {_named(point)} does not load: {why}. Update or remove that package"
        if point.value.startswith("glademark."):
            raise PluginError(msg) from fault
        log.warning("%s; the run goes on without it", msg)
        log.debug("plug-in %s", point.name, exc_info=True)
        return None
    if not isinstance(plugin, kind):
        msg = f"plug-in {_named(point)} is no {kind.__name__}. Update or remove that package"
        raise PluginError(msg)
    return plugin


def _named(point: EntryPoint) -> str:
    """Name of a plug-in with the package that it came with."""
    package = point.dist.name if point.dist else "an unknown package"
    return f"{point.name} of {package}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What a run gave."""

    delivery: Delivery  # project, survey, layout, checks and summary
    files: tuple[Path, ...]  # files written
    missing: tuple[Missing, ...] = ()  # deliverables that could not be made, each with the reason

    @property
    def checks(self) -> pd.DataFrame:
        """Limits held against the layout."""
        return self.delivery.checks


def lay_out(
    project_file: Path,
    *,
    out: Path,
    only: Sequence[str] = (),
    also: Sequence[str] = (),
    on_each: Callable[[str], None] | None = None,
) -> Outcome:
    """Layout of a marked harvest: field files in, layers, tables and verdicts out."""
    project = read_project(project_file)
    asked = limits_asked(project.limits, known=installed_limits())
    writers = asked_for(only or project.deliver.only, also)
    survey = read_survey(project, folder=project_file.parent)
    log.info("read %d marks, %d rejected", len(survey.marks), len(survey.rejected))
    for change in changed_inputs(out, survey.counts):
        log.warning("%s", change)
    earlier = earlier_numbers(out, marks=survey.marks)
    delivery = _replacing(lay_out_survey(survey, project, asked, earlier=earlier), out)
    delivered = deliver(delivery, out, writers, on_each=on_each)
    return _handed_over(delivery, delivered, out)


def make_papers(
    layout_gpkg: Path,
    *,
    out: Path,
    only: Sequence[str] = (),
    also: Sequence[str] = (),
    on_each: Callable[[str], None] | None = None,
) -> Outcome:
    """Papers and files of a layout made again from its GeoPackage alone."""
    delivery = reopen(layout_gpkg)
    every = installed_for(only, also)
    papers = {name: one for name, one in every.items() if name != GEOPACKAGE}
    writers = chosen(papers, only, also=also)
    replacing = Replacing(made_from=layout_gpkg, inputs=(layout_gpkg,))
    delivered = deliver(delivery, out, writers, replacing=replacing, on_each=on_each)
    return _handed_over(delivery, delivered, out)


def _replacing(delivery: Delivery, out: Path) -> Delivery:
    """A delivery that names the edition which it replaces in a folder, where there is another."""
    provenance = delivery.summary["provenance"]
    replaced = replaced_edition(out, provenance["edition"])
    if not replaced:
        return delivery
    named = {**provenance, "replaces": replaced}
    return replace(delivery, summary={**delivery.summary, "provenance": named})


def _handed_over(delivery: Delivery, delivered: Delivered, out: Path) -> Outcome:
    """What a run gave, logged."""
    log.info("wrote %d files to %s", len(delivered.files), out)
    return Outcome(delivery=delivery, files=delivered.files, missing=delivered.missing)


def lay_out_survey(
    survey: Survey,
    project: Project,
    asked: tuple[LimitAsked, ...],
    *,
    earlier: Mapping[int, int],
) -> Delivery:
    """
    Layout, checks and summary of a survey of one stand.

    `earlier` is the opening number that an earlier output gave a mark, by the mark's index.
    """
    measured, confirmed = _measured(survey, project, earlier=earlier)
    layout = measured.of(0)
    log.info("measured %d openings", layout.figures.openings.count)
    second = (measured, confirmed[0]) if confirmed else None
    return _judged(layout, survey, project, asked, second=second)


def lay_out_many(
    survey: Survey, project: Project, asked: tuple[LimitAsked, ...]
) -> dict[str, Delivery | InputError]:
    """Layout, checks and summary of every stand by what it is called, or why it is refused."""
    deliveries: dict[str, Delivery | InputError] = {
        str(name): InputError(*rows["reason"]) for name, rows in survey.refused.groupby("name")
    }
    names = [str(name) for name in survey.stand["name"]]
    if not names:
        return deliveries
    try:
        layout, confirmed = _measured(survey, project, earlier=MappingProxyType({}))
    except InputError as error:
        return {**deliveries, **dict.fromkeys(names, error)}
    log.info("measured %d stands", len(names))
    for stand, name in enumerate(names):
        try:
            of_stand = called(project, name)
            deliveries[name] = _judged(
                layout.of(stand),
                survey.of(stand),
                of_stand,
                asked,
                second=(layout, confirmed[stand]) if stand in confirmed else None,
            )
        except InputError as error:
            deliveries[name] = error
    return deliveries


def _measured(
    survey: Survey, project: Project, *, earlier: Mapping[int, int]
) -> tuple[Layout, dict[int, int]]:
    """
    Layout of a survey; each stand with unconfirmed trees is in it twice, then with all cut.

    The second is the number of the copy by the number of the stand.
    """
    unconfirmed = survey.marks["kind"] == "unconfirmed"
    stands = np.unique(survey.marks.loc[unconfirmed, STAND]).tolist()
    if not stands:
        return measure_layout(survey, project, earlier=earlier), {}
    own = len(survey.stand)
    layout = measure_layout(
        all_confirmed(with_copies(survey, stands), first=own),
        project,
        earlier=earlier,
        crowns_of=[*range(own), *stands],
    )
    return layout, dict(zip(stands, range(own, own + len(stands)), strict=True))


def _judged(
    layout: Layout,
    survey: Survey,
    project: Project,
    asked: tuple[LimitAsked, ...],
    *,
    second: tuple[Layout, int] | None,
) -> Delivery:
    """Checks and summary of a layout; `second` is its stand in one where all trees are cut."""
    uncertainty = None
    if project.uncertainty is not None:
        from glademark.uncertainty.measure import measure_uncertainty  # noqa: PLC0415 - only where asked

        uncertainty = measure_uncertainty(layout, survey, project)
    case = Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty)
    layout, checks = _beside_second(case, judge(case, asked), asked, second)
    layout = with_uncertainty(layout, uncertainty, checks)
    summary = build_summary(
        project,
        survey,
        layout,
        checks,
        uncertainty=uncertainty_figures(layout, uncertainty, checks),
    )
    return Delivery(project=project, survey=survey, layout=layout, checks=checks, summary=summary)


def _beside_second(
    case: Case,
    checks: pd.DataFrame,
    asked: tuple[LimitAsked, ...],
    confirmed: tuple[Layout, int] | None,
) -> tuple[Layout, pd.DataFrame]:
    """Layout and checks with what they would be if unconfirmed trees were cut."""
    if confirmed is None:
        return case.layout, checks
    second = confirmed[0].of(confirmed[1])
    survey = all_confirmed(case.survey)
    found = judge(Case(layout=second, survey=survey, project=case.project), asked)
    layout, same = with_second_figures(case.layout, second), same_openings(case.layout, second)
    trees = layout.figures.marks.unconfirmed
    return layout, near_with_unconfirmed(checks, found, same=same, trees=trees)


def folder_of(stand: str) -> str:
    """Folder of the files of a stand in an output; none where there is one stand."""
    return f"stand {quote(stand, safe=' ')}" if stand else ""


def in_a_line(result: object, told: Mapping[str, str], refused: Mapping[str, str]) -> str:
    """A result as Python shows it: what each stand has, and how many are refused."""
    stands = [f"{name}: {words}" if name else words for name, words in told.items()]
    more = f"; {len(refused):,} refused" if refused else ""
    return f"<{type(result).__name__} {listed(stands, between='; ')}{more}>"


def on_each_stand(
    many: SurveysByStand, work: Callable[[str, Survey], _T]
) -> tuple[dict[str, _T], dict[str, str]]:
    """Results by the name of the stand, and why others have none; `InputError` if all have none."""
    faults: dict[str, tuple[str, ...]] = dict(many.refused)
    results: dict[str, _T] = {}
    for name, survey in many.surveys.items():
        try:
            results[name] = work(name, survey)
        except InputError as error:
            if not name:
                raise
            faults[name] = error.faults
    refused = {name: " ".join(grouped_faults(reasons)) for name, reasons in faults.items()}
    if not results:
        raise all_refused(refused)
    return results, refused


def all_refused(refused: Mapping[str, str]) -> InputError:
    """Each reason once, with the stands that it holds for."""
    by_reason: dict[str, list[str]] = {}
    for name, reason in refused.items():
        by_reason.setdefault(reason, []).append(name)
    return InputError(*(f"stand {listed(names)}: {why}" for why, names in by_reason.items()))
