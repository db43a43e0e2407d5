"""
Layouts from the candidates, and the answer: groups, their trees and the alternatives.

The best layout, others that differ, what each limit costs, and which limits cannot hold together;
each is measured and judged as a layout is.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csr_array

from glademark.contracts.frames import BoolArray, IntArray
from glademark.contracts.job_layers import ALTERNATIVES, GROUPS, PROPOSED_TREES
from glademark.contracts.layout import Layout
from glademark.errors import counted, listed
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked
from glademark.measure.layout import measure_layout
from glademark.measure.standing import BASAL
from glademark.proposal.demands import LimitRow, judged_afterwards, relaxed_limits, without
from glademark.proposal.growth import Demands
from glademark.proposal.pool import PARTS, within
from glademark.proposal.prepare import Prepared, with_marks
from glademark.proposal.program import NoChoiceError, Solved, relaxed
from glademark.proposal.search import Budget, Found, Task, choose, find_candidates, relaxed_over
from glademark.units import ACRE_M2, FOOT_M

SHARED = 0.5
"""A group is another one where no earlier group has this share of its opening."""

STEPS = (0.8, 0.9, 1.0, 1.1, 1.2)
"""Parts of a limit at which the choice is made again."""

BINDING = 0.01
"""A limit that leaves at most this share of it over is binding."""

NAMED = 3
"""Danger trees named in a sentence."""

SMALL_ACRES = 0.1
"""Groups below this size have a third decimal."""

UNKNOWN_HEIGHT_M = 30.0
"""Tree height taken where none is known: a tall tree, so that no danger tree is passed over [m]."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Choice:
    """Candidates of one layout, their points, and how many of them no earlier layout has."""

    chosen: IntArray
    score: float
    bound: float
    others: int

    @property
    def gap(self) -> float:
        """How far the bound lies above the points, as a share of it."""
        return (self.bound - self.score) / abs(self.bound) if self.bound else 0.0


def choices(task: Task, found: Found, *, count: int, others_min: int) -> Iterator[Choice]:
    """The best layout, then the best of those that have enough groups of their own."""
    other = np.ones(len(found.pool), dtype=bool)
    best, found = choose(task, found)
    yield _choice(best, other)
    for number in range(2, count + 1):
        task.tell(f"alternative {number}")
        other &= _unlike(found, best.chosen)
        row = csr_array(-other[None, :].astype(float))
        most = found.with_rows(row, np.array([-float(others_min)]))
        try:
            best, _ = choose(task, most)
        except NoChoiceError:
            return
        yield _choice(best, other)


def _choice(best: Solved, other: BoolArray) -> Choice:
    """A layout, in the order of its candidates."""
    chosen = np.sort(best.chosen)
    return Choice(
        chosen=chosen, score=best.score, bound=best.bound, others=int(other[chosen].sum())
    )


def _unlike(found: Found, chosen: IntArray) -> BoolArray:
    """Candidates that share less than half of their opening with each chosen one."""
    shapes = found.pool.shapes
    one, two = shapely.STRtree(shapes[chosen]).query(shapes, predicate="intersects")
    common = shapely.area(shapely.intersection(shapes[one], shapes[chosen[two]]))
    unlike = np.ones(len(shapes), dtype=bool)
    unlike[one[common >= SHARED * found.pool.area_m2[one]]] = False
    return unlike


@dataclass(frozen=True, kw_only=True, slots=True)
class Margin:
    """What a limit costs: points per unit of it, and the best points at other values."""

    row: LimitRow
    marginal_value: float | None
    tried: tuple[tuple[float, float | None], ...]


def margins(task: Task, found: Found, rows: Sequence[LimitRow], best: float) -> list[Margin]:
    """Marginal value of each limit in the linear program, and the choice at other values of it."""
    linear = relaxed(found.program(task.demands))
    return [
        Margin(
            row=row,
            marginal_value=row.price(linear),
            tried=tuple((row.value * step, _tried(task, found, row, step, best)) for step in STEPS),
        )
        for row in rows
    ]


def _tried(task: Task, found: Found, row: LimitRow, step: float, best: float) -> float | None:
    """Points of the best layout with a limit at a part of its value; None where it is not known."""
    if step == 1:
        return best
    changed = relaxed_limits(task.demands, row, step)
    if changed is None:
        return None
    demands, is_known = changed
    if not is_known:
        return None
    pool = found.pool.part(np.flatnonzero(within(found.pool, demands, task.ground)))
    if not len(pool):
        return None
    again = replace(task, demands=demands)
    try:
        points = replace(found.points, spacing_m=max(demands.spacing_m, 2e-6))
        return choose(again, relaxed_over(again, pool, points))[0].score
    except NoChoiceError:
        return None


