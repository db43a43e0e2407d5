"""Needs of area: an opening, all openings together, or a combined opening over its limit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import csr_array, vstack
from shapely.geometry.base import BaseGeometry

from glademark.advise.cover import LostArea, Row
from glademark.advise.faces import QUAD_SEGS, Faces
from glademark.advise.needs import capped, widest_short
from glademark.advise.parting import holds_together
from glademark.advise.spared_holes import BoolArray, Spared, SparedHoles
from glademark.measure.corridors import Corridors
from glademark.measure.crowns import GeometryArray
from glademark.measure.openings import TOUCH_M, combine_openings

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_WIDER = 1.01
_FEW = 60
"""Trees up to which the widest set is looked for: each of them is a measurement."""

_CHAIN_MAX = 12
"""Rows that one measured set gives, each for the trees of the one before spared as well."""

_LOOSE = 1e-7
"""Share of an area by which the sum over its faces may miss it."""


def lost_area(faces: Faces, *, least: float = -np.inf, most: float = np.inf) -> LostArea:
    """
    Area to be lost of some faces, those that hang on the same trees taken together.

    Parameters
    ----------
    faces
        Of an opening, or of several.
    least, most
        Of the area lost [m2].

    Returns
    -------
    area
        For the integer program.
    """
    first: dict[Spared, int] = {}
    of = np.array([first.setdefault(faces.of(i), len(first)) for i in range(len(faces.area_m2))])
    _, at = np.unique(of.astype(int), return_index=True)
    area = np.zeros(len(first))
    np.add.at(area, of.astype(int), faces.area_m2)
    return LostArea(area_m2=area, trees=faces.trees[at], least=least, most=most)


@dataclass(frozen=True, kw_only=True, slots=True)
class Area:
    """
    Openings whose area, taken together, is too large.

    Attributes
    ----------
    limit, feature
        As for `glademark.advise.needs.Need`.
    holes
        Openings.
    places
        Of those that count.
    faces
        Of each of them, in the same order.
    most_m2
        Area that they may have, rounding allowed for.
    """

    limit: str
    feature: str
    holes: SparedHoles
    places: tuple[int, ...]
    faces: tuple[Faces, ...]
    most_m2: float

    @property
    def trees(self) -> Spared:
        """
        Trees with a crown in one of the openings.

        Returns
        -------
        trees
            Their positions.
        """
        return self.holes.trees_at(self.places)

    def short(self, spared: Spared) -> float:
        """
        Area beyond the limit.

        Parameters
        ----------
        spared
            Marks left standing.

        Returns
        -------
        short
            In square metres.
        """
        return self.holes.area_m2(self.places, spared) - self.most_m2

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """
        The sum over all faces: exact where no gaps are closed.

        Returns
        -------
        rows_and_areas
            One area.
        """
        whole = self.holes.area_m2(self.places, frozenset())
        areas = [lost_area(faces) for faces in self.faces]
        together = stacked(areas, least=whole - self.most_m2 - _LOOSE * whole)
        return [], [together]

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """
        What the others can take away at most, and one tree of those outside the widest set.

        Parameters
        ----------
        spared
            Marks that fall short.

        Returns
        -------
        rows
            One or two.
        """
        gains: dict[int, float] = {}
        for place in self.places:
            for tree, gain in _losses(self.holes, place, spared).items():
                gains[tree] = gains.get(tree, 0.0) + gain
        rows = [capped(gains, self.short(spared))]
        if len(gains) <= _FEW:
            order = sorted(gains, key=lambda tree: (gains[tree], tree))
            wide = widest_short(self, spared, order)
            rows.append(Row(weights=dict.fromkeys(sorted(self.trees - wide), 1.0), least=1.0))
        return rows


def stacked(areas: Sequence[LostArea], *, least: float) -> LostArea:
    """
    Several areas as one.

    Parameters
    ----------
    areas
        Over the same marks.
    least
        To be lost of all together [m2].

    Returns
    -------
    area
        All their faces.
    """
    return LostArea(
        area_m2=np.concatenate([area.area_m2 for area in areas]),
        trees=csr_array(vstack([area.trees for area in areas])),
        least=least,
    )


def _losses(holes: SparedHoles, place: int, spared: Spared) -> Mapping[int, float]:
    """Most area that each other tree takes from what is left of an opening, beside any others."""
    opening = holes.openings[place]
    others = np.array(sorted(opening.nearby - spared), dtype=np.intp)
    if not len(others):
        return {}
    left = holes.hole(place, spared)
    crowns = holes.cores[others]
    loss = shapely.area(shapely.intersection(left, crowns))
    reach = holes.reach_m([place], spared)
    if reach > 0:
        cut = [tree for tree in opening.members if tree not in spared]
        fill = shapely.difference(left, shapely.union_all(holes.cores[cut]))
        member = np.isin(others, opening.members)
        around = shapely.buffer(crowns, np.where(member, reach * _WIDER, 0.0), quad_segs=QUAD_SEGS)
        beside = shapely.difference(shapely.intersection(fill, around), crowns)
        loss = loss + shapely.area(beside)
    return dict(zip(others.tolist(), loss.tolist(), strict=True))


@dataclass(frozen=True, kw_only=True, slots=True)
class CombinedArea:
    """
    Openings joined by corridors into one hole that is too large.

    Attributes
    ----------
    limit, feature
        As for `glademark.advise.needs.Need`.
    holes
        Openings.
    places
        Of those in the combined hole.
    faces
        Of each of them, in the same order.
    corridors
        Strips, and their union.
    most_m2
        Area that any combined hole may have, rounding allowed for.
    """

    limit: str
    feature: str
    holes: SparedHoles
    places: tuple[int, ...]
    faces: tuple[Faces, ...]
    corridors: Corridors
    most_m2: float
    _known: dict[Spared, gpd.GeoDataFrame] = field(default_factory=dict)

    @property
    def trees(self) -> Spared:
        """
        Trees with a crown in one of the openings.

        Returns
        -------
        trees
            Their positions.
        """
        return self.holes.trees_at(self.places)

    def combined(self, spared: Spared) -> gpd.GeoDataFrame:
        """
        Combined holes of what is left of the openings.

        Parameters
        ----------
        spared
            Marks left standing.

        Returns
        -------
        combined
            As from `glademark.measure.openings.combine_openings`, numbered by the places.
        """
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
        """
        Area of the largest combined hole beyond the limit.

        Parameters
        ----------
        spared
            Marks left standing.

        Returns
        -------
        short
            In square metres; minus infinity where nothing is left.
        """
        area = self.combined(spared)["area_m2"]
        return float(area.max()) - self.most_m2 if len(area) else -np.inf

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """
        The sum over all faces, where nothing parts the hole or takes a strip from it.

        Returns
        -------
        rows_and_areas
            One area; parting counts as all that is missing, and ground in a strip as lost with any
            tree near it.
        """
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
        alone = LostArea(area_m2=np.minimum(loss, missing), trees=beside)
        areas = [lost_area(faces) for faces in self.faces]
        return [], [stacked([*areas, alone], least=missing)]

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """
        What the others can take away or take apart, and one tree of those outside the widest set.

        Parameters
        ----------
        spared
            Marks that fall short.

        Returns
        -------
        rows
            One or two.
        """
        rows: list[Row] = []
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

    def _cut(self, spared: Spared) -> tuple[Row, Spared]:
        """What the others can do about the largest hole, and which of them may part it."""
        combined = self.combined(spared)
        worst = combined.iloc[int(np.argmax(combined["area_m2"].to_numpy()))]
        missing = float(worst["area_m2"]) - self.most_m2
        at = [int(number) for number in str(worst["openings"]).split(", ")]
        places = [self.places[i] for i in at]
        parting = holds_together(
            np.array([self.holes.hole(place, spared) for place in places], dtype=object),
            [self.faces[i] for i in at],
            strips=self.corridors.strips.geometry.to_numpy(),
            width_m=self.corridors.strips["width_m"].to_numpy(dtype=float),
            spared=spared,
        )
        others = np.array(sorted(self.holes.trees_at(places) - spared), dtype=np.intp)
        gains = self._gains(worst.geometry, others, places, spared, missing, parting)
        return capped(gains, missing), parting or frozenset()

    def _gains(
        self,
        whole: BaseGeometry,
        others: IntArray,
        places: Sequence[int],
        spared: Spared,
        missing: float,
        parting: Spared | None,
    ) -> dict[int, float]:
        """Most that each tree can do: all of it where it may part the hole."""
        around = self.holes.cores[others]
        reach = self.holes.reach_m(places, spared) * _WIDER
        if reach > 0:
            around = shapely.buffer(around, reach, quad_segs=QUAD_SEGS)
        gain = shapely.area(shapely.intersection(whole, around))
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
