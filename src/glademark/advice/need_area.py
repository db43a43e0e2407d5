"""Needs of area: an opening, all openings together, or a combined opening over its limit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations

import geopandas as gpd
import numpy as np
import shapely
from scipy.sparse import csr_array, vstack

from glademark.advice.needs import capped, widest_short
from glademark.advice.program import LostArea, Row
from glademark.advice.spared_holes import (
    FILLED_M2,
    QUAD_SEGS,
    Faces,
    Spared,
    SparedHoles,
    holds_together,
    left_m2,
)
from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.measure.corridors import Corridors
from glademark.measure.crowns import GeometryArray
from glademark.measure.openings import TOUCH_M, combine_openings

_WIDER = 1.01
_FEW = 60
"""Trees up to which the widest set is looked for: each of them is a measurement."""

_CHAIN_MAX = 12
"""Rows that one measured set gives, each for the trees of the one before spared as well."""

_LOOSE = 1e-7
"""Share of an area by which the sum over its faces may miss it."""


def lost_area(faces: Faces, *, least: float = -np.inf, most: float = np.inf) -> LostArea:
    """Area [m2] to be lost of some faces, those that hang on the same trees taken together."""
    of, at = _joined(faces)
    area = np.zeros(len(at))
    np.add.at(area, of, faces.area_m2)
    return LostArea(
        area_m2=area,
        trees=faces.trees[at],
        takes_all=faces.takes_all[at],
        least=least,
        most=most,
    )


def _joined(faces: Faces) -> tuple[IntArray, IntArray]:
    """For each face the number of its kind, and the first face of each kind."""
    first: dict[tuple[Spared, bool], int] = {}
    kinds = zip(map(faces.of, range(len(faces.area_m2))), faces.takes_all.tolist(), strict=True)
    of = np.array([first.setdefault(kind, len(first)) for kind in kinds], dtype=int)
    return of, np.unique(of, return_index=True)[1]


def _first_rows(name: str, every: Sequence[Faces]) -> list[Row]:
    """A face into which a standing crown fits only where several trees stand takes that many."""
    rows, start = [], 0
    for faces in every:
        of, at = _joined(faces)
        least = np.full(len(at), np.inf)
        np.minimum.at(least, of, faces.fewest(frozenset()))
        for kind in np.flatnonzero(least > 1).tolist():
            near = np.unique(faces.near[np.flatnonzero(of == kind)].indices)
            weights = dict.fromkeys(near.tolist(), 1.0)
            lost = {(name, start + kind): -float(least[kind])}
            rows.append(Row(weights=weights, faces=lost, least=0.0))
        start += len(at)
    return rows


def _rows_of_faces(
    name: str, left: Sequence[tuple[Faces, FloatArray]], spared: Spared
) -> list[Row]:
    """Of what is left of faces with a spared tree nothing is lost unless another stands, too."""
    rows, start = [], 0
    for faces, rest in left:
        of, at = _joined(faces)
        stands = np.zeros(faces.trees.shape[1])
        stands[list(spared)] = 1.0
        fewest = faces.fewest(spared)
        hit = (faces.trees @ stands > 0) & (rest > FILLED_M2)
        for kind in np.unique(of[hit]).tolist():
            mine = np.flatnonzero(of == kind)
            is_left, whole = float(rest[mine].sum()), float(faces.area_m2[mine].sum())
            others = set(np.unique(faces.near[mine].indices).tolist()) - spared
            weights = dict.fromkeys(sorted(others), is_left / float(fewest[mine].min()))
            lost = {(name, start + kind): -whole}
            rows.append(Row(weights=weights, faces=lost, least=is_left - whole))
        start += len(at)
    return rows


@dataclass(frozen=True, kw_only=True, slots=True)
class Area:
    """Openings whose area, taken together, is too large."""

    limit: str
    feature: str  # limit and feature: as for `glademark.advice.needs.Need`
    holes: SparedHoles  # openings
    places: tuple[int, ...]  # of those that count
    faces: tuple[Faces, ...]  # of each of them, in the same order
    most_m2: float  # area that they may have, rounding allowed for

    @property
    def trees(self) -> Spared:
        """Trees with a crown in one of the openings."""
        return self.holes.trees_at(self.places)

    def short(self, spared: Spared) -> float:
        """Area beyond the limit."""
        return self.holes.area_m2(self.places, spared) - self.most_m2

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """The sum over all faces: exact where no gaps are closed."""
        whole = self.holes.area_m2(self.places, frozenset())
        areas = [lost_area(faces) for faces in self.faces]
        least = whole - self.most_m2 - _LOOSE * whole
        name = f"{self.limit} {self.feature}"
        return _first_rows(name, self.faces), [stacked(areas, least=least, name=name)]

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """What the others can take away at most, and one tree of those outside the widest set."""
        left = _left(self.holes, self.places, self.faces, spared)
        rows = _rows_of_faces(f"{self.limit} {self.feature}", left, spared)
        gains = _gains(left, self.trees - spared, spared)
        rows.append(capped(gains, self.short(spared)))
        if len(gains) <= _FEW and len(rows) == 1:
            order = sorted(gains, key=lambda tree: (gains[tree], tree))
            wide = widest_short(self, spared, order)
            rows.append(Row(weights=dict.fromkeys(sorted(self.trees - wide), 1.0), least=1.0))
        return rows

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """What the others can take away at most."""
        left = _left(self.holes, self.places, self.faces, spared)
        return [capped(_gains(left, self.trees - spared, spared), self.short(spared))]


def _left(
    holes: SparedHoles, places: Sequence[int], faces: Sequence[Faces], spared: Spared
) -> list[tuple[Faces, FloatArray]]:
    """Faces of some openings with what is left of each."""
    return [
        (some, left_m2(holes, place, some, spared))
        for place, some in zip(places, faces, strict=True)
    ]


def _gains(
    left: Sequence[tuple[Faces, FloatArray]], others: Spared, spared: Spared
) -> dict[int, float]:
    """Most area that each tree takes from what is left, beside any others."""
    gain = np.sum([faces.near.T @ (area / faces.fewest(spared)) for faces, area in left], axis=0)
    return {tree: float(gain[tree]) for tree in sorted(others)}


def stacked(areas: Sequence[LostArea], *, least: float, name: str) -> LostArea:
    """Several areas as one, of which `least` is to be lost [m2]."""
    return LostArea(
        area_m2=np.concatenate([area.area_m2 for area in areas]),
        trees=csr_array(vstack([area.trees for area in areas])),
        takes_all=np.concatenate([area.takes_all for area in areas]),
        least=least,
        name=name,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class CombinedArea:
    """Openings joined by corridors into one hole that is too large."""

    limit: str
    feature: str  # limit and feature: as for `glademark.advice.needs.Need`
    holes: SparedHoles  # openings
    places: tuple[int, ...]  # of those in the combined hole
    faces: tuple[Faces, ...]  # of each of them that may be lost, in the same order
    kept_faces: tuple[Faces, ...]  # of each of them that stay as long as their trees are cut
    corridors: Corridors  # strips, and their union
    most_m2: float  # area that any combined hole may have, rounding allowed for
    _known: dict[Spared, gpd.GeoDataFrame] = field(default_factory=dict)

    @property
    def trees(self) -> Spared:
        """Trees with a crown in one of the openings."""
        return self.holes.trees_at(self.places)

    def combined(self, spared: Spared) -> gpd.GeoDataFrame:
        """Combined holes of what is left of the openings."""
        key = spared & self.trees
        if key not in self._known:
            left = np.array([self.holes.hole(i, key) for i in self.places], dtype=object)
            there = ~shapely.is_empty(left)
            frame = gpd.GeoDataFrame(
                {"stand": 0, "opening": np.arange(len(left))[there]},
                geometry=left[there],
                crs=self.corridors.strips.crs,
            )
            self._known[key] = combine_openings(frame, self.corridors)[0]
        return self._known[key]

    def short(self, spared: Spared) -> float:
        """Area of the largest combined hole beyond the limit."""
        area = self.combined(spared)["area_m2"]
        return float(area.max()) - self.most_m2 if len(area) else -np.inf

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """The sum over all faces, where nothing parts the hole or takes a strip from it."""
        whole = float(self.combined(frozenset())["area_m2"].max())
        missing = whole - self.most_m2 - _LOOSE * whole
        if missing <= 0 or not self.trees:
            return [], []
        trees = np.array(sorted(self.trees))
        loss = self._strip_losses(trees, self.places, frozenset(), missing)
        marks = self.faces[0].trees.shape[1]
        beside = csr_array(
            (np.ones(len(trees)), (np.arange(len(trees)), trees)), shape=(len(trees), marks)
        )
        alone = LostArea(
            area_m2=np.minimum(loss, missing),
            trees=beside,
            takes_all=np.ones(len(trees), dtype=bool),
        )
        areas = [lost_area(faces) for faces in self.faces]
        name = f"{self.limit} {self.feature}"
        rows = _first_rows(name, self.faces)
        return rows, [stacked([*areas, alone], least=missing, name=name)]

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """What others can take away or apart, and one tree of those outside the widest set."""
        left = _left(self.holes, self.places, self.faces, spared)
        rows = _rows_of_faces(f"{self.limit} {self.feature}", left, spared)
        wide = spared
        for _ in range(_CHAIN_MAX):
            row, parting = self._cut(wide)
            rows.append(row)
            wide = wide | parting
            if not parting or self.short(wide) <= 0:
                break
        if len(self.trees) <= _FEW:
            others = sorted(self.trees - spared)
            wide = widest_short(self, spared, others)
            rows.append(Row(weights=dict.fromkeys(sorted(self.trees - wide), 1.0), least=1.0))
        return rows

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """What the others can take away or take apart at most."""
        return [self._cut(spared)[0]]

    def _cut(self, spared: Spared) -> tuple[Row, Spared]:
        """What the others can do about the largest hole, and which of them may part it."""
        combined = self.combined(spared)
        worst = combined.iloc[int(np.argmax(combined["area_m2"].to_numpy()))]
        missing = float(worst["area_m2"]) - self.most_m2
        at = [int(number) for number in str(worst["openings"]).split(", ")]
        places = [self.places[i] for i in at]
        parting = holds_together(
            np.array([self.holes.hole(place, spared) for place in places], dtype=object),
            [self.kept_faces[i] for i in at],
            strips=self.corridors.strips.geometry.to_numpy(),
            width_m=self.corridors.strips["width_m"].to_numpy(dtype=float),
            spared=spared,
        )
        others = np.array(sorted(self.holes.trees_at(places) - spared), dtype=np.intp)
        known = _left(self.holes, places, [self.faces[i] for i in at], spared)
        gain = _gains(known, frozenset(others.tolist()), spared)
        gains = self._with_strips(gain, others, places, spared, missing, parting)
        return capped(gains, missing), parting or frozenset()

    def _with_strips(
        self,
        gains: Mapping[int, float],
        others: IntArray,
        places: Sequence[int],
        spared: Spared,
        missing: float,
        parting: Spared | None,
    ) -> dict[int, float]:
        """Most that each tree can do: all of it where it may part the hole."""
        gain = np.array([gains[tree] for tree in others.tolist()])
        if parting is None:
            gain = gain + self._strip_losses(others, places, spared, missing)
        else:
            gain = gain + self._strip_losses(others, places, spared, None)
            gain = np.where(np.isin(others, sorted(parting)), missing, gain)
        return dict(zip(others.tolist(), gain.tolist(), strict=True))

    def _strip_losses(
        self, trees: IntArray, places: Sequence[int], spared: Spared, missing: float | None
    ) -> FloatArray:
        """Most strip that each tree can take away; all that is missing where it may part holes."""
        crowns = self.holes.cores[trees]
        ground = self.corridors.strips.geometry.to_numpy()
        width = self.corridors.strips["width_m"].to_numpy(dtype=float)
        left = np.array([self.holes.hole(i, spared) for i in places], dtype=object)
        opened = shapely.union_all(left)
        met = np.flatnonzero(shapely.intersects(ground, opened))
        reach = self.holes.reach_m(places, spared) * _WIDER + TOUCH_M
        loss = np.zeros(len(trees))
        for strip, wide in zip(ground[met], width[met], strict=True):
            beside = shapely.intersection(strip, shapely.buffer(opened, wide * _WIDER))
            near = shapely.buffer(crowns, (wide + reach) * _WIDER, quad_segs=QUAD_SEGS)
            loss = loss + shapely.area(shapely.intersection(beside, near))
            # a strip leaves the hole only with the trees over the ground where the two meet
            over = shapely.distance(crowns, shapely.intersection(strip, opened))
            strip_m2 = loss + shapely.area(beside) if missing is None else missing
            loss = np.where(over <= reach, strip_m2, loss)
        if missing is None:
            return loss
        widest = float(width[met].max()) if len(met) else 0.0
        return np.where(_may_part(crowns, left, widest, reach), missing, loss)


def _may_part(crowns: GeometryArray, left: GeometryArray, widest: float, far: float) -> BoolArray:
    """Trees so near to where two of the holes come close that sparing them may part the two."""
    near = np.zeros(len(crowns), dtype=bool)
    reach = 2 * widest * _WIDER + far
    for i, j in permutations(range(len(left)), 2):
        if shapely.dwithin(left[i], left[j], reach):
            close = shapely.intersection(left[i], shapely.buffer(left[j], reach))
            near |= shapely.distance(crowns, close) <= far
    return near