def why_infeasible(task: Task, limits: Sequence[LimitRow]) -> str:
    """One sentence about a smallest set of limits that cannot hold together."""
    demands = task.demands
    if _holds(task, demands):
        return (
            "no layout of whole groups was found within [propose] nodes_max, though parts of some "
            "would fit; raise it, or loosen a limit"
        )
    kept: list[LimitRow] = []
    rows = list(limits)
    for row in rows:  # a limit without which nothing changes is no cause
        fewer = without(demands, row)
        if _holds(task, fewer):
            kept.append(row)
        else:
            demands = fewer
    if not kept:
        return (
            "no set of linked standing trees may be a group here: all stand in corridors, on "
            "ground where nothing is cut, or stay"
        )
    names = [f"{row.limit} {_shown(row)}".strip() for row in kept]
    verb = "cannot hold together" if len(names) > 1 else "cannot hold"
    return f"{listed(names)} {verb}, with the candidates that were tried."


def _holds(task: Task, demands: Demands) -> bool:
    """Whether some layout meets the demands."""
    budget = Budget(rounds_max=0, nodes_max=task.budget.nodes_max)
    try:
        find_candidates(replace(task, demands=demands, budget=budget))
    except NoChoiceError:
        return False
    return True


def _shown(row: LimitRow) -> str:
    """Value of a limit with its unit."""
    shown = {
        "m2": f"{row.value:,.0f} m2 ({row.value / ACRE_M2:.2f} acre)",
        "m": f"{row.value:,.1f} m ({row.value / FOOT_M:,.0f} ft)",
        "share": f"{row.value:.1%} {row.quantity.replace('_', ' ')}".strip(),
    }
    return shown.get(row.unit, f"{row.value:g} {row.unit}".strip())


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Alternative:
    """One layout of groups."""

    number: int
    groups: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    row: dict[str, Any]
    marks: gpd.GeoDataFrame  # its trees and those in corridors as marks to cut, with `group`
    layout: Layout
    checks: pd.DataFrame
    """layout and checks: as they are measured and judged when those marks are laid out."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Proposal:
    """What was proposed for one stand."""

    prepared: Prepared
    alternatives: tuple[Alternative, ...]
    """The best first; none where the demands cannot hold together."""
    candidates: int
    rounds: int
    last_round_gain: float
    interrupted: bool
    score: float
    bound: float
    gap: float  # score, bound and gap: of the first over the candidates; NaN without one
    margins: tuple[Margin, ...] = ()
    infeasible: str = ""  # which limits cannot hold together; empty where they can
    not_proved: tuple[str, ...] = field(default=())


def propose_groups(prepared: Prepared, asked: Sequence[LimitAsked]) -> Proposal:
    """The best layouts of groups that keep to the limits, with what each limit costs."""
    task, settings = prepared.task, prepared.project.propose
    try:
        found = find_candidates(task, prepared.patches)
        asked_for = choices(
            task, found, count=settings.alternatives, others_min=settings.other_groups_min
        )
        best = next(asked_for)
    except NoChoiceError:
        return _nothing(prepared)
    chosen = [best]
    try:
        chosen.extend(asked_for)
    except KeyboardInterrupt:
        found = replace(found, interrupted=True)  # the best stands; more would be alternatives
    alternatives = tuple(
        _alternative(prepared, asked, found, one, number) for number, one in enumerate(chosen, 1)
    )
    return Proposal(
        prepared=prepared,
        alternatives=alternatives,
        candidates=len(found.pool),
        rounds=found.rounds,
        last_round_gain=found.last_gain,
        interrupted=found.interrupted,
        score=best.score,
        bound=best.bound,
        gap=best.gap,
        margins=tuple(margins(task, found, prepared.limits, best.score)),
        not_proved=_not_proved(
            found,
            alternatives,
            settings.alternatives,
            judged_afterwards((one.limit.id for one in asked), prepared.limits),
        ),
    )


def _nothing(prepared: Prepared) -> Proposal:
    """No layout, and why."""
    nan = float("nan")
    return Proposal(
        prepared=prepared,
        alternatives=(),
        candidates=0,
        rounds=0,
        last_round_gain=nan,
        interrupted=False,
        score=nan,
        bound=nan,
        gap=nan,
        infeasible=why_infeasible(prepared.task, prepared.limits),
    )


def _not_proved(
    found: Found, alternatives: Sequence[Alternative], wanted: int, afterwards: Sequence[str]
) -> tuple[str, ...]:
    """What the answer does not show."""
    said = [
        "that no better group exists: the bound holds over the candidates that were tried alone"
    ]
    if found.interrupted:
        said.append("that another run gives the same: the search was interrupted")
    if afterwards:
        said.append(
            f"that no other layout keeps to {listed(afterwards)} better: the program does not hold "
            "what these limit, and each alternative was judged by them afterwards"
        )
    if len(alternatives) < wanted:
        said.append(
            f"{counted(wanted, 'alternative')}: no further layout has enough groups of its own"
        )
    for one in alternatives:
        beyond = one.checks[one.checks["verdict"] == "exceeded"]
        said += [
            f"alternative {one.number} exceeds {limit}, which the program does not hold: {subject}"
            for limit, subject in zip(beyond["limit"], beyond["subject"], strict=True)
        ]
    return tuple(said)


def _alternative(
    prepared: Prepared, asked: Sequence[LimitAsked], found: Found, choice: Choice, number: int
) -> Alternative:
    """One layout, measured and judged as if its trees were marked."""
    pool = found.pool.part(choice.chosen)
    centre = shapely.get_coordinates(shapely.centroid(pool.shapes))
    order = np.lexsort((centre[:, 0], -centre[:, 1]))
    pool = pool.part(order)
    group_of = np.zeros(len(prepared.trees), dtype=np.intp)
    owner = np.repeat(np.arange(len(pool)), np.diff(pool.sets.indptr))
    group_of[pool.sets.indices] = owner + 1
    marks = _marks_of(prepared, group_of)
    survey = with_marks(prepared.survey, marks)
    layout = measure_layout(survey, prepared.project, earlier={})
    checks = judge(Case(layout=layout, survey=survey, project=prepared.project), asked)
    groups = _groups(prepared, layout, prepared.worth.parts(pool), group_of, number)
    trees = _trees(prepared, group_of, number)
    row = _row(prepared, layout, groups, choice, number)
    return Alternative(
        number=number,
        groups=groups,
        trees=trees,
        row=row,
        marks=marks,
        layout=layout,
        checks=checks,
    )


def _marks_of(prepared: Prepared, group_of: IntArray) -> gpd.GeoDataFrame:
    """Trees of the groups and of corridors as marks."""
    taken = (group_of > 0) | prepared.task.stock.cut_first
    names = np.where(group_of > 0, group_of.astype(str), "").astype(object)
    marks = prepared.marks.assign(group=names)
    return marks[taken].reset_index(drop=True)


def _groups(
    prepared: Prepared, layout: Layout, parts: pd.DataFrame, group_of: IntArray, number: int
) -> gpd.GeoDataFrame:
    """Groups with the figures that the layout gives their openings."""
    openings = layout.openings.sort_values("opening", ignore_index=True)
    trees = prepared.trees.assign(group=group_of, way=prepared.worth.extraction_m)
    mine = trees[group_of > 0].groupby("group")
    failing = trees[(group_of > 0) & trees["failing"]].groupby("group")
    index = pd.RangeIndex(1, len(openings) + 1)
    columns: dict[str, Any] = {
        "alternative": np.full(len(openings), number),
        "group": openings["opening"],
        "failing_trees": failing.size().reindex(index, fill_value=0).to_numpy(),
        "failing_basal_area_m2": failing["basal_area_m2"]
        .sum()
        .reindex(index, fill_value=0.0)
        .to_numpy(),
        "score": parts.to_numpy().sum(axis=1),
        **{f"score_{name}": parts[name] for name in PARTS},
        "extraction_m": mine["way"].mean().reindex(index).to_numpy(),
    }
    columns |= {
        name: openings[name] for name in GROUPS.names if name in openings and name not in columns
    }
    sized = mine["basal_area_m2"].count().reindex(index).to_numpy() > 0
    for name in ("basal_area_m2", "failing_basal_area_m2"):
        columns[name] = np.where(sized, columns[name], np.nan)  # unknown is never zero
    groups = gpd.GeoDataFrame(columns, geometry=openings.geometry.to_numpy(), crs=layout.crs)
    groups["why"] = why_sentences(prepared, groups, trees[group_of > 0])
    return groups[[*GROUPS.names, "geometry"]]


def _trees(prepared: Prepared, group_of: IntArray, number: int) -> gpd.GeoDataFrame:
    """Trees of the groups."""
    trees = prepared.trees.assign(alternative=number, group=group_of)
    trees = trees.assign(tree_id=prepared.marks["tree_id"])
    chosen = trees[group_of > 0].sort_values("group", kind="stable")
    return chosen[[*PROPOSED_TREES.names, "geometry"]].reset_index(drop=True)


def _row(
    prepared: Prepared, layout: Layout, groups: gpd.GeoDataFrame, choice: Choice, number: int
) -> dict[str, Any]:
    """Row of the table of alternatives."""
    shares = layout.allowance.set_index("quantity")["share"]
    products = [
        f"{name} {share:.1%}"
        for name, share in shares.items()
        if name != BASAL and np.isfinite(share)
    ]
    found = {
        "alternative": number,
        "score": choice.score,
        "groups": len(groups),
        "area_m2": layout.figures.openings.area_m2,
        "area_share": layout.figures.openings.share,
        "trees": int(groups["trees"].sum()),
        "basal_area_m2": float(groups["basal_area_m2"].sum(min_count=1)),
        "removal_share_basal_area": float(shares.get(BASAL, np.nan)),
        "removal_share_volume": ", ".join(products),
        "other_groups": choice.others,
        "binding": ", ".join(_binding(prepared, layout, groups)),
        "gap": choice.gap,
    }
    return {name: found[name] for name in ALTERNATIVES.names}


def _binding(prepared: Prepared, layout: Layout, groups: gpd.GeoDataFrame) -> list[str]:
    """Limits that leave next to nothing over."""
    shares = layout.allowance.set_index("quantity")["share"]
    measured: dict[str, float] = {
        "area_max_m2": float(groups["area_m2"].max()),
        "area_min_m2": float(groups["area_m2"].min()),
        "spacing_m": float(groups["spacing_m"].min()),
        "boundary_m": float(groups["boundary_m"].min()),
        "water_m": float(groups["water_m"].min()),
        "combined_max_m2": layout.figures.openings.combined_largest_m2,
        "area_total_max_m2": layout.figures.openings.share,
        "groups_max": float(len(groups)),
        "groups_min": float(len(groups)),
    }
    found: list[str] = []
    for row in prepared.limits:
        value = measured.get(row.field, float("nan"))
        if row.field == "amounts_max" and row.unit == "share":
            value = float(shares.get(row.quantity, np.nan))
        elif row.field == "amounts_max":
            value = layout.stock_left.get("basal_area_m2_ha", float("nan"))
        if abs(value - row.value) <= BINDING * abs(row.value) and row.limit not in found:
            found.append(row.limit)
    return found


def why_sentences(
    prepared: "Prepared", groups: gpd.GeoDataFrame, trees: gpd.GeoDataFrame
) -> list[str]:
    """One sentence a group: what fails in it, what it costs, and what is near."""
    near = _danger_trees(prepared, groups, trees)
    metric = prepared.project.heading.units == "metric"
    sentences = []
    for row, danger in zip(groups.to_dict("records"), near, strict=True):
        share = _share(row["failing_basal_area_m2"], row["basal_area_m2"])
        acres = row["area_m2"] / ACRE_M2
        digits = 2 if acres >= SMALL_ACRES else 3
        area = f"{row['area_m2']:,.0f} m²" if metric else f"{acres:.{digits}f} acre"
        failing = counted(int(row["failing_trees"]), "failing tree")
        parts = [f"{failing} of {int(row['trees'])}{share} on {area}"]
        if row["score_regeneration"] > 0:
            parts.append("regeneration is released")
        if np.isfinite(row["corridor_m"]):
            parts.append(_corridor(row["corridor_m"], metric=metric))
        if danger:
            parts.append(f"danger tree {danger} is within two tree heights")
        sentences.append("; ".join(parts) + ".")
    return sentences


def _share(part: float, whole: float) -> str:
    """Share of the basal area in words; nothing where it is not known."""
    return f" ({part / whole:.0%} of the basal area)" if whole > 0 else ""


def _corridor(away_m: float, *, metric: bool) -> str:
    """How far a corridor is."""
    if away_m <= 0:
        return "a corridor meets it"
    return (
        f"a corridor is {away_m:.0f} m away"
        if metric
        else (f"a corridor is {away_m / FOOT_M:.0f} ft away")
    )


def _danger_trees(
    prepared: "Prepared", groups: gpd.GeoDataFrame, trees: gpd.GeoDataFrame
) -> list[str]:
    """Danger trees within two tree heights of each group; all heights known, else none is named."""
    marks = prepared.survey.marks
    danger = marks[marks["kind"] == "danger"]
    names = [""] * len(groups)
    if danger.empty:
        return names
    heights = pd.concat([trees["height_m"], danger["height_m"]]).astype(float)
    reach = 2 * float(heights.max()) if heights.notna().any() else 2 * UNKNOWN_HEIGHT_M
    tree = shapely.STRtree(danger.geometry.to_numpy())
    group, found = tree.query(groups.geometry.to_numpy(), predicate="dwithin", distance=reach)
    labels = danger["label"].to_numpy(dtype=object)
    for place in np.unique(group):  # few groups have one
        mine = labels[np.sort(found[group == place])]
        more = f" and {len(mine) - NAMED} more" if len(mine) > NAMED else ""
        names[place] = ", ".join(map(str, mine[:NAMED])) + more
    return names
