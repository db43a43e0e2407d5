"""
The files that people really bring, and what becomes of each: a table made by the test itself.

Every row makes its file, reads it, and holds the outcome against what the row says: accepted with
its counts, accepted with a notice, or refused with a message. Run with ``-s`` to see the table.
"""

import io
import sqlite3
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import geopandas as gpd
import openpyxl
import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.read import read_survey
from glademark.project.model import Project

UTM = "EPSG:32616"
X0, Y0 = 500_000.0, 5_000_000.0
POINTS = [shapely.Point(X0 + x, Y0 + x) for x in (50, 60, 70)]
LINE = shapely.LineString([(X0 + 20, Y0), (X0 + 20, Y0 + 200)])
STAND = shapely.box(X0, Y0, X0 + 200, Y0 + 200)
DEGREES = gpd.GeoSeries(POINTS, crs=UTM).to_crs(4326)
LINE_DEGREES = gpd.GeoSeries([LINE], crs=UTM).to_crs(4326).iloc[0]
EDGE_DEGREES = gpd.GeoSeries([STAND], crs=UTM).to_crs(4326).iloc[0].exterior
BOW = [(X0, Y0), (X0 + 200, Y0 + 200), (X0 + 200, Y0), (X0, Y0 + 200)]
HEAD = "tree,dbh_in,species,paint"
CELLS = ("1,12.5,sugar maple,white", "2,14.0,red maple,pink", "3,8.5,sugar maple,white")

OUTSIDE = '<!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/passwd">]><gpx>&a;</gpx>'

