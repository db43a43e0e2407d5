"""The whole advice: a layout with its checks in, the marks to leave standing out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.advice.beyond import Ground, Keeps, keeps_of, need_of
from glademark.advice.needs import (
    GROUND_RULES,
    Amount,
    Need,
    cut_inside,
    may_be_spared,
    spared_first,
)
from glademark.advice.outcome import (
    Advice,
    Found,
    Proof,
    Unmended,
    Wish,
    leave_standing_layer,
    radius_notes,
    smallest,
    whole_group_notes,
    wood_given_up,
)
from glademark.advice.program import Unsplit, bonds_of
from glademark.advice.spared_holes import Spared, SparedHoles, spared_holes
from glademark.contracts.frames import FloatArray
from glademark.contracts.survey import Survey, labels_of
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked
from glademark.measure.groups import opening_numbers
from glademark.measure.layout import canopy_of, measure_layout, with_crown_radius
from glademark.project.job_settings import GroupRule

By = Literal["trees", "volume"]
"""What is to be least: trees, then volume; or the other way round. Then the first marks."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    """The layout as marked, and what advice on it rests on."""

    case: Case
    limits: Sequence[LimitAsked]
    by: By
    checks: pd.DataFrame
    first: Mapping[int, str]
    is_stated: bool


def advise(
    case: Case, asked: Sequence[LimitAsked], *, by: By, earlier: Mapping[int, int]
) -> Advice:
    """
    The smallest set of marks to leave standing that brings a layout inside its limits.

    Marks in ground where nothing is cut are spared first; the rest is worked out for what is left,
    with groups touched as the project file says. Where they stay whole, what trees on their edges
    could do is worked out beside it.
    """
    checks = judge(case, asked)
    is_stated = case.project.openings.standing_crown_radius_m is not None
    case = replace(case, project=with_crown_radius(case.project, case.layout))
    first = spared_first(case, checks)
    question = _Asked(
        case=case, limits=asked, by=by, checks=checks, first=first, is_stated=is_stated
    )
    left, numbers = case, earlier
    if first:
        left, numbers = _laid_out_again(question, frozenset(first)), _numbers(case)
    rule = case.project.advise.groups
    advice = _answer(question, _ground(left, numbers, rule))
    if rule != "whole" or not (advice.has_groups or advice.unmended):
        return advice
    return replace(advice, edge_trees=_answer(question, _ground(left, numbers, "edge_trees")))


def _answer(question: _Asked, ground: Ground) -> Advice:
    """Advice under one rule for groups, measured and judged again."""
    checks = question.checks if not question.first else judge(ground.case, question.limits)
    needs, unmended = _needs(ground, checks)
    plan = _plan(ground, needs, keeps_of(ground, checks), _costs(ground, question.by))
    spared = plan.spared | frozenset(question.first)
    again = _laid_out_again(question, spared)
    parts = (
        ground.parts
        if not question.first
        else canopy_of(question.case.survey, question.case.project)[1]
    )
    standing = leave_standing_layer(
        ground, plan.spared, needs, first=question.first, marked=question.case.layout.marks
    )
    return Advice(
        by=question.by,
        groups=ground.bonds.rule,
        wood=_measure_of_wood(ground),
        leave_standing=standing,
        given_up=wood_given_up(parts, question.case.survey.marks["count"], spared),
        before=question.checks,
        after=judge(again, question.limits),
        proofs=plan.proofs,
        unmended=unmended,
        broken=plan.dropped,
        spared=spared,
        notes=(
            *whole_group_notes(ground, plan.spared),
            *radius_notes(question.case, spared, is_stated=question.is_stated),
        ),
    )


def _laid_out_again(question: _Asked, spared: Spared) -> Case:
    """The layout with some marks left standing; openings keep their numbers."""
    case = question.case
    survey = leave_standing(case.survey, spared)
    layout = measure_layout(survey, case.project, earlier=_numbers(case))
    return Case(layout=layout, survey=survey, project=case.project)


def _numbers(case: Case) -> Mapping[int, int]:
    """Number of the opening of each mark that has one."""
    known = case.layout.marks["opening"].dropna()
    return dict(zip(known.index.tolist(), known.tolist(), strict=True))


def leave_standing(survey: Survey, spared: Spared) -> Survey:
    """The survey as if some marks had been leave trees from the start."""
    kind = survey.marks["kind"].mask(survey.marks.index.isin(sorted(spared)), "leave")
    return replace(survey, marks=survey.marks.assign(kind=kind))


def _ground(case: Case, earlier: Mapping[int, int], rule: GroupRule) -> Ground:
    """The layout with everything that its needs are worked out from."""
    canopy, parts = canopy_of(case.survey, case.project)
    found = canopy.holes
    number = opening_numbers(
        found.openings,
        opening_of=found.opening_of,
        stand_of=canopy.marks["stand"],
        earlier=earlier,
    )
    may_stay = may_be_spared(case)

    def _holes(may_stay: npt.NDArray[np.bool_]) -> SparedHoles:
        return spared_holes(
            found.openings.assign(opening=number),
            members=found.opening_of,
            crowns=(canopy.marks.geometry.to_numpy(), canopy.discs),
            may_stay=may_stay,
            rule=canopy.rule,
            link_distance_m=case.project.openings.link_distance_m,
        )

    holes = _holes(may_stay)
    bonds = bonds_of(holes, canopy.marks.geometry.to_numpy(), may_stay, rule)
    return Ground(
        case=case,
        canopy=canopy,
        parts=parts,
        holes=_holes(bonds.may_stay) if rule != "free" else holes,
        held=canopy.marks["is_cut"].to_numpy(dtype=bool) & ~may_stay,
        bonds=bonds,
    )


def _needs(ground: Ground, checks: pd.DataFrame) -> tuple[tuple[Need, ...], tuple[Unmended, ...]]:
    """What sparing has to bring about, and what it cannot."""
    needs: list[Need] = []
    unmended: list[Unmended] = []
    for _, row in checks[checks["verdict"] == "exceeded"].iterrows():
        need = need_of(ground, row)
        if need is None:
            reason = "no tree that is left standing changes it"
            if row["limit"] in GROUND_RULES:
                reason = "it is ground, not trees: move the corridor, or the edge of the group"
            unmended.append(Unmended(limit=row["limit"], subject=row["subject"], reason=reason))
        elif need.short(need.trees) > 0:
            unmended.append(_hopeless(ground, need, row))
        else:
            needs.append(need)
    return tuple(needs), tuple(unmended)


def _hopeless(ground: Ground, need: Need, row: pd.Series) -> Unmended:
    """A limit that stays exceeded whatever is spared, and the trees that stand in the way."""
    held = ground.held.copy()
    reason = "trees that have to go (corridor, landing, must_go) keep it beyond the limit"
    if row["limit"] in GROUND_RULES:
        held &= cut_inside(ground.case, row)
    elif not isinstance(need, Amount):
        numbers = str(row["feature"]).split(", ")
        every = range(len(ground.holes.openings))
        places = every if numbers == ["all"] else [ground.place(number) for number in numbers]
        mine = [ground.holes.openings[place] for place in places]
        members = sorted({tree for opening in mine for tree in opening.members})
        held &= np.isin(np.arange(len(held)), members)
        if not held.any() and any(opening.is_outline for opening in mine):
            reason = "a walked or centred outline does not change with the trees in it"
    if not held.any() and isinstance(need, Amount):
        reason = "all marked trees together are not enough: the rest is not on the map"
    if ground.bonds.rule != "free" and held.any():
        reason += "; a group with such a tree is not spared as a whole"
    names = tuple(labels_of(ground.canopy.marks)[held])
    return Unmended(limit=row["limit"], subject=row["subject"], reason=reason, trees=names)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plan:
    """Marks to spare, the proof of each part, and met limits that had to be given up."""

    spared: Spared
    proofs: tuple[Proof, ...]
    dropped: tuple[str, ...]


def _measure_of_wood(ground: Ground) -> str:
    """What volume is measured by: solid volume where it is known of all, else basal area."""
    solid = ground.case.layout.marks["volume_m3"].to_numpy(dtype=float)
    solid = solid[ground.bonds.may_stay]
    return "basal area" if np.isnan(solid).any() else "solid volume"


def _costs(ground: Ground, by: By) -> tuple[FloatArray, FloatArray]:
    """What each mark costs, by the first measure and by the second."""
    marks = ground.case.layout.marks
    column = "basal_area_m2" if _measure_of_wood(ground) == "basal area" else "volume_m3"
    wood = np.nan_to_num(marks[column].to_numpy(dtype=float))
    trees = marks["count"].to_numpy(dtype=float)
    return (trees, wood) if by == "trees" else (wood, trees)


def _plan(
    ground: Ground, needs: Sequence[Need], keeps: Keeps, costs: Sequence[FloatArray]
) -> _Plan:
    """Marks to spare: group by group where the groups share no tree, else all at once."""
    local = [need for need in needs if not _is_global(need)]
    parts = [_solved(ground, group, keeps, costs) for group in _groups(ground, local)]
    spared = _spared(parts)
    fits = all(need.short(spared) <= 0 for need in needs)
    if not fits or any(_sum(row.weights, spared) > row.most for row in keeps.targets):
        wish = _wish(ground, needs, keeps, costs)
        found = smallest(replace(wish, rows=(*wish.rows, *keeps.targets)), start=spared)
        if found.spared is not None:
            parts = [(needs, found, ())]
        elif fits:
            parts = [(group, found, (*names, "target")) for group, found, names in parts]
        else:
            parts = [_without_targets(wish)]
    spared = _spared(parts)
    proofs = tuple(_proof(ground, group, found, costs[0]) for group, found, _ in parts)
    dropped = tuple(sorted({name for *_, names in parts for name in names}))
    return _Plan(spared=spared, proofs=proofs, dropped=dropped)


_Solved = tuple[Sequence[Need], Found, tuple[str, ...]]


def _spared(parts: Sequence[_Solved]) -> Spared:
    """All trees of the parts."""
    return frozenset().union(*(found.spared or frozenset() for _, found, _ in parts))


def _is_global(need: Need) -> bool:
    """Whether a need hangs on the trees of the whole stand."""
    return isinstance(need, Amount) or need.feature == "all"


def _sum(weights: Mapping[int, float], spared: Spared) -> float:
    """Sum over the spared trees."""
    return sum(weights.get(tree, 0.0) for tree in sorted(spared))


def _groups(ground: Ground, needs: Sequence[Need]) -> list[list[Need]]:
    """Needs that hang together because they share trees, or trees that are spared together."""
    groups: list[tuple[set[int], list[Need]]] = []
    for need in needs:
        trees, mine = set(ground.bonds.with_all(need.trees)), [need]
        apart = []
        for others, known in groups:
            if trees.isdisjoint(others):
                apart.append((others, known))
            else:
                trees |= others
                mine = [*known, *mine]
        groups = [*apart, (trees, mine)]
    return [mine for _, mine in groups]


def _solved(
    ground: Ground, needs: Sequence[Need], keeps: Keeps, costs: Sequence[FloatArray]
) -> _Solved:
    """Smallest set for one group of needs; a least area is given up where it stands in the way."""
    wish = _wish(ground, needs, keeps, costs)
    found = smallest(wish)
    alone = _only_needs(wish)
    given_up = len(wish.keeps) > len(alone.keeps) or wish.areas
    if found.spared is not None or not given_up:
        return needs, found, ()
    return needs, smallest(alone), ("opening_area_min",)


def _only_needs(wish: Wish) -> Wish:
    """The wish without least areas; groups still stay in one piece."""
    pieces = tuple(keep for keep in wish.keeps if isinstance(keep, Unsplit))
    return replace(wish, keeps=pieces, areas=())


def _without_targets(wish: Wish) -> _Solved:
    """Smallest set for all needs at once where targets stand in the way, and perhaps areas."""
    found = smallest(wish)
    if found.spared is not None:
        return wish.needs, found, ("target",)
    return wish.needs, smallest(_only_needs(wish)), ("opening_area_min", "target")


def _wish(ground: Ground, needs: Sequence[Need], keeps: Keeps, costs: Sequence[FloatArray]) -> Wish:
    """Needs with the least areas and pieces of the openings that they touch."""
    bonds = ground.bonds
    trees = bonds.with_all(frozenset().union(*(need.trees for need in needs)))
    touched = [
        i for i, one in enumerate(ground.holes.openings) if trees & one.nearby.union(one.members)
    ]
    return Wish(
        needs=tuple(needs),
        keeps=tuple(keep for place in touched for keep in keeps.by_opening[place]),
        rows=tuple(row for place in touched for row in bonds.rows.get(place, ())),
        areas=tuple(keeps.areas[place] for place in touched if place in keeps.areas),
        costs=tuple(costs),
        together=bonds.together,
    )


def _proof(ground: Ground, needs: Sequence[Need], found: Found, costs: FloatArray) -> Proof:
    """What was proved of one group of needs."""
    spared = sorted(found.spared or ())
    cost = float(costs[spared].sum())
    return Proof(
        limits=tuple(dict.fromkeys(f"{need.limit} {need.feature}".strip() for need in needs)),
        trees=int(ground.canopy.marks["count"].to_numpy()[spared].sum()),
        cost=cost,
        least=min(found.bounds[0], cost),
        proved=found.proved,
        found=found.spared is not None,
    )
