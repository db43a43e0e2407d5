"""The comparison as one page to open by double click: it loads nothing and runs nothing."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Any

from glademark.errors import OutputError
from glademark.report.comparison.map_shapes import SYMBOLS, MapShapes, map_shapes
from glademark.report.comparison.wording import (
    HOW_TO_READ,
    check_lines,
    damage_lines,
    damage_table,
    findings_table,
    ground_lines,
    look_again,
    match_lines,
    question_lines,
    sample_table,
)
from glademark.report.review_page.page import content_policy
from glademark.report.review_page.wording import field_text
from glademark.report.site_rules import cautions

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from glademark.comparison.comparison import Comparison
    from glademark.report.delivery import Delivery

PAGE_FILE = "compare.html"

_PARTS = "glademark.report.comparison"
_MAP_WIDTH = 900.0


def comparison_page(comparison: Comparison, delivery: Delivery) -> str:
    """The page."""
    units = delivery.project.heading.units
    shapes = map_shapes(comparison, delivery.layout, width=_MAP_WIDTH)
    again, more = look_again(comparison, units)
    text = _template().render(
        policy=content_policy(()).replace("script-src ;", "script-src 'none';"),
        style=(files(_PARTS) / "parts" / "page.css").read_text(encoding="utf-8"),
        name=field_text(delivery.project.heading.name),
        cautions=cautions(),
        how_to_read=HOW_TO_READ,
        match=match_lines(comparison, units),
        questions=question_lines(comparison),
        findings=findings_table(comparison, units),
        sample=sample_table(comparison, units),
        ground=ground_lines(comparison, units),
        limits=check_lines(comparison, units),
        damage=damage_table(comparison, units),
        damage_lines=damage_lines(comparison, units),
        again=again,
        more=more,
        notices=[field_text(one) for one in comparison.notices],
        map=shapes,
        areas={name: _path(rings, closed=True) for name, rings in shapes.areas.items()},
        tracks=_path(shapes.lines, closed=False),
        symbols=_symbols(shapes),
    )
    return str(text)


def _path(lines: list[npt.NDArray[np.float64]], *, closed: bool) -> str:
    """Lines or rings as the data of an SVG path."""
    end = "Z" if closed else ""
    return " ".join(
        "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in line.tolist()) + end for line in lines
    )


def _symbols(shapes: MapShapes) -> list[tuple[str, str, str, list[tuple[str, str, bool]]]]:
    """Symbols with key, form, words, and place and doubtful of each."""
    return [
        (
            key,
            form,
            words,
            [
                (f"{x:.1f}", f"{y:.1f}", bool(doubtful))
                for x, y, doubtful in shapes.points[key].tolist()
            ],
        )
        for key, form, words in SYMBOLS
        if len(shapes.points[key])
    ]


def _template() -> Any:  # noqa: ANN401 - jinja2 is imported where it is used
    """Template in which every text is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - heavy

    environment = Environment(
        loader=PackageLoader(_PARTS, "parts"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("page.html.jinja")


def write_page(comparison: Comparison, delivery: Delivery, path: Path) -> None:
    """Write ``compare.html`` and see that all of it is there."""
    content = comparison_page(comparison, delivery).encode("utf-8", "replace")
    path.write_bytes(content)
    if path.read_bytes() != content:
        msg = f"{path.name} does not hold what was written. Check the disk and run again"
        raise OutputError(msg)
