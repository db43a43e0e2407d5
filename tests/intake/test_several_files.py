"""Every input takes one file or a list: nothing of the second file is lost, nothing doubled."""

from collections.abc import Callable

import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
Layer = Callable[..., str]
Text = Callable[..., str]

AREAS = ("exclusions", "marked_ground", "landings", "openings", "setbacks", "water")


@pytest.mark.parametrize("key", AREAS)
def test_areas_of_two_files_stand_under_each_other(
    survey: Read, layer: Layer, square: Callable[..., shapely.Polygon], key: str
) -> None:
    """Each file gives its feature, in the order in which the files are named."""
    rule = {"rule": ["no_cut"]} if key == "setbacks" else {}
    names = [
        layer(f"{name}.gpkg", [square(x, 50, 20)], {"name": [name], **rule})
        for name, x in (("a", 20), ("b", 120))
    ]
    result = survey(inputs={key: names})
    frame = result.walked if key == "openings" else getattr(result, key)

    assert frame["group" if key == "openings" else "name"].tolist() == ["a", "b"]
    assert frame.area.tolist() == pytest.approx([400, 400])
    assert [one.file for one in result.counts if one.input == key] == ["a.gpkg", "b.gpkg"]


@pytest.mark.parametrize("key", AREAS)
def test_a_list_of_one_file_is_that_file(
    survey: Read, layer: Layer, square: Callable[..., shapely.Polygon], key: str
) -> None:
    """Brackets make no difference."""
    rule = {"rule": ["no_cut"]} if key == "setbacks" else {}
    name = layer("a.gpkg", [square(20, 50, 20)], {"name": ["a"], **rule})
    one, several = survey(inputs={key: name}), survey(inputs={key: [name]})

    assert one.notices == several.notices
    assert [count.read for count in several.counts if count.input == key] == [1]


def test_corridors_of_two_files_are_told_apart(
    survey: Read, layer: Layer, line: Callable[..., shapely.LineString]
) -> None:
    """Numbers go on where a name is missing; a name that another file has gets a number behind."""
    first = layer(
        "a.gpkg", [line((20, 0), (20, 200)), line((40, 0), (40, 200))], {"name": ["N", ""]}
    )
    second = layer(
        "b.gpkg", [line((60, 0), (60, 200)), line((80, 0), (80, 200))], {"name": ["N", ""]}
    )
    result = survey(inputs={"corridors": [first, second]})

    assert result.corridors["corridor"].tolist() == ["N", "1", "N-2", "2"]
    assert any("b.gpkg" in notice and "told apart" in notice for notice in result.notices)


def test_outlines_without_a_name_are_numbered_through(
    survey: Read, layer: Layer, square: Callable[..., shapely.Polygon]
) -> None:
    """The first outline of the second file is W2, not a second W1 that would be dropped."""
    names = [layer(f"{x}.gpkg", [square(x, 50, 20)]) for x in (20, 120)]

    assert survey(inputs={"openings": names}).walked["group"].tolist() == ["W1", "W2"]


def test_two_outlines_of_one_name_are_noticed(
    survey: Read, layer: Layer, square: Callable[..., shapely.Polygon]
) -> None:
    """Only one of them can be the group's outline."""
    names = [layer(f"{x}.gpkg", [square(x, 50, 20)], {"group": ["7"]}) for x in (20, 120)]
    result = survey(inputs={"openings": names})

    assert any("more than one outline is called 7" in notice for notice in result.notices)


def test_tallies_of_two_days_add_up(survey: Read, text: Text) -> None:
    """Each day's paper is a file of its own."""
    names = [
        text(f"day{day}.csv", f"zone,species,count\nmatrix,SM,{count}\n")
        for day, count in ((1, 3), (2, 4))
    ]

    assert survey(inputs={"tally": names}).tally["count"].tolist() == [3, 4]


def test_leave_trees_of_two_files_all_stay(survey: Read, text: Text) -> None:
    """No leave tree of the second file is forgotten."""
    names = [
        {"file": text(f"{n}.csv", f"id,species,x,y\n{n},SM,5000{n}0,5000050\n"),
         "crs": "EPSG:32616"}
        for n in (3, 4)
    ]  # fmt: skip

    assert survey(inputs={"leave_trees": names}).leave_trees["tree_id"].tolist() == ["3", "4"]


def test_plots_of_two_files_are_one_cruise_and_their_names_differ(survey: Read, text: Text) -> None:
    """A plot that both files name would count its trees twice, or merge two plots."""

    def plots(name: str, first: int) -> str:
        rows = "".join(f"{n},20,SM,12\n" for n in (first, first + 1))
        return text(name, f"plot,baf_ft2_ac,species,dbh_in\n{rows}")

    result = survey(inputs={"cruise": [plots("a.csv", 1), plots("b.csv", 3)]})

    assert result.plots["plot"].tolist() == ["1", "2", "3", "4"]
    assert len(result.plot_trees) == 4
    with pytest.raises(InputError, match=r"1 plot in two files \(3\)"):
        survey(inputs={"cruise": [plots("a.csv", 2), plots("b.csv", 3)]})


def test_a_stand_may_be_drawn_in_two_files(
    survey: Read, layer: Layer, square: Callable[..., shapely.Polygon]
) -> None:
    """Two halves that touch are one stand."""
    halves = [
        layer(
            f"{n}.gpkg", [shapely.box(*square(0, 100 * n).bounds[:2], 500_200, 5_000_100 + 100 * n)]
        )
        for n in (0, 1)
    ]
    stand = survey(inputs={"stand": halves}).stand

    assert stand.area.tolist() == pytest.approx([200 * 200])
    assert stand.geometry.iloc[0].geom_type == "Polygon"


def test_a_file_that_is_given_twice_is_refused(
    survey: Read, layer: Layer, line: Callable[..., shapely.LineString]
) -> None:
    """The same lanes twice would be told apart and looked at twice."""
    name = layer("a.gpkg", [line((20, 0), (20, 200))])

    with pytest.raises(InputError, match=r"the same corridors are given as a.gpkg already"):
        survey(inputs={"corridors": [name, name]})
