"""
Files that SQLite keeps beside a database while it is open, or after a crash.

Whoever opens the database plays them back. Left beside another database that was moved to the same
name, they destroy it (https://sqlite.org/howtocorrupt.html, 2.3 and 2.4), so they go with the old
one. A program that still has the old one open goes on with it unharmed: it keeps the files open,
and SQLite touches nothing under the old names once it sees that the database was moved.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

from glademark.errors import OutputError

_SUFFIXES = ("-wal", "-shm", "-journal")
_FIRST_BYTES = b"SQLite format 3\0"


def side_files(folder: Path, name: str, *, database: Path) -> list[str]:
    """Names of the side files in a folder that would be taken for those of a database so named."""
    if not _is_database(database):
        return []
    return [f"{name}{end}" for end in _SUFFIXES if (folder / f"{name}{end}").is_file()]


def refuse_unsound(path: Path) -> None:
    """Refuse a database that does not read back whole where it now stands."""
    if not _is_database(path):
        return
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
            (answer,) = database.execute("PRAGMA quick_check(1)").fetchone()
            found = " ".join(str(answer).split())
    except sqlite3.Error as error:
        found = str(error)
    if found != "ok":
        msg = (
            f"{path} does not read back whole ({found}); what stood there is unchanged. "
            "Close the programs that have a file of that name open and run again"
        )
        raise OutputError(msg)


def _is_database(path: Path) -> bool:
    """Whether a file begins as one of SQLite."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(_FIRST_BYTES)) == _FIRST_BYTES
