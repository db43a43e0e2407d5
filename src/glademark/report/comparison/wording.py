"""Findings in words and rows that terminal, page and sheet share: what was seen, and how sure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.comparison.findings import HARDLY_ANY
from glademark.errors import counted, shown
from glademark.report.quantities import (
    AT_LEAST,
    AT_MOST,
    MISSING,
    show,
    show_area,
    show_diameter,
    show_length,
    show_number,
    show_share,
)
from glademark.report.terminal.limits import checked_words
from glademark.report.wording import words_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glademark.comparison.comparison import Comparison
    from glademark.comparison.questions import Question
    from glademark.comparison.sample_check import Residual
    from glademark.contracts.layers import Units

HOW_TO_READ = (
    (
        "These are findings, not verdicts on anyone: positions under a canopy err, marks fade, and "
        "a storm or a danger tree may have been a good reason. Look at the doubtful ones on the "
        "ground before anything is said about them."
    ),
    (
        "Amounts count every possible match with its chance; the interval is what the match leaves "
        "open. Shares are of what was marked to cut, on paper too."
    ),
)
"""Said wherever findings are shown."""

LOOK_AGAIN_MAX = 40
"""Most stumps and trees that are listed to be looked at again; all are in the layers."""

_QUANTITIES = {
    "trees": "trees, expected",
    "basal_area": "basal area",
    "solid_volume": "solid volume",
}
_ANSWERS = {
    "within": "within the limit, by the whole interval",
    "beyond": "beyond the limit, by the whole interval",
    "open": "not settled: the interval holds the limit",
}
_SEEN = {
    "matched": "matched, but not surely to this tree",
    "unmarked": "no mark matched",
    "unmarked_in_corridor": "no mark matched, in a corridor",
    "tallied": "taken for a tree counted on paper",
    "cleared": "no mark matched, cleared in an opening",
    "leave_tree": "may be a leave tree",
    "line_tree": "may be a line tree",
    "danger_tree": "may be a danger tree",
    "unconfirmed_tree": "may be a tree not confirmed",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Rows:
    """A table in words."""

    heads: tuple[str, ...]  # headings
    rows: tuple[tuple[str, ...], ...]  # cells


def findings_table(comparison: Comparison, units: Units) -> Rows:
    """Every finding, quantity by quantity."""
    rows: list[tuple[str, ...]] = []
    last = ""
    for row in comparison.findings.to_dict("records"):
        unit = str(row["unit"])
        rows.append(
            (
                str(row["title"]) if row["finding"] != last else "",
                _QUANTITIES.get(row["quantity"], shown(row["quantity"])),
                _amount_words(row["amount"], unit, row["trees_without"], units),
                _interval(row["low"], row["high"], unit, units),
                _share(row["share_of_marked"], row["marked_without"]),
            )
        )
        last = str(row["finding"])
    heads = ("What was seen", "Quantity", "Amount", "Interval", "Share of marked")
    return Rows(heads=heads, rows=tuple(rows))


def _amount(number: float, unit: str, units: Units) -> str:
    """An amount with its unit; trees with one decimal, since they are sums of chances."""
    if unit == "trees":
        return show_number(number, 1)
    if unit == "m2":
        return f"{show_number(number / (0.3048**2 if units == 'us' else 1.0), 1)} " + (
            "ft2" if units == "us" else "m2"
        )
    return show(number, unit, units)


def _share(share: float, without: float) -> str:
    """A share of what was marked; at most that where marked trees have no amount."""
    text = show_share(share)
    is_exact = without < HARDLY_ANY or text in {MISSING, show_share(0.0)}
    return text if is_exact else f"{AT_MOST} {text}"


def _interval(low: float, high: float, unit: str, units: Units) -> str:
    """An interval, its unit once; open above where trees without an amount are left out."""
    least, most = _amount(low, unit, units), _amount(high, unit, units)
    if math.isnan(high):
        return f"{least} or more"
    number, _, words = least.partition(" ")
    return f"{number if words == most.partition(' ')[2] else least} to {most}"


def _amount_words(number: float, unit: str, without: float, units: Units) -> str:
    """An amount with its unit, and how many trees it leaves out."""
    text = _amount(number, unit, units)
    if without < HARDLY_ANY:
        return text
    figure = show_number(without, 1)
    whole = figure.endswith(".0")
    trees = counted(round(without), "tree") if whole else f"an expected {figure} trees"
    return f"{AT_LEAST} {text}; {trees} without a {'diameter' if unit == 'm2' else 'volume'}"


def question_lines(comparison: Comparison) -> list[str]:
    """What the contract asks, what the walk answers, and what would settle what is open."""
    lines = [_question(one) for one in comparison.questions]
    is_open = [one.answer == "open" and not one.places for one in comparison.questions]
    rows = comparison.findings
    if any(is_open) and len(rows):
        paper = rows[(rows["finding"] == "tallied_standing") & (rows["quantity"] == "trees")]
        most = round(paper["high"].max()) if len(paper) else 0
        if most:
            lines.append(
                f"Up to {counted(most, 'tree')} counted on paper may still stand, and as many "
                "stumps taken for theirs be unmarked: look for painted trees that stand."
            )
    return lines


def _question(one: Question) -> str:
    """One question in a sentence."""
    text = (
        f"{one.title[:1].upper()}{one.title[1:]}: {show_share(one.estimate)} "
        f"({show_share(one.low)} to {show_share(one.high)}), limit {show_share(one.limit)}: "
        f"{_ANSWERS[one.answer]}."
    )
    if not one.places:
        return text
    if one.more_places:
        return f"{text} About {one.more_places:,} more places like the {one.places:,} would tell."
    if one.more_places is None:
        return f"{text} No number of such places would tell; walk all of it, or look for low marks."
    return text


def ground_lines(comparison: Comparison, units: Units) -> list[str]:
    """Driven lines, openings and residual basal area in sentences; none where not given."""
    lines = []
    if comparison.driven is not None:
        seen = comparison.driven.figures
        lines += [
            (
                f"Driven: {show_length(seen.length_m, units)} in the stand, "
                f"{show_length(seen.outside_m, units)} of it off corridors and landings, "
                f"{show_length(seen.beyond_error_m, units)} by more than the error of the track; "
                f"widest departure {show_length(seen.departure_m, units)}."
            ),
            (
                f"Ground driven off corridors: {show_area(seen.beyond_m2, units)}, "
                f"{show_area(seen.beyond_error_m2, units)} of it beyond the error. Corridors were "
                f"laid on {show_share(seen.laid_share)} of the stand; with the ground beyond the "
                f"error it is {show_share(seen.driven_share)}."
            ),
            f"Laid corridor without a driven line: {show_length(seen.not_driven_m, units)}.",
        ]
    for row in comparison.openings_after.to_dict("records"):
        lines.append(_opening(row, units))
    if comparison.residual is not None:
        lines += _residual(comparison.residual, units)
    return lines


def damage_table(comparison: Comparison, units: Units) -> Rows:
    """Share of damaged residual trees, by distance from corridors."""
    rows = []
    for row in comparison.damage.to_dict("records"):
        least, most = (show_length(row[f"distance_{end}_m"], units) for end in ("from", "to"))
        where = {"all": "all", "unknown": "distance not known"}.get(
            str(row["part"]),
            f"{least} to {most}" if math.isfinite(row["distance_to_m"]) else f"{least} and more",
        )
        interval = (
            f"{show_share(row['low'])} to {show_share(row['high'])}"
            if math.isfinite(row["low"])
            else "one plot: none"
        )
        numbers = (show_number(row[name], 0) for name in ("plots", "trees", "damaged"))
        rows.append((where, *numbers, show_share(row["share"]), interval))
    heads = ("From a corridor edge", "Plots", "Trees", "Damaged", "Share", "Interval")
    return Rows(heads=heads, rows=tuple(rows))


def damage_lines(comparison: Comparison, units: Units) -> list[str]:
    """Causes, ruts and bent regeneration."""
    seen = comparison.damage_seen
    if seen is None:
        return []
    lines = []
    if seen.causes:
        causes = ", ".join(f"{shown(name)} {n:,}" for name, n in seen.causes.items())
        lines.append(f"Damaged trees by cause: {causes}.")
    if seen.ruts:
        length = show_length(seen.rut_length_m, units)
        depth, most = (
            show_diameter(100 * depth_m, units)  # inches or centimetres, as a diameter is
            for depth_m in (seen.rut_depth_m, seen.rut_depth_max_m)
        )
        lines.append(
            f"Ruts recorded: {seen.ruts}, {length} in all; mean depth {depth}, deepest {most}."
        )
    if math.isfinite(seen.bent):
        seedlings = show_number(seen.regeneration, 0)
        lines.append(f"Regeneration bent: {show_number(seen.bent, 0)} of {seedlings} looked at.")
    return lines


def _residual(found: Residual, units: Units) -> list[str]:
    """Basal area left, and whether it is what was meant to be left."""
    unit = "m2/ha"
    left, low, high = (
        show(value, unit, units) for value in (found.left.mean, found.left.low, found.left.high)
    )
    line = f"Basal area left: {left} ({low} to {high}), by {found.left.plots} plots"
    if not math.isfinite(found.planned):
        return [f"{line}."]
    lost = found.trees_without
    most = f"{AT_MOST} " if lost else ""
    line += f"; the layout meant to leave {most}{show(found.planned, unit, units)}"
    line += f" ({counted(lost, 'marked tree')} without a diameter)" if lost else ""
    if not found.disagrees:
        return [f"{line}: no more apart than the plots may err."]
    side = "less" if found.difference < 0 else "more"
    apart = sorted((abs(found.low), abs(found.high)))
    return [
        (
            f"{line}: {show(abs(found.difference), unit, units)} {side} "
            f"({show(apart[0], unit, units)} to {show(apart[1], unit, units)})."
        ),
        (
            "CHECK: plots and layout contradict each other by more than their errors. Either "
            + ("trees went that no stump shows" if side == "less" else "marked trees still stand")
            + ", or one of the two samples is not of this stand: check the cruise before the cut, "
            "the factor of the plots, and where they lie."
        ),
    ]


def _opening(row: Mapping[Any, Any], units: Units) -> str:
    """One opening after the cut."""
    area = show_area(row["area_m2"], units)
    group = shown(row["group"])
    if pd.isna(row["opening"]):
        return f"Opening {group}, as walked: {area}, where none was laid out."
    laid = show_area(row["laid_area_m2"], units)
    beyond = show_area(row["beyond_area_m2"], units)
    depart = show_length(row["departure_m"], units)
    own = f"{row['opening']}"
    named = own if group == own else f"{own} ({group})"
    return (
        f"Opening {named}, as walked: {area}, laid out {laid}; {beyond} beyond "
        f"the laid edge, by {depart} at most."
    )


def check_lines(comparison: Comparison, units: Units) -> list[str]:
    """Limits held against the openings as walked after the cut."""
    lines = []
    for row in comparison.checks.to_dict("records"):
        words = checked_words(row, units)
        lines.append(f"{words[:1].upper()}{words[1:]}: {words_of(str(row['verdict']))}")
    return lines


def sample_table(comparison: Comparison, units: Units) -> Rows:
    """Estimates for the stand from the places walked."""
    rows = []
    for row in comparison.sample_check.to_dict("records"):
        unit = str(row["unit"])
        if unit == "share":
            stand, low, error, high = (
                show_share(row[name]) for name in ("estimate", "low", "standard_error", "high")
            )
            interval = f"{low} to {high}"
        else:
            stand = _amount_words(row["estimate"], unit, row["trees_without"], units)
            error = _amount(row["standard_error"], unit, units)
            interval = _interval(row["low"], row["high"], unit, units)
        what = str(row["finding"]).replace("_", " ")
        quantity = _QUANTITIES.get(row["quantity"], str(row["quantity"]))
        rows.append((what, quantity, stand, error, interval))
    heads = ("What", "Quantity", "Stand", "Standard error", "Interval")
    return Rows(heads=heads, rows=tuple(rows))


def look_again(comparison: Comparison, units: Units) -> tuple[Rows, int]:
    """Stumps and trees to look at again on the ground, the least sure first."""
    stumps = comparison.stumps[comparison.stumps["doubtful"]]
    trees = comparison.trees
    trees = trees[trees["doubtful"] & (trees["finding"] == "no_stump") & (trees["kind"] == "cut")]
    rows = [
        (
            row["chance"],
            f"stump {_named(row['stump_id'], row['record'])}",
            _SEEN[row["finding"]] + (f" ({shown(row['tree_id'])})" if row["tree_id"] else ""),
            shown(row["species"]),
            show_diameter(row["dbh_cm"], units),
            show_share(row["chance"]),
        )
        for row in stumps.drop(columns="geometry").to_dict("records")
    ]
    rows += [
        (
            row["chance"],
            f"tree {_named(row['tree_id'], row['record'])}",
            "no stump found, though one may be its own",
            shown(row["species"]),
            show_diameter(row["dbh_cm"], units),
            show_share(row["chance"]),
        )
        for row in trees.drop(columns="geometry").to_dict("records")
    ]
    rows.sort(key=lambda row: (row[0], row[1]))
    heads = ("Where", "What", "Species", "DBH", "Chance")
    first = tuple(tuple(row[1:]) for row in rows[:LOOK_AGAIN_MAX])
    return Rows(heads=heads, rows=first), max(len(rows) - LOOK_AGAIN_MAX, 0)


def _named(own: object, record: object) -> str:
    """A record's own number, else its place in the file."""
    return shown(own) if own else f"at record {record}"


def match_lines(comparison: Comparison, units: Units) -> list[str]:
    """How the match was made, in sentences."""
    if not len(comparison.stumps):
        return []
    stumps, trees = comparison.stumps, comparison.trees
    marked = int((trees["kind"] == "cut").sum())
    doubtful = int(stumps["doubtful"].sum())
    median = float(stumps["distance_m"].median())
    half = show_length(median, units) if math.isfinite(median) else MISSING
    return [
        (
            f"{counted(len(stumps), 'stump')} on {show_area(comparison.walked_m2, units)} walked, "
            f"against {counted(marked, 'tree')} marked to cut there."
        ),
        (
            f"Likeliest match: {int((stumps['finding'] == 'matched').sum()):,} stumps to marks, "
            f"half of them within {half}; {counted(doubtful, 'finding')} to be looked at again."
        ),
    ]
