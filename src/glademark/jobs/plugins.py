"""
Plug-ins: limits, writers and volume equations that the installed packages register.

What ships in this package registers in the same way as what others add.
"""

import logging
from collections.abc import Collection, Iterable, Mapping, Sequence
from importlib.metadata import EntryPoint
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

from glademark.errors import InputError, PluginError
from glademark.registered import registered

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
