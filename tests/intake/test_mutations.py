"""Damaged files: each is read with its counts, or refused with a message."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely

from glademark.errors import InputError
from glademark.intake.read import read_survey
from glademark.project.model import Project

FILES = (
    "stand.gpkg", "stand.geojson", "stand.shp", "stand.dbf", "stand.shx", "stand.prj",
    "corridors.gpkg", "corridors.shp", "corridors.dbf", "corridors.gpx",
    "marks.csv", "marks.gpkg", "marks.geojson", "marks.shp", "marks.dbf", "marks.gpx",
    "tally.csv", "water.geojson", "terrain.tif",
)  # fmt: skip
CASES = 2000
"""Of these, each file gets about a tenth."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Bytes of every file of a small project in several formats."""
    import geopandas as gpd  # noqa: PLC0415 - only here
    import rasterio  # noqa: PLC0415 - only here
    from affine import Affine  # noqa: PLC0415 - only here

    folder = tmp_path_factory.mktemp("sound")
    layers = {
        "stand": (["North"], [shapely.box(500_000, 5_000_000, 500_200, 5_000_200)]),
        "corridors": (
            ["A", "B"],
            [
                shapely.LineString([(500_020, 5_000_000), (500_020, 5_000_200)]),
                shapely.LineString([(500_020, 5_000_100), (500_120, 5_000_100)]),
            ],
        ),
        "marks": (
            [str(number) for number in range(30)],
            [shapely.Point(500_010 + 6 * n, 5_000_010 + 5 * n) for n in range(30)],
        ),
        "water": (["Brook"], [shapely.LineString([(500_150, 5_000_000), (500_160, 5_000_200)])]),
    }
    for name, (names, shapes) in layers.items():
        frame = gpd.GeoDataFrame({"name": names, "dbh_in": 12.5}, geometry=shapes, crs=32616)
        frame.to_file(folder / f"{name}.gpkg")
        frame.to_file(folder / f"{name}.shp")
        frame.to_crs(4326).to_file(folder / f"{name}.geojson")
        if name in {"corridors", "marks"}:
            frame[["name", "geometry"]].to_crs(4326).to_file(folder / f"{name}.gpx", driver="GPX")
    degrees = gpd.GeoSeries(layers["marks"][1], crs=32616).to_crs(4326)
    rows = [f"{n},{10 + n % 9},{p.x:.8f},{p.y:.8f},pink" for n, p in enumerate(degrees)]
    (folder / "marks.csv").write_text("\n".join(["tree,dbh_in,lon,lat,paint", *rows]))
    (folder / "tally.csv").write_text("zone;dbh_in;count\nmatrix;10;3\ncorridor;12,5;2\n")
    options = {"driver": "GTiff", "width": 50, "height": 50, "count": 1, "dtype": "float32"}
    place = Affine(5, 0, 499_990, 0, -5, 5_000_210)
    with rasterio.open(folder / "terrain.tif", "w", crs=32616, transform=place, **options) as file:
        file.write(np.arange(2500, dtype="float32").reshape(1, 50, 50))
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def damaged(content: bytes, random: np.random.Generator) -> bytes:
    """The bytes with a few of them flipped, cut off, doubled, or a field exchanged."""
    data = bytearray(content)
    kind = random.integers(5)
    start, stop = sorted(int(place) for place in random.integers(len(data), size=2))
    if kind == 0:
        for place in random.integers(len(data), size=random.integers(1, 9)):
            data[place] ^= 1 << random.integers(8)
    elif kind == 1:
        del data[start:]
    elif kind == 2:
        del data[start : min(stop, start + 200)]
    elif kind == 3:
        data[start:start] = data[start : min(stop, start + 200)]
    else:
        found = [b"12.5", b"500", b"Point", b"name", b"dbh", b"EPSG", b"-86", b"45.", b",", b"pink"]
        old = found[random.integers(len(found))]
        new = [b"", b"nan", b"-1e400", b"\xff\x00", b'"', b"<!DOCTYPE x>", b"=1+1", b"999999999"]
        data = bytearray(bytes(data).replace(old, new[random.integers(len(new))], 3))
    return bytes(data)


def formats(name: str) -> dict[str, str]:
    """Project that reads a file: each input in the format of that file where there is one."""
    stem, ending = name.split(".")
    ending = "shp" if ending in {"dbf", "shx", "prj"} else ending
    inputs = {
        "stand": "stand.gpkg", "corridors": "corridors.gpkg", "marks": "marks.csv",
        "tally": "tally.csv", "water": "water.gpkg", "terrain": "terrain.tif",
    }  # fmt: skip
    return {**inputs, stem: f"{stem}.{ending}"}


@pytest.mark.parametrize("seed", range(CASES))
def test_a_damaged_file_is_read_with_its_counts_or_refused(
    sound: dict[str, bytes], tmp_path: Path, seed: int, capfd: Callable
) -> None:
    """No damage ends in a traceback, and none in records that are lost without a word."""
    random = np.random.default_rng(seed)
    name = FILES[seed % len(FILES)]
    for other, content in sound.items():
        (tmp_path / other).write_bytes(content)
    (tmp_path / name).write_bytes(damaged(sound[name], random))
    tables = {"marks": {"dbh_unit": "in"}, "water": {"width": "3 m"}}
    project = Project.model_validate({"project": {"name": "T"}, "inputs": formats(name), **tables})

    try:
        survey = read_survey(project, folder=tmp_path)
    except InputError as error:
        survey, faults = None, error.faults

    if survey is None:
        assert faults
        assert all(faults)
    else:
        assert all(count.read == count.used + count.set_aside for count in survey.counts)
        assert survey.stand.area.item() > 0
    assert "Traceback" not in capfd.readouterr().err
