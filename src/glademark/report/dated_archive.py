"""Files in a zip archive under the last day in the field: equal input gives equal bytes."""

import zipfile
from datetime import date

NO_DAY = "2000-01-01"
"""Day of a file of which none is known."""

_MODE = 0o100644 << 16  # a plain file that everyone may read


def add_file(archive: zipfile.ZipFile, name: str, content: bytes, day: str) -> None:
    """Add a file without the time at which it was made; `day` such as ``2025-10-09`` or empty."""
    made = date.fromisoformat(day or NO_DAY)
    entry = zipfile.ZipInfo(name, date_time=(made.year, made.month, made.day, 0, 0, 0))
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = _MODE
    entry.create_system = 3  # the same on every machine
    archive.writestr(entry, content)
