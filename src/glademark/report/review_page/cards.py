"""What is said of a clicked feature or tree, and limits with the features they speak of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.contracts.result_tables import CHECKS
from glademark.report.quantities import (
    MISSING,
    basal_area_unit,
    show,
    show_against,
    show_diameter,
    show_length,
    show_number,
    show_volume,
    written_frame,
)
from glademark.report.review_page.content import AREA_LAYERS, POINT_LAYERS, keyed
from glademark.report.wording import (
    WORST_FIRST,
    cut_words,
    field_text,
    limit_title,
    name_text,
    unit_text,
    volume_amounts,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    import geopandas as gpd

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout
    from glademark.report.delivery import Delivery
    from glademark.report.review_page.content import Plane

VERDICT_WORDS: Mapping[str, str] = {
    "exceeded": "EXCEEDED",
    "near": "near",
    "not_checked": "not checked",
    "met": "met",
}
"""Verdicts as people read them: in capitals where something is to be done."""

_FEATURE_NAMES = {
    "openings": "opening",
    "combined_openings": "combined",
    "corridors": "corridor",
    "zones": "zone",
    "incidental_openings": "incidental",
}  # the others are known by their name
_ENDS = {"max": "at most", "min": "at least"}
_AT_LEAST = frozenset({"target"})
_SMALL_MARGIN = 1e-9  # less is none, in any unit
_SAME = 1e-12

Record = dict[Any, Any]

_SAME_M2 = 0.005  # areas nearer than this are one


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitRow:
    """One thing held against one limit."""

    verdict: str
    words: str  # verdict and words: as in the checks table, and as people read it
    place: int  # of the verdict among `WORST_FIRST`, the worst being 0
    title: str
    subject: str  # title and subject: the limit and what is checked
    measured: str
    limit: str
    margin: str  # measured, limit and margin: with their units; empty where there is no number
    room: float | None  # margin over the limit, to sort by; None where there is none
    measured_number: float | None  # in the unit of the row, to sort by; None where there is none
    authority: str
    source: str  # authority and source: where the limit comes from
    reason: str  # why it was not checked or is near
    keys: tuple[str, ...]  # of the features on the map


def limit_rows(delivery: Delivery) -> tuple[LimitRow, ...]:
    """Every check, the worst first, else in the order in which they were made."""
    units = delivery.project.heading.units
    known = _known_features(delivery.layout)
    table = written_frame(delivery.checks, CHECKS, units).astype(object)
    rows = [_row(record, known, units) for record in table.to_dict("records")]
    return tuple(sorted(rows, key=lambda row: row.place))


def worst_by_key(rows: Iterable[LimitRow]) -> dict[str, str]:
    """Features that are beyond or near a limit."""
    worst: dict[str, str] = {}
    for row in rows:
        if row.verdict in {"exceeded", "near"}:
            for key in row.keys:
                worst.setdefault(key, row.verdict)
    return worst


def of_feature(rows: Iterable[LimitRow], key: str) -> list[LimitRow]:
    """Limits that speak of one feature."""
    return [row for row in rows if key in row.keys]


def _row(record: Mapping[Any, Any], known: Mapping[str, str], units: Units) -> LimitRow:
    """One check in words."""
    numbers = {name: _number(record[name]) for name in ("measured", "limit_value", "margin")}
    measured, limit = show_against(
        numbers["measured"], numbers["limit_value"], record["unit"], units
    )
    margin, allowed = numbers["margin"], numbers["limit_value"]
    return LimitRow(
        verdict=record["verdict"],
        words=VERDICT_WORDS.get(record["verdict"], field_text(record["verdict"])),
        place=WORST_FIRST.index(record["verdict"]) if record["verdict"] in WORST_FIRST else 0,
        title=limit_title(record["limit"]),
        subject=field_text(record["subject"]),
        measured=_shown(measured),
        limit=f"{_bound(record['limit'], numbers)} {unit_text(limit)}" if limit != MISSING else "",
        margin=_margin_words(margin, record["unit"], units),
        room=None if margin is None else margin / abs(allowed) if allowed else margin,
        measured_number=numbers["measured"],
        authority=field_text(record["authority"]),
        source=field_text(record["source"]),
        reason=field_text(record["reason"]),
        keys=_keys(field_text(record["layer"]), field_text(record["feature"]), known),
    )


def _shown(text: str) -> str:
    """A quantity; nothing where it is missing."""
    return "" if text == MISSING else unit_text(text)


def _margin_words(margin: float | None, unit: str, units: Units) -> str:
    """How much room there is, or how far beyond."""
    if margin is None:
        return ""
    if abs(margin) < _SMALL_MARGIN:
        return "none"
    return f"{unit_text(show(abs(margin), unit, units))} {'to spare' if margin > 0 else 'beyond'}"


def _bound(limit: str, numbers: Mapping[str, float | None]) -> str:
    """Whether a limit is the most or the least: its margin tells, else its name."""
    measured, allowed, margin = numbers["measured"], numbers["limit_value"], numbers["margin"]
    if None not in (measured, allowed, margin):
        rising = margin * (measured - allowed)  # type: ignore[operator] # none of them is None
        if abs(rising) > _SAME:
            return "at least" if rising > 0 else "at most"
    if limit in _AT_LEAST:
        return "at least"
    return _ENDS.get(limit.rsplit("_", 1)[-1], "at most")


def _known_features(layout: Layout) -> dict[str, str]:
    """Key of each feature on the map by its layer and name."""
    known: dict[str, str] = {}
    for layer in AREA_LAYERS:
        frame = getattr(layout, layer)
        names = frame[_FEATURE_NAMES.get(layer, "name")].tolist()
        if layer == "combined_openings":
            names = [*zip(names, frame["openings"].tolist(), strict=True)]
        for place, name in enumerate(names):
            for one in name if isinstance(name, tuple) else (name,):
                known.setdefault(f"{layer}\n{field_text(one)}", f"{layer}:{place}")
    return known


def _keys(layers: str, feature: str, known: Mapping[str, str]) -> tuple[str, ...]:
    """Keys of the features that a check names: the whole text as one name, else several."""
    found: list[str] = []
    for layer in (part.strip() for part in layers.split(",")):
        names: Sequence[str] = [feature]
        if f"{layer}\n{feature}" not in known:
            names = [part.strip() for part in feature.split(",")]
        if feature == "all":
            found += [key for name, key in known.items() if name.startswith(f"{layer}\n")]
        found += [known[f"{layer}\n{name}"] for name in names if f"{layer}\n{name}" in known]
    return tuple(dict.fromkeys(found))


def feature_cards(
    delivery: Delivery, limits: Sequence[LimitRow], plane: Plane
) -> dict[str, dict[str, Any]]:
    """Title, lines, limits and bounds of every area and point on the map, by its key."""
    units, to_cut = delivery.project.heading.units, cut_words(delivery, "to cut")
    cards: dict[str, dict[str, Any]] = {}
    for layer in (*AREA_LAYERS, *POINT_LAYERS):
        features = keyed(delivery.layout, layer)
        if features.empty:
            continue
        title, lines = _CARDS[layer]
        records = features.drop(columns=features.geometry.name).astype(object).to_dict("records")
        for record, shape in zip(records, features.geometry, strict=True):
            cards[record["key"]] = {
                "title": title(record),
                "lines": [
                    [name.replace("to cut", to_cut), text]
                    for name, text in lines(record, units)
                    if text
                ],
                "limits": [_limit(row) for row in of_feature(limits, record["key"])],
                "box": plane.box(shape),
            }
    return cards


def tree_columns(trees: gpd.GeoDataFrame, units: Units) -> list[dict[str, Any]]:
    """What is said of each tree, column by column."""
    columns = [(label, words(trees, units)) for label, words in _TREE_LINES]
    return [_compact(label, texts) for label, texts in columns if texts.ne("").any()]


def basal_area(area_m2: object, units: Units) -> str:
    """
    A basal area in square feet or square metres.

    Examples
    --------
    >>> basal_area(2.0, "metric")
    '2.0 m²'
    """
    number = _number(area_m2)
    name, size = basal_area_unit(units)
    return "" if number is None else unit_text(f"{show_number(number / size, 1)} {name}")


def quantity(value: object, unit: str, units: Units) -> str:
    """
    A quantity with its unit, or nothing.

    Examples
    --------
    >>> quantity(30.48, "m", "us"), quantity(None, "m", "us")
    ('100 ft', '')
    """
    text = show(_number(value), unit, units)
    return "" if text == MISSING else unit_text(text)


def whole(value: object) -> str:
    """
    A count, or nothing.

    Examples
    --------
    >>> whole(1200), whole(None)
    ('1,200', '')
    """
    number = _number(value)
    return "" if number is None else show_number(number, 0)


def _number(value: object) -> float | None:
    """A number, None where there is none."""
    return None if value is None or pd.isna(value) else float(value)  # type: ignore[arg-type, call-overload] # frames hold numbers here


def _limit(row: LimitRow) -> dict[str, str]:
    """One limit in a card."""
    numbers = "; ".join(part for part in (row.measured, row.limit, row.margin) if part)
    numbers += f" ({row.reason})" if numbers and row.reason else ""
    return {
        "verdict": row.verdict,
        "words": row.words,
        "text": f"{row.title}: {numbers or row.reason or row.subject}",
    }


def _opening_title(record: Record) -> str:
    """Number, and the marker's own name where that says more."""
    number, group = whole(record["opening"]), field_text(record["group"])
    return f"Opening {number}" + (f" ({group})" if group not in {"", number} else "")


