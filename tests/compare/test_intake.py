"""Records from after the cut are read, and refused, like all others."""

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from glademark.contracts.survey import AfterCutSurvey, Survey
from glademark.errors import InputError
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.project.model import Project, Source

CRS = "EPSG:26916"
STAND = shapely.box(400_000, 5_000_000, 400_200, 5_000_200)
HERE = "400050,5000050"
FOOT_M = 0.3048

Read = Callable[..., AfterCutSurvey]


@pytest.fixture
def read(
    tmp_path: Path, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Read:
    """Read a text of stumps, and further inputs as layers."""

    def step(
        stumps: str = "", compare: dict[str, object] | None = None, **layers: object
    ) -> AfterCutSurvey:
        given: dict[str, object] = {}
        if stumps:
            (tmp_path / "stumps.csv").write_text(stumps, encoding="utf-8")
            given["stumps"] = (Source(file=Path("stumps.csv"), crs=CRS),)
        for name, frame in layers.items():
            assert isinstance(frame, gpd.GeoDataFrame)
            frame.to_file(tmp_path / f"{name}.gpkg")
            given[name] = Source(file=Path(f"{name}.gpkg"))
        project = project_of(compare=compare or {})
        surveys = {"": survey_of(STAND)}
        return read_after_cut(AfterCutInputs(**given), surveys, project, folder=tmp_path).seen[""]

    return step


def table(head: str, *lines: str) -> str:
    """Text of a file of stumps in the stand."""
    return "\n".join([f"{head},x,y", *(f"{line},{HERE}" for line in lines)]) + "\n"


def layer(*shapes: shapely.Geometry, **columns: list[object]) -> gpd.GeoDataFrame:
    """Shapes counted from the corner of the stand."""
    moved = [
        shapely.transform(one, lambda xy: xy + np.array([400_000, 5_000_000])) for one in shapes
    ]
    return gpd.GeoDataFrame(columns, geometry=moved, crs=CRS)


def test_stump_diameters_become_breast_height(read: Read) -> None:
    """A sugar maple stump of 12 in a foot high was a tree of 12 / (1 + 0.12111 x 1.75) in."""
    stumps = read(
        table("id,stump_diameter_in,stump_height_ft,species", "1,12,1,sugar maple")
    ).stumps

    assert stumps["dbh_cm"].item() == pytest.approx(12 * 2.54 / (1 + 0.12111 * 1.75))
    assert stumps["diameter_at"].item() == "stump"
    assert stumps["dbh"].item() == pytest.approx(12 / (1 + 0.12111 * 1.75))


def test_numbers_of_stumps_go_before_those_of_trees(read: Read) -> None:
    """A layer of stumps that this program wrote has the number of the matched tree as well."""
    assert read(table("tree_id,stump_id", "7,s1")).stumps["stump_id"].item() == "s1"


def test_breast_height_diameters_stay_as_they_are(read: Read) -> None:
    """A column called dbh is one at breast height, whatever the project says of stumps."""
    stumps = read(table("id,dbh_cm", "1,31.5")).stumps

    assert stumps["dbh_cm"].item() == 31.5
    assert stumps["diameter_at"].item() == "breast"


def test_a_plain_diameter_is_what_the_project_says(read: Read) -> None:
    """Diameter alone says neither; the project file does."""
    text = table("id,diameter_cm", "1,31.5")

    assert read(text, {"diameter_at": "breast"}).stumps["dbh_cm"].item() == 31.5
    assert read(text).stumps["dbh_cm"].item() < 31.5


def test_low_marks_are_seen_missed_or_not_looked_for(read: Read) -> None:
    """A blank is no answer, and is not taken for a missing mark."""
    stumps = read(table("id,low_mark", "1,yes", "2,no", "3,", "4,?")).stumps

    assert stumps["low_mark"].iloc[:2].tolist() == [1, 0]
    assert np.isnan(stumps["low_mark"].iloc[2:]).all()


def test_stumps_past_the_boundary_are_kept(read: Read) -> None:
    """Cutting across the boundary must show; what is far off is another job's."""
    text = f"id,x,y\n1,{HERE}\n2,{HERE}\n3,{HERE}\n4,400230,5000050\n5,400900,5000050\n"
    seen = read(text)

    assert seen.stumps["inside"].tolist() == [True, True, True, False]
    assert seen.rejected["reason"].item().startswith("it lies more than 100 m outside")
    assert seen.counts[0].read == 5 == seen.counts[0].used + seen.counts[0].rejected


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (table("id,count", "1,half", "2,1"), "whole number"),
        (table("id,low_mark", "1,perhaps", "2,yes"), "neither yes, no nor blank"),
        (table("id,time", "1,2026-03-01", "1,2026-03-01"), "counted once"),
    ],
)
def test_records_that_cannot_be_used_are_rejected(read: Read, text: str, why: str) -> None:
    """The same rules as for marks: with the reason, and counted."""
    seen = read(text)

    assert why in seen.rejected["reason"].item()
    assert len(seen.stumps) == text.count("\n") - 2


