"""No file from the field makes the program call anyone."""

import json
import os
import socket
import sqlite3
import subprocess
import sys
import threading
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

X0, Y0 = 500_000.0, 5_000_000.0
UTM = "EPSG:32616"
SQUARE = shapely.box(X0, Y0, X0 + 200, Y0 + 200)
GEOMETRY = shapely.geometry.mapping(SQUARE)


class Listener:
    """Answers nothing on the loopback, and notes who calls."""

    def __init__(self) -> None:
        self.calls: list[bytes] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._server.getsockname()[1]}"
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            caller, _ = self._server.accept()
            with closing(caller):
                caller.settimeout(1)
                self.calls.append(caller.recv(200).partition(b"\r\n")[0])

    def run(self, *words: str | Path) -> "subprocess.CompletedProcess[str]":
        """The command line of someone who lets PROJ fetch its grids."""
        env = {**os.environ, "PROJ_NETWORK": "ON", "PROJ_NETWORK_ENDPOINT": self.address}
        command = [sys.executable, "-m", "glademark", *map(str, words)]
        return subprocess.run(command, capture_output=True, text=True, check=False, env=env)  # noqa: S603 - our own


@pytest.fixture(scope="module")
def listener() -> Iterator[Listener]:
    """One that is called by nobody else."""
    return Listener()


def geojson_files(folder: Path, url: str) -> Iterator[Path]:
    """GeoJSON and its relatives that say by a link what they are in, or what to read."""
    link = {"type": "link", "properties": {"href": url, "type": "proj4"}}
    feature = {"type": "Feature", "properties": {"a": 1}, "geometry": GEOMETRY}
    layer = {"type": "FeatureCollection", "features": [feature]}
    inner = {**feature, "geometry": {**GEOMETRY, "crs": link}}
    documents = {
        "link": {**layer, "crs": link},
        "url": {**layer, "crs": {"type": "URL", "properties": {"url": url}}},
        "name": {**layer, "crs": {"type": "name", "properties": {"name": url}}},
        "curl": {**layer, "crs": {"type": "name", "properties": {"name": f"/vsicurl/{url}"}}},
        "inside": {**layer, "features": [inner]},
        "next": {**layer, "links": [{"rel": "next", "href": url}]},
        "topology": {"type": "Topology", "crs": link, "arcs": [], "objects": {}},
        "steps": {
            "type": "gdal_streamed_alg",
            "command_line": f"gdal vector pipeline ! read /vsicurl/{url} ! reproject -d EPSG:4326",
        },
        "reference": {**layer, "conformsTo": ["json-fg-1/0.2"], "coordRefSys": url},
    }
    texts = {name: json.dumps(document) for name, document in documents.items()}
    texts["escaped"] = texts["link"].replace('"crs"', r'"\u0063rs"')
    for name, text in texts.items():
        (folder / f"{name}.geojson").write_text(text, encoding="utf-8")
        yield folder / f"{name}.geojson"
    with zipfile.ZipFile(folder / "packed.zip", "w") as archive:
        archive.writestr("stand.geojson", texts["inside"])
    yield folder / "packed.zip"


def xml_files(folder: Path, url: str) -> Iterator[Path]:
    """GPX and KML with links, schemas, styles, and documents of other places."""
    schema = f'xmlns:i="http://www.w3.org/2001/XMLSchema-instance" i:schemaLocation="{url} {url}"'
    point = f'<wpt lat="45" lon="-87"><name>1</name><link href="{url}"/></wpt>'
    gpx = f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1" {schema}>{point}</gpx>'
    entity = f'<!DOCTYPE gpx SYSTEM "{url}" [<!ENTITY % p SYSTEM "{url}">%p;]>'
    kml = (
        f'<kml xmlns="http://www.opengis.net/kml/2.2" {schema}><Document><NetworkLink><Link>'
        f"<href>{url}</href></Link></NetworkLink><Placemark><name>1</name><styleUrl>{url}</styleUrl>"
        f'<ExtendedData><SchemaData schemaUrl="{url}"><SimpleData name="dbh">3</SimpleData>'
        "</SchemaData></ExtendedData><Point><coordinates>-87,45</coordinates></Point></Placemark>"
        "</Document></kml>"
    )
    texts = {"a.gpx": gpx, "dtd.gpx": entity + gpx, "a.kml": kml, "dtd.kml": entity + kml}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
        yield folder / name


def map_files(folder: Path, url: str) -> Iterator[Path]:
    """Shapefiles and GeoPackages whose coordinate system is elsewhere."""
    layer = gpd.GeoDataFrame({"a": [1]}, geometry=[SQUARE], crs=UTM)
    grid = (
        'PROJCS["a",GEOGCS["g",DATUM["d",SPHEROID["s",6378137,298],'
        f'EXTENSION["PROJ4_GRIDS","{url}"]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925]],'
        'PROJECTION["Transverse_Mercator"],UNIT["metre",1]]'
    )
    for place, text in enumerate((url, f"+init={url}", f"/vsicurl/{url}", grid)):
        shape, package = folder / f"s{place}.shp", folder / f"g{place}.gpkg"
        layer.to_file(shape)
        shape.with_suffix(".prj").write_text(text, encoding="utf-8")
        layer.to_file(package)
        with closing(sqlite3.connect(package)) as database:
            database.execute("UPDATE gpkg_spatial_ref_sys SET definition = ?", (text,))
            database.commit()
        yield from (shape, package)


