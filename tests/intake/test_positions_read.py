"""Positions of a table: degrees as people write them, metres with their coordinate system."""

from collections.abc import Callable

import pytest
from pyproj import Transformer

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
TO_METRES = Transformer.from_crs(4326, 32616, always_xy=True)
# A place in the stand: 86 deg 59' 57.6" west, 45 deg 9' 12.6" north.
LON, LAT = -(86 + 59 / 60 + 57.6 / 3600), 45 + 9 / 60 + 12.6 / 3600


def noticed(survey: Survey, part: str) -> bool:
    """Whether a notice holds a text."""
    return any(part in notice for notice in survey.notices)


@pytest.mark.parametrize(
    ("lon", "lat"),
    [
        (f"{LON:.9f}", f"{LAT:.9f}"),
        ("86°59'57.6\"W", "45°09'12.6\"N"),
        ("W 86 59 57.6", "N 45 9 12.6"),
        ("86°59.96' W", "45°9.21' N"),
        ("86:59:57.6w", "45:09:12.6n"),
        ("W86.999333333°", "N45.153500000°"),
        ("86d 59m 57.6s W", "45d 9m 12.6s N"),
        ("86\u00ba59\u203257.6\u2033W", "45\u00ba9\u203212.6\u2033N"),
    ],
)
def test_degrees_are_read_as_people_write_them(
    survey: Read, text: Callable[..., str], lon: str, lat: str
) -> None:
    """Minutes and seconds count where a letter says the hemisphere."""
    cells = [cell.replace('"', '""') for cell in (lon, lat)]
    content = f'tree;dbh_in;lon;lat\n1;12;"{cells[0]}";"{cells[1]}"\n'
    mark = survey(text("m.csv", content)).marks.geometry.item()

    assert (mark.x, mark.y) == pytest.approx(TO_METRES.transform(LON, LAT), abs=1e-3)


@pytest.mark.parametrize(
    ("lon", "lat"),
    [("86 59 57", "45 9 12"), ("86 59 57 N", "45 9 12 N"), ("86 75 0 W", "45 9 0 N")],
)
def test_degrees_without_a_sound_reading_are_refused(
    survey: Read, text: Callable[..., str], lon: str, lat: str
) -> None:
    """A lost hemisphere, the wrong one for the axis, or 75 minutes."""
    name = text("m.csv", f"tree,dbh_in,lon,lat\n1,12,{lon},{lat}\n")

    with pytest.raises(
        InputError, match=r"m\.csv, line 2 \(1\): 1 of 1 cells of 'lon' are no coor"
    ):
        survey(name)


def test_a_single_unreadable_position_is_rejected(survey: Read) -> None:
    """The rest of the file is sound."""
    result = survey("tree,dbh_in,x,y\n1,12,500050,5000050\n2,12,500060,5000060\n3,12,?,5000060\n")

    assert result.rejected["reason"].item() == (
        'its position is "? / 5000060", not two numbers; correct the cells'
    )


def test_a_position_off_the_globe_is_rejected(survey: Read, text: Callable[..., str]) -> None:
    """A latitude of 451 degrees is a slip."""
    lines = "".join(f"{n},12,{LON:.7f},{LAT:.7f}\n" for n in (1, 2))
    result = survey(text("m.csv", f"tree,dbh_in,lon,lat\n{lines}3,12,{LON:.7f},451.535\n"))

    assert result.rejected["reason"].item().startswith("longitude must be within 180 and latitude")


def test_projected_columns_need_a_coordinate_system(survey: Read, text: Callable[..., str]) -> None:
    """Easting and northing say nothing without their zone."""
    name = text("m.csv", "tree,dbh_in,Easting,Northing\n1,12,500050,5000050\n")

    with pytest.raises(InputError, match=r"'Easting', 'Northing' is not stated\. State it in"):
        survey(name)


def test_degrees_with_a_projected_system_are_refused(
    survey: Read, text: Callable[..., str]
) -> None:
    """One of the two is wrong."""
    name = text("m.csv", f"tree,dbh_in,lon,lat\n1,12,{LON},{LAT}\n")

    with pytest.raises(InputError, match=r"are in degrees, but \[inputs\] states EPSG:32616"):
        survey({"file": name, "crs": "EPSG:32616"})


def test_of_two_pairs_the_stated_system_chooses(survey: Read, text: Callable[..., str]) -> None:
    """Receivers write both; without a stated system the degrees count."""
    content = f"tree,dbh_in,lon,lat,x,y\n1,12,{LON:.8f},{LAT:.8f},500050,5000050\n"
    name = text("m.csv", content)

    degrees = survey(name).marks.geometry.item()
    metres = survey({"file": name, "crs": "EPSG:32616"}).marks.geometry.item()
    assert (degrees.x, degrees.y) == pytest.approx(TO_METRES.transform(LON, LAT), abs=0.01)
    assert (metres.x, metres.y) == (500_050, 5_000_050)


def test_a_table_without_positions_is_refused_with_its_columns(
    survey: Read, text: Callable[..., str]
) -> None:
    """The mend is to rename or to map."""
    name = text("m.csv", "tree,dbh_in,posx\n1,12,5\n")

    with pytest.raises(
        InputError, match=r"no pair of coordinate columns .*'tree', 'dbh_in', 'posx'"
    ):
        survey(name)


def test_rounded_degrees_are_told_with_their_size(survey: Read, text: Callable[..., str]) -> None:
    """Four decimals of a degree are 11 m."""
    name = text("m.csv", "tree,dbh_in,lon,lat\n1,12,-86.9993,45.1535\n2,12,-86.9992,45.1536\n")

    assert noticed(survey(name), "rounded to 4 decimals of a degree, which is about 11 m")


def test_a_table_is_no_stand(survey: Read, text: Callable[..., str]) -> None:
    """A boundary needs a geometry."""
    with pytest.raises(InputError, match=r"s\.csv: it holds no positions\. Name a layer"):
        survey(inputs={"stand": {"file": text("s.csv", "name,x\nA,1\n"), "crs": "EPSG:32616"}})


def test_an_old_datum_without_its_grid_is_told(
    survey: Read, layer: Callable[..., str], at: Callable
) -> None:
    """NAD27 and WGS 84 lie some ten metres apart here; without the grid not all of it is undone."""
    import geopandas as gpd  # noqa: PLC0415 - only here

    series = gpd.GeoSeries([at(100, 100)], crs=32616).to_crs(4267)
    name = layer("m.gpkg", list(series), {"tree": ["1"], "dbh_in": [12.0]}, crs="EPSG:4267")

    assert noticed(survey(name), "may be off by")
