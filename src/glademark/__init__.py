"""Glademark lays out a marked partial harvest: corridors, openings, zones, volumes, limits."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from glademark.process import stay_offline

if TYPE_CHECKING:
    from glademark.hosts.api import (
        advise,
        compare,
        corridor_share,
        lay_out,
        opening_areas,
        propose,
    )

__version__ = "0.1.0"

__all__ = ["advise", "compare", "corridor_share", "lay_out", "opening_areas", "propose"]

stay_offline()


def __getattr__(name: str) -> Any:  # noqa: ANN401 - functions of the interface
    """Functions of the Python interface, loaded on first use."""
    if name in __all__:
        return getattr(import_module("glademark.hosts.api"), name)
    msg = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    """Names of the module, functions that are not loaded yet included."""
    return sorted({*globals(), *__all__})
