"""From a stem map to proposals, and from a proposal to a layout with the same figures."""

import json
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.spatial import cKDTree

from glademark.hosts.cli import main
from glademark.intake.first_project import new_project_from
from glademark.intake.read import read_survey
from glademark.jobs.layout import Outcome, lay_out
from glademark.jobs.propose import Proposed, propose
from glademark.project import read_project
from glademark.project.job_settings import ProposeSettings
from glademark.proposal.pool import SLIVER_M2, measured, priorities
from glademark.proposal.search import discs_made_connected
from glademark.report.wording import approval_words

CRS = "EPSG:26916"
EAST, NORTH = 500_000, 4_900_000

LIMITS = {
    "opening_area_min": "150 m2",
    "opening_area_max": "700 m2",
    "opening_spacing_min": "12 m",
    "openings_share_max": "15 %",
    "boundary_distance_min": "3 m",
    "removal_basal_area_share_max": "25 %",
}


def project_in(
    folder: Path,
    *,
    limits: dict[str, str] = LIMITS,
    more: str = "",
    seed: int = 2,
    size: tuple[int, int] = (75, 120),
) -> Path:
    """An invented stand (side [m], trees) with clusters of failing trees, a lane, and limits."""
    random = np.random.default_rng(seed)
    side, count = size
    place = random.uniform(0, side, (count, 2))
    away = cKDTree(random.uniform(15, side - 15, (4, 2))).query(place)[0]
    failing = random.random(count) < np.clip(0.9 - away / 20, 0.03, 1)
    dbh = random.uniform(15, 60, count).round(1)
    trees = {
        "tree_id": [f"T{i}" for i in range(count)],
        "species": random.choice(["red maple", "sugar maple"], count),
        "dbh_cm": dbh,
        "crown_radius_m": (1.2 + 0.06 * dbh).round(2),
        "risk": np.where(failing, random.integers(1, 4, count), 0),
    }
    corner = np.array([EAST, NORTH])
    points = shapely.points(place + corner)
    stand = shapely.box(EAST, NORTH, EAST + side, NORTH + side)
    lane = shapely.LineString([(EAST + side / 2, NORTH), (EAST + side / 2, NORTH + side)])
    gpd.GeoDataFrame(trees, geometry=points, crs=CRS).to_file(folder / "standing.gpkg")
    gpd.GeoDataFrame(geometry=[stand], crs=CRS).to_file(folder / "stand.gpkg")
    gpd.GeoDataFrame({"name": ["a"]}, geometry=[lane], crs=CRS).to_file(folder / "lanes.gpkg")
    stated = "\n".join(f"{name} = {json.dumps(value)}" for name, value in limits.items())
    path = folder / "harvest.toml"
    path.write_text(
        "[project]\nname = 'invented'\nunits = 'metric'\n[inputs]\nstand = 'stand.gpkg'\n"
        "corridors = 'lanes.gpkg'\nstanding = 'standing.gpkg'\n[corridors]\nwidth = '4 m'\n"
        "[propose]\npriority_column = 'risk'\nmin_trees = 3\nrounds_max = 1\n"
        f"alternatives = 1\n{more}\n[limits]\n{stated}\n",
        encoding="utf-8",
    )
    return path


PATCHES = (shapely.box(EAST, NORTH, EAST + 20, NORTH + 20),
           shapely.box(EAST + 45, NORTH + 45, EAST + 60, NORTH + 60))  # fmt: skip
"""Walked patches: the first of priority 5, the other without one."""


