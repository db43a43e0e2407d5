"""Which needs a layout has: its exceeded limits, as far as sparing trees can mend them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.advice.need_area import Area, CombinedArea, lost_area
from glademark.advice.needs import GROUND_RULES, Amount, Apart, Away, Need, cut_inside
from glademark.advice.program import Bonds, LeastArea, LostArea, OnePiece, Row, Unsplit
from glademark.advice.spared_holes import Faces, SparedHoles, faces_of, kept_faces_of
from glademark.contracts.frames import FloatArray
from glademark.judge.limits import ROUNDING, Case
from glademark.measure.figures import area_names
from glademark.measure.holes import Thresholds
from glademark.measure.layout import Canopy
from glademark.measure.standing import BASAL, SOLID
from glademark.measure.volume import unit_factor
from glademark.units import HECTARE_M2


@dataclass(frozen=True, kw_only=True, slots=True)
class Ground:
    """A layout with all that its needs are worked out from."""

    case: Case  # the limits, the field data and the layout
    canopy: Canopy  # crowns and holes
    parts: pd.DataFrame  # volumes of the cut marks, one row a part
    holes: SparedHoles  # openings ready to be measured again
    held: npt.NDArray[np.bool_]
    """Cut marks that have to go whatever the rule for groups, shape (n,)."""
    bonds: Bonds  # marks that may be spared, alone or only with others
    _faces: dict[int, Faces] = field(default_factory=dict)
    _kept_faces: dict[int, Faces] = field(default_factory=dict)

    def place(self, number: object) -> int:
        """Place of an opening by its number."""
        numbers = [opening.number for opening in self.holes.openings]
        return numbers.index(int(str(number)))

    def faces(self, place: int) -> Faces:
        """Faces of an opening that may be lost, worked out once."""
        if place not in self._faces:
            self._faces[place] = faces_of(self.holes, place)
        return self._faces[place]

    def kept_faces(self, place: int) -> Faces:
        """Faces of an opening that stay as long as their trees are cut, worked out once."""
        if place not in self._kept_faces:
            self._kept_faces[place] = kept_faces_of(self.holes, place, self.faces(place))
        return self._kept_faces[place]

    def weights(self, amounts: FloatArray) -> Mapping[int, float]:
        """
        Positive amounts of the marks that may be spared.

        Parameters
        ----------
        amounts
            Of every mark, NaN where not known; shape (n,).
        """
        known = np.flatnonzero(self.bonds.may_stay & (np.nan_to_num(amounts) > 0))
        return dict(zip(known.tolist(), amounts[known].tolist(), strict=True))


def slack(limit: float) -> float:
    """What counts as rounding at a limit, as in the judging."""
    return ROUNDING * max(abs(limit), 1.0)


def need_of(ground: Ground, row: pd.Series) -> Need | None:
    """What sparing has to bring about for one exceeded check."""
    if row["limit"] in GROUND_RULES:
        return _ground_rule(ground, row)
    make = _NEEDS.get(str(row["limit"]))
    return None if make is None else make(ground, row)


def _opening_area(ground: Ground, row: pd.Series) -> Need:
    """Opening over its size; combined opening where the project measures those."""
    if row["layer"] == "combined_openings":
        return _combined_area(ground, row)
    return _area(ground, row, (ground.place(row["feature"]),), 1.0)


def _area(ground: Ground, row: pd.Series, places: Sequence[int], per: float) -> Need:
    """Openings whose area together, over `per`, is beyond the limit."""
    limit = float(row["limit_value"])
    return Area(
        limit=row["limit"],
        feature=row["feature"],
        holes=ground.holes,
        places=tuple(places),
        faces=tuple(ground.faces(place) for place in places),
        most_m2=(limit + slack(limit)) * per,
    )


def _openings_share(ground: Ground, row: pd.Series) -> Need:
    """All openings together against the stand."""
    stand_m2 = ground.case.layout.figures.stand.area_m2
    return _area(ground, row, range(len(ground.holes.openings)), stand_m2)


def _combined_area(ground: Ground, row: pd.Series) -> Need:
    """Openings joined by corridors."""
    limit = float(row["limit_value"])
    places = tuple(ground.place(number) for number in str(row["feature"]).split(", "))
    return CombinedArea(
        limit=row["limit"],
        feature=row["feature"],
        holes=ground.holes,
        places=places,
        faces=tuple(ground.faces(place) for place in places),
        kept_faces=tuple(ground.kept_faces(place) for place in places),
        corridors=ground.canopy.corridors,
        most_m2=limit + slack(limit),
    )


def _spacing(ground: Ground, row: pd.Series) -> Need:
    """Two openings too close."""
    limit = float(row["limit_value"])
    one, two = (ground.place(number) for number in str(row["feature"]).split(", "))
    return Apart(
        limit=row["limit"],
        feature=row["feature"],
        holes=ground.holes,
        places=(one, two),
        faces=(ground.kept_faces(one), ground.kept_faces(two)),
        least_m=limit - slack(limit),
    )


def _away(ground: Ground, row: pd.Series) -> Need:
    """An opening too close to the boundary or to water."""
    limit = float(row["limit_value"])
    areas = ground.canopy.ground
    is_water = row["limit"] == "water_distance_min"
    place = ground.place(row["feature"])
    return Away(
        limit=row["limit"],
        feature=row["feature"],
        holes=ground.holes,
        place=place,
        faces=ground.kept_faces(place),
        other=areas.water[0] if is_water else shapely.boundary(areas.stand[0]),
        least_m=limit - slack(limit),
    )


def _removal(ground: Ground, row: pd.Series) -> Need | None:
    """Too large a share of the standing stock."""
    table = ground.case.layout.allowance
    stock = table[table["quantity"] == row["feature"]].iloc[0]
    column = {SOLID: "volume_m3", BASAL: "basal_area_m2"}.get(row["feature"])
    limit = float(row["limit_value"])
    least = float(stock["marked"] - (limit + slack(limit)) * stock["standing"])
    if column is not None:
        return _amount(ground, row, column, least)
    weights = ground.weights(_net_of(ground, row["feature"], str(stock["unit"])))
    return Amount(limit=row["limit"], feature=row["feature"], weights=weights, least=least)


def _residual(ground: Ground, row: pd.Series) -> Need:
    """Too little basal area left."""
    operable_ha = ground.case.layout.figures.stand.operable_m2 / HECTARE_M2
    missing = -float(row["margin"]) - slack(float(row["limit_value"]))
    return _amount(ground, row, "basal_area_m2", missing * operable_ha)


def _amount(ground: Ground, row: pd.Series, column: str, least: float) -> Amount:
    """An amount of the marks' that enough must be spared of."""
    amounts = ground.case.layout.marks[column].to_numpy(dtype=float)
    weights = ground.weights(amounts)
    return Amount(limit=row["limit"], feature=row["feature"], weights=weights, least=least)