def _opening_lines(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """All measures of one opening."""
    if why := field_text(record.get("why")):
        yield "Why here", why
    yield "Area", quantity(record["area_m2"], "m2", units)
    yield "Area by marked crowns", quantity(record.get("area_marked_crowns_m2"), "m2", units)
    yield "Area to the boles", quantity(record.get("area_boles_m2"), "m2", units)
    if _number(record.get("area_with_unconfirmed_m2")) is not None:
        beside = quantity(record["area_with_unconfirmed_m2"], "m2", units)
        yield "Area with unconfirmed trees", beside
    if (net := _number(record["net_of_leave_m2"])) is not None and (
        abs(net - record["area_m2"]) > _SAME_M2
    ):
        yield "Area net of leave trees", quantity(net, "m2", units)
    yield "Combined area", quantity(record["combined_area_m2"], "m2", units)
    yield "Area in corridors", quantity(record["in_corridor_m2"], "m2", units)
    yield "Nearest opening", _neighbour(record, units)
    yield "Trees to cut", whole(record["trees"])
    yield "Basal area", basal_area(record["basal_area_m2"], units)
    yield from _volumes(record, units)
    yield "Length x width", _length_by_width(record, units)
    yield "Ellipse of these, to compare only", quantity(record["ellipse_m2"], "m2", units)
    yield "Perimeter", quantity(record["perimeter_m"], "m", units)
    yield "Equivalent diameter", quantity(record["equivalent_diameter_m"], "m", units)
    ratio = _number(record["diameter_to_height"])
    yield "Diameter to height", "" if ratio is None else show_number(ratio, 2)
    yield "To the boundary", quantity(record["boundary_m"], "m", units)
    yield "To water", quantity(record["water_m"], "m", units)
    yield "To the nearest corridor", quantity(record["corridor_m"], "m", units)
    yield "Separate parts", whole(record["parts"])
    if _number(record.get("widest_gap_m")) is not None:
        yield "Widest gap between parts", quantity(record["widest_gap_m"], "m", units)
    if _number(record.get("other_marks_inside")):
        yield "Other marked trees inside", whole(record["other_marks_inside"])
    yield "Told by", name_text(record["basis"])


def _neighbour(record: Mapping[Any, Any], units: Units) -> str:
    """Distance to the nearest other opening, and which it is."""
    spacing = quantity(record["spacing_m"], "m", units)
    return f"{spacing} to opening {whole(record['nearest'])}" if spacing else ""


def _length_by_width(record: Record, units: Units) -> str:
    """Longest axis and extent at right angles to it."""
    length, width = (quantity(record[name], "m", units) for name in ("length_m", "width_m"))
    return f"{length} \N{MULTIPLICATION SIGN} {width}" if length and width else ""


def _corridor_lines(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """What one corridor takes."""
    yield (
        "State",
        "existing already" if record["state"] == "existing" else name_text(record["state"]),
    )
    yield "Width", quantity(record["width_m"], "m", units)
    yield "Length in the stand", quantity(record["length_m"], "m", units)
    yield "Area", quantity(record["area_m2"], "m2", units)
    yield from _wood(record, units)


def _wood(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """Trees, basal area, solid volume."""
    yield "Trees to cut", whole(record["trees"])
    yield "Basal area", basal_area(record["basal_area_m2"], units)
    yield from _volumes(record, units)


def _volumes(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """Volume by product where the layer has it, trees without one, solid volume."""
    for amount in volume_amounts(record.get("volume", "")):
        yield f"Volume, {amount.product}" if amount.product else "Volume", amount.text
    if _number(record["trees_without"]):
        yield "Trees without a volume", whole(record["trees_without"])
    yield "Solid volume", quantity(record["volume_m3"], "m3", units)


def _combined_lines(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """A hole made of several openings."""
    yield "Openings in it", field_text(record["openings"])
    yield "Area", quantity(record["area_m2"], "m2", units)
    yield "Area net of corridors", quantity(record["net_of_corridor_m2"], "m2", units)


def _incidental_lines(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """Crowns that touch."""
    yield "Area", quantity(record["area_m2"], "m2", units)
    yield from _wood(record, units)
    yield "Length x width", _length_by_width(record, units)
    yield "Perimeter", quantity(record["perimeter_m"], "m", units)


def _zone_lines(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """A part of the stand."""
    yield "Area", quantity(record["area_m2"], "m2", units)
    yield "Share of the stand", quantity(record["share"], "share", units)
    yield from _wood(record, units)


def _area_lines(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """A given area."""
    yield "Rule", name_text(record.get("rule"))
    yield "Basal area to be left", quantity(record.get("minimum_m2_ha"), "m2/ha", units)
    yield "Area", quantity(record["area_m2"], "m2", units)


def _crossing_lines(record: Record, units: Units) -> Iterable[tuple[str, str]]:
    """Where a corridor crosses water or a setback."""
    yield "Corridor", field_text(record["corridor"])
    yield "Crosses", " ".join((field_text(record["what"]), field_text(record["name"]))).strip()
    yield "Rule", name_text(record["rule"])
    angle = _number(record["angle_deg"])
    yield "Angle to the bank", "" if angle is None else f"{show_number(angle, 0)}\N{DEGREE SIGN}"
    yield "Way through", quantity(record["length_m"], "m", units)
    yield "Lies", "in the stand" if record["in_stand"] else "outside the stand"
    yield "Permit", "may be needed: ask by local rules"


def _named(word: str) -> Callable[[Record], str]:
    """Title of an area that has a name."""
    return lambda record: " ".join(part for part in (word, field_text(record["name"])) if part)


_CARDS: Mapping[
    str, tuple[Callable[[Record], str], Callable[[Record, Units], Iterable[tuple[str, str]]]]
] = {
    "openings": (_opening_title, _opening_lines),
    "corridors": (lambda record: f"Corridor {field_text(record['corridor'])}", _corridor_lines),
    "combined_openings": (
        lambda record: f"Combined opening of {field_text(record['openings'])}",
        _combined_lines,
    ),
    "incidental_openings": (
        lambda record: f"Incidental opening {whole(record['incidental'])}",
        _incidental_lines,
    ),
    "zones": (lambda record: f"Zone: {name_text(record['zone'])}", _zone_lines),
    "water_crossings": (
        lambda record: f"Water crossing {whole(record['crossing'])}",
        _crossing_lines,
    ),
    "exclusions": (_named("Exclusion"), _area_lines),
    "setbacks": (_named("Setback"), _area_lines),
    "landings": (_named("Landing"), _area_lines),
    "hazards": (_named("Hazard"), _area_lines),
    "water": (_named("Water"), _area_lines),
}


def _text(name: str) -> Callable[[gpd.GeoDataFrame, Units], pd.Series]:
    """A column of text."""
    return lambda trees, _: trees[name].map(name_text)


def _plain(name: str) -> Callable[[gpd.GeoDataFrame, Units], pd.Series]:
    """A column of text as it was recorded."""
    return lambda trees, _: trees[name].map(field_text)


def _length(name: str) -> Callable[[gpd.GeoDataFrame, Units], pd.Series]:
    """A column of lengths."""
    return lambda trees, units: _each(trees[name], lambda value: show_length(value, units))


def _each(values: pd.Series, show_one: Callable[[float], str]) -> pd.Series:
    """Numbers as texts; empty where there is none."""
    numbers = pd.to_numeric(values).astype("float64").tolist()
    texts = ["" if number != number else unit_text(show_one(number)) for number in numbers]  # noqa: PLR0124 - NaN
    return pd.Series(texts, index=values.index, dtype=object)


def _diameters(trees: gpd.GeoDataFrame, units: Units) -> pd.Series:
    """Diameters."""
    return _each(trees["dbh_cm"], lambda value: show_diameter(value, units))


def _counts(name: str, *, least: int = 0) -> Callable[[gpd.GeoDataFrame, Units], pd.Series]:
    """A column of counts, those of interest."""
    return lambda trees, _: _each(
        trees[name], lambda value: show_number(value, 0) if value >= least else ""
    )


def _net_volumes(trees: gpd.GeoDataFrame, _: Units) -> pd.Series:
    """Net volume in the sale unit."""
    pairs = zip(trees["volume"], trees["volume_unit"], strict=True)
    texts = [
        "" if pd.isna(volume) or not isinstance(unit, str) or not unit
        else unit_text(show_volume(volume, unit))
        for volume, unit in pairs
    ]  # fmt: skip
    return pd.Series(texts, index=trees.index, dtype=object)


_TREE_LINES: tuple[tuple[str, Callable[[gpd.GeoDataFrame, Units], pd.Series]], ...] = (
    ("Tree", _plain("label")),
    ("Kind", _text("kind")),
    ("Trees in this record", _counts("count", least=2)),
    ("Species", _plain("species")),
    ("DBH", _diameters),
    ("Product", _plain("product")),
    ("Volume", _net_volumes),
    ("Paint", _plain("paint")),
    ("Zone", _text("zone")),
    ("Zone by position", _text("zone_located")),
    ("Opening", _counts("opening")),
    ("To corridor edge (negative inside)", _length("corridor_distance_m")),
    ("To nearest line", _length("line_distance_m")),
    ("Position error", _length("position_error_m")),
    ("Marked by", _plain("marker")),
)


def _compact(label: str, texts: pd.Series) -> dict[str, Any]:
    """A column as its different texts and where each tree's stands."""
    at, different = pd.factorize(texts)
    return {"label": label, "texts": different.tolist(), "at": at.tolist()}