def test_a_stump_whose_diameter_cannot_be_read_stays(read: Read) -> None:
    """A cut tree is found, even where nobody can say how thick it was."""
    seen = read(table("id,stump_diameter_in", "1,see photo", "2,12", "3,11"))

    assert seen.rejected.empty
    assert seen.stumps["dbh_cm"].isna().tolist() == [True, False, False]
    assert any('counted without a diameter: 1 "see photo"' in text for text in seen.notices)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (table("id,stump_diameter", "1,12"), "have no unit"),
        (table("id,stump_diameter_in,dbh_in", "1,12,11"), "at the stump and at breast height"),
    ],
)
def test_files_that_cannot_be_trusted_are_refused(read: Read, text: str, why: str) -> None:
    """Nothing about a diameter is guessed."""
    with pytest.raises(InputError, match=why):
        read(text)


def test_nothing_to_compare_is_refused(read: Read) -> None:
    """A comparison with nothing seen is no comparison."""
    with pytest.raises(InputError, match="nothing to compare: give what was seen after the cut"):
        read()


def test_strips_and_plots_are_places_of_their_size(read: Read) -> None:
    """A strip of 20 m on a line of 100 m covers 2,000 m2, cut at the stand."""
    strips = layer(shapely.LineString([(50, 150), (50, 250)]), width_m=[20.0])

    places = read(table("id", "1"), sampled=strips).sampled

    assert places.area.item() == pytest.approx(20 * 50)
    assert places["name"].tolist() == ["1"]


def test_a_place_without_size_is_refused(read: Read) -> None:
    """A point is no place to have walked."""
    with pytest.raises(
        InputError, match=r"the size of the place is not said\. Give strips a width"
    ):
        read(table("id", "1"), sampled=layer(shapely.Point(50, 50)))


def test_places_that_overlap_are_refused(read: Read) -> None:
    """Ground that is in two places would count twice."""
    both = layer(shapely.box(0, 0, 20, 20), shapely.box(10, 0, 30, 20))

    with pytest.raises(InputError, match="sampled places overlap"):
        read(table("id", "1"), sampled=both)


def test_driven_lines_must_be_lines(read: Read) -> None:
    """A layer of areas is another one."""
    with pytest.raises(InputError, match="driven lines are lines, and some records are points"):
        read(driven=layer(shapely.box(0, 0, 20, 20)))


def test_the_same_stumps_twice_are_refused(
    tmp_path: Path, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> None:
    """A file named twice would double the cut."""
    (tmp_path / "s.csv").write_text(table("id", "1"), encoding="utf-8")
    source = Source(file=Path("s.csv"), crs=CRS)

    with pytest.raises(InputError, match="the same stumps are given twice"):
        read_after_cut(
            AfterCutInputs(stumps=(source, source)),
            {"": survey_of(STAND)},
            project_of(),
            folder=tmp_path,
        )


def test_stumps_of_the_projects_own_species_are_known(
    tmp_path: Path, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> None:
    """A local name that the project file states takes the stump's taper of the species it names."""
    text = table("id,stump_diameter_in,stump_height_ft,species", "1,12,1,Zuckerahorn", "2,12,1,Ulm")
    (tmp_path / "stumps.csv").write_text(text, encoding="utf-8")
    project = project_of(species={"za": {"name": "zuckerahorn", "volume_as": "sugar maple"}})
    inputs = AfterCutInputs(stumps=(Source(file=Path("stumps.csv"), crs=CRS),))

    seen = read_after_cut(inputs, {"": survey_of(STAND)}, project, folder=tmp_path).seen[""]

    assert seen.stumps["dbh_cm"].iloc[0] == pytest.approx(12 * 2.54 / (1 + 0.12111 * 1.75))
    (told,) = [notice for notice in seen.notices if "species that are not known" in notice]
    assert "1 record" in told
    assert "'Ulm'" in told
