"""Figures of the benchmark: what was measured, what was asked, and whether it is met."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass

WIDTHS = "{:74} {:>11} {:12} {:>4}  {:14} {}"
"""Columns of the table: name, value, unit, runs, asked, met."""


@dataclass(frozen=True, kw_only=True)
class Figure:
    """
    One number of the benchmark.

    Attributes
    ----------
    name
        What was measured, with the size of the case.
    value
        The number; a median where there were several runs.
    unit
        Of the value; ``ratio`` for a ratio of two times of this run.
    runs
        How many runs the value rests on; for a ratio, the fewer of its two.
    at_most, at_least
        What was asked, where something was.
    """

    name: str
    value: float
    unit: str
    runs: int = 1
    at_most: float | None = None
    at_least: float | None = None

    @property
    def asked(self) -> str:
        """What was asked, in words; empty where nothing was."""
        if self.at_most is not None:
            return f"at most {self.at_most:g}"
        return "" if self.at_least is None else f"at least {self.at_least:g}"

    @property
    def met(self) -> bool | None:
        """Whether the value keeps to what was asked; None where nothing was."""
        if self.at_most is not None:
            return self.value <= self.at_most
        return None if self.at_least is None else self.value >= self.at_least


def heading() -> str:
    """First line of the table."""
    return WIDTHS.format("what", "value", "unit", "runs", "asked", "met").rstrip()


def line(figure: Figure) -> str:
    """One line of the table."""
    met = {None: "", True: "yes", False: "NO"}[figure.met]
    value = f"{figure.value:,.3f}"
    return WIDTHS.format(figure.name, value, figure.unit, figure.runs, figure.asked, met).rstrip()


def as_json(figures: Iterable[Figure]) -> list[dict[str, object]]:
    """Figures as they are written into a file."""
    return [asdict(figure) | {"met": figure.met} for figure in figures]
