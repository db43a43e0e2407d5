"""Map sheets and review page as deliverables; what makes them is imported when it is needed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glademark.errors import OutputError
from glademark.report.delivery import Deliverable, Delivery

if TYPE_CHECKING:
    from pathlib import Path

REVIEW_FILE = "review.html"
"""Name of the page."""

PLACING_FILES = ("layout_map.pgw", "layout_map.png.aux.xml")


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
