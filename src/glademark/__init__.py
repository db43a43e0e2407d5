"""Glademark lays out a marked partial harvest: corridors, openings, zones, volumes, limits."""

from typing import Any

from glademark.offline import stay_offline

__version__ = "0.1.0"
__all__ = ["__version__", "propose"]

stay_offline()


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever the package gives
    """Functions of the package, each loaded when it is first asked for."""
    if name == "propose":
        from glademark.jobs.propose import propose  # noqa: PLC0415 - keeps the import light

        return propose
    msg = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(msg)
