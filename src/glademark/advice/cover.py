"""
The integer program: which trees to spare at the least cost, under rows that every answer keeps.

Solved by HiGHS through SciPy. Nothing here knows of trees as more than columns.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array

from glademark.process import without_native_lines

FloatArray = npt.NDArray[np.float64]

NODES_MAX = 20_000
"""Most nodes of one search of the solver: beyond, the answer is bounded instead of proved."""

_OPTIMAL, _LIMIT, _INFEASIBLE = 0, 1, 2


def with_all(trees: frozenset[int], together: Mapping[int, frozenset[int]]) -> frozenset[int]:
    """Trees with all that are spared with one of them."""
    return trees.union(*(together.get(tree, frozenset()) for tree in trees))


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """
    One sum that must stay between two numbers.

    Attributes
    ----------
    weights
        By tree.
    least, most
        Of the sum over the trees spared.
    faces
        Weights of lost faces beside those of trees, by name of the area and number of the face.
    """

    weights: Mapping[int, float]
    least: float = -math.inf
    most: float = math.inf
    faces: Mapping[tuple[str, int], float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class LostArea:
    """
    Area that must be lost, as a sum over faces, each lost with any of its trees or only with all.

    Attributes
    ----------
    area_m2
        Of the faces, shape (n,).
    trees
        Rows of a sparse matrix, shape (n, marks).
    takes_all
        Whether a face is lost only with all of its trees, shape (n,).
    least
        Area to be lost at least [m2].
    most
        Area that may be lost at most [m2].
    name
        By which rows speak of its faces.
    """

    area_m2: FloatArray
    trees: csr_array
    takes_all: npt.NDArray[np.bool_]
    least: float = -math.inf
    most: float = math.inf
    name: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Program:
    """
    Trees and the rows that bind them.

    Attributes
    ----------
    trees
        Positions of the marks that may be spared, shape (n,).
    rows, areas
        What every answer keeps.
    """

    trees: npt.NDArray[np.intp]
    rows: tuple[Row, ...] = ()
    areas: tuple[LostArea, ...] = ()

    def with_rows(self, *rows: Row) -> "Program":
        """The program with more rows."""
        return replace(self, rows=(*self.rows, *rows))


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """
    What the solver found.

    Attributes
    ----------
    spared
        Positions of the marks; None where it found no answer.
    bound
        No answer costs less; infinite where there is none at all.
    proved
        Whether nothing was left open.
    last
        The last set that was tried where none is the answer.
    """

    spared: frozenset[int] | None
    bound: float
    proved: bool
    last: frozenset[int] = frozenset()


def solve(program: Program, costs: FloatArray, *, relaxed: bool = False) -> Answer:
    """Trees whose sparing costs least; where `relaxed`, only the bound that parts of trees give."""
    size = len(program.trees)
    if not size:
        empty = np.zeros(0, bool)
        fits = all(row.least <= 0 <= row.most for row in program.rows) and not any(
            area.least > 0 for area in program.areas
        )
        return _answer(program, empty, 0.0) if fits else _none(math.inf)
    matrix, low, high, faces = _matrix(program)
    with without_native_lines():
        found = milp(
            np.concatenate([costs, np.zeros(faces)]),
            constraints=LinearConstraint(matrix, low, high) if len(low) else (),
            bounds=Bounds(0, 1),
            integrality=np.concatenate([np.full(size, float(not relaxed)), np.zeros(faces)]),
            options={"mip_rel_gap": 0.0, "node_limit": NODES_MAX},
        )
    if found.status == _INFEASIBLE:
        return _none(math.inf)
    if relaxed:
        bound = float(found.fun) if found.fun is not None else -math.inf
        return Answer(spared=None, bound=bound, proved=False)
    bound = float(found.mip_dual_bound) if found.mip_dual_bound is not None else -math.inf
    if found.x is None:
        return Answer(spared=None, bound=bound, proved=False)
    answer = _answer(program, found.x[:size] > 1 / 2, bound)
    return replace(answer, proved=found.status == _OPTIMAL)


def _none(bound: float) -> Answer:
    """There is no answer."""
    return Answer(spared=None, bound=bound, proved=True)


def _answer(program: Program, chosen: npt.NDArray[np.bool_], bound: float) -> Answer:
    """The trees chosen."""
    return Answer(spared=frozenset(program.trees[chosen].tolist()), bound=bound, proved=True)


def _matrix(program: Program) -> tuple[csr_array, FloatArray, FloatArray, int]:
    """All rows over trees and faces, their bounds, and the number of faces."""
    size = len(program.trees)
    column = {tree: i for i, tree in enumerate(program.trees.tolist())}
    faces, first = 0, dict[str, int]()
    parts: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    low: list[float] = []
    high: list[float] = []
    for area in program.areas:
        first[area.name] = size + faces
        part, ends, number = _area_rows(area, program.trees, (len(low), size + faces))
        parts.append(part)
        low += ends[0]
        high += ends[1]
        faces += number
    for row in program.rows:
        known = [(column[tree], weight) for tree, weight in row.weights.items() if tree in column]
        known += [(first[name] + face, weight) for (name, face), weight in row.faces.items()]
        at = np.array([place for place, _ in known], dtype=float)
        weights = np.array([weight for _, weight in known], dtype=float)
        parts.append((np.full(len(at), float(len(low))), at, weights))
        low.append(row.least)
        high.append(row.most)
    at_row, at_column, value = (
        (np.concatenate([part[i] for part in parts]) for i in range(3))
        if parts
        else (np.zeros(0) for _ in range(3))
    )
    shape = (len(low), size + faces)
    places = (at_row.astype(int), at_column.astype(int))
    return coo_array((value, places), shape=shape).tocsr(), np.array(low), np.array(high), faces


_Part = tuple[FloatArray, FloatArray, FloatArray]


def _area_rows(
    area: LostArea, trees: npt.NDArray[np.intp], start: tuple[int, int]
) -> tuple[_Part, tuple[list[float], list[float]], int]:
    """Rows of one area: the sum over its faces, and what each face takes to be lost."""
    first_row, first_face = start
    covers = area.trees[:, trees].tocoo()
    faces = len(area.area_m2)
    at_row: list[FloatArray] = [np.full(faces, float(first_row))]
    at_column: list[FloatArray] = [first_face + np.arange(faces, dtype=float)]
    value: list[FloatArray] = [area.area_m2]
    low, high = [area.least], [area.most]
    face, tree = covers.coords[0].astype(float), covers.coords[1].astype(float)
    if math.isfinite(area.least):  # lost at most where one of its trees is spared, or all are
        whole = area.takes_all[covers.coords[0]]
        at = np.where(
            whole, np.cumsum(whole) - 1.0 + faces, face
        )  # a row of its own, or one a face
        first = np.flatnonzero(~area.takes_all).astype(float)
        row, pairs = first_row + len(low), np.arange(int(whole.sum()), dtype=float)
        at_row += [row + first, row + faces + pairs, row + at]
        at_column += [first_face + first, first_face + face[whole], tree]
        value += [np.ones(len(first) + len(pairs)), -np.ones(len(face))]
        low += [-math.inf] * (faces + len(pairs))
        high += [0.0] * (faces + len(pairs))
    if math.isfinite(area.most):  # lost for sure where one of its trees is spared
        row = first_row + len(low)
        pairs = np.arange(len(face), dtype=float)
        at_row += [row + pairs, row + pairs]
        at_column += [first_face + face, tree]
        value += [np.ones(len(face)), -np.ones(len(face))]
        low += [0.0] * len(face)
        high += [math.inf] * len(face)
    part = (np.concatenate(at_row), np.concatenate(at_column), np.concatenate(value))
    return part, (low, high), faces
