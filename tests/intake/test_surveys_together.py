"""Surveys of many stands read together, held against those of each stand read alone."""

from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from glademark.errors import InputError
from glademark.intake import together
from glademark.intake.read import survey_of
from glademark.intake.stands import open_stands
from glademark.intake.together import surveys_of
from glademark.project.model import Project
from glademark.survey import Survey

CRS = "EPSG:26916"
NAMES = ("A", "B", "C", "D")
SIDE = 100.0
X0, Y0 = 500_000.0, 4_800_000.0
PAINT = {"pink": "corridor", "white": "cut"}
Found = Mapping[str, Survey | InputError]


def square(place: int) -> shapely.Polygon:
    """Stand by its place in a row of stands that share their edges."""
    return shapely.box(X0 + SIDE * place, Y0, X0 + SIDE * (place + 1), Y0 + SIDE)


def boundaries() -> gpd.GeoDataFrame:
    """Four squares in a row."""
    return gpd.GeoDataFrame(
        {"stand_id": NAMES}, geometry=[square(place) for place in range(len(NAMES))], crs=CRS
    )


def lines() -> gpd.GeoDataFrame:
    """Two corridors a stand, past the boundary at both ends, with the same names in each."""
    rows = [
        (name, f"C{n}", shapely.LineString([(x, Y0 - 5), (x, Y0 + SIDE + 5)]))
        for place, name in enumerate(NAMES)
        for n, x in enumerate((X0 + SIDE * place + 20, X0 + SIDE * place + 70))
    ]
    stands, corridors, shapes = zip(*rows, strict=True)
    columns = {"stand_id": stands, "corridor": corridors, "width_m": 4.0}
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=CRS)


def trees(seed: int = 1) -> pd.DataFrame:
    """Ten marks a stand as text, the stands mixed with one another, each with numbers 1 to 10."""
    rng = np.random.default_rng(seed)
    place = np.tile(np.arange(len(NAMES)), 10)
    frame = pd.DataFrame(
        {
            "stand_id": np.array(NAMES)[place],
            "id": np.repeat(np.arange(1, 11), len(NAMES)),
            "x": (X0 + SIDE * place + rng.uniform(5, 95, len(place))).round(2),
            "y": (Y0 + rng.uniform(5, 95, len(place))).round(2),
            "dbh_cm": rng.uniform(15, 50, len(place)).round(1),
            "species": rng.choice(["sugar maple", "red maple"], len(place)),
            "paint": rng.choice(["pink", "white"], len(place)),
            "time": "",
            "remark": "sound",
        }
    )
    return frame.astype("str")


def read_both(folder: Path, **tables: object) -> tuple[Found, Found]:
    """Surveys of all stands, read together and each alone."""
    content = {"project": {"name": "Many", "stand_id": "stand_id"}, **tables}
    project = Project.model_validate(content)
    with open_stands(project, folder=folder) as many:
        alone: dict[str, Survey | InputError] = {}
        for name in many.names:
            try:
                alone[name] = survey_of(many.of(name), project)
            except InputError as error:
                alone[name] = error
        return surveys_of(many, many.names, project), alone


def given_as(
    folder: Path,
    *,
    marks: pd.DataFrame | None = None,
    stand: gpd.GeoDataFrame | None = None,
    corridors: gpd.GeoDataFrame | None = None,
    sep: str = ",",
) -> dict[str, object]:
    """Files of such layers, and the tables of a project of them."""
    (boundaries() if stand is None else stand).to_file(folder / "stand.gpkg")
    (lines() if corridors is None else corridors).to_file(folder / "corridors.gpkg")
    rows = trees() if marks is None else marks
    rows.to_csv(folder / "marks.csv", index=False, sep=sep)
    source = {"file": "marks.csv", "crs": CRS}
    return {
        "inputs": {"stand": "stand.gpkg", "corridors": "corridors.gpkg", "marks": source},
        "marks": {"dbh_unit": "cm", "paint": PAINT},
    }


def assert_same(found: Found, expected: Found) -> None:
    """Every field of every survey is the same, types and order included."""
    assert list(found) == list(expected)
    for name, theirs in expected.items():
        mine = found[name]
        if isinstance(theirs, InputError):
            assert isinstance(mine, InputError)
            assert mine.faults == theirs.faults
            continue
        assert isinstance(mine, Survey), mine
        for field in fields(Survey):
            _assert_equal(getattr(mine, field.name), getattr(theirs, field.name), field.name)


def _assert_equal(mine: object, theirs: object, what: str) -> None:
    """One field of two surveys is the same."""
    if not isinstance(theirs, pd.DataFrame):
        assert mine == theirs, what
        return
    assert type(mine) is type(theirs), what
    assert isinstance(mine, pd.DataFrame)
    if isinstance(theirs, gpd.GeoDataFrame):
        assert isinstance(mine, gpd.GeoDataFrame)
        assert mine.crs == theirs.crs
        assert mine.geometry.name == theirs.geometry.name
        assert list(shapely.to_wkb(mine.geometry)) == list(shapely.to_wkb(theirs.geometry))
    assert mine.columns.tolist() == theirs.columns.tolist(), what
    plain = [pd.DataFrame(one).drop(columns="geometry", errors="ignore") for one in (mine, theirs)]
    assert_frame_equal(*plain, check_exact=True, check_index_type="exact", obj=what)


