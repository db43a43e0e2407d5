"""What the file says beside its pages: coordinates of the maps, title, page labels, bookmarks."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_DECIMALS = 6  # of a length in points


def finish(
    drawn: bytes,
    path: Path,
    *,
    title: str,
    subject: str,
    sheets: Sequence[tuple[str, Sequence[dict[str, Any]]]],
    day: str = "",
) -> None:
    """
    Write a drawn file again, with all that it says beside its pages.

    Parameters
    ----------
    drawn
        File of the pages as drawn.
    path
        Where the finished file goes.
    title, subject
        For the file's properties.
    sheets
        Title of each page and the viewports on it, as
        `report.map_sheets.drawing.georeference.viewport` makes them.
    day
        Such as ``2025-10-09``; the file has no date where empty.
    """
    import pikepdf  # noqa: PLC0415 - heavy

    with pikepdf.open(BytesIO(drawn)) as pdf:
        for page, (_, viewports) in zip(pdf.pages, sheets, strict=True):
            if viewports:
                page.obj["/VP"] = pikepdf.Array([_pdf_object(found) for found in viewports])
        with pdf.open_outline() as outline:
            outline.root.extend(
                pikepdf.OutlineItem(name, number) for number, (name, _) in enumerate(sheets)
            )
        _describe(pdf, title, subject, day)
        pdf.save(
            path, deterministic_id=True, min_version="2.0",
            object_stream_mode=pikepdf.ObjectStreamMode.generate,
        )  # fmt: skip


def _describe(pdf: Any, title: str, subject: str, day: str) -> None:  # noqa: ANN401 - a foreign type
    """Title, language, page labels; the title shown instead of the file's name."""
    import pikepdf  # noqa: PLC0415 - heavy

    for key in list(pdf.docinfo.keys()):
        del pdf.docinfo[key]
    for key, words in (("/Title", title), ("/Subject", subject), ("/Creator", "Glademark")):
        pdf.docinfo[key] = pikepdf.String(words)
    if day:
        pdf.docinfo["/CreationDate"] = pikepdf.String(f"D:{day.replace('-', '')}000000Z")
    with pdf.open_metadata(set_pikepdf_as_editor=False, update_docinfo=False) as metadata:
        metadata["dc:title"] = title
        metadata["dc:description"] = subject
        metadata["xmp:CreatorTool"] = "Glademark"
        if day:
            metadata["xmp:CreateDate"] = f"{day}T00:00:00Z"
    pdf.Root["/Lang"] = pikepdf.String("en")
    pdf.Root["/ViewerPreferences"] = pikepdf.Dictionary(DisplayDocTitle=True)
    pdf.Root["/PageMode"] = pikepdf.Name("/UseNone")
    label = pikepdf.Dictionary(S=pikepdf.Name("/D"), P=pikepdf.String("Sheet "), St=1)
    pdf.Root["/PageLabels"] = pikepdf.Dictionary(Nums=pikepdf.Array([0, label]))


def _pdf_object(value: Any) -> Any:  # noqa: ANN401 - any plain value, and what the format makes of it
    """Plain values as objects of the file; texts that begin with a slash are names."""
    import pikepdf  # noqa: PLC0415 - heavy

    if isinstance(value, dict):
        return pikepdf.Dictionary({key: _pdf_object(part) for key, part in value.items()})
    if isinstance(value, list):
        return pikepdf.Array([_pdf_object(part) for part in value])
    if isinstance(value, str):
        return pikepdf.Name(value) if value.startswith("/") else pikepdf.String(value)
    if isinstance(value, float):
        from decimal import Decimal  # noqa: PLC0415 - only here

        return Decimal(f"{value:.12f}")
    return value
