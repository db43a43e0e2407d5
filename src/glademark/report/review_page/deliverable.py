"""The review page as a deliverable; what it needs is imported only when it is written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glademark.errors import OutputError
from glademark.report.delivery import Deliverable

if TYPE_CHECKING:
    from pathlib import Path

    from glademark.report.delivery import Delivery

REVIEW_FILE = "review.html"
"""Name of the page."""


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``review.html`` and see that all of it is there."""
    from glademark.report.review_page.page import review_page  # noqa: PLC0415 - heavy

    path = folder / REVIEW_FILE
    content = review_page(delivery).encode("utf-8", "replace")
    path.write_bytes(content)
    if path.read_bytes() != content:
        msg = f"{REVIEW_FILE} does not hold what was written. Check the disk and run again"
        raise OutputError(msg)


DELIVERABLE = Deliverable(id="review", title="Review page", files=(REVIEW_FILE,), write=_write)
"""One file to look at the layout and check it."""
