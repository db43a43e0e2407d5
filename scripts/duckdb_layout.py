"""
The main job in a spatial database: DuckDB with its spatial extension, in SQL as one would write it.

Links between crowns, components, unions of openings, zones by overlay, and the volume table, for
every stand in one go. It shares no code with the package; the benchmark and a test hold the two
against each other.

The extension comes as a Python package and is loaded from its file: nothing is fetched.
"""

import importlib.resources
import importlib.util
from pathlib import Path

import duckdb

THREADS = 2

READ = """
CREATE TABLE stand AS SELECT stand_id, geom FROM ST_Read('{inputs}/stand.gpkg');
CREATE TABLE lines AS
SELECT stand_id, corridor, width_m, geom FROM ST_Read('{inputs}/corridors.gpkg');
CREATE TABLE marks AS
SELECT * EXCLUDE (fid), pi() / 4 * (dbh_cm / 100) ** 2 AS basal_area_m2,
       5 * floor(dbh_cm / 5 + 0.5)::INTEGER AS size_class, row_number() OVER () AS id
FROM ST_Read('{inputs}/marks.gpkg');
"""
"""The three layers; what a tree has of its own stands in its row."""

CROWNS = """
CREATE TABLE crowns AS
SELECT id, stand_id, "group", crown_radius_m, geom AS point,
       ST_Buffer(geom, crown_radius_m * sqrt(2 * pi() / (64 * sin(2 * pi() / 64))), 16) AS geom
FROM marks WHERE paint <> 'pink';
"""
"""Discs of 64 corners with the area of their circles."""

LINKS = """
CREATE TABLE links AS
SELECT one.id AS one, two.id AS two
FROM (SELECT * FROM crowns WHERE "group" = '') one
JOIN (SELECT * FROM crowns WHERE "group" = '') two ON ST_DWithin(one.point, two.point, {reach})
WHERE one.stand_id = two.stand_id AND one.id <> two.id
  AND ST_Distance(one.point, two.point) <= one.crown_radius_m + two.crown_radius_m;
"""
"""Crowns that touch, among those that nobody has named a group; both ways round."""

COMPONENTS = """
CREATE TABLE components AS
WITH RECURSIVE reached(id, component) USING KEY (id) AS (
    SELECT id, id FROM crowns WHERE "group" = ''
    UNION
    SELECT links.two, min(reached.component)
    FROM reached
    JOIN links ON links.one = reached.id
    JOIN recurring.reached AS known ON known.id = links.two
    WHERE reached.component < known.component
    GROUP BY links.two
)
SELECT id, component FROM reached;
"""
"""The lowest number walks along the links until nothing changes."""

AREAS = """
CREATE TABLE corridors AS
SELECT stand_id, corridor, width_m,
       ST_Intersection(
           ST_Buffer(lines.geom, width_m / 2, 16, 'CAP_FLAT', 'JOIN_ROUND', 1), stand.geom) AS geom
FROM lines JOIN stand USING (stand_id);

CREATE TABLE openings AS
SELECT stand_id, "group", ST_Union_Agg(geom) AS geom
FROM crowns WHERE "group" <> '' GROUP BY ALL;

CREATE TABLE incidental_openings AS
WITH many AS (
    SELECT component, count(*) AS trees FROM components GROUP BY ALL HAVING count(*) >= 4
)
SELECT stand_id, component, trees, ST_Union_Agg(geom) AS geom
FROM crowns JOIN components USING (id) JOIN many USING (component) GROUP BY ALL;
DELETE FROM incidental_openings WHERE ST_Area(geom) < 0.05 * 4046.8564224;

CREATE TABLE ground AS
WITH strips AS (SELECT stand_id, ST_Union_Agg(geom) AS geom FROM corridors GROUP BY stand_id),
     holes AS (SELECT stand_id, ST_Union_Agg(geom) AS geom FROM openings GROUP BY stand_id)
SELECT stand_id, stand.geom AS whole,
       coalesce(strips.geom, ST_GeomFromText('POLYGON EMPTY')) AS strip,
       ST_Difference(
           ST_Intersection(coalesce(holes.geom, ST_GeomFromText('POLYGON EMPTY')), stand.geom),
           coalesce(strips.geom, ST_GeomFromText('POLYGON EMPTY'))) AS hole
FROM stand LEFT JOIN strips USING (stand_id) LEFT JOIN holes USING (stand_id);

CREATE TABLE zones AS
SELECT stand_id, 'corridor' AS zone, strip AS geom FROM ground
UNION ALL SELECT stand_id, 'opening', hole FROM ground
UNION ALL SELECT stand_id, 'matrix', ST_Difference(ST_Difference(whole, strip), hole) FROM ground;
"""
"""Corridors in their stand, openings, incidental ones, and the zones in their order."""

TREES = """
CREATE TABLE trees AS
SELECT marks.*,
       CASE WHEN paint = 'pink' THEN NULL
            WHEN marks."group" <> '' THEN marks."group"
            ELSE NULL END AS opening,
       CASE WHEN paint = 'pink' THEN 'corridor'
            WHEN opening IS NOT NULL THEN 'opening' ELSE 'matrix' END AS zone
FROM marks;

CREATE TABLE volume_by_zone AS
SELECT stand_id, zone, product, species, size_class, count(*) AS trees,
       sum(basal_area_m2) AS basal_area_m2
FROM trees
GROUP BY GROUPING SETS (
    (stand_id, zone, product, species, size_class), (stand_id, zone, product), (stand_id, zone),
    (stand_id, product), (stand_id))
ORDER BY ALL;
"""
"""Zone of every tree by its paint, its group, else where it stands; and the table."""

LAYERS = {
    "corridors": "*, ST_Area(geom) AS area_m2 FROM corridors",
    "openings": "*, ST_Area(geom) AS area_m2, ST_Perimeter(geom) AS perimeter_m FROM openings",
    "incidental_openings": "*, ST_Area(geom) AS area_m2 FROM incidental_openings",
    "zones": "*, ST_Area(geom) AS area_m2 FROM zones",
    "marks": "* FROM trees",
}
"""What is selected for each layer that is written."""


def extension_file() -> Path | None:
    """File of the spatial extension as it was installed; None where it is not, or is another's."""
    if importlib.util.find_spec("duckdb_extension_spatial") is None:
        return None
    folder = importlib.resources.files("duckdb_extension_spatial")
    file = Path(str(folder)) / f"extensions/v{duckdb.__version__}/spatial.duckdb_extension"
    return file if file.is_file() else None


def run_in_duckdb(inputs: Path, out: Path) -> None:
    """Read the three layers of a folder, lay out every stand, write the results."""
    out.mkdir(parents=True, exist_ok=True)
    settings = {
        "threads": THREADS,
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
    }
    with duckdb.connect(config=settings) as database:
        database.load_extension(str(extension_file()))
        database.execute(READ.format(inputs=inputs.as_posix()))
        database.execute(CROWNS)
        reach = database.sql("SELECT 2 * max(crown_radius_m) FROM crowns").fetchone()
        database.execute(LINKS.format(reach=(reach or (0.0,))[0] or 0.0))
        for step in (COMPONENTS, AREAS, TREES):
            database.execute(step)
        for name, rows in LAYERS.items():
            file = (out / f"{name}.gpkg").as_posix()
            database.execute(f"COPY (SELECT {rows}) TO '{file}' (FORMAT GDAL, DRIVER 'GPKG')")
        table = (out / "volume_by_zone.csv").as_posix()
        database.execute(f"COPY volume_by_zone TO '{table}' (HEADER)")
