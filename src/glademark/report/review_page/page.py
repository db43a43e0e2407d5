"""The review page as one text: content, template, style, script and the plotting library."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from glademark.measure.tally import NOT_STATED
from glademark.report.profile_drawing import profile_pictures
from glademark.report.quantities import AT_LEAST, show_number, show_share, show_sum
from glademark.report.review_page.cards import (
    VERDICT_WORDS,
    basal_area,
    feature_cards,
    limit_rows,
    quantity,
    tree_columns,
    whole,
    worst_by_key,
)
from glademark.report.review_page.chart import (
    AREAS,
    CROWNS,
    MAP_NAME,
    MARKS,
    STAND,
    SwitchedLayer,
    map_json,
)
from glademark.report.review_page.content import MOST_MARKS, map_content
from glademark.report.review_page.pictures import accounts, histogram
from glademark.report.review_page.tables import (
    corridors_table,
    openings_table,
    rejected_table,
    tally_table,
    volume_table,
)
from glademark.report.summary import marking_progress
from glademark.report.terminal.limits import opening_verdicts
from glademark.report.wood import (
    basis_in_words,
    class_heads,
    class_rows,
    kept_lines,
    species_rows,
    structure_rows,
)
from glademark.report.wording import (
    NOT_TO_BE_CUT,
    WORST_FIRST,
    approval_words,
    cautions,
    cut_words,
    edition_words,
    field_text,
    is_proposed,
    totals_with,
    unconfirmed_trees,
    unit_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Figures, Layout
    from glademark.report.delivery import Delivery
    from glademark.report.review_page.cards import LimitRow
    from glademark.report.review_page.chart import AreaSymbol
    from glademark.report.review_page.content import MapContent

_PARTS = "glademark.report.review_page"

_HIGHEST_FIRST = -1


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """A figure: its name, the number that counts, and what goes with it."""

    name: str
    value: str
    beside: str = ""


def facts(delivery: Delivery) -> tuple[Fact, ...]:
    """Figures of the layout in the project's units."""
    figures, units = delivery.layout.figures, delivery.project.heading.units
    found = (
        *_stand(figures, units),
        *_progress(delivery.layout, units),
        *(
            fact
            for part in (_corridors, _openings, _trees, _volumes)
            for fact in part(figures, units)
        ),
    )
    return tuple(replace(fact, name=cut_words(delivery, fact.name)) for fact in found)


def _stand(figures: Figures, units: Units) -> Iterable[Fact]:
    """Size of the stand."""
    yield Fact(
        name="Stand",
        value=quantity(figures.stand.area_m2, "m2", units),
        beside=f"{quantity(figures.stand.operable_m2, 'm2', units)} operable",
    )


def _progress(layout: Layout, units: Units) -> Iterable[Fact]:
    """How much of the stand is marked so far, and what that leaves."""
    progress = marking_progress(layout, units)
    if progress is None:
        return
    share, _, areas = progress.marked_ground.partition(" of ")
    rest = f"; remaining allowance: {progress.remaining}" if progress.remaining else ""
    yield Fact(
        name="Marked so far",
        value=share,
        beside=unit_text(f"of {areas}; taken {progress.taken}{rest}"),
    )


def _corridors(figures: Figures, units: Units) -> Iterable[Fact]:
    """What corridors take, with landings where there are any."""
    taken = figures.corridors
    if taken.length_m <= 0:
        yield Fact(name="Corridors", value="none")
        return
    yield Fact(
        name="Corridors",
        value=quantity(taken.share, "share", units),
        beside=f"of the stand; {quantity(taken.share_operable, 'share', units)} of the operable "
        f"area; {quantity(taken.area_m2, 'm2', units)}, "
        f"{quantity(taken.length_m, 'm', units)} long",
    )
    if taken.with_landings_m2 > taken.area_m2:
        yield Fact(
            name="With landings",
            value=quantity(taken.share_with_landings, "share", units),
            beside=f"of the stand; {quantity(taken.with_landings_m2, 'm2', units)}",
        )


