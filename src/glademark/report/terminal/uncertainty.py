"""How sure the figures are, on the terminal, and which marks to measure again."""

from collections.abc import Mapping, Sequence
from typing import Any

from rich.text import Text

from glademark.report.delivery import Delivery
from glademark.report.quantities import show_area, show_length, show_share
from glademark.report.shown_text import shown_text


def uncertainty_lines(delivery: Delivery) -> list[Text]:
    """
    Intervals of the figures, then the marks whose better position would settle most.

    Parameters
    ----------
    delivery
        What is handed over.

    Returns
    -------
    lines
        None where the project does not ask for them.
    """
    found: Mapping[str, Any] = delivery.summary.get("uncertainty", {})
    if not found:
        return []
    error = show_length(delivery.project.marks.position_error_m, delivery.project.heading.units)
    each = f"{found['interval']:.0%} of {found['draws']} draws lie in each interval"
    lines = [f"Position error {error} carried through; {each}", *_intervals(delivery, found)]
    missing = len(found["no_interval"])
    if missing:
        lines.append(f"{missing} figures without an interval: column no_interval says why")
    return [Text(line) for line in (*lines, *_again(found["remeasure"]))]


def _intervals(delivery: Delivery, found: Mapping[str, Any]) -> list[str]:
    """Share of corridors, and area of each opening."""
    units, openings = delivery.project.heading.units, delivery.layout.openings
    lines = []
    low, high = found["corridor_share"]
    if low is not None:
        share = show_share(delivery.layout.figures.corridors.share)
        lines.append(f"Corridors {share} of the stand: {show_share(low)} to {show_share(high)}")
    known = [
        f"{number}: {show_area(low, units)} to {show_area(high, units)}"
        for number in openings["opening"].astype(str)
        for low, high in [found["opening_area_m2"].get(number, (None, None))]
        if low is not None
    ]
    if known:
        lines.append(f"Area of openings {'; '.join(known)}")
    return lines


def _again(marks: Sequence[Mapping[str, Any]]) -> list[str]:
    """The first marks to measure again."""
    if not marks:
        return []
    names = [
        f"{shown_text(mark['tree'] or 'without number')} ({shown_text(mark['file'])}"
        + (f", opening {mark['opening']})" if mark["opening"] is not None else ")")
        for mark in marks
    ]
    return [f"Measure again first, for the verdicts: {', '.join(names)}"]
