"""Sizes of the benchmark's cases: quick for a look, full for what is asked of the package."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Sizes:
    """
    How large the cases are, and how often they run.

    Attributes
    ----------
    repeats
        Runs of which the median is taken.
    budget_s
        A case that has taken so long is not run again [s].
    marks
        Of a usual stand.
    stands
        Of the comparison with reading and writing, the plain script and the database.
    few
        Large stands, of ten times the marks; against ten times as many usual ones.
    growth
        Stands of each run whose time and memory are fitted; the first run is one stand.
    work_s
        Least work of one worker [s].
    large
        Marks of the one large stand whose stages are told.
    """

    repeats: int
    budget_s: float
    marks: int
    stands: int
    few: int
    growth: tuple[int, ...]
    work_s: float
    large: int


QUICK = Sizes(
    repeats=3,
    budget_s=10.0,
    marks=400,
    stands=20,
    few=2,
    growth=(5, 10, 25),
    work_s=5.0,
    large=4_000,
)
FULL = Sizes(
    repeats=5,
    budget_s=400.0,
    marks=400,
    stands=1_000,
    few=10,
    growth=(25, 75, 250, 750, 2_500),
    work_s=70.0,
    large=40_000,
)
"""The sizes that demands are made of: 10,000 to 1,000,000 marks of growth."""