def _dbh(ground: Ground, row: pd.Series) -> Need:
    """Trees that are too thick."""
    limit = float(row["limit_value"])
    marks = ground.canopy.marks
    thick = (marks["is_cut"] & (marks["dbh_cm"] > limit + slack(limit))).to_numpy()
    return _all_of(ground, row, thick)


def _all_of(ground: Ground, row: pd.Series, wrong: npt.NDArray[np.bool_]) -> Amount:
    """Records that must all be spared."""
    weights = ground.weights(wrong.astype(float))
    return Amount(
        limit=row["limit"], feature=row["feature"], weights=weights, least=float(wrong.sum())
    )


def _ground_rule(ground: Ground, row: pd.Series) -> Need | None:
    """Trees that are cut in an exclusion or in a no-cut strip, or too many in a setback."""
    if row["unit"] == "m2":
        return None
    inside = cut_inside(ground.case, row)
    if row["unit"] == "trees":
        return _all_of(ground, row, inside)
    if row["unit"] == "m2/ha":
        missing = -float(row["margin"]) - slack(float(row["limit_value"]))
        basal = ground.canopy.marks["basal_area_m2"].to_numpy(dtype=float)
        weights = ground.weights(np.where(inside, basal, 0.0))
        setbacks = ground.case.layout.setbacks
        area = setbacks.geometry.to_numpy()[np.array(area_names(setbacks)) == row["feature"]]
        least = missing * float(shapely.area(area).min()) / HECTARE_M2
        return Amount(limit=row["limit"], feature=row["feature"], weights=weights, least=least)
    return None


