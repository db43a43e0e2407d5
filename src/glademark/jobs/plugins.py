"""
Plug-ins: limits, writers and volume equations that the installed packages register.

What ships in this package registers in the same way as what others add.
"""

import logging
from collections.abc import Mapping, Sequence
from importlib.metadata import EntryPoint, entry_points
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeVar

from glademark.errors import InputError, PluginError

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
            "corridor_grades", "extraction", "water_crossings", "beyond_reach",
        ),
    }
)  # fmt: skip
"""Deliverables under another name, and those that are asked for together."""

T = TypeVar("T")


def installed_limits() -> Mapping[str, "Limit"]:
    """
    Limits of all installed packages.

    Returns
    -------
    limits
        By id; read-only.

    Raises
    ------
    PluginError
        If one of our own does not load, one is no `Limit`, or takes an id that is taken.
    """
    from glademark.judge.limits import Limit  # noqa: PLC0415 - loaded on first use

    return load(entry_points(group=LIMITS), kind=Limit)


def installed_deliverables() -> Mapping[str, "Deliverable"]:
    """
    Writers of all installed packages.

    Returns
    -------
    deliverables
        By id; read-only.

    Raises
    ------
    PluginError
        If one of our own does not load, one is no `Deliverable`, or takes an id that is taken.
    """
    from glademark.report.delivery import Deliverable  # noqa: PLC0415 - loaded on first use

    return load(entry_points(group=DELIVERABLES), kind=Deliverable)


def chosen(
    deliverables: Mapping[str, "Deliverable"], only: Sequence[str], *, also: Sequence[str] = ()
) -> Mapping[str, "Deliverable"]:
    """
    The deliverables that are asked for.

    Parameters
    ----------
    deliverables
        By id.
    only
        Ids wanted, or names of `ALSO_CALLED`; where empty, all but those that are made on request.
    also
        Ids wanted besides.

    Returns
    -------
    deliverables
        Those wanted, and always the summary, which says what the output rests on.

    Raises
    ------
    InputError
        If an id is not known.
    """
    only = [one for name in only for one in ALSO_CALLED.get(name.casefold(), (name,))]
    unknown = [name for name in (*only, *also) if name not in deliverables]
    if unknown:
        msg = (
            f"no deliverable is called {', '.join(unknown)}; expected some of "
            f"{', '.join(sorted(deliverables))}"
        )
        raise InputError(msg)
    usual = {name for name, one in deliverables.items() if not one.on_request}
    wanted = {*(only or usual), *also, SUMMARY}
    return MappingProxyType({name: d for name, d in deliverables.items() if name in wanted})


def file_names(deliverables: Mapping[str, "Deliverable"]) -> tuple[str, ...]:
    """
    Names of the files that deliverables make.

    Parameters
    ----------
    deliverables
        By id.

    Returns
    -------
    names
        Of all of them, in their order.
    """
    return tuple(name for one in deliverables.values() for name in one.files)


def load(points: Any, *, kind: type[T]) -> Mapping[str, T]:  # noqa: ANN401 - any iterable of entry points
    """
    Objects that entry points name, by their id.

    Parameters
    ----------
    points
        Entry points of one group.
    kind
        Class of the objects; they have an `id`.

    Returns
    -------
    plugins
        Sorted by id; read-only. One of another package that does not load is left out with a
        warning.

    Raises
    ------
    PluginError
        Naming the plug-in and the package that it came with.
    """
    found: dict[str, T] = {}
    for point in points:
        plugin = _load_one(point, kind)
        if plugin is None:
            continue
        name = str(getattr(plugin, "id", ""))
        if name in found:
            msg = f"plug-in {_named(point)}: the id {name!r} is taken. Remove one of the packages"
            raise PluginError(msg)
        found[name] = plugin
    return MappingProxyType(dict(sorted(found.items())))


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