@pytest.fixture
def read_alone(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Stands that could not be read together, as they come up."""
    names: list[str] = []
    read = together._alone

    def _noted(many: object, name: str, project: Project) -> Survey | InputError:
        names.append(name)
        return read(many, name, project)  # type: ignore[arg-type]

    monkeypatch.setattr(together, "_alone", _noted)
    return names


def test_clean_stands_are_what_they_are_alone(tmp_path: Path, read_alone: list[str]) -> None:
    """Stands that share edges, names of corridors and numbers of trees do not touch each other."""
    found, alone = read_both(tmp_path, **given_as(tmp_path))

    assert_same(found, alone)
    assert all(isinstance(one, Survey) for one in alone.values())
    assert read_alone == []


def of_b(column: str, *cells: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Marks of which the first ones of stand B have other cells."""

    def change(marks: pd.DataFrame) -> pd.DataFrame:
        marks = marks.copy() if column in marks else marks.assign(**{column: ""})
        rows = marks.index[marks["stand_id"] == "B"][: len(cells)]
        marks.loc[rows, column] = cells
        return marks

    return change


def again(marks: pd.DataFrame) -> pd.DataFrame:
    """Marks of B that stand twice, with a time, without one, and without a number."""
    rows = marks[marks["stand_id"] == "B"].copy()
    timed = rows.iloc[:2].assign(time="2025-05-01T10:00", id="77")
    bare = rows.iloc[2:4].assign(id="")
    return pd.concat([marks, rows.iloc[4:6], timed, timed, bare, bare], ignore_index=True)


def away(metres: float, number: int) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Some marks of B that lie south of it."""
    return of_b("y", *[str(Y0 - metres)] * number)


MESSES: Mapping[str, Callable[[pd.DataFrame], pd.DataFrame]] = {
    "no diameter": of_b("dbh_cm", "", "-"),
    "impossible diameter": of_b("dbh_cm", "400", "thick", "-3"),
    "diameter with a unit": of_b("dbh_cm", "14.2 in", '12"'),
    "all diameters in another unit": of_b("dbh_cm", *["400 mm"] * 10),
    "median that no forest has": of_b("dbh_cm", *["2"] * 10),
    "median that is doubtful": of_b("dbh_cm", *["90"] * 10),
    "no number": of_b("id", "", ""),
    "numbers of a spreadsheet": of_b("id", "1.0", "12.00"),
    "one number twice": of_b("id", "5", "5"),
    "repeats": again,
    "unknown species": of_b("species", "baobab", "baobab", "teak", ""),
    "paint that is not listed": of_b("paint", "mauve", "", "Pink"),
    "kinds": of_b("kind", "cut", "danger tree", "leave"),
    "unknown kind": of_b("kind", "cut", "perhaps"),
    "type that says kinds": of_b("type", "cut", "danger"),
    "type that says something else": of_b("type", "cut", "big", "small"),
    "a count": of_b("count", "2", "1.5", "0"),
    "height": of_b("height_m", "20", "200", "high"),
    "crown": of_b("crown_radius_m", "3", "99"),
    "crown that is not clear": of_b("crown", "3"),
    "share of defect": of_b("defect", "20", "120"),
    "defect that may be a share": of_b("defect", "0.2", "0.1"),
    "cull": of_b("cull", "yes", "maybe"),
    "volume without a unit": of_b("volume", "1.2"),
    "volume": of_b("volume_m3", "1.2", "-1"),
    "must go": of_b("must_go", "yes", "what"),
    "error of the position": of_b("gps_error", "2", "-1"),
    "order": of_b("order", "1", "first"),
    "group": of_b("group", "1.0", "2", "G3"),
    "no position": of_b("x", "", "n/a"),
    "unreadable position": of_b("x", "here"),
    "most positions unreadable": of_b("x", *["here"] * 8),
    "at the origin": lambda marks: of_b("x", "0")(of_b("y", "0")(marks)),
    "degrees": lambda marks: of_b("x", *["-87.1"] * 10)(of_b("y", *["43.3"] * 10)(marks)),
    "outside within the error": away(3, 2),
    "outside": away(50, 2),
    "most outside": away(50, 7),
    "in the next stand": of_b("x", str(X0 + 50)),
    "all set aside": of_b("dbh_cm", *["400"] * 10),
    "no marks": lambda marks: marks[marks["stand_id"] != "B"],
    "a column more": of_b("note", "12.50", "007"),
}
REFUSED = {
    "median that no forest has",
    "all set aside",
    "defect that may be a share",
    "degrees",
    "most outside",
    "most positions unreadable",
    "no marks",
    "volume without a unit",
}


@pytest.mark.parametrize("mess", MESSES)
def test_a_messy_stand_is_what_it_is_alone(
    mess: str, tmp_path: Path, read_alone: list[str]
) -> None:
    """What is wrong with the marks of one stand is said of it in the same words, and of no other."""
    found, alone = read_both(tmp_path, **given_as(tmp_path, marks=MESSES[mess](trees())))

    assert_same(found, alone)
    assert isinstance(alone["B"], InputError) == (mess in REFUSED)
    if mess not in REFUSED and not mess.startswith("type"):
        assert read_alone == []