def table_files(folder: Path, url: str) -> Iterator[Path]:
    """Tables with links in their cells, and files beside them that lead elsewhere."""
    (folder / "t.csv").write_text(f"id,lon,lat,photo\n1,-87,45,{url}\n", encoding="utf-8")
    (folder / "t.prj").write_text(url, encoding="utf-8")
    (folder / "t.vrt").write_text(
        f'<OGRVRTDataSource><OGRVRTLayer name="t"><SrcDataSource>/vsicurl/{url}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>",
        encoding="utf-8",
    )
    book = openpyxl.Workbook()
    for row in (["id", "lon", "lat", "photo"], [1, -87, 45, f'=WEBSERVICE("{url}")']):
        book.worksheets[0].append(row)
    book.worksheets[0]["A2"].hyperlink = url
    book.save(folder / "t.xlsx")
    yield from (folder / "t.csv", folder / "t.xlsx")


def rasters(folder: Path, url: str) -> Iterator[Path]:
    """GeoTIFFs, large enough to be thinned out, whose smaller copies are elsewhere."""
    service = (
        f'<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/${{z}}/${{x}}/${{y}}</ServerUrl></Service>'
        f"<DataWindow><UpperLeftX>{X0}</UpperLeftX><UpperLeftY>{Y0 + 200}</UpperLeftY>"
        f"<LowerRightX>{X0 + 200}</LowerRightX><LowerRightY>{Y0}</LowerRightY>"
        "<SizeX>600</SizeX><SizeY>600</SizeY></DataWindow><BandsCount>1</BandsCount></GDAL_WMS>"
    )
    told = {"curl": f"/vsicurl/{url}", "streamed": f"/vsicurl_streaming/{url}", "http": url}
    for name in (*told, "service"):
        path = folder / f"{name}.tif"
        with rasterio.open(
            path, "w", driver="GTiff", width=1200, height=1200, count=1, dtype="uint8",
            crs=UTM, transform=from_origin(X0, Y0 + 200, 1 / 6, 1 / 6), compress="deflate",
        ) as raster:  # fmt: skip
            raster.write(np.full((1200, 1200), 100, dtype=np.uint8), 1)
            if name in told:
                raster.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=told[name])
        if name == "service":
            (folder / "service.tif.ovr").write_text(service, encoding="utf-8")
        yield path


def test_no_field_file_is_followed_to_the_network(listener: Listener, tmp_path: Path) -> None:
    """Whatever addresses stand in a file or beside it, looking into it calls none of them."""
    makers = (geojson_files, xml_files, map_files, table_files, rasters)
    files = [path for make in makers for path in make(tmp_path, f"{listener.address}/x")]

    done = listener.run("inspect", *files)

    assert (done.returncode, done.stderr) == (0, "")
    assert all(path.name in done.stdout for path in files)
    assert done.stdout.count("its coordinate system is a link") == 8  # guessed for none of them
    assert listener.calls == []


def test_no_smaller_copy_of_a_raster_is_fetched(listener: Listener, tmp_path: Path) -> None:
    """A raster that is read thinned out is thinned out here."""
    for path in rasters(tmp_path, f"{listener.address}/x"):
        with rasterio.open(path, driver="GTiff") as raster:
            assert (raster.read(1, out_shape=(200, 200), masked=True) == 100).all()

    assert listener.calls == []


def test_no_run_fetches_a_grid(listener: Listener, tmp_path: Path) -> None:
    """A run between two datums gets no grid for it, though the user lets PROJ fetch them."""
    gpd.GeoDataFrame(geometry=[SQUARE], crs=UTM).to_file(tmp_path / "stand.gpkg")
    (tmp_path / "marks.csv").write_text(f"id,x,y\n1,{X0 + 90},{Y0 + 90}\n", encoding="utf-8")
    grid = f"+proj=utm +zone=16 +ellps=GRS80 +nadgrids={listener.address}/x +type=crs"
    (tmp_path / "harvest.toml").write_text(
        'project = {name = "invented"}\n[inputs]\nstand = "stand.gpkg"\n'
        'marks = {file = "marks.csv", crs = "EPSG:26716"}\n'
        f'leave_trees = {{file = "marks.csv", crs = "{grid}"}}\n',
        encoding="utf-8",
    )

    done = listener.run(
        "layout", tmp_path / "harvest.toml", "-o", tmp_path / "out", "--only", "checks"
    )

    assert "outside the stand" in done.stderr  # 230 m away, since the datums differ
    assert listener.calls == []
