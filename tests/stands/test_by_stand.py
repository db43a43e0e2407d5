"""Advice and comparison on a project of many stands: stand by stand, or refused."""

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from glademark.errors import InputError
from glademark.jobs.advise import Advised, give_advice
from glademark.jobs.compare import Compared, compare_after_cut, inputs_of
from glademark.jobs.layout import lay_out
from glademark.jobs.stands import lay_out_stands
from tests.stands.conftest import CRS, Ownership, make_ownership

TWO = ["North 1", "7"]


@pytest.fixture(scope="module")
def two() -> Ownership:
    """Two stands side by side; of the second, half as many trees are on the map."""
    return make_ownership(TWO)


@pytest.fixture(scope="module")
def project(two: Ownership, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Project file of both; its limit is broken by the group of each stand."""
    path = two.write(tmp_path_factory.mktemp("two") / "in", column="stand_id")
    text = path.read_text(encoding="utf-8").replace('"0.2 acre"', '"0.02 acre"')
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def advised(project: Path) -> Advised:
    """Advice on both, with the marks that result."""
    folder = project.parents[1]
    return give_advice(project, by="trees", out=folder / "advice", apply=folder / "mended.csv")


def alone(two: Ownership, name: str, folder: Path) -> Path:
    """Project file of one of the stands by itself, under the same limit."""
    path = two.of(name).write(folder)
    text = path.read_text(encoding="utf-8").replace('"0.2 acre"', '"0.02 acre"')
    path.write_text(text, encoding="utf-8")
    return path


def test_advice_mends_what_the_layout_shows_exceeded(
    project: Path, advised: Advised, tmp_path: Path
) -> None:
    """A limit that the layout shows exceeded in a stand is what the advice on it mends."""
    checks = lay_out_stands(project, out=tmp_path / "out", only=["checks"])
    exceeded = {str(one.row["stand_id"]): one.row["exceeded"] for one in checks.stands}

    assert list(advised.stands) == TWO
    assert {name: len(one.advice.exceeded) for name, one in advised.stands.items()} == exceeded
    assert all(exceeded.values())


@pytest.mark.parametrize("name", TWO)
def test_advice_on_a_stand_is_that_on_it_alone(
    name: str, two: Ownership, advised: Advised, tmp_path: Path
) -> None:
    """The trees advised for a stand among two are those advised where it has files of its own."""
    by_itself = give_advice(alone(two, name, tmp_path / "in"), by="trees", out=tmp_path / "out")

    trees = by_itself.stands[""].advice.leave_standing["tree_id"].tolist()
    assert trees
    assert advised.stands[name].advice.leave_standing["tree_id"].tolist() == trees
    written = pd.read_csv(advised.files[0].parents[1] / f"stand {name}" / "advice.csv", dtype=str)
    assert written["tree_id"].tolist() == trees


def test_the_json_names_each_stand(advised: Advised) -> None:
    """The figures of many stands stand under the name of each."""
    (path,) = (path for path in advised.files if path.name == "advice.json")
    content = json.loads(path.read_text(encoding="utf-8"))

    assert list(content["stands"]) == TWO
    assert content["refused"] == {}


def test_the_marks_that_result_are_of_all_stands(advised: Advised, two: Ownership) -> None:
    """The file of marks holds every tree of both stands, each with its stand."""
    marks = pd.read_csv(advised.files[-1], dtype=str)

    assert marks["stand_id"].value_counts().to_dict() == dict.fromkeys(TWO, 60)
    left = marks["kind"].eq("leave").groupby(marks["stand_id"]).sum()
    assert (left > 0).all()
    assert len(marks) == len(two.marks)


def stumps_of(two: Ownership, folder: Path, *, without_column: bool) -> Path:
    """Stumps of every marked tree, where the tree stood, and one that nobody marked."""
    marks = two.marks.reset_index(drop=True)
    rows = marks[["id", "x", "y", "dbh_cm", "species", "stand_id"]]
    extra = rows.iloc[[-1]].assign(id=999, x=rows["x"].min() + 60.0, y=rows["y"].mean())
    rows = pd.concat([rows, extra.assign(stand_id=TWO[0])], ignore_index=True)
    if without_column:
        rows = rows.drop(columns="stand_id")
    path = folder / "stumps.gpkg"
    shapes = shapely.points(rows["x"], rows["y"])
    gpd.GeoDataFrame(rows.drop(columns=["x", "y"]), geometry=shapes, crs=CRS).to_file(path)
    return path


@pytest.mark.parametrize("without_column", [False, True], ids=["named", "by location"])
def test_stumps_are_held_against_their_own_stand(
    two: Ownership, project: Path, tmp_path: Path, *, without_column: bool
) -> None:
    """Stumps of both stands in one file are compared with the trees of their own."""
    stumps = stumps_of(two, tmp_path, without_column=without_column)
    compared = compare(project, tmp_path / "out", stumps)

    assert compared.refused == {}
    assert {name: len(one.seen.stumps) for name, one in compared.stands.items()} == {
        TWO[0]: 61,
        TWO[1]: 60,
    }
    assert compared.rejected.empty
    content = json.loads((tmp_path / "out" / "compare.json").read_text(encoding="utf-8"))
    assert list(content["stands"]) == TWO
    assert (tmp_path / "out" / f"stand {TWO[1]}" / "findings.csv").is_file()


def compare(project: Path, out: Path, stumps: Path) -> Compared:
    """The comparison with a file of stumps."""
    return compare_after_cut(project, inputs_of(stumps=[stumps]), out=out)


def test_a_stand_in_which_nothing_was_seen_is_named(
    two: Ownership, project: Path, tmp_path: Path
) -> None:
    """Where all stumps are of one stand, the other is refused by name, not called uncut."""
    first = Ownership(
        stand=two.stand,
        corridors=two.corridors,
        marks=two.marks[two.marks["stand_id"] == TWO[0]],
    )
    compared = compare(project, tmp_path / "out", stumps_of(first, tmp_path, without_column=True))

    assert list(compared.stands) == [TWO[0]]
    assert compared.refused == {TWO[1]: "nothing that was seen after the cut belongs to it"}


def test_records_of_an_unknown_stand_are_counted(
    two: Ownership, project: Path, tmp_path: Path
) -> None:
    """A stump that names an unknown stand is listed, and in the figures of none."""
    marks = two.marks.assign(stand_id=two.marks["stand_id"].where(two.marks.index != 5, "99"))
    stumps = stumps_of(
        Ownership(stand=two.stand, corridors=two.corridors, marks=marks),
        tmp_path,
        without_column=False,
    )
    compared = compare(project, tmp_path / "out", stumps)

    assert compared.rejected["reason"].tolist() == ["no stand is called '99'"]
    assert len(compared.stands[TWO[0]].seen.stumps) == 60


def test_what_is_for_one_stand_refuses_many(project: Path, tmp_path: Path) -> None:
    """A layout of one stand does not take the files of two as those of one."""
    with pytest.raises(InputError, match="stand_id is given, so that the files hold many stands"):
        lay_out(project, out=tmp_path / "out")
