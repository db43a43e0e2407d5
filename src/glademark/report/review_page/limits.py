"""Limits as the page shows them: worst first, each with the features that it speaks of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glademark.contracts.result_tables import CHECKS
from glademark.report.quantities import MISSING, show, show_against, written_frame
from glademark.report.review_page.content import AREA_LAYERS
from glademark.report.wording import WORST_FIRST, field_text, limit_title, unit_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout
    from glademark.report.delivery import Delivery


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


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitRow:
    """
    One thing held against one limit.

    Attributes
    ----------
    verdict, words
        As in the checks table, and as people read it.
    place
        Of the verdict among `WORST_FIRST`, the worst being 0.
    title, subject
        The limit and what is checked.
    measured, limit, margin
        With their units; empty where there is no number.
    room
        Margin over the limit, to sort by; None where there is none.
    measured_number
        In the unit of the row, to sort by; None where there is none.
    authority, source, reason
        Where the limit comes from, and why it was not checked or is near.
    keys
        Of the features on the map.
    """

    verdict: str
    words: str
    place: int
    title: str
    subject: str
    measured: str
    limit: str
    margin: str
    room: float | None
    measured_number: float | None
    authority: str
    source: str
    reason: str
    keys: tuple[str, ...]


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


def _number(value: object) -> float | None:
    """A number, or None where there is none."""
    number = float(value) if isinstance(value, int | float) else math.nan
    return None if math.isnan(number) else number


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
