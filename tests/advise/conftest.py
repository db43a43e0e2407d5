"""Stands full of small groves, and the plain form of the question that advice answers."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.advice.advise import By, advise
from glademark.advice.outcome import Advice
from glademark.contracts.survey import Survey
from glademark.jobs.layout import installed_limits
from glademark.judge.limits import Case, limits_asked
from glademark.measure.crowns import crown_discs
from glademark.measure.layout import measure_layout
from glademark.project.model import LimitSetting, Project

STAND = shapely.box(0, 0, 2000, 2000)
PLAIN = {"edge": "marked_crowns", "leave_tree_crowns": "deducted"}
"""Openings that are the crowns cut less those that stand, where a test does not say otherwise."""

Row = Mapping[str, object]


@dataclass(frozen=True, kw_only=True)
class Trees:
    """Trees of a made-up stand, as plain arrays."""

    spot: npt.NDArray[np.float64]
    radius: npt.NDArray[np.float64]
    group: npt.NDArray[np.str_]
    volume: npt.NDArray[np.float64]
    held: frozenset[int] = frozenset()

    @cached_property
    def discs(self) -> npt.NDArray[np.object_]:
        """Crown discs, turned as the stand's longest edge is."""
        turn = np.pi / 2
        return crown_discs(shapely.points(self.spot), radius_m=self.radius, bearing=turn)

    def of(self, *groups: str) -> list[int]:
        """Positions of the trees of some groups."""
        return np.flatnonzero(np.isin(self.group, groups)).tolist()


Grove = Callable[..., Trees]
AdviceOf = Callable[..., Advice]
HoleLeft = Callable[[Trees, Iterable[int], str, float], BaseGeometry]
LeastByTrying = Callable[..., "tuple[int, ...] | None"]


@pytest.fixture(scope="session")
def groves() -> Grove:
    """Builder of trees: crowns thrown around centres, one group a centre."""

    def build(
        seed: int, sizes: Sequence[int], centres: Sequence[tuple[float, float]], *, wide: float = 4
    ) -> Trees:
        random = np.random.default_rng(seed)
        spots = [
            np.array(centre) + random.normal(0, wide, (size, 2))
            for size, centre in zip(sizes, centres, strict=True)
        ]
        names = [str(number) for number in range(1, len(sizes) + 1)]
        return Trees(
            spot=np.concatenate(spots),
            radius=random.uniform(2, 4, sum(sizes)).round(2),
            group=np.repeat(names, sizes),
            volume=random.integers(1, 6, sum(sizes)) / 4,
        )

    return build


@pytest.fixture(scope="session")
def case_with(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Callable[..., Case]:
    """Builder of cases: trees, project tables, and what a survey may hold."""

    def build(
        trees: Trees, *, project: Mapping[str, object] | None = None, **given: object
    ) -> Case:
        columns = zip(trees.spot, trees.radius, trees.group, trees.volume, strict=True)
        rows: list[Row] = [
            {
                "geometry": shapely.Point(spot),
                "crown_radius_m": float(radius),
                "group": str(group),
                "volume": float(volume),
                "volume_unit": "m3",
                "product": "sawlog",
                "paint_meaning": "cut",
            }
            for spot, radius, group, volume in columns
        ]
        survey = survey_of(STAND, marks=rows, **given)
        held = [i in trees.held for i in range(len(rows))]
        survey = replace(survey, marks=survey.marks.assign(must_go=held))
        tables: dict[str, Any] = {
            "volume": {"products": {"sawlog": {"unit": "m3"}}},
            **(project or {}),
        }
        tables["openings"] = {**PLAIN, **tables.get("openings", {})}
        asked = project_of(**tables)
        return Case(layout=measure_layout(survey, asked, earlier={}), survey=survey, project=asked)

    return build


@pytest.fixture(scope="session")
def advice_of(case_with: Callable[..., Case]) -> AdviceOf:
    """Builder of advice: trees, limits, how groups may be touched, and what `case_with` takes."""

    def build(
        trees: Trees,
        limits: Mapping[str, object],
        *,
        by: By = "trees",
        groups: str = "free",
        project: Mapping[str, object] | None = None,
        **given: object,
    ) -> Advice:
        case = case_with(trees, project={**(project or {}), "advise": {"groups": groups}}, **given)
        settings = {name: LimitSetting.model_validate(value) for name, value in limits.items()}
        asked = limits_asked(settings, known=installed_limits())
        return advise(case, asked, by=by, earlier={})

    return build


@pytest.fixture(scope="session")
def hole_left() -> HoleLeft:
    """What is left of a group, worked out anew: crowns that go, closed, less those that stay."""

    def left(trees: Trees, spared: Iterable[int], group: str, link_m: float) -> BaseGeometry:
        stands = set(spared)
        goes = [i for i in trees.of(group) if i not in stands]
        discs = trees.discs
        union = shapely.union_all(discs[goes])
        if link_m:
            grown = shapely.buffer(union, link_m / 2, quad_segs=16)
            union = shapely.union(union, shapely.buffer(grown, -link_m / 2, quad_segs=16))
        return shapely.difference(union, shapely.union_all(discs[sorted(stands)]))

    return left


@pytest.fixture(scope="session")
def least_by_trying() -> LeastByTrying:
    """Every set in turn, the fewest trees first: the least by count, volume and place."""

    def least(
        trees: Trees,
        free: Sequence[int],
        fits: Callable[[tuple[int, ...]], bool],
        *,
        by: By = "trees",
    ) -> tuple[int, ...] | None:
        def cost(one: tuple[int, ...]) -> tuple[float, float, tuple[int, ...]]:
            wood = round(float(trees.volume[list(one)].sum()), 9)
            return (len(one), wood, one) if by == "trees" else (wood, len(one), one)

        free = [tree for tree in free if tree not in trees.held]
        best: list[tuple[int, ...]] = []
        for size in range(len(free) + 1):
            found = [one for one in combinations(free, size) if fits(one)]
            best = [min([*best, *found], key=cost)] if found else best
            if best and by == "trees":
                break
        return best[0] if best else None

    return least