def _openings(figures: Figures, units: Units) -> Iterable[Fact]:
    """Openings together, the largest, combined and incidental ones."""
    openings = figures.openings
    if openings.count == 0:
        yield Fact(name="Group openings", value="none")
    else:
        yield Fact(
            name="Group openings",
            value=whole(openings.count),
            beside=f"{quantity(openings.area_m2, 'm2', units)}, "
            f"{quantity(openings.share, 'share', units)} of the stand",
        )
        yield Fact(
            name="Largest opening",
            value=quantity(openings.largest_m2, "m2", units),
            beside=f"combined with corridors {quantity(openings.combined_largest_m2, 'm2', units)}",
        )
    if openings.nearest_spacing_m is not None:
        yield Fact(
            name="Least spacing",
            value=quantity(openings.nearest_spacing_m, "m", units),
            beside="edge to edge",
        )
    if openings.incidental_count:
        yield Fact(
            name="Incidental openings",
            value=whole(openings.incidental_count),
            beside=f"{quantity(openings.incidental_area_m2, 'm2', units)}; crowns that touch, "
            "named no "
            "group, not among the openings",
        )


def _trees(figures: Figures, units: Units) -> Iterable[Fact]:
    """Trees to cut; those apart."""
    marks = figures.marks
    paper = f", and {whole(marks.not_located)} on the paper tally" if marks.not_located else ""
    yield Fact(
        name="Trees to cut",
        value=whole(marks.trees + marks.not_located),
        beside=f"{whole(marks.trees)} on the map{paper}; basal area "
        f"{basal_area(figures.volume.basal_area_m2, units)}",
    )
    if marks.danger_trees:
        yield Fact(
            name="Danger trees", value=whole(marks.danger_trees), beside="show the crew before work"
        )
    if unconfirmed := unconfirmed_trees(figures):
        yield Fact(
            name="Not among them",
            value=unconfirmed,
            beside=f"{NOT_TO_BE_CUT}; with them {totals_with(figures, units)}",
        )
    if marks.without_dbh:
        yield Fact(
            name="Of them without a diameter",
            value=whole(marks.without_dbh),
            beside="counted, in no basal area and in no volume by size",
        )
    if marks.line_trees:
        yield Fact(
            name="Line trees",
            value=whole(marks.line_trees),
            beside="tallied apart: co-owned, not to be cut before the owners agree",
        )
    if marks.leave_trees:
        yield Fact(name="Leave trees", value=whole(marks.leave_trees), beside="to stay")


def _volumes(figures: Figures, units: Units) -> Iterable[Fact]:
    """Net volume by product, each in its sale unit; solid volume where it can be computed."""
    volume = figures.volume
    for name, product in volume.by_product.items():
        rule = f"; scaled by {field_text(product.rule)}" if product.rule else ""
        amount, _, without = show_sum(
            product.net,
            product.unit,
            trees=product.trees,
            trees_without=product.trees_without,
            parts_without=product.parts_without,
        ).partition("; ")
        beside = f"{without}{rule}" if without else f"net, {whole(product.trees)} trees{rule}"
        yield Fact(
            name="No product" if name == NOT_STATED else field_text(name).capitalize(),
            value=unit_text(amount),
            beside=unit_text(beside),
        )
    if volume.m3 is not None:
        missing = volume.m3_missing_trees
        without = f"{show_number(missing, 0)} trees without a volume" if missing else "net"
        least = f"{AT_LEAST} " if missing else ""
        yield Fact(
            name="Solid volume",
            value=f"{least}{quantity(volume.m3, 'm3', units)}",
            beside=without,
        )


def review_page(delivery: Delivery) -> str:
    """The review page."""
    limits = limit_rows(delivery)
    content = map_content(delivery, worst_by_key(limits))
    script, style = _file("page.js"), _file("page.css")
    library = _library()
    return str(
        page_template(_PARTS).render(
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


def page_template(package: str) -> Any:  # noqa: ANN401 - jinja2 is imported where it is used
    """Template of a package in which every text is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - as above

    environment = Environment(
        loader=PackageLoader(package, "parts"),
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
