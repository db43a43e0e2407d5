"""What the installed packages register as entry points, looked up once in a process."""

from functools import cache
from importlib.metadata import EntryPoints, entry_points


def registered(group: str) -> EntryPoints:
    """Entry points of a group."""
    return _every().select(group=group)


@cache
def _every() -> EntryPoints:
    """All of them: each look goes through the metadata of every installed package."""
    return entry_points()
