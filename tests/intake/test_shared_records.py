"""The same trees in two files: refused where they make half of one, told and kept where fewer."""

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
Text = Callable[..., str]

X0, Y0 = 500_000.0, 5_000_000.0
ROWS, EACH = 6, 8
PLACES = np.array(
    [(20 + 20 * (n // EACH), 20 + 20 * (n % EACH)) for n in range(ROWS * EACH)], float
)
SIZES = 20 + np.arange(len(PLACES)) % 23
REFUSED = (
    r"24 of 24 records of monday\.csv are also in week\.csv.*"
    r'leave one out, or set \[marks\] repeats = "keep"'
)


def lines(places: np.ndarray, sizes: np.ndarray, *, first: int = 1, species: str = "beech") -> str:
    """Marks in metres, numbered from `first`."""
    rows = [
        f"{first + n},{species},{size},{X0 + x:.2f},{Y0 + y:.2f}"
        for n, ((x, y), size) in enumerate(zip(places, sizes, strict=True))
    ]
    return "\n".join(["no,species,dbh_cm,x,y", *rows]) + "\n"


def degrees(places: np.ndarray, sizes: np.ndarray, *, first: int, decimals: int) -> str:
    """The same in degrees, rounded."""
    at = gpd.GeoSeries(shapely.points(places + np.array([X0, Y0])), crs="EPSG:32616").to_crs(4326)
    rows = [
        f"{first + n},Beech,{size},{point.x:.{decimals}f},{point.y:.{decimals}f}"
        for n, (point, size) in enumerate(zip(at, sizes, strict=True))
    ]
    return "\n".join(["no,species,dbh_cm,lon,lat", *rows]) + "\n"


def both(survey: Read, text: Text, first: str, second: str, **tables: object) -> Survey:
    """Survey of two files of marks; those with x and y are in the stand's system."""
    files = [
        {"file": text(name, content), **({"crs": "EPSG:32616"} if "x,y" in content else {})}
        for name, content in (("monday.csv", first), ("week.csv", second))
    ]
    return survey(files, **tables)


@pytest.mark.parametrize("jitter", [0.0, 0.1, 0.5])
@pytest.mark.parametrize("first", [1, 700])
def test_a_cumulative_export_beside_the_first_day_is_refused(
    survey: Read, text: Text, jitter: float, first: int
) -> None:
    """Day one, then days one and two in one export: the trees of day one would count twice."""
    moved = PLACES + np.random.default_rng(1).uniform(-jitter, jitter, PLACES.shape)
    day, week = lines(PLACES[:24], SIZES[:24]), lines(moved, SIZES, first=first, species="Beech")

    with pytest.raises(InputError, match=REFUSED):
        both(survey, text, day, week)


def test_positions_rounded_to_five_decimals_are_still_the_same(survey: Read, text: Text) -> None:
    """Five decimals of a degree are 1.1 m, and that is how far apart equal trees may then lie."""
    week = degrees(PLACES, SIZES, first=500, decimals=5)

    with pytest.raises(InputError, match=REFUSED.replace(r".*", r".*within 1\.1 m.*")):
        both(survey, text, lines(PLACES[:24], SIZES[:24]), week)


def test_repeats_are_kept_where_the_project_says_so(survey: Read, text: Text) -> None:
    """The forester may know that two crews wrote down different trees."""
    files = lines(PLACES[:24], SIZES[:24]), lines(PLACES, SIZES, first=100)
    result = both(survey, text, *files, marks={"repeats": "keep"})

    assert len(result.marks) == 24 + 48
    assert any("24 of 24 records of monday.csv are also in week.csv" in n for n in result.notices)


def test_fewer_than_half_are_told_and_kept(survey: Read, text: Text) -> None:
    """A few trees measured by both crews are a thing to look at, not a file given twice."""
    files = lines(PLACES[:24], SIZES[:24]), lines(PLACES[13:], SIZES[13:], first=100)
    result = both(survey, text, *files)

    assert len(result.marks) == 24 + 35
    assert any("11 of 24 records of monday.csv are also in week.csv" in n for n in result.notices)


def test_two_trees_of_a_clump_in_one_file_stay(survey: Read, text: Text) -> None:
    """Stems from one stool are alike and stand half a metre apart."""
    clump = np.repeat(PLACES[:10], 2, axis=0) + np.tile([[0, 0], [0.5, 0]], (10, 1))
    result = both(
        survey, text, lines(clump, np.full(20, 30)), lines(PLACES[24:], SIZES[24:], first=100)
    )

    assert len(result.marks) == 20 + 24
    assert not any("also in" in notice for notice in result.notices)


def test_one_tree_is_not_the_repeat_of_two(survey: Read, text: Text) -> None:
    """Of a clump of two in one file and one stem in the other, one record is in both."""
    clump = np.repeat(PLACES[:10], 2, axis=0) + np.tile([[0, 0], [0.5, 0]], (10, 1))
    single = np.concatenate([PLACES[:4], PLACES[20:40]])
    result = both(
        survey, text, lines(clump, np.full(20, 30)), lines(single, np.full(24, 30), first=100)
    )

    assert any("4 of 20 records of monday.csv are also in week.csv" in n for n in result.notices)


def test_trees_of_other_size_or_species_are_others(survey: Read, text: Text) -> None:
    """Two crews may stand at one tree's foot and mean its neighbour."""
    files = lines(PLACES, SIZES), lines(PLACES, SIZES + 1, first=100)

    assert len(both(survey, text, *files).marks) == 2 * len(PLACES)
    ash = lines(PLACES, SIZES, first=100, species="ash")
    assert len(both(survey, text, files[0], ash).marks) == 2 * len(PLACES)


def test_boundary_points_are_no_repeat_of_trees(survey: Read, text: Text) -> None:
    """The perimeter of a group is painted on trees that another file may list without a size."""
    head, at = "no,kind,group,x,y", [f"{X0 + x},{Y0 + y}" for x, y in PLACES[:12]]
    edge = "\n".join([head, *(f"{n},group_boundary,A,{p}" for n, p in enumerate(at))]) + "\n"
    trees = "\n".join([head, *(f"{n},cut,,{p}" for n, p in enumerate(at))]) + "\n"

    assert len(both(survey, text, edge, trees).marks) == 24
