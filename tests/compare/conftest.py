"""Synthetic stands of stated density, cut and walked, whose truth is known."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import shapely

from glademark.comparison.likeness import Shifts
from glademark.comparison.matching import Match, Rates
from glademark.contracts.layout import Layout
from glademark.contracts.survey import AfterCutSurvey, Survey
from glademark.intake.after_cut import no_damage
from glademark.intake.areas import AREA_COLUMNS, WALKED_COLUMNS, no_areas
from glademark.intake.cruise import no_cruise
from glademark.measure.layout import measure_layout
from glademark.project.model import Project

SPECIES = np.array(["sugar maple", "hemlock", "yellow birch", "red maple", "basswood", "beech"])
SHARES = (0.42, 0.22, 0.12, 0.12, 0.07, 0.05)

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Stand:
    """Trees, stumps, what each stump truly is (-1: of no known tree), and the ground [m2]."""

    trees: pd.DataFrame
    stumps: pd.DataFrame
    truth: npt.NDArray[np.intp]
    ground_m2: float
    left_share: float
    shift: tuple[float, float]
    misread: float

    @property
    def known(self) -> Rates:
        """The rates that the stand was made with."""
        return Rates(
            cut_share=np.array([1 - self.left_share]),
            unmarked_per_m2=np.array([max((self.truth < 0).sum(), 0.5) / self.ground_m2]),
            scale=1.0,
            odd_share=self.misread,
            shifts=Shifts(tree=np.zeros((1, 2)), stump=np.array([self.shift])),
        )

    def right(self, match: Match) -> float:
        """Share of the stumps of known trees that are matched to their own."""
        mate = np.full(len(self.truth), -1)
        mate[match.pairs.column[match.chosen]] = match.pairs.row[match.chosen]
        return float((mate == self.truth)[self.truth >= 0].mean())


def make_stand(  # noqa: PLR0913 - what a stand can be
    seed: int,
    *,
    trees: int = 500,
    per_ha: float = 150.0,
    error_m: float = 2.0,
    unmarked: int = 20,
    left_share: float = 0.04,
    shift: tuple[float, float] = (0.0, 0.0),
    misread: float = 0.0,
) -> Stand:
    """Trees at random places; each axis of a position has the error over the root of 2."""
    rng = np.random.default_rng(seed)
    side = float(np.sqrt(trees / per_ha * 1e4))
    cut = rng.random(trees) >= left_share
    truth = np.concatenate([np.flatnonzero(cut), np.full(unmarked, -1)])
    xy = rng.uniform(0, side, (trees + unmarked, 2))
    species = rng.choice(SPECIES, trees + unmarked, p=SHARES)
    dbh = np.clip(rng.normal(30, 8, trees + unmarked), 12, 60)
    of = np.concatenate([np.flatnonzero(cut), np.arange(trees, trees + unmarked)])
    wrong = rng.random(len(of)) < 0.03
    named = np.where(wrong, rng.choice(SPECIES, len(of), p=SHARES), species[of])
    order = rng.permutation(len(of))
    stumps = frame(
        xy[of] + shift + rng.normal(0, error_m / np.sqrt(2), (len(of), 2)),
        named,
        dbh[of] * np.exp(rng.normal(0, 0.078, len(of))),
        error_m,
    ).assign(ground=0, low_mark=np.nan)
    known = frame(
        xy[:trees] + rng.normal(0, error_m / np.sqrt(2), (trees, 2)),
        species[:trees],
        dbh[:trees] * np.exp(rng.normal(0, 0.018, trees)),
        error_m,
    ).assign(to_cut=True, looked_at=1.0, **{"class": 0})
    odd = rng.random(len(stumps)) < misread  # read or written as any other tree's
    stumps["dbh_cm"] = stumps["dbh_cm"].mask(odd, rng.permutation(stumps["dbh_cm"]))
    return Stand(
        trees=known.assign(edge_m=edge_m(known, side)),
        stumps=stumps.assign(edge_m=edge_m(stumps, side, shift)).iloc[order].reset_index(drop=True),
        truth=truth[order],
        ground_m2=side**2,
        left_share=left_share,
        shift=shift,
        misread=misread,
    )


def edge_m(points: pd.DataFrame, side: float, shift: tuple[float, float] = (0.0, 0.0)) -> Floats:
    """Distance of points to the edge of their square, negative beyond it."""
    xy = points[["x", "y"]].to_numpy() - shift
    return np.minimum(xy, side - xy).min(axis=1)


def frame(
    xy: Floats, species: npt.ArrayLike, dbh_cm: npt.ArrayLike, error_m: float
) -> pd.DataFrame:
    """Rows at places, all of one day."""
    columns = {"x": xy[:, 0], "y": xy[:, 1], "species": species, "dbh_cm": dbh_cm}
    return pd.DataFrame(columns).assign(error_m=error_m, day=0)


@pytest.fixture(scope="session")
def stand_of() -> Callable[..., Stand]:
    """Builder of stands."""
    return make_stand


@dataclass(frozen=True, kw_only=True)
class Inspected:
    """A stand before and after the cut, as `glademark.comparison.comparison.compare` takes it."""

    survey: Survey
    layout: Layout
    project: Project
    seen: AfterCutSurvey
    unmarked: int


Build = Callable[..., Any]
CORNER = np.array([400_000.0, 5_000_000.0])
WIDE_M, HIGH_M = 300.0, 240.0
LANES_M = (60.0, 150.0, 240.0)
GROUPS = ((30.0, 60.0), (105.0, 170.0), (195.0, 70.0), (270.0, 180.0))
GROUP_M, LANE_M = 14.0, 4.0
PAPER = {("beech", 15.0): 40, ("beech", 20.0): 30, ("hemlock", 15.0): 30, ("hemlock", 25.0): 20}


def make_inspected(
    seed: int,
    build_survey: Build,
    build_project: Build,
    *,
    unmarked_share: float = 0.0,
    limit: str = "3 %",
    error_m: float = 2.0,
) -> Inspected:
    """
    About 640 trees cut as told: marks, clumps under one number, paper, counted groups, clearing.

    `unmarked_share` of the stumps (but cleared stems) are of trees that nobody marked, in the
    matrix. Position errors of marks and stumps are as stated, and a day's walk is shifted.
    """
    rng = np.random.default_rng(seed)
    marks = _marked(rng)
    paper = _on_paper(rng)
    told = len(marks) + len(paper)
    unmarked = int(unmarked_share / (1 - unmarked_share) * told)  # at most that share
    strangers = _trees(_matrix(rng, unmarked), rng)
    cleared = _trees(_under_crowns(marks, rng, 80), rng).assign(dbh=rng.uniform(4.0, 10.0, 80))
    stumps = pd.concat([marks, paper, strangers, cleared], ignore_index=True)
    project = build_project(
        marks={"position_error": f"{error_m} m", "paint": {"white": "cut"}},
        compare={"unmarked_share_max": limit, "stump_error": f"{error_m} m"},
        openings={"cleared_to_dbh": "2.5 cm"},
    )
    survey = _surveyed(marks, paper, rng, error_m, build_survey)
    layout = measure_layout(survey, project, earlier={})
    walked = _walked(stumps, rng, error_m, survey)
    return Inspected(survey=survey, layout=layout, project=project, seen=walked, unmarked=unmarked)


def _matrix(rng: np.random.Generator, count: int) -> Floats:
    """Places off corridors and groups."""
    xy = rng.uniform((3, 3), (WIDE_M - 3, HIGH_M - 3), (4 * count + 100, 2))
    lanes = np.abs(xy[:, :1] - LANES_M).min(axis=1) < LANE_M / 2
    away = np.hypot(*(xy[:, None, :] - np.array(GROUPS)).transpose(2, 0, 1)).min(axis=1)
    return xy[~lanes & (away > GROUP_M + 6)][:count]


def _in_groups(rng: np.random.Generator, count: int) -> Floats:
    """Places in the groups."""
    bearing, away = rng.uniform(0, 2 * np.pi, count), GROUP_M * np.sqrt(rng.random(count))
    middle = np.array(GROUPS)[rng.integers(len(GROUPS), size=count)]
    return middle + np.column_stack([away * np.cos(bearing), away * np.sin(bearing)])


def _under_crowns(marks: pd.DataFrame, rng: np.random.Generator, count: int) -> Floats:
    """Places in the openings: within 2.5 m of a tree of a group, whose crown has 3 m."""
    trees = marks.loc[marks["group"] != "", ["x", "y"]].to_numpy()
    bearing, away = rng.uniform(0, 2 * np.pi, count), 2.5 * np.sqrt(rng.random(count))
    offset = np.column_stack([away * np.cos(bearing), away * np.sin(bearing)])
    return np.asarray(trees[rng.integers(len(trees), size=count)] + offset)


def _trees(xy: Floats, rng: np.random.Generator) -> pd.DataFrame:
    """Trees of any species and diameter [cm]."""
    count = len(xy)
    species = rng.choice(["beech", "hemlock", "sugar maple"], count, p=[0.4, 0.3, 0.3])
    dbh = np.clip(rng.normal(30, 9, count), 12, 60)
    columns = {"x": xy[:, 0], "y": xy[:, 1], "species": species, "dbh": dbh}
    return pd.DataFrame(columns).assign(group="", record=-1)


def _marked(rng: np.random.Generator) -> pd.DataFrame:
    """Trees with marks: singles, clumps of three, corridors, three of the groups."""
    singles = _trees(_matrix(rng, 290), rng)
    lanes = rng.uniform((-1.9, 5), (1.9, HIGH_M - 5), (45, 2)) + np.column_stack(
        [rng.choice(LANES_M, 45), np.zeros(45)]
    )
    grouped = _in_groups(rng, 110)
    number = np.hypot(*(grouped[:, None, :] - np.array(GROUPS)).transpose(2, 0, 1)).argmin(axis=1)
    grouped, number = grouped[number > 0], number[number > 0]
    parts = [singles, _trees(lanes, rng), _trees(grouped, rng).assign(group=number.astype(str))]
    alone = pd.concat(parts, ignore_index=True)
    alone["record"] = np.arange(len(alone))
    clumps = _trees(_matrix(rng, 15), rng)
    clumps["record"] = len(alone) + np.arange(len(clumps))
    stems = clumps.loc[clumps.index.repeat(3)].reset_index(drop=True)
    stems[["x", "y"]] += rng.normal(0, 0.5, (len(stems), 2))
    return pd.concat([alone, stems], ignore_index=True)


def _on_paper(rng: np.random.Generator) -> pd.DataFrame:
    """Trees without positions: small ones of the matrix, and those of the group with a count."""
    kinds = [(*key, n) for key, n in PAPER.items()]
    species = np.repeat([name for name, _, _ in kinds], [n for _, _, n in kinds])
    dbh = np.repeat([size for _, size, _ in kinds], [n for _, _, n in kinds])
    matrix = _trees(_matrix(rng, len(dbh)), rng).assign(species=species, dbh=dbh)
    bearing, away = rng.uniform(0, 2 * np.pi, 30), (GROUP_M - 1) * np.sqrt(rng.random(30))
    inside = GROUPS[0] + np.column_stack([away * np.cos(bearing), away * np.sin(bearing)])
    counted = _trees(inside, rng).assign(group="0")
    return pd.concat([matrix, counted], ignore_index=True)


def _surveyed(
    marks: pd.DataFrame, paper: pd.DataFrame, rng: np.random.Generator, error_m: float, build: Build
) -> Survey:
    """Marks at shaken places, clumps under one record, and the tally."""
    records = marks.groupby("record", as_index=False).agg(
        {"x": "mean", "y": "mean", "species": "first", "dbh": "first", "group": "first"}
    )
    records["count"] = marks.groupby("record").size().to_numpy()
    shaken = CORNER + records[["x", "y"]] + rng.normal(0, error_m / np.sqrt(2), (len(records), 2))
    rows = [
        {
            "geometry": shapely.Point(xy), "species": species, "dbh": dbh, "dbh_cm": dbh,
            "group": group, "count": count, "paint": "white", "paint_meaning": "cut",
            "position_error_m": error_m, "record": number,
        }
        for number, (xy, species, dbh, group, count) in enumerate(
            zip(shaken.to_numpy(), records["species"], records["dbh"], records["group"],
                records["count"], strict=True)
        )
    ]  # fmt: skip
    centre = {
        "geometry": shapely.Point(CORNER + GROUPS[0]), "kind": "group_centre", "group": "0",
        "radius_m": GROUP_M, "position_error_m": error_m, "record": len(rows), "count": 1,
    }  # fmt: skip
    tally = [
        {"zone": "matrix", "species": name, "dbh": size, "dbh_unit": "cm", "count": count}
        for (name, size), count in PAPER.items()
    ]
    in_group = int((paper["group"] == "0").sum())
    tally.append({"zone": "opening", "group": "0", "dbh": np.nan, "count": in_group})
    lanes = [
        shapely.LineString([CORNER + (x, 0), CORNER + (x, HIGH_M)])  # noqa: RUF005 - a sum
        for x in LANES_M
    ]
    stand = shapely.box(*CORNER, *(CORNER + (WIDE_M, HIGH_M)))  # noqa: RUF005 - a sum
    survey: Survey = build(stand, corridors=lanes, marks=[*rows, centre], tally=tally)
    return survey


def _walked(
    stumps: pd.DataFrame, rng: np.random.Generator, error_m: float, survey: Survey
) -> AfterCutSurvey:
    """Stumps as recorded: shaken and shifted, diameters off by 8 %, 3 % of species wrong."""
    size = len(stumps)
    xy = CORNER + stumps[["x", "y"]].to_numpy() + (1.5, -1.0)
    xy = xy + rng.normal(0, error_m / np.sqrt(2), (size, 2))
    dbh = stumps["dbh"].to_numpy() * np.exp(rng.normal(0, 0.08, size))
    wrong = rng.random(size) < 0.03
    species = np.where(wrong, rng.choice(["beech", "hemlock"], size), stumps["species"])
    frame = gpd.GeoDataFrame(
        {
            "stump_id": np.arange(size).astype(str), "count": 1, "diameter_cm": dbh,
            "diameter_at": "breast", "stump_height_m": 0.3, "dbh_cm": dbh, "dbh": dbh,
            "dbh_unit": "cm", "species": species, "product": "", "low_mark": np.nan,
            "position_error_m": error_m, "day": "walk", "inside": True, "source_file": "stumps.csv",
            "record": np.arange(size),
        },
        geometry=shapely.points(xy), crs=survey.crs,
    )  # fmt: skip
    plots, trees = no_cruise(survey.crs)
    return AfterCutSurvey(
        stumps=frame,
        driven=no_areas(survey.crs, AREA_COLUMNS),
        openings=no_areas(survey.crs, WALKED_COLUMNS),
        sampled=no_areas(survey.crs, AREA_COLUMNS),
        plots=plots,
        plot_trees=trees,
        damage=no_damage(survey.crs),
        rejected=pd.DataFrame(),
        counts=(),
        notices=(),
    )


@pytest.fixture(scope="session")
def inspected_of(survey_of: Build, project_of: Build) -> Callable[..., Inspected]:
    """Builder of stands before and after the cut."""

    def build(seed: int, **how: Any) -> Inspected:  # noqa: ANN401 - of `make_inspected`
        return make_inspected(seed, survey_of, project_of, **how)

    return build