Make = Callable[[Path], dict[str, object]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Habit:
    """One habit: what it is, how its file is made, and what has to become of it."""

    name: str
    make: Make
    read: int = 0
    aside: int = 0
    notice: str = ""
    refused: str = ""


def rows(sep: str = ",", comma: str = ".", head: str = "lon,lat") -> str:
    """Three marks in degrees as delimited text."""
    lines = [f"{HEAD},{head}"]
    lines += [f"{c},{p.x:.8f},{p.y:.8f}" for c, p in zip(CELLS, DEGREES, strict=True)]
    return "\n".join(line.replace(".", comma).replace(",", sep) for line in lines) + "\n"


def with_commas() -> str:
    """Three marks with semicolons between cells and decimal commas."""
    return "\n".join(
        ";".join(cell.replace(".", ",") for cell in line.split(",")) for line in rows().splitlines()
    )


def text(content: str | bytes, name: str = "marks.csv", **source: str) -> Make:
    """Marks as a text file."""

    def make(folder: Path) -> dict[str, object]:
        data = content if isinstance(content, bytes) else content.encode()
        (folder / name).write_bytes(data)
        return {"marks": {"file": name, **source}}

    return make


def frame(shapes: list[shapely.Geometry] = POINTS) -> gpd.GeoDataFrame:
    """Marks as a layer."""
    columns = dict(
        zip(HEAD.split(","), zip(*(c.split(",") for c in CELLS), strict=True), strict=True)
    )
    table = {key: list(values)[: len(shapes)] for key, values in columns.items()}
    table["dbh_in"] = [float(value) for value in table["dbh_in"]]
    return gpd.GeoDataFrame(table, geometry=shapes, crs=UTM)


def layer(name: str, shapes: list[shapely.Geometry] = POINTS, key: str = "marks") -> Make:
    """Marks, or another input, as a file with a layer."""

    def make(folder: Path) -> dict[str, object]:
        given = frame(shapes) if key == "marks" else gpd.GeoDataFrame(geometry=shapes, crs=UTM)
        given.to_file(folder / name)
        return {key: name}

    return make


def zipped(inner: Make, name: str = "marks.zip", *, folder_in_zip: str = "") -> Make:
    """What another habit makes, packed."""

    def make(folder: Path) -> dict[str, object]:
        made = inner(folder)
        with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(folder.iterdir()):
                if path.suffix != ".zip" and path.stem.startswith("marks"):
                    archive.write(path, folder_in_zip + path.name)
                    path.unlink()
        return {key: name if key == "marks" else value for key, value in made.items()}

    return make


def members(**contents: bytes) -> Make:
    """An archive with members of any name."""

    def make(folder: Path) -> dict[str, object]:
        with zipfile.ZipFile(folder / "marks.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            for name, content in contents.items():
                archive.writestr(name, content)
        return {"marks": "marks.zip"}

    return make


def link_in_archive(folder: Path) -> dict[str, object]:
    """An archive in which the data set is a link to another file."""
    info = zipfile.ZipInfo("marks.csv")
    info.external_attr = 0o120777 << 16
    with zipfile.ZipFile(folder / "marks.zip", "w") as archive:
        archive.writestr(info, "/etc/passwd")
    return {"marks": "marks.zip"}


def without(ending: str, **source: str) -> Make:
    """A Shapefile that lost one of its files."""

    def make(folder: Path) -> dict[str, object]:
        frame().to_file(folder / "marks.shp")
        (folder / f"marks{ending}").unlink()
        return {"marks": {"file": "marks.shp", **source}}

    return make


def wal(folder: Path) -> dict[str, object]:
    """A GeoPackage that is open elsewhere, its last row still in the log beside it."""
    frame(POINTS[:2]).to_file(folder / "marks.gpkg")
    frame(POINTS[2:]).to_file(folder / "more.gpkg", layer="marks")
    with closing(sqlite3.connect(folder / "marks.gpkg")) as database:
        database.execute("PRAGMA journal_mode=WAL")
        database.execute("PRAGMA wal_autocheckpoint=0")
        database.execute("ATTACH ? AS more", (str(folder / "more.gpkg"),))
        names = [row[1] for row in database.execute("PRAGMA main.table_info(marks)")][1:]
        columns = ", ".join(f'"{name}"' for name in names)
        database.execute("DROP TRIGGER IF EXISTS rtree_marks_geom_insert")
        database.execute(f"INSERT INTO main.marks ({columns}) SELECT {columns} FROM more.marks")  # noqa: S608 - names of our own
        database.commit()
        for part in ("marks.gpkg", "marks.gpkg-wal"):
            (folder / f"copy-{part}").write_bytes((folder / part).read_bytes())
    for part in ("marks.gpkg", "marks.gpkg-wal"):
        (folder / f"copy-{part}").replace(folder / part.replace("marks", "open"))
    return {"marks": "open.gpkg"}


def two_layers(**source: str) -> Make:
    """A GeoPackage with a layer of the morning and one of the afternoon."""

    def make(folder: Path) -> dict[str, object]:
        for name in ("morning", "afternoon"):
            frame().to_file(folder / "marks.gpkg", layer=name)
        return {"marks": {"file": "marks.gpkg", **source}}

    return make


def kml(body: str, name: str = "marks.kml") -> Make:
    """A KML document."""
    head = '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
    return text(f"{head}{body}</Document></kml>", name)


def placemarks(where: str = "Data") -> str:
    """Three marks in two folders, with their attributes in one of the two ways of KML."""

    def data(name: str, value: str) -> str:
        if where == "Data":
            return f'<Data name="{name}"><value>{value}</value></Data>'
        return f'<SimpleData name="{name}">{value}</SimpleData>'

    marks = []
    for cells, point in zip(CELLS, DEGREES, strict=True):
        pairs = zip(HEAD.split(","), cells.split(","), strict=True)
        inside = "".join(data(name, value) for name, value in pairs)
        inside = f"<SchemaData>{inside}</SchemaData>" if where == "SimpleData" else inside
        marks.append(
            f"<Placemark><ExtendedData>{inside}</ExtendedData><Point><coordinates>"
            f"{point.x:.8f},{point.y:.8f},0</coordinates></Point></Placemark>"
        )
    one, other = "".join(marks[:2]), marks[2]
    return f"<Folder><name>a</name>{one}<Folder><name>b</name>{other}</Folder></Folder>"


def kmz(folder: Path) -> dict[str, object]:
    """A packed KML document with a picture beside it."""
    kml(placemarks())(folder)
    with zipfile.ZipFile(folder / "marks.kmz", "w") as archive:
        archive.write(folder / "marks.kml", "doc.kml")
        archive.writestr("images/tree.png", b"\x89PNG")
    return {"marks": "marks.kmz"}


def gpx(body: str, **inputs: object) -> Make:
    """A GPX document."""

    def make(folder: Path) -> dict[str, object]:
        head = '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        (folder / "walk.gpx").write_text(f"{head}{body}</gpx>", encoding="utf-8")
        return inputs or {"marks": "walk.gpx"}

    return make


def waypoints(note: str) -> str:
    """Three waypoints, each with a note in which the dbh and the species stand."""
    return "".join(
        f'<wpt lat="{p.y:.8f}" lon="{p.x:.8f}"><name>{n}</name>{note}</wpt>'
        for n, p in enumerate(DEGREES, 1)
    )


def track(shape: shapely.Geometry) -> str:
    """A walked line."""
    points = "".join(f'<trkpt lat="{y:.9f}" lon="{x:.9f}"/>' for x, y in shape.coords)
    return f"<trk><name>A</name><trkseg>{points}</trkseg></trk>"


def book(*sheets: tuple[str, list[list[object]]]) -> Make:
    """A workbook."""

    def make(folder: Path) -> dict[str, object]:
        made = openpyxl.Workbook()
        made.remove(made.active)
        for title, lines in sheets:
            sheet = made.create_sheet(title)
            for line in lines:
                sheet.append(line)
        made.save(folder / "marks.xlsx")
        return {"marks": "marks.xlsx"}

    return make


def sheet_of_marks() -> list[list[object]]:
    """Three marks with numbers as numbers and moments as moments."""
    lines: list[list[object]] = [["Tree", "DBH (in)", "Species", "Paint", "Time", "Lon", "Lat"]]
    for cells, point in zip(CELLS, DEGREES, strict=True):
        number, dbh, species, paint = cells.split(",")
        when = datetime(2025, 10, 6, 8, int(number))  # noqa: DTZ001 - a wall clock, as in a cell
        lines.append([int(number), float(dbh), species, paint, when, point.x, point.y])
    return lines


def dms(value: float, letters: str) -> str:
    """Degrees, minutes and seconds with the letter of the hemisphere."""
    seconds = round(abs(value) * 3600, 3)
    whole = f"{int(seconds // 3600)}°{int(seconds % 3600 // 60)}'{seconds % 60:.3f}"
    return f'{whole}""{letters[value < 0]}'


def with_dms() -> str:
    """Three marks in degrees, minutes and seconds."""
    lines = [f"{HEAD},lon,lat"]
    for cells, p in zip(CELLS, DEGREES, strict=True):
        lines.append(f'{cells},"{dms(p.x, "EW")}","{dms(p.y, "NS")}"')
    return "\n".join(lines)


def utm(zone: str, head: str = "Easting,Northing,UTM Zone") -> str:
    """Three marks in eastings and northings with their zone."""
    lines = [f"{HEAD},{head}"]
    lines += [f"{c},{p.x:.2f},{p.y:.2f},{zone}" for c, p in zip(CELLS, POINTS, strict=True)]
    return "\n".join(lines)


def stand(shape: shapely.Geometry) -> Make:
    """Another boundary."""
    return lambda folder: {**text(rows())(folder), **layer("stand2.gpkg", [shape], "stand")(folder)}


def corridors(*shapes: shapely.Geometry) -> Make:
    """Corridors of any shape."""

    def make(folder: Path) -> dict[str, object]:
        return {**text(rows())(folder), **layer("lines.gpkg", list(shapes), "corridors")(folder)}

    return make


def walked(folder: Path) -> dict[str, object]:
    """The edge of an opening as a track."""
    ring = gpd.GeoSeries([shapely.box(X0 + 100, Y0 + 100, X0 + 140, Y0 + 140)], crs=UTM)
    edge = ring.to_crs(4326).iloc[0].exterior
    gpx(track(edge))(folder)
    return {**text(rows())(folder), "openings": "walk.gpx"}


def several_files(folder: Path) -> dict[str, object]:
    """Two days of two receivers that both start at 1."""
    (folder / "mon.csv").write_text(rows(), encoding="utf-8")
    shifted = rows().replace("12.5", "13.0").replace("14.0", "15.0").replace("8.5", "9.0")
    (folder / "tue.csv").write_text(shifted, encoding="utf-8")
    return {"marks": ["mon.csv", "tue.csv"]}


def big_archive(folder: Path) -> dict[str, object]:
    """A few kilobytes that unpack to many megabytes."""
    return members(**{"marks.csv": b"a,b\n" + b"0" * (8 * 2**20)})(folder)


def workbook_with_entities(folder: Path) -> dict[str, object]:
    """A workbook whose sheet declares an entity."""
    book(("marks", sheet_of_marks()))(folder)
    content = io.BytesIO((folder / "marks.xlsx").read_bytes())
    with zipfile.ZipFile(content) as old, zipfile.ZipFile(folder / "marks.xlsx", "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name.endswith("sheet1.xml"):
                data = b'<!DOCTYPE x [<!ENTITY a "b">]>' + data.split(b"?>", 1)[-1]
            new.writestr(name, data)
    return {"marks": "marks.xlsx"}


NOTE = "<desc>dbh=12.5 in; species=red maple</desc>"
EXTENDED = "<extensions><q><dbh_in>12.5</dbh_in><species>red maple</species></q></extensions>"
HABITS = (
    Habit(name="GeoPackage", make=layer("marks.gpkg"), read=3),
    Habit(name="GeoPackage open elsewhere, newest row in its log", make=wal, read=3),
    Habit(
        name="GeoPackage, several layers",
        make=two_layers(),
        refused="there are 2 layers: 'morning', 'afternoon'",
    ),
    Habit(name="GeoPackage, the layer named", make=two_layers(layer="afternoon"), read=3),
    Habit(
        name="GeoPackage with heights",
        make=layer("marks.gpkg", [shapely.force_3d(p, 250.0) for p in POINTS]),
        read=3,
    ),
    Habit(name="Shapefile", make=layer("marks.shp"), read=3),
    Habit(name="Shapefile without .prj", make=without(".prj"), refused="does not say its coord"),
    Habit(name="Shapefile without .prj, stated", make=without(".prj", crs=UTM), read=3),
    Habit(name="Shapefile without .cpg", make=without(".cpg"), read=3),
    Habit(name="Shapefile without .dbf", make=without(".dbf"), refused="its .dbf file is missing"),
    Habit(name="Shapefile, zipped", make=zipped(layer("marks.shp")), read=3),
    Habit(
        name="Shapefile, zipped in a folder",
        make=zipped(layer("marks.shp"), folder_in_zip="day 1/"),
        read=3,
    ),
    Habit(name="GeoPackage, zipped", make=zipped(layer("marks.gpkg")), read=3),
    Habit(name="CSV, zipped", make=zipped(text(rows())), read=3),
    Habit(
        name="archive with two data sets",
        make=members(**{"mon.csv": rows().encode(), "tue.csv": rows().encode()}),
        refused="there are 2 data sets in the archive: 'mon.csv', 'tue.csv'",
    ),
    Habit(
        name="archive in an archive",
        make=members(**{"all.zip": b"PK"}),
        refused="there is an archive in the archive",
    ),
    Habit(
        name="archive that leads out",
        make=members(**{"../marks.csv": rows().encode()}),
        refused="leads out of the archive",
    ),
    Habit(
        name="archive with an absolute name",
        make=members(**{"/tmp/marks.csv": rows().encode()}),  # noqa: S108 - a name, not a file
        refused="leads out of the archive",
    ),
    Habit(
        name="archive with a drive letter",
        make=members(**{"C:/marks.csv": rows().encode()}),
        refused="leads out of the archive",
    ),
    Habit(
        name="archive with backslashes",
        make=members(**{"day\\marks.csv": rows().encode()}),
        refused="leads out of the archive",
    ),
    Habit(name="archive with a link", make=link_in_archive, refused="is a link or leads out"),
    Habit(name="archive that swells", make=big_archive, refused="more than 200 times its size"),
    Habit(
        name="archive of many files",
        make=members(**{f"{n}.txt": b"x" for n in range(33)}),
        refused="33 files in the archive; at most 32",
    ),
    Habit(name="GeoJSON", make=text(frame().to_crs(4326).to_json(), "m.geojson"), read=3),
    Habit(name="KML, all folders", make=kml(placemarks()), read=3),
    Habit(name="KML, schema data", make=kml(placemarks("SimpleData")), read=3),
    Habit(name="KML, packed", make=kmz, read=3),
    Habit(
        name="KML with a link to another document",
        make=kml(placemarks() + "<NetworkLink><Link><href>http://x/</href></Link></NetworkLink>"),
        read=3,
        notice="1 link to other documents not followed",
    ),
    Habit(
        name="KML with entities",
        make=text('<!DOCTYPE kml [<!ENTITY a "b">]><kml>&a;</kml>', "marks.kml"),
        refused="declares entities or a document type",
    ),
    Habit(name="GPX, dbh and species in the description", make=gpx(waypoints(NOTE)), read=3),
    Habit(name="GPX, dbh and species in extensions", make=gpx(waypoints(EXTENDED)), read=3),
    Habit(
        name="GPX, dbh and species in the comment",
        make=gpx(waypoints("<cmt>12.5 in, spp: red maple</cmt>")),
        read=3,
    ),
    Habit(
        name="GPX track as a corridor",
        make=lambda f: {**text(rows())(f), **gpx(track(LINE_DEGREES), corridors="walk.gpx")(f)},
        read=3,
    ),
    Habit(
        name="GPX track as the boundary",
        make=lambda f: {**text(rows())(f), **gpx(track(EDGE_DEGREES), stand="walk.gpx")(f)},
        read=3,
        notice="1 closed line read as the area inside",
    ),
    Habit(name="GPX track round an opening", make=walked, read=3),
    Habit(
        name="GPX with an outside entity",
        make=text(OUTSIDE, "m.gpx"),
        refused="declares entities or a document type",
    ),
    Habit(name="CSV", make=text(rows()), read=3),
    Habit(name="CSV with a byte order mark", make=text(rows().encode("utf-8-sig")), read=3),
    Habit(name="CSV in UTF-16", make=text(rows().encode("utf-16")), read=3),
    Habit(name="TSV", make=text(rows("\t"), "marks.tsv"), read=3),
    Habit(name="CSV with semicolons and decimal commas", make=text(with_commas()), read=3),
    Habit(
        name="CSV in Windows-1252",
        make=text((rows() + "4,9,érable,white,,\n").encode("cp1252")),
        read=4,
        aside=1,
        notice="read as Windows-1252",
    ),
    Habit(name="CSV with blank rows", make=text(rows().replace("\n2", "\n\n,,,,,\n2")), read=3),
    Habit(
        name="CSV, header repeated where files were joined",
        make=text(rows() + rows().splitlines()[0] + "\n"),
        read=3,
        notice="the header stands again in line 5",
    ),
    Habit(
        name="CSV, a row cut short",
        make=text(rows() + "4,12\n"),
        read=4,
        aside=1,
        notice="1 record could not be read and rejected: line 5",
    ),
    Habit(name="degrees, minutes, seconds", make=text(with_dms()), read=3),
    Habit(
        name="UTM with its zone",
        make=text(utm("16T")),
        read=3,
        notice="read in EPSG:32616 (WGS 84 / UTM zone 16N), as the column of zones says",
    ),
    Habit(
        name="UTM with a column just called Zone",
        make=text(utm("16 N", "x,y,Zone")),
        read=3,
        notice="as the column of zones says",
    ),
    Habit(
        name="UTM with an ambiguous zone",
        make=text(utm("16S")),
        refused="S may be a latitude band",
    ),
    Habit(
        name="UTM without a zone",
        make=text(utm("", "x,y,remark")),
        refused="the coordinate system of 'x', 'y' is not stated",
    ),
    Habit(name="workbook", make=book(("Sheet1", sheet_of_marks())), read=3),
    Habit(
        name="workbook with a title above and a sheet of remarks",
        make=book(("read me", [["call me"]]), ("marks", [["Stand 3"], [], *sheet_of_marks()])),
        read=3,
    ),
    Habit(
        name="workbook with two sheets of marks",
        make=book(("mon", sheet_of_marks()), ("tue", sheet_of_marks())),
        refused="there are 2 sheets: 'mon', 'tue'",
    ),
    Habit(
        name="workbook with formulas that were never worked out",
        make=book(("m", [*sheet_of_marks(), [4, "=6+6", "red maple", "white", None, 1, 2]])),
        refused="a formula without its value",
    ),
    Habit(name="workbook with entities", make=workbook_with_entities, refused="declares entities"),
    Habit(name="several files whose numbers start at 1", make=several_files, read=6),
    Habit(
        name="a record for several trees",
        make=text(rows().replace("tree,", "count,tree,").replace("\n1,", "\n4,1,").replace(
            "\n2,", "\n1,2,").replace("\n3,", "\n1,3,")),
        read=3,
    ),
    Habit(
        name="a record repeated in number and time",
        make=text("\n".join([rows().splitlines()[0] + ",time",
                             *[f"{line},2025-10-06 08:00" for line in
                               [*rows().splitlines()[1:], rows().splitlines()[1]]]])),
        read=4,
        aside=1,
        notice="1 record rejected, repeats of another record",
    ),
    Habit(
        name="near neighbours with equal data",
        make=text(rows() + "4,12.5,sugar maple,white,"
                  f"{DEGREES.iloc[0].x + 0.000005:.8f},{DEGREES.iloc[0].y:.8f}\n"),
        read=4,
        notice="2 marks within 1 m of another with equal diameter",
    ),
    Habit(
        name="latitude and longitude swapped",
        make=text(rows(head="lat,lon")),
        refused="swapped",
    ),
    Habit(
        name="degrees under a metric system",
        make=text(rows(head="x,y"), crs=UTM),
        refused="look like degrees",
    ),
    Habit(
        name="metres under degrees",
        make=text(utm("", "lon,lat,remark")),
        refused="cannot be degrees",
    ),
    Habit(
        name="diameters in millimetres under centimetres",
        make=text(
            rows().replace("dbh_in", "dbh_cm").replace("12.5", "212").replace("14.0", "256")
            .replace("8.5", "196")
        ),
        refused="the median diameter is 212.0 cm (83.5 in), which no marked stand has",
    ),
    Habit(
        name="diameters that may be in another unit",
        make=text(rows().replace("dbh_in", "dbh_cm")),
        read=3,
        notice="the median diameter is 12.5 cm (4.9 in), which is unusual",
    ),
    Habit(
        name="an unknown species",
        make=text(rows().replace("red maple", "red mapel")),
        read=3,
    ),
    Habit(
        name="unknown paint",
        make=text(rows().replace("pink", "teal")),
        read=3,
        notice="paint that [marks.paint] does not list (teal)",
    ),
    Habit(
        name="a mark far away",
        make=text(rows() + f"4,12,red maple,white,{DEGREES.iloc[0].x + 0.1:.6f},45.15\n"),
        read=4,
        aside=1,
        notice="outside the stand by more than the position error: 4",
    ),
    Habit(
        name="a mark outside by less than the position error",
        make=text(utm("16T") + f"\n4,12,red maple,white,{X0 - 2},{Y0 + 50},16T\n"),
        read=4,
        notice="1 mark outside the stand kept",
    ),
    Habit(
        name="boundary as a closed line",
        make=stand(shapely.LineString(STAND.exterior.coords)),
        read=3,
        notice="1 closed line read as the area inside",
    ),
    Habit(
        name="boundary as an open line",
        make=stand(shapely.LineString(STAND.exterior.coords[:-1])),
        refused="its ends are 200.00 m apart",
    ),
    Habit(
        name="boundary that crosses itself",
        make=stand(shapely.Polygon(BOW)),
        refused="the outline crosses itself",
    ),
    Habit(
        name="boundary with a sliver",
        make=stand(shapely.MultiPolygon([STAND, shapely.box(X0 + 300, Y0, X0 + 300.5, Y0 + 1)])),
        read=3,
        notice="1 part below 1 m2 left out",
    ),
    Habit(
        name="a corridor twice",
        make=corridors(LINE, LINE),
        read=3,
        notice="2 lines equal to another",
    ),
    Habit(
        name="a corridor without length",
        make=corridors(LINE, shapely.LineString([(X0 + 9, Y0 + 9)] * 2)),
        read=3,
        notice="1 record rejected, without length",
    ),
    Habit(
        name="no width anywhere",
        make=corridors(LINE),
        read=3,
        notice="no width is given anywhere; corridors are taken as 4 m wide",
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def table() -> Iterator[list[tuple[str, str]]]:
    """Habit and outcome of each row, printed at the end."""
    outcomes: list[tuple[str, str]] = []
    yield outcomes
    print()  # noqa: T201 - the table is what this module is for
    for name, outcome in outcomes:
        print(f"{name:<52} {outcome}")  # noqa: T201 - as above


def outcome_of(folder: Path, inputs: dict[str, object]) -> Survey | InputError:
    """Survey, or why the input is refused."""
    gpd.GeoDataFrame(geometry=[STAND], crs=UTM).to_file(folder / "stand.gpkg")
    project = Project.model_validate(
        {
            "project": {"name": "Habits (invented)"},
            "inputs": {"stand": "stand.gpkg", **inputs},
            "marks": {"paint": {"white": "cut", "pink": "corridor"}},
        }
    )
    try:
        return read_survey(project, folder=folder)
    except InputError as error:
        return error


@pytest.mark.parametrize("habit", HABITS, ids=lambda habit: habit.name)
def test_what_becomes_of_a_habit(
    habit: Habit, tmp_path: Path, table: list[tuple[str, str]]
) -> None:
    """What is usable is read with its counts, what can be mended is told, the rest is refused."""
    inputs = habit.make(tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    outcome = outcome_of(tmp_path, inputs)

    after = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    after.pop(tmp_path / "stand.gpkg")
    assert after == before
    if isinstance(outcome, InputError):
        table.append((habit.name, f"refused: {str(outcome)[:100]}"))
        assert habit.refused, str(outcome)
        assert habit.refused in str(outcome)
        return
    counts = [count for count in outcome.counts if count.input == "marks"]
    read, aside = sum(one.read for one in counts), sum(one.rejected for one in counts)
    said = f", noticed: {habit.notice}" if habit.notice else ""
    table.append((habit.name, f"accepted: {read} read, {aside} rejected{said}"))
    assert not habit.refused
    assert (read, aside) == (habit.read, habit.aside)
    assert len(outcome.marks) == read - aside
    assert habit.notice in "\n".join(outcome.notices)
