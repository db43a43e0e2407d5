"""The review page as one text: content, template, style, script and the plotting library."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import replace
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from glademark.report.quantities import show_number, show_share
from glademark.report.residual_stand import (
    basis_in_words,
    class_heads,
    class_rows,
    kept_lines,
    species_rows,
    structure_rows,
)
from glademark.report.review_page.allowance import accounts
from glademark.report.review_page.cards import feature_cards, tree_columns
from glademark.report.review_page.chart import MAP_NAME, map_json
from glademark.report.review_page.content import MOST_MARKS, map_content
from glademark.report.review_page.diameters import histogram
from glademark.report.review_page.facts import facts
from glademark.report.review_page.limits import (
    VERDICT_WORDS,
    limit_rows,
    worst_by_key,
)
from glademark.report.review_page.profiles import profile_pictures
from glademark.report.review_page.symbols import AREAS, CROWNS, MARKS, STAND, SwitchedLayer
from glademark.report.review_page.tables import (
    corridors_table,
    openings_table,
    rejected_table,
    tally_table,
    volume_table,
)
from glademark.report.review_page.wording import field_text
from glademark.report.site_rules import cautions
from glademark.report.terminal.openings import opening_verdicts
from glademark.report.verdicts import (
    WORST_FIRST,
    approval_words,
    cut_words,
    edition_words,
    is_proposed,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glademark.report.delivery import Delivery
    from glademark.report.review_page.content import MapContent
    from glademark.report.review_page.limits import LimitRow
    from glademark.report.review_page.symbols import AreaSymbol

_PARTS = "glademark.report.review_page"
_HIGHEST_FIRST = -1


def review_page(delivery: Delivery) -> str:
    """The review page."""
    limits = limit_rows(delivery)
    content = map_content(delivery, worst_by_key(limits))
    script, style = _file("page.js"), _file("page.css")
    library = _library()
    return str(
        _template().render(
            **_sections(delivery, limits, content),
            policy=content_policy([library, script]),
            library=library,
            script=script,
            style=style,
            map_item=inert_json(map_json(content)),
            page_data=inert_json(_page_data(delivery, limits, content)),
        )
    )


def _sections(
    delivery: Delivery, limits: tuple[LimitRow, ...], content: MapContent
) -> dict[str, Any]:
    """What the template shows."""
    heading, layout = delivery.project.heading, delivery.layout
    said = opening_verdicts(delivery.checks, layout.openings)
    verdicts = {number: text.plain for number, text in said.items()}
    return {
        "name": field_text(heading.name),
        "season": field_text(heading.season),
        "approval": field_text(approval_words(delivery)),
        "edition": edition_words(delivery),
        "cautions": cautions(),
        "counts": [
            (verdict, VERDICT_WORDS[verdict], sum(row.verdict == verdict for row in limits))
            for verdict in WORST_FIRST
        ],
        "facts": facts(delivery),
        "limits": limits,
        "openings": openings_table(delivery, verdicts),
        "corridors": corridors_table(delivery),
        "volume": volume_table(delivery),
        "tally": tally_table(delivery),
        "size_class_rule": field_text(layout.figures.volume.size_class_rule),
        "sources": [field_text(source) for source in layout.figures.volume.sources],
        "histogram": histogram(layout),
        "structure": structure_rows(layout, heading.units),
        "class_heads": class_heads(layout),
        "classes": class_rows(layout),
        "species_shares": species_rows(layout),
        "basis": basis_in_words(layout.residual, delivery.project.allowance.confidence),
        "kept": [field_text(line) for line in kept_lines(layout, heading.units)],
        "accounts": accounts(layout, heading.units),
        "profiles": profile_pictures(
            layout.corridor_grades,
            units=heading.units,
            steep_grade=delivery.project.terrain.steep_grade,
        ),
        "steep_grade": show_share(delivery.project.terrain.steep_grade),
        "length_unit": "ft" if heading.units == "us" else "m",
        "rejected": rejected_table(delivery),
        "notices": [field_text(notice) for notice in layout.notices],
        "inputs": delivery.summary["provenance"]["inputs"],
        "version": delivery.summary["provenance"]["version"],
        "crs": field_text(layout.crs.name),
        "crs_code": field_text(delivery.summary["provenance"]["crs"]),
        "diameter_at": delivery.project.marks.diameter_at,
        "switches": _switches(content, delivery),
        "boundary": STAND,
        "left_out": show_number(content.left_out, 0) if content.left_out else "",
        "most_marks": show_number(MOST_MARKS, 0),
    }


def _switches(content: MapContent, delivery: Delivery) -> list[tuple[SwitchedLayer, int]]:
    """Layers that the map has, the those of several parts first, with how many features each."""
    counts: dict[str, int] = {}
    for (layer, _), features in content.areas.items():
        counts[layer] = counts.get(layer, 0) + len(features)
    number = content.all_trees["count"].astype("float64").fillna(1.0).to_numpy()
    counts |= {name: int(number[trees.row].sum()) for name, trees in content.trees.items()}
    parts = {*content.areas, (CROWNS.name, "")}
    counts |= {name: len(points.key) for name, points in content.points.items()}
    if len(content.crowns):
        counts[CROWNS.name] = len(content.crowns)
    found = [
        (
            replace(
                switched,
                areas=_drawn(switched, parts),
                title=cut_words(delivery, switched.title),
            ),
            counts[switched.name],
        )
        for switched in (CROWNS, *AREAS, *MARKS)[::_HIGHEST_FIRST]
        if counts.get(switched.name)
    ]
    return sorted(found, key=lambda one: len(one[0].areas) <= 1)


def _drawn(switched: SwitchedLayer, parts: set[tuple[str, str]]) -> tuple[AreaSymbol, ...]:
    """Symbols of a layer that are on the map."""
    return tuple(symbol for symbol in switched.areas if (symbol.layer, symbol.part) in parts)


def _page_data(
    delivery: Delivery, limits: tuple[LimitRow, ...], content: MapContent
) -> dict[str, Any]:
    """What the page's script reads."""
    units, trees = delivery.project.heading.units, content.all_trees
    if is_proposed(delivery):
        trees = trees.assign(kind=trees["kind"].replace("cut", "proposed"))
    return {
        "map": MAP_NAME,
        "units": units,
        "origin": [content.plane.east_m, content.plane.north_m],
        "box": content.box,
        "features": feature_cards(delivery, limits, content.plane),
        "trees": tree_columns(trees, units),
    }


