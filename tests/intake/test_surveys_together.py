"""Surveys of many stands read together, held against those of each stand read alone."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from glademark.contracts.frames import _made_once
from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.read import survey_of, surveys_of, title_of
from glademark.intake.stand import open_stands
from glademark.project.model import Project

CRS = "EPSG:26916"
NAMES = ("A", "B", "C", "D")
SIDE = 100.0
X0, Y0 = 500_000.0, 4_800_000.0
Found = Mapping[str, Survey | InputError]


@dataclass(frozen=True, kw_only=True)
class Layers:
    """Stands in a row that share their edges, each with its corridors and marks."""

    stand: gpd.GeoDataFrame
    corridors: gpd.GeoDataFrame
    marks: pd.DataFrame

    def write(self, folder: Path, *, sep: str = ",") -> dict[str, object]:
        """Files of the layers, and the tables of a project of them."""
        self.stand.to_file(folder / "stand.gpkg")
        self.corridors.to_file(folder / "corridors.gpkg")
        self.marks.to_csv(folder / "marks.csv", index=False, sep=sep)
        source = {"file": "marks.csv", "crs": CRS}
        return {
            "inputs": {"stand": "stand.gpkg", "corridors": "corridors.gpkg", "marks": source},
            "marks": {"dbh_unit": "cm", "paint": {"pink": "corridor", "white": "cut"}},
        }


def west(place: int) -> float:
    """Western edge of a stand by its place in the row [m]."""
    return X0 + SIDE * place


def layers(names: Sequence[str] = NAMES, *, trees: int = 10) -> Layers:
    """Squares with two corridors past both edges; marks as text, those of all stands mixed."""
    places = range(len(names))
    rng = np.random.default_rng(1)
    of = np.tile(np.arange(len(names)), trees)
    lines = [
        shapely.LineString([(west(place) + x, Y0 - 5), (west(place) + x, Y0 + SIDE + 5)])
        for place in places
        for x in (20, 70)
    ]
    marks = {
        "stand_id": np.array(names)[of],
        "id": np.repeat(np.arange(1, trees + 1), len(names)),
        "x": (X0 + SIDE * of + rng.uniform(5, 95, len(of))).round(2),
        "y": (Y0 + rng.uniform(5, 95, len(of))).round(2),
        "dbh_cm": rng.uniform(15, 50, len(of)).round(1),
        "species": rng.choice(["sugar maple", "red maple"], len(of)),
        "paint": rng.choice(["pink", "white"], len(of)),
        "time": "",
        "remark": "sound",
    }
    return Layers(
        stand=gpd.GeoDataFrame(
            {"stand_id": names, "stand_name": names},
            geometry=[shapely.box(west(n), Y0, west(n + 1), Y0 + SIDE) for n in places],
            crs=CRS,
        ),
        corridors=gpd.GeoDataFrame(
            {
                "stand_id": np.repeat(names, 2),
                "corridor": ["C0", "C1"] * len(names),
                "width_m": 4.0,
                "state": "new",
            },
            geometry=lines,
            crs=CRS,
        ),
        marks=pd.DataFrame(marks).astype("str"),
    )


def read_both(folder: Path, **tables: object) -> tuple[Found, Found]:
    """Surveys of all stands, read at once and each on its own."""
    content = {"project": {"name": "Many", "stand_id": "stand_id"}, **tables}
    project = Project.model_validate(content)
    with open_stands(project, folder=folder) as many:
        names = many.inputs.names
        alone: dict[str, Survey | InputError] = {}
        for number, name in enumerate(names):
            try:
                alone[name] = survey_of(many.inputs.of([number]), project)
            except InputError as error:
                alone[name] = error
        found: dict[str, Survey | InputError] = {}
        for survey in surveys_of(many.inputs, project):
            for stand, title in enumerate(survey.stand["name"]):
                found[title] = survey.of(stand)
            for title, rows in survey.refused.groupby("name"):
                found[title] = InputError(*rows["reason"])
        return {name: found[title_of(project, name)] for name in names}, alone


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


@pytest.fixture(autouse=True)
def no_kept_frames() -> None:
    """Frames without rows are kept with the storage of text under which they were first made."""
    _made_once.cache_clear()


@pytest.mark.parametrize("storage", ["python", "pyarrow"])
def test_clean_stands_are_what_they_are_alone(storage: str, tmp_path: Path) -> None:
    """Stands that share edges, names of corridors and numbers of trees do not touch each other."""
    if storage == "pyarrow":
        pytest.importorskip("pyarrow")
    with pd.option_context("mode.string_storage", storage):
        found, alone = read_both(tmp_path, **layers().write(tmp_path))

    assert_same(found, alone)
    assert all(isinstance(one, Survey) for one in alone.values())


Change = Callable[[pd.DataFrame, int], pd.DataFrame]


def cells(column: str, *words: str) -> Change:
    """The first marks of a stand with other cells in one column."""

    def change(mine: pd.DataFrame, _: int) -> pd.DataFrame:
        mine = mine.copy() if column in mine else mine.assign(**{column: ""})
        mine.loc[mine.index[: len(words)], column] = words
        return mine

    return change


def again(mine: pd.DataFrame, _: int) -> pd.DataFrame:
    """Marks that stand twice: with a time, without one, and without a number."""
    timed = mine.iloc[:2].assign(time="2025-05-01T10:00", id="77")
    bare = mine.iloc[2:4].assign(id="")
    return pd.concat([mine, mine.iloc[4:6], timed, timed, bare, bare])


def away(metres: float, number: int) -> Change:
    """Some marks south of the stand."""
    return cells("y", *[str(Y0 - metres)] * number)


def both(first: Change, second: Change) -> Change:
    """One change after the other."""
    return lambda mine, place: second(first(mine, place), place)


MESSES: Mapping[str, Mapping[str, Change]] = {
    "cells": {
        "clean": lambda mine, _: mine,
        "no diameter": cells("dbh_cm", "", "-"),
        "impossible diameter": cells("dbh_cm", "400", "thick", "-3"),
        "diameter with a unit": cells("dbh_cm", "14.2 in", '12"'),
        "another unit": cells("dbh_cm", *["400 mm"] * 10),
        "median that is doubtful": cells("dbh_cm", *["90"] * 10),
        "no number": cells("id", "", ""),
        "numbers of a spreadsheet": cells("id", "1.0", "12.00"),
        "one number twice": cells("id", "5", "5"),
        "repeats": again,
        "unknown species": cells("species", "baobab", "baobab", "teak", ""),
        "paint that is not listed": cells("paint", "mauve", "", "Pink"),
        "no position": cells("x", "", "n/a"),
        "unreadable position": cells("x", "here"),
        "at the origin": both(cells("x", "0"), cells("y", "0")),
        "outside within the error": away(3, 2),
        "outside": away(50, 2),
        "in the next stand": lambda mine, place: cells("x", str(west(place + 1) + 5))(mine, 0),
    },
    "columns": {
        "clean": lambda mine, _: mine,
        "count": cells("count", "2", "1.5", "0"),
        "height": cells("height_m", "20", "200", "high"),
        "crown": cells("crown_radius_m", "3", "99"),
        "crown that is not clear": cells("crown", "3"),
        "defect": cells("defect", "20", "120"),
        "cull": cells("cull", "yes", "maybe"),
        "volume": cells("volume_m3", "1.2", "-1"),
        "must go": cells("must_go", "yes", "what"),
        "error of the position": cells("gps_error", "2", "-1"),
        "order": cells("order", "1", "first"),
        "group": cells("group", "1.0", "2", "G3"),
        "kinds": cells("kind", "cut", "danger tree", "leave"),
        "unknown kind": cells("kind", "cut", "perhaps"),
        "a column more": cells("note", "12.50", "007"),
    },
}
REFUSED: Mapping[str, Change] = {
    "median that no forest has": cells("dbh_cm", *["2"] * 10),
    "most positions unreadable": cells("x", *["here"] * 8),
    "degrees": both(cells("x", *["-87.1"] * 10), cells("y", *["43.3"] * 10)),
    "most outside": away(50, 7),
    "all rejected": cells("x", *[""] * 10),
    "no marks": lambda mine, _: mine.iloc[:0],
    "defect that may be a share": cells("defect", "0.2", "0.1"),
    "volume without a unit": cells("volume", "1.2"),
}


def messy(changes: Mapping[str, Change]) -> Layers:
    """A stand for each change of marks, called so."""
    clean = layers(list(changes))
    marks = [
        change(clean.marks[clean.marks["stand_id"] == name], place)
        for place, (name, change) in enumerate(changes.items())
    ]
    rows = pd.concat(marks).sort_index(kind="stable").fillna("")
    return replace(clean, marks=rows)


@pytest.mark.parametrize("group", MESSES)
def test_a_messy_stand_is_what_it_is_alone(group: str, tmp_path: Path) -> None:
    """What is wrong with the marks of a stand is said of it in the same words, of no other."""
    found, alone = read_both(tmp_path, **messy(MESSES[group]).write(tmp_path))

    assert_same(found, alone)
    assert all(isinstance(one, Survey) for one in alone.values())


def test_only_stands_that_are_refused_are_read_alone(tmp_path: Path) -> None:
    """A stand is refused in the words in which it is alone, and the others are not held up."""
    clean = {"clean": MESSES["cells"]["clean"], "also clean": MESSES["cells"]["clean"]}

    found, alone = read_both(tmp_path, **messy({**clean, **REFUSED}).write(tmp_path))

    assert_same(found, alone)
    assert {name for name, one in alone.items() if isinstance(one, InputError)} == set(REFUSED)


TYPES: Mapping[str, Change] = {
    "blank": lambda mine, _: mine,
    "kinds": cells("type", *["cut"] * 8),
    "weak": cells("type", "cut", "big", "small"),
    "other": cells("type", *["big"] * 10),
    "also kinds": cells("type", *["danger"] * 8),
}


def test_a_vague_column_is_understood_stand_by_stand(tmp_path: Path) -> None:
    """A column called type holds kinds in one stand and sizes of trees in the next."""
    found, alone = read_both(tmp_path, **messy(TYPES).write(tmp_path))

    for name in ("kinds", "also kinds"):  # what says kinds there is a column of its own elsewhere
        survey = found[name]
        assert isinstance(survey, Survey)
        assert (survey.marks["type"] == "").all()
        found = {**found, name: replace(survey, marks=survey.marks.drop(columns="type"))}
    assert_same(found, alone)


def test_decimal_commas_are_understood_stand_by_stand(tmp_path: Path) -> None:
    """One marker of several writes decimal commas, another points, a third both by mistake."""
    changes = {
        "points": cells("remark", "1,5"),
        "commas": lambda mine, _: mine.assign(dbh_cm=mine["dbh_cm"].str.replace(".", ",")),
        "both": cells("dbh_cm", "20,5"),
    }
    found, alone = read_both(tmp_path, **messy(changes).write(tmp_path, sep=";"))

    assert_same(found, alone)
    assert isinstance(alone["commas"], Survey)
    assert alone["commas"].marks["dbh_cm"].notna().all()
    assert isinstance(alone["both"], Survey)
    assert (alone["both"].marks["dbh_flag"] != "").sum() <= 1


def test_numbers_of_a_layer_are_written_as_in_each_stand(tmp_path: Path) -> None:
    """Whole numbers are written 7 where all of a stand are whole, else 7.0 beside 7.5."""
    given = layers()
    text = given.marks
    rows = text.assign(score=[float(n) for n in range(len(text))], id=text["id"].astype("float64"))
    rows["score"] = rows["score"].where(rows["stand_id"] != "B", rows["score"] + 0.5)
    rows["score"] = rows["score"].where(rows["stand_id"] != "C", np.nan)
    points = gpd.points_from_xy(rows.pop("x").astype(float), rows.pop("y").astype(float))
    gpd.GeoDataFrame(rows, geometry=points, crs=CRS).to_file(tmp_path / "marks.gpkg")
    tables = given.write(tmp_path)
    inputs = {**tables["inputs"], "marks": "marks.gpkg"}  # type: ignore[dict-item]

    found, alone = read_both(tmp_path, **{**tables, "inputs": inputs})

    assert_same(found, alone)
    assert isinstance(found["A"], Survey)
    assert isinstance(found["B"], Survey)
    assert found["A"].marks["score"].iloc[0] == "0"
    assert found["B"].marks["score"].iloc[0] == "1.5"


def test_several_files_of_marks(tmp_path: Path) -> None:
    """One stand is in both files, one in the first only, two in the second only; columns differ."""
    given = layers()
    marks = given.marks
    first = marks[marks["stand_id"].isin(["A", "B"])]
    second = marks[marks["stand_id"] != "B"].drop(columns=["remark", "time"]).assign(note="x")
    second = second.assign(dbh_in=second.pop("dbh_cm").astype(float) / 2, must_go="yes")
    tables = given.write(tmp_path)
    first.to_csv(tmp_path / "first.csv", index=False)
    second.to_csv(tmp_path / "second.csv", index=False)
    files = [{"file": f"{name}.csv", "crs": CRS} for name in ("first", "second")]
    inputs = {**tables["inputs"], "marks": files}  # type: ignore[dict-item]

    found, alone = read_both(tmp_path, **{**tables, "inputs": inputs})

    assert_same(found, alone)
    assert all(isinstance(one, Survey) for one in alone.values())


def _corridors_of(given: Layers) -> gpd.GeoDataFrame:
    """Corridors with something to say of every stand but the first."""
    lines = given.corridors
    shapes, names = lines.geometry.to_numpy().copy(), lines["corridor"].to_numpy().copy()
    names[2:4] = "C9"  # one name twice
    names[4:6] = ""
    shapes[7] = shapes[6]  # drawn twice
    shapes[9] = shapely.transform(shapes[9], lambda xy: np.add(xy, [0, 500]))  # outside
    shapes[11] = shapely.LineString([shapes[11].coords[0]] * 2)  # no length
    widths = np.where(np.arange(len(lines)) // 2 == 6, np.nan, 4.5)
    widths[14] = np.nan
    states = np.where(np.arange(len(lines)) == 16, "perhaps", "existing")
    return lines.assign(corridor=names, width_m=widths, state=states).set_geometry(
        gpd.GeoSeries(shapes, crs=CRS)
    )


def test_corridors_with_faults_of_their_own(tmp_path: Path) -> None:
    """Names, widths, states and places of corridors are told of the stand that they belong to."""
    given = layers([f"S{n}" for n in range(10)])

    found, alone = read_both(
        tmp_path, **replace(given, corridors=_corridors_of(given)).write(tmp_path)
    )

    assert_same(found, alone)
    assert all(isinstance(one, Survey) for one in alone.values())


def test_stands_whose_corridors_are_all_lost(tmp_path: Path) -> None:
    """Stands with lines outside only or too wide are refused; one without a line has none."""
    given = layers(["none", "outside", "wide", "clean", "also clean"])
    lines = given.corridors.iloc[2:].reset_index(drop=True)
    shapes = lines.geometry.to_numpy().copy()
    shapes[:2] = shapely.transform(shapes[:2], lambda xy: np.add(xy, [0, 500]))
    widths = np.where(lines["stand_id"] == "wide", [4.0, 40.0] * 4, 4.0)
    lines = lines.assign(width_m=widths).set_geometry(gpd.GeoSeries(shapes, crs=CRS))

    found, alone = read_both(tmp_path, **replace(given, corridors=lines).write(tmp_path))

    assert_same(found, alone)
    refused = [name for name, one in alone.items() if isinstance(one, InputError)]
    assert refused == ["outside", "wide"]


def test_boundaries_with_faults_of_their_own(tmp_path: Path) -> None:
    """Parts, holes, overlaps and mends of a boundary are told of its stand; tiny ones refused."""
    given = layers([f"S{n}" for n in range(7)])
    shapes = given.stand.geometry.to_numpy().copy()
    shapes[1] = shapes[1].difference(shapes[1].centroid.buffer(5))
    shapes[2] = shapely.LineString(shapes[2].exterior)
    shapes[3] = shapely.MultiPolygon(
        [shapes[3], shapely.box(west(3), Y0 - 9, west(3) + 0.5, Y0 - 8)]
    )
    x, y = west(4), Y0
    corner = [(x, y), (x + 0.2, y + 0.1), (x, y + 0.1), (x + 0.2, y)]  # crosses itself there
    shapes[4] = shapely.Polygon([*corner, (x + SIDE, y), (x + SIDE, y + SIDE), (x, y + SIDE)])
    shapes[5] = shapely.box(west(5), Y0, west(5) + 0.5, Y0 + 0.5)
    more = given.stand.iloc[[6]].set_geometry([shapely.box(west(6), Y0, west(6) + 50, Y0 + 150)])
    stand = pd.concat([given.stand.set_geometry(list(shapes)), more.set_crs(CRS)])

    found, alone = read_both(tmp_path, **replace(given, stand=stand).write(tmp_path))

    assert_same(found, alone)
    assert isinstance(alone["S5"], InputError)
    assert isinstance(found["S3"], Survey)
    assert any("below 1 m2 left out" in text for text in found["S3"].notices)


def test_other_inputs_are_read_stand_by_stand(tmp_path: Path) -> None:
    """Landings name their stand, a stream is for all; both come into the surveys as alone."""
    given = layers()
    tables = given.write(tmp_path)
    landing = shapely.box(west(1) + 10, Y0 + 10, west(1) + 30, Y0 + 30)
    gpd.GeoDataFrame({"stand_id": ["B"], "name": ["L"]}, geometry=[landing], crs=CRS).to_file(
        tmp_path / "landings.gpkg"
    )
    stream = shapely.LineString([(west(0), Y0 + 50), (west(3), Y0 + 50)])
    gpd.GeoDataFrame({"width_m": [2.0]}, geometry=[stream], crs=CRS).to_file(tmp_path / "w.gpkg")
    inputs = {**tables["inputs"], "water": "w.gpkg"}  # type: ignore[dict-item]

    found, alone = read_both(tmp_path, **{**tables, "inputs": inputs})

    assert_same(found, alone)
    assert isinstance(found["D"], Survey)
    assert len(found["D"].water) == 1

    inputs["landings"] = "landings.gpkg"
    found, alone = read_both(tmp_path, **{**tables, "inputs": inputs})

    assert_same(found, alone)


def test_degrees_are_carried_over(tmp_path: Path) -> None:
    """Marks in degrees, some rounded to a metre, among stands in metres."""
    given = layers()
    rows = given.marks.copy()
    points = gpd.GeoSeries.from_xy(
        rows.pop("x").astype(float), rows.pop("y").astype(float), crs=CRS
    )
    degrees = points.to_crs(4326)
    lon, lat = degrees.x.to_numpy().copy(), degrees.y.to_numpy().copy()
    rounded = (rows["stand_id"] == "C").to_numpy()
    lon[rounded], lat[rounded] = lon[rounded].round(4), lat[rounded].round(4)
    tables = replace(given, marks=rows.assign(lon=lon, lat=lat)).write(tmp_path)
    inputs = {**tables["inputs"], "marks": "marks.csv"}  # type: ignore[dict-item]

    found, alone = read_both(tmp_path, **{**tables, "inputs": inputs})

    assert_same(found, alone)
    assert isinstance(found["C"], Survey)
    assert any("rounded to 4 decimals" in text for text in found["C"].notices)


def test_stands_in_several_zones_are_read_alone(tmp_path: Path) -> None:
    """Stands given in degrees work in the zone that each lies in."""
    given = layers(["West", "East"], trees=4)
    degrees = given.stand.to_crs(4326)
    shift = np.array([0.0, 6.0])
    shapes = [
        shapely.transform(shape, lambda xy, by=by: np.add(xy, [by, 0]))
        for shape, by in zip(degrees.geometry, shift, strict=True)
    ]
    stand = degrees.set_geometry(shapes).set_crs(4326)
    rows = given.marks
    inside = [shape.representative_point() for shape in shapes]
    places = [inside[name == "East"] for name in rows["stand_id"]]
    marks = rows.drop(columns=["x", "y"]).assign(
        lon=[one.x for one in places], lat=[one.y for one in places]
    )
    tables = replace(given, stand=stand, marks=marks).write(tmp_path)
    inputs = {"stand": "stand.gpkg", "marks": "marks.csv"}

    found, alone = read_both(tmp_path, **{**tables, "inputs": inputs})

    assert_same(found, alone)
    assert all(isinstance(one, Survey) for one in alone.values())
    assert len({str(one.crs) for one in alone.values() if isinstance(one, Survey)}) == 2


def test_no_corridors_and_one_stand_only(tmp_path: Path) -> None:
    """A single stand is read alone; stands without corridors are told so each."""
    given = layers(["A"])
    tables = given.write(tmp_path)

    assert_same(*read_both(tmp_path, **tables))

    tables = layers().write(tmp_path)
    inputs = {key: value for key, value in tables["inputs"].items() if key != "corridors"}  # type: ignore[attr-defined]
    found, alone = read_both(tmp_path, **{**tables, "inputs": inputs})

    assert_same(found, alone)


def test_surveys_share_nothing_that_can_be_changed_by_surprise(tmp_path: Path) -> None:
    """A column written into the marks of one stand leaves those of the others as they were."""
    found, alone = read_both(tmp_path, **layers().write(tmp_path))
    assert isinstance(found["A"], Survey)

    found["A"].marks["dbh_cm"] = 0.0
    found["A"].marks.loc[0, "species"] = "changed"

    rest = {name: one for name, one in found.items() if name != "A"}
    assert_same(rest, {name: one for name, one in alone.items() if name != "A"})


@st.composite
def few_marks(draw: st.DrawFn) -> pd.DataFrame:
    """Up to five marks in each of three stands, of cells that people write."""
    rows = []
    for place, name in enumerate(NAMES[:3]):
        for _ in range(draw(st.integers(int(name == "A"), 5))):
            x = draw(st.sampled_from(["10", "10", "50.5", "99", "130", "300", "", "0"]))
            y = draw(st.sampled_from(["10", "10", "20", "-3", "-40", "-400", "here"]))
            rows.append(
                {
                    "stand_id": name,
                    "id": draw(st.sampled_from(["", "1", "2", "3.0"])),
                    "x": x and str(west(place) + float(x)),
                    "y": y if y == "here" else str(Y0 + float(y)),
                    "dbh_cm": draw(st.sampled_from(["", "12.5", "30", "30", "12,5", "11 in", "x"])),
                    "species": draw(st.sampled_from(["", "red maple", "baobab"])),
                    "paint": draw(st.sampled_from(["", "pink", "White", "mauve"])),
                    "time": draw(st.sampled_from(["", "2025-05-01"])),
                    "kind": draw(st.sampled_from(["", "cut", "danger", "odd"])),
                    "type": draw(st.sampled_from(["", "", "cut", "big"])),
                }
            )
    columns = ["stand_id", "id", "x", "y", "dbh_cm", "species", "paint", "time", "kind", "type"]
    return pd.DataFrame(rows, columns=columns, dtype="str")


@given(marks=few_marks(), sep=st.sampled_from([",", ";"]))
@settings(max_examples=6, deadline=None)
def test_any_marks_are_what_they_are_alone(marks: pd.DataFrame, sep: str) -> None:
    """Whatever the marks of three stands are, each stand has the survey that it has alone."""
    given_layers = layers(NAMES[:3])
    with TemporaryDirectory() as folder:
        tables = replace(given_layers, marks=marks).write(Path(folder), sep=sep)

        found, alone = read_both(Path(folder), **tables)

    assert_same(found, alone)