@pytest.fixture(scope="module")
def proposed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Proposed, Path]]:
    """A proposal, and the folder that it was written into; papers have tests of their own."""
    folder = tmp_path_factory.mktemp("proposed")
    path = project_in(folder, limits={**LIMITS, "canopy_cover_min": "5 %"})
    patches = gpd.GeoDataFrame({"priority": [5.0, np.nan]}, geometry=[*PATCHES], crs=CRS)
    patches.to_file(folder / "patches.gpkg")
    text = path.read_text(encoding="utf-8")
    given = text.replace("[corridors]", "failing_patches = 'patches.gpkg'\n[corridors]")
    path.write_text(given, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("glademark.jobs.propose.PAPERS", ("checks",))
        yield propose(path, out=folder / "proposals", as_marks=1), folder / "proposals"


@pytest.fixture(scope="module")
def laid_out(proposed: tuple[Proposed, Path]) -> Outcome:
    """The layout of the first alternative, from the files that were written."""
    out = proposed[1]
    return lay_out(out / "alternative_1.toml", out=out.parent / "results", only=["gpkg", "gpx"])


def test_a_layout_finds_the_areas_and_spacings_of_the_proposal(
    proposed: tuple[Proposed, Path], laid_out: Outcome
) -> None:
    """Area, both other edges, spacing and distances of each group are those of its opening."""
    groups = proposed[0].stands[""].alternatives[0].groups
    openings = laid_out.delivery.layout.openings.sort_values("opening")
    names = ["area_m2", "area_marked_crowns_m2", "area_boles_m2", "spacing_m", "boundary_m"]

    assert len(groups) > 1
    assert repr(proposed[0]) == "<Proposed 1 alternative>"
    assert openings["opening"].tolist() == groups["group"].tolist()
    assert openings["nearest"].tolist() == groups["nearest"].tolist()
    assert openings["trees"].tolist() == groups["trees"].tolist()
    for name in [*names, "basal_area_m2", "corridor_m"]:
        assert openings[name].to_numpy() == pytest.approx(groups[name].to_numpy(), abs=1e-6)


def test_a_layout_of_a_proposal_exceeds_no_limit(laid_out: Outcome) -> None:
    """What was proposed inside the limits is judged inside them."""
    assert not (laid_out.checks["verdict"] == "exceeded").any()


def test_a_layout_of_a_proposal_is_headed_so_and_makes_no_crew_files(laid_out: Outcome) -> None:
    """Nothing for a receiver is made of proposed marks, and the approval is refused in words."""
    assert approval_words(laid_out.delivery) == (
        "PROPOSAL, NOT MARKED, NOT FOR CUTTING. "
        "Risk, defect and regeneration are judged at the tree and on the ground."
    )
    assert {path.name for path in laid_out.files}.isdisjoint({"layout.gpx"})


def test_the_score_is_the_sum_of_its_parts(proposed: tuple[Proposed, Path]) -> None:
    """Parts add up to a group's points, and groups to an alternative's."""
    (one,) = proposed[0].stands[""].alternatives
    parts = one.groups.filter(regex="^score_").sum(axis=1)

    assert one.groups["score"].to_numpy() == pytest.approx(parts.to_numpy())
    assert one.row["score"] == pytest.approx(one.groups["score"].sum())


def test_points_are_those_of_the_trees(proposed: tuple[Proposed, Path]) -> None:
    """Failing trees gain priority x basal area, others lose half of theirs."""
    one = proposed[0].stands[""].alternatives[0]
    basal = np.pi / 40_000 * one.trees["dbh_cm"] ** 2
    gained = (one.trees["priority"] * basal).where(one.trees["failing"], 0.0)
    lost = (0.5 * basal).where(~one.trees["failing"].astype(bool), 0.0)
    by_group = one.trees["group"]

    assert one.groups["score_failing"].to_numpy() == pytest.approx(
        gained.groupby(by_group).sum().to_numpy()
    )
    assert one.groups["score_growing_stock"].to_numpy() == pytest.approx(
        -lost.groupby(by_group).sum().to_numpy()
    )


def test_every_tree_inside_an_opening_belongs_to_its_group(
    proposed: tuple[Proposed, Path],
) -> None:
    """No standing tree is left inside, but those that go with a corridor."""
    one = proposed[0].stands[""].alternatives[0]
    trees = proposed[0].stands[""].prepared.trees
    inside = trees[trees.within(one.groups.union_all()) & ~trees["cut_first"]]

    assert set(inside["tree_id"]) <= set(one.trees["tree_id"])


def test_no_opening_crosses_the_boundary(proposed: tuple[Proposed, Path]) -> None:
    """Sets of linked trees at the boundary whose crowns reach beyond it are no candidates."""
    prepared = proposed[0].stands[""].prepared
    task, stand = prepared.task, prepared.survey.stand.geometry.iloc[0]
    sets = discs_made_connected(task, 500.0)
    loose = replace(task.demands, area_min_m2=0.0, boundary_m=0.0, amounts_max=())
    inside, anywhere = (
        measured(sets, replace(task.stock, amounts=task.stock.amounts[:, :0]), ground, loose,
                 exact=False).shapes
        for ground in (task.ground, replace(task.ground, barred=shapely.Polygon()))
    )  # fmt: skip

    assert shapely.area(shapely.difference(inside, stand)).max() <= SLIVER_M2
    assert (shapely.area(shapely.difference(anywhere, stand)) > 1.0).any()
    assert len(inside) > 3


def test_what_is_written_says_that_it_is_a_proposal(proposed: tuple[Proposed, Path]) -> None:
    """The marks carry no paint and say yes to proposed; flags and project file are headed."""
    out = proposed[1]
    marks = gpd.read_file(out / "marks_alternative_1.gpkg", layer="marks")
    table = tomllib.loads((out / "alternative_1.toml").read_text(encoding="utf-8"))
    trees = proposed[0].stands[""].alternatives[0].trees

    assert "paint" not in marks
    assert set(marks["proposed"]) == {"yes"}
    assert set(marks["kind"]) == {"cut"}
    assert (marks["group"].fillna("") != "").sum() == len(trees)
    assert "NOT FOR CUTTING" in (out / "alternative_1.toml").read_text(encoding="utf-8")
    assert "NOT FOR CUTTING" in (out / "proposals.gpx").read_text(encoding="utf-8")
    assert table["inputs"]["stand"] == "../stand.gpkg"


def test_layers_and_figures_are_written(proposed: tuple[Proposed, Path]) -> None:
    """Groups, trees and alternatives stand in the GeoPackage; the figures in JSON."""
    one, out = proposed[0].stands[""], proposed[1]
    figures = json.loads((out / "proposals.json").read_text(encoding="utf-8"))
    groups = gpd.read_file(out / "proposals.gpkg", layer="proposed_groups")
    by_limit = {row["limit"]: row for row in figures["marginal_values"]}

    assert len(groups) == sum(len(alternative.groups) for alternative in one.alternatives)
    assert groups["why"].str.endswith(".").all()
    assert figures["score"] <= figures["bound"] + 1e-9
    assert figures["optimality_gap"] <= 1e-4
    assert figures["edge"] == "standing_crowns"
    assert figures["project"] == proposed[0].project.heading.name
    assert set(by_limit) == {*LIMITS, "groups_min", "groups_max"}
    spacing = [row["score"] for row in by_limit["opening_spacing_min"]["tried"]]
    assert spacing == sorted(spacing, reverse=True)
    assert figures["infeasible"] == ""
    (afterwards,) = (said for said in figures["not_proved"] if "judged by them afterwards" in said)
    assert "keeps to canopy_cover_min better" in afterwards


def test_trees_of_a_walked_patch_are_failing(proposed: tuple[Proposed, Path]) -> None:
    """Trees inside a patch have its priority, those outside theirs; a blank one just fails."""
    trees = proposed[0].stands[""].prepared.trees
    inside, blank = (trees.within(patch) for patch in PATCHES)
    risk = trees["risk"].astype(float)

    assert set(trees.loc[inside, "priority"]) == {5.0}
    assert (trees.loc[blank, "priority"] == risk[blank].clip(1)).all()
    assert (trees["priority"] == risk)[~inside & ~blank].all()
    assert trees.loc[inside | blank, "failing"].all()
    assert inside.any()
    assert blank.any()


def test_a_project_made_from_field_files_is_one_to_propose_from(tmp_path: Path) -> None:
    """The standing trees, the column of their risk and no marks: nothing is left to fill in."""
    project_in(tmp_path)
    files = [tmp_path / f"{name}.gpkg" for name in ("stand", "lanes", "standing")]
    (path,) = new_project_from(tmp_path / "new", files)
    project = read_project(path, marked=False)
    survey = read_survey(project, folder=path.parent)

    assert path.read_text(encoding="utf-8").count("FILL IN") == 1  # the heading that explains it
    assert project.heading.units == "metric"  # its diameters are in centimetres
    assert len(survey.standing) == 120
    assert (priorities(survey.standing, project.propose) >= project.propose.failing_from).any()


def test_limits_that_cannot_hold_together_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too many groups for their spacing: both are named, and limits that play no part are not.

    Who asks for alternative 7 is told that there are none, and why; nothing is written.
    """
    limits = {**LIMITS, "opening_spacing_min": "80 m"}
    project = project_in(tmp_path, limits=limits, more="groups_min = 2", size=(50, 50))
    out = tmp_path / "proposals"
    words = ["glademark", "propose", str(project), "--out", str(out), "--as-marks", "7"]
    monkeypatch.setattr("sys.argv", words)
    with pytest.raises(SystemExit) as end:
        main()
    said = " ".join(capsys.readouterr().err.split())

    assert end.value.code == 2
    assert "--as-marks 7: the proposal has 0 alternatives" in said
    assert "groups_min 2" in said
    assert "opening_spacing_min 80.0 m" in said
    assert "boundary_distance" not in said
    assert not out.exists()


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"priority_column": "rsk"}, "standing trees have no column 'rsk'"),
        ({"groups_min": 13}, "groups_min 13 is more than groups_max 12"),
        ({"weights": {"failing": "much"}}, "'much' is no weight; expected points per"),
        ({"weights": {"group": "1 per m2"}}, "expected a number of points"),
        ({"priority": [{"when": {"sick": "yes"}, "priority": 1}]}, "have no column 'sick'"),
        ({"priority": [{"when": {"dbh_min": "9 acres"}, "priority": 1}]}, "priority when dbh"),
    ],
)
def test_settings_that_cannot_be_meant_are_refused(
    settings: dict[str, object], message: str
) -> None:
    """Each says what was written and what was expected."""
    trees = pd.DataFrame({"dbh_cm": [30.0], "risk": [1]})

    with pytest.raises(ValueError, match=message):
        priorities(trees, ProposeSettings.model_validate(settings))