def _library() -> str:
    """Script of the plotting library, whole."""
    from bokeh.resources import Resources  # noqa: PLC0415 - heavy: only where the page is made

    raw = Resources(mode="inline", components=["bokeh"], minified=True, log_level="error").js_raw
    return "\n".join(raw).replace("\r\n", "\n")


def _template() -> Any:  # noqa: ANN401 - jinja2 is imported where it is used
    """Template in which every text is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - as above

    environment = Environment(
        loader=PackageLoader(_PARTS, "parts"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["guarded"] = field_text
    return environment.get_template("page.html.jinja")


def _file(name: str) -> str:
    """One of the page's own parts."""
    return (files(_PARTS) / "parts" / name).read_text(encoding="utf-8").replace("\r\n", "\n")


def inert_json(value: Any) -> str:  # noqa: ANN401 - JSON is one of several types
    r"""
    JSON that can stand in a script element and never ends it.

    Examples
    --------
    >>> print(inert_json({"name": "</script>"}))
    {"name":"\u003c/script\u003e"}
    """
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def content_policy(scripts: Iterable[str]) -> str:
    """Content security policy of a page that loads nothing and runs only what it was made with."""
    rules = (
        "default-src 'none'",
        f"script-src {' '.join(_hash(text) for text in scripts)}",
        "style-src 'unsafe-inline'",
        "img-src data: blob:",
        "base-uri 'none'",
        "form-action 'none'",
    )
    return "; ".join(rules)


def _hash(text: str) -> str:
    """Name of a text in a policy."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