_NEEDS: Mapping[str, Callable[[Ground, pd.Series], Need | None]] = MappingProxyType(
    {
        "opening_area_max": _opening_area,
        "combined_area_max": _combined_area,
        "opening_spacing_min": _spacing,
        "openings_share_max": _openings_share,
        "boundary_distance_min": _away,
        "water_distance_min": _away,
        "removal_share_max": _removal,
        "removal_basal_area_share_max": _removal,
        "residual_basal_area_min": _residual,
        "dbh_max": _dbh,
    }
)
"""Limits that sparing trees can mend."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Keeps:
    """What sparing must not break."""

    by_opening: Mapping[int, Sequence[LeastArea | OnePiece | Unsplit]]
    """By place: what tells the rows that a set breaks."""
    areas: Mapping[int, LostArea]  # by place: area of an opening that may be lost at most
    targets: Sequence[Row]  # volume of each product that may be given up at most


def keeps_of(ground: Ground, checks: pd.DataFrame) -> Keeps:
    """Limits that are met and that sparing may break."""
    met = checks[checks["verdict"].isin(["met", "near"])]
    small = {
        ground.place(feature): float(limit)
        for limit, feature in met.loc[
            met["limit"] == "opening_area_min", ["limit_value", "feature"]
        ].to_numpy()
    }
    apart = checks.loc[checks["limit"] == "opening_spacing_min", "limit_value"]
    apart_m = float(apart.iloc[0]) - slack(float(apart.iloc[0])) if len(apart) else 0.0
    whole_may_go = ground.bonds.rule != "free"
    by_opening: dict[int, list[LeastArea | OnePiece | Unsplit]] = {}
    areas: dict[int, LostArea] = {}
    for place, opening in enumerate(ground.holes.openings):
        mine: list[LeastArea | OnePiece | Unsplit] = []
        limit = small.get(place, 0.0)
        least_m2 = limit - slack(limit) if limit else 0.0
        if least_m2 > 0 and not opening.is_outline:
            mine.append(
                LeastArea(holes=ground.holes, place=place, least_m2=least_m2, may_go=whole_may_go)
            )
            most = opening.hole.area - least_m2
            rule = ground.holes.rule  # elsewhere a face may outlast one of its trees
            if not whole_may_go and rule.deducted and rule.edge != "boles":
                areas[place] = lost_area(_crowns_only(ground, place), most=most + _LOOSE_M2)
        if ground.bonds.rule == "edge_trees" and opening.nearby:
            faces = ground.kept_faces(place)
            mine.append(Unsplit(holes=ground.holes, place=place, faces=faces))
        if opening.basis == "crowns" and (apart_m > 0 or least_m2 > 0):
            mine.append(_one_piece(ground, place, apart_m, least_m2))
        by_opening[place] = mine
    targets = [_target(ground, row) for _, row in met[met["limit"] == "target"].iterrows()]
    return Keeps(by_opening=by_opening, areas=areas, targets=targets)


_LOOSE_M2 = 1e-6


def _crowns_only(ground: Ground, place: int) -> Faces:
    """Faces under crowns: they are lost for certain once one of their trees is spared."""
    faces = ground.faces(place)
    if not ground.holes.reach_m([place], frozenset()):
        return faces
    members = ground.holes.discs[list(ground.holes.openings[place].members)]
    inside = shapely.point_on_surface(faces.geometry)
    under = shapely.intersects(shapely.union_all(members), inside)
    return Faces(
        geometry=faces.geometry[under],
        area_m2=faces.area_m2[under],
        trees=faces.trees[under],
        near=faces.near[under],
        takes_all=faces.takes_all[under],
    )


def _one_piece(ground: Ground, place: int, apart_m: float, least_m2: float) -> OnePiece:
    """What keeps the pieces of a crown-linked opening from being openings that break a limit."""
    settings = ground.case.project.openings
    return OnePiece(
        holes=ground.holes,
        place=place,
        marks=ground.canopy.marks,
        thresholds=Thresholds(
            link_distance_m=settings.link_distance_m,
            min_trees=settings.min_trees,
            min_area_m2=settings.min_area_m2,
        ),
        apart_m=apart_m,
        least_m2=least_m2,
    )


def _target(ground: Ground, row: pd.Series) -> Row:
    """Volume of a product that may be given up before its target is missed."""
    amounts = _net_of(ground, row["feature"], str(row["unit"]))
    room = float(row["margin"]) + slack(float(row["limit_value"]))
    return Row(weights=ground.weights(amounts), most=room)


def _net_of(ground: Ground, product: str, unit: str) -> npt.NDArray[np.float64]:
    """Net volume of a product in each mark, NaN where it has none."""
    mine = ground.parts[ground.parts["product"] == product]
    factor = mine["unit"].map({given: unit_factor(given, unit) for given in mine["unit"].unique()})
    net = (mine["net"] * factor).groupby(mine["tree"]).sum()
    return net.reindex(range(len(ground.held))).to_numpy(dtype=float)
