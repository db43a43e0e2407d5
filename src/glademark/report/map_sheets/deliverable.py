"""The map sheets as a deliverable; what draws them is loaded when they are made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glademark.report.delivery import Deliverable, Delivery

if TYPE_CHECKING:
    from pathlib import Path

PDF_FILE, PICTURE_FILE = "layout_map.pdf", "layout_map.png"
PLACING_FILES = ("layout_map.pgw", "layout_map.png.aux.xml")


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``layout_map.pdf``, and ``layout_map.png`` with the files that place it."""
    from glademark.report.map_sheets.sheet_set import write_sheets  # noqa: PLC0415 - heavy

    write_sheets(delivery, pdf=folder / PDF_FILE, picture=folder / PICTURE_FILE)


DELIVERABLE = Deliverable(
    id="map", title="Map sheets", files=(PDF_FILE, PICTURE_FILE, *PLACING_FILES), write=_write
)
"""Overview, detail sheets, openings and tables."""
