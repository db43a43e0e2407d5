"""What is handed over, and the form of a writer: the contract of ``glademark.deliverables``."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any, TypeVar, cast

from glademark.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    import pandas as pd

    from glademark.contracts.layout import Layout
    from glademark.contracts.survey import Survey
    from glademark.project.model import Project

T = TypeVar("T")

FIELD_PAPERS = ("map", "field_guide", "gpx", "kml", "pack")
"""Ids of what the crew carries, with its cautions: handed over together or not at all."""

ONLY_MARKED = (
    "field_guide", "gpx", "kml", "geojson", "pack", "stump_check", "damage_form", "filing",
)  # fmt: skip
"""Ids of what is not made of proposed marks: files for the crew and the authority."""

NO_DAY = "2000-01-01"
"""Day of a file of which none is known."""

_MODE = 0o100644 << 16  # a plain file that everyone may read

REVIEW_FILE = "review.html"
"""Name of the page."""

PLACING_FILES = ("layout_map.pgw", "layout_map.png.aux.xml")


@dataclass(frozen=True, kw_only=True, slots=True)
class Delivery:
    """
    All that a writer may draw on.

    Attributes
    ----------
    project
        What was asked.
    survey
        Field data.
    layout
        What was measured.
    checks
        Limits held against it: the columns of `contracts.layers.CHECKS`.
    summary
        The content of ``summary.json``, as `report.summary.build_summary` makes it.
    """

    project: Project
    survey: Survey
    layout: Layout
    checks: pd.DataFrame
    summary: Mapping[str, Any]
    _found: dict[str, object] = field(default_factory=dict, init=False, repr=False, compare=False)

    def once(self, name: str, make: Callable[[], T]) -> T:
        """What several writers draw on, worked out by the first of them that asks."""
        if name not in self._found:
            self._found[name] = make()
        return cast("T", self._found[name])


@dataclass(frozen=True, kw_only=True, slots=True)
class Deliverable:
    """
    One thing that is handed over.

    Attributes
    ----------
    id
        Short name, unique among the deliverables.
    title
        Heading for people.
    files
        Plain names, without folders, of exactly the files that `write` makes.
    write
        Called with the delivery and an existing folder; writes `files` into it, touches nothing
        else, and raises `OutputError` or `OSError` where it cannot.
    on_request
        Whether it is made only where it is asked for by its id.
    wanted
        Whether a delivery has anything for it; without it, nothing is written. None: always.
    """

    id: str
    title: str
    files: tuple[str, ...]
    write: Callable[[Delivery, Path], None]
    on_request: bool = False
    wanted: Callable[[Delivery], bool] | None = None


def add_file(archive: zipfile.ZipFile, name: str, content: bytes, day: str) -> None:
    """Add a file without the time at which it was made; `day` such as ``2025-10-09`` or empty."""
    made = date.fromisoformat(day or NO_DAY)
    entry = zipfile.ZipInfo(name, date_time=(made.year, made.month, made.day, 0, 0, 0))
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = _MODE
    entry.create_system = 3  # the same on every machine
    archive.writestr(entry, content)


def _write_review(delivery: Delivery, folder: Path) -> None:
    """Write ``review.html`` and see that all of it is there."""
    from glademark.report.review_page.page import review_page  # noqa: PLC0415 - heavy

    path = folder / REVIEW_FILE
    content = review_page(delivery).encode("utf-8", "replace")
    path.write_bytes(content)
    if path.read_bytes() != content:
        msg = f"{REVIEW_FILE} does not hold what was written. Check the disk and run again"
        raise OutputError(msg)


REVIEW = Deliverable(id="review", title="Review page", files=(REVIEW_FILE,), write=_write_review)
"""One file to look at the layout and check it."""


PDF_FILE, PICTURE_FILE = "layout_map.pdf", "layout_map.png"


def _write_map(delivery: Delivery, folder: Path) -> None:
    """Write ``layout_map.pdf``, and ``layout_map.png`` with the files that place it."""
    from glademark.report.map_sheets.sheet_set import write_sheets  # noqa: PLC0415 - heavy

    write_sheets(delivery, pdf=folder / PDF_FILE, picture=folder / PICTURE_FILE)


MAP = Deliverable(
    id="map", title="Map sheets", files=(PDF_FILE, PICTURE_FILE, *PLACING_FILES), write=_write_map
)
"""Overview, detail sheets, openings and tables."""
