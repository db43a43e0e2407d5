"""
The main job as an able analyst would write it in one sitting: geopandas, dissolve, overlay.

Many stands at once, told apart by `stand_id`: set operations go row by row over whole columns,
unions are dissolves, the spatial index finds pairs. It reads nothing that the package wrote and
shares no code with it; the benchmark and a test hold the two against each other.
"""

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

QUARTER = 16
"""Segments a quarter circle of a crown disc."""

EVEN = float(np.sqrt(2 * np.pi / (4 * QUARTER * np.sin(2 * np.pi / (4 * QUARTER)))))
"""Radius of the disc's corners over that of the circle of its area."""

ACRE_M2 = 4046.8564224
LARGEST_OPENING_M2 = 0.5 * ACRE_M2
LARGEST_CORRIDOR_SHARE = 0.12
GAP_TREES, GAP_M2 = 4, 0.05 * ACRE_M2
CLASS_CM = 5
KEY = "stand_id"
GROUP = [KEY, "group"]


@dataclass(frozen=True, kw_only=True)
class PlainLayout:
    """Layers and tables of all stands, each row with `stand_id`; metres and square metres."""

    stand: gpd.GeoDataFrame
    corridors: gpd.GeoDataFrame
    openings: gpd.GeoDataFrame
    combined_openings: gpd.GeoDataFrame
    incidental_openings: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    marks: gpd.GeoDataFrame
    volume_by_zone: pd.DataFrame
    checks: pd.DataFrame

    def write(self, folder: Path) -> None:
        """GeoPackage of the layers, CSV of the tables that people read."""
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in vars(self).items():
            if isinstance(frame, gpd.GeoDataFrame):
                frame.to_file(folder / "plain.gpkg", layer=name, driver="GPKG")
            if name not in {"marks", "corridors"}:
                plain = pd.DataFrame(frame).drop(columns="geometry", errors="ignore")
                plain.to_csv(folder / f"{name}.csv", index=False)


def run_plainly(inputs: Path, out: Path) -> PlainLayout:
    """Read the three layers of a folder, lay out every stand, write the results."""
    layers = (gpd.read_file(inputs / f"{name}.gpkg") for name in ("stand", "corridors", "marks"))
    layout = lay_out_plainly(*layers)
    layout.write(out)
    return layout


def lay_out_plainly(
    stand: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, marks: gpd.GeoDataFrame
) -> PlainLayout:
    """
    Layout of every stand.

    Parameters
    ----------
    stand
        One polygon a row.
    lines
        Corridor centre lines with `width_m`; they cross the stand and end outside it.
    marks
        Points with `paint` (pink for corridor trees), `group`, `crown_radius_m`, `dbh_cm`,
        `species` and `product`.

    Returns
    -------
    layout
        What a run over the same stands gives.
    """
    ground = stand.set_index(KEY).geometry
    corridors = _corridors(lines, ground)
    corridor = _by_stand(corridors, ground)
    others = marks[marks["paint"] != "pink"]
    crowns = others.set_geometry(others.buffer(others["crown_radius_m"] * EVEN, QUARTER))
    openings = crowns[crowns["group"] != ""].dissolve(GROUP)[["geometry"]].reset_index()
    opening = _by_stand(openings, ground).intersection(ground).difference(corridor)
    matrix = ground.difference(corridor).difference(opening)
    zones = pd.concat(
        [
            gpd.GeoDataFrame({"zone": name, "area_m2": area.area}, geometry=area)
            for name, area in (("corridor", corridor), ("opening", opening), ("matrix", matrix))
        ]
    ).reset_index()
    marks = _measured_marks(marks, lines, corridor=corridor, ground=ground)
    openings = _measured_openings(openings, marks, corridor=corridor, ground=ground)
    found = marks.groupby([KEY, "zone"], as_index=False).agg(
        trees=("tree_id", "size"), basal_area_m2=("basal_area_m2", "sum")
    )
    return PlainLayout(
        stand=stand.assign(area_m2=stand.area, perimeter_m=stand.length),
        corridors=corridors,
        openings=openings,
        combined_openings=_combined(openings, corridors),
        incidental_openings=_incidental(crowns[crowns["group"] == ""]),
        zones=zones.merge(found, on=[KEY, "zone"], how="left"),
        marks=marks,
        volume_by_zone=_volume_table(marks),
        checks=_checks(openings, corridor.area / ground.area),
    )


def _of_each(rows: pd.DataFrame, by_stand: gpd.GeoSeries) -> gpd.GeoSeries:
    """Geometry of the stand of every row, on the index of the rows."""
    return by_stand.reindex(rows[KEY]).set_axis(rows.index)


def _by_stand(frame: gpd.GeoDataFrame, ground: gpd.GeoSeries) -> gpd.GeoSeries:
    """Union of the rows of every stand, empty where it has none."""
    united = frame[[KEY, "geometry"]].dissolve(KEY).geometry
    return united.reindex(ground.index).fillna(shapely.Polygon())


def _corridors(lines: gpd.GeoDataFrame, ground: gpd.GeoSeries) -> gpd.GeoDataFrame:
    """Strips inside their stand."""
    strips = lines.buffer(lines["width_m"] / 2, QUARTER, cap_style="flat")
    strips = strips.intersection(_of_each(lines, ground))
    return lines.set_geometry(strips).assign(area_m2=strips.area)


def _measured_marks(
    marks: gpd.GeoDataFrame,
    lines: gpd.GeoDataFrame,
    *,
    corridor: gpd.GeoSeries,
    ground: gpd.GeoSeries,
) -> gpd.GeoDataFrame:
    """Marks with zone and opening, by their paint and their group."""
    is_pink, is_grouped = marks["paint"] == "pink", marks["group"] != ""
    opening = marks["group"].where(is_grouped & ~is_pink)
    nearest = marks[[KEY]].assign(corridor="")
    for name, part in marks.groupby(KEY):
        mine = lines[lines[KEY] == name]
        at, line = mine.sindex.nearest(part.geometry, return_all=False)
        nearest.loc[part.index[at], "corridor"] = mine["corridor"].to_numpy()[line]
    outline = ground.boundary.union(corridor.boundary)
    return marks.assign(
        opening=opening,
        zone=np.select([is_pink, opening.notna()], ["corridor", "opening"], "matrix"),
        basal_area_m2=np.pi / 4 * (marks["dbh_cm"] / 100) ** 2,
        size_class=np.floor(marks["dbh_cm"] / CLASS_CM + 0.5).astype(int) * CLASS_CM,
        line_distance_m=marks.distance(_of_each(marks, outline)),
        corridor_distance_m=marks.distance(_of_each(marks, corridor.boundary)),
        corridor=nearest["corridor"],
    )


def _measured_openings(
    openings: gpd.GeoDataFrame,
    marks: gpd.GeoDataFrame,
    *,
    corridor: gpd.GeoSeries,
    ground: gpd.GeoSeries,
) -> gpd.GeoDataFrame:
    """Openings with their size, their trees and their distances."""
    strip, edge = _of_each(openings, corridor), _of_each(openings, ground.boundary)
    box = openings.minimum_rotated_rectangle()
    trees = marks.groupby([KEY, "opening"]).agg(
        trees=("tree_id", "size"), basal_area_m2=("basal_area_m2", "sum")
    )
    spacing = pd.Series(np.nan, index=openings.index)
    for _, part in openings.groupby(KEY):
        (at, _), away = part.sindex.nearest(
            part.geometry, exclusive=True, return_all=False, return_distance=True
        )
        spacing[part.index[at]] = away
    return openings.assign(
        area_m2=openings.area,
        perimeter_m=openings.length,
        parts=openings.count_geometries(),
        in_corridor_m2=openings.intersection(strip).area,
        spacing_m=spacing,
        boundary_m=openings.distance(edge),
        corridor_m=openings.distance(strip),
        box_m2=box.area,
        box_perimeter_m=box.length,
    ).merge(trees, left_on=GROUP, right_index=True, how="left")


def _combined(openings: gpd.GeoDataFrame, corridors: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Openings with the strips at them, one where they touch."""
    pairs = gpd.sjoin(openings[[*GROUP, "geometry"]], corridors[[KEY, "geometry"]])
    pairs = pairs[pairs[f"{KEY}_left"] == pairs[f"{KEY}_right"]]
    strips = corridors.loc[pairs["index_right"]]
    around = pairs.buffer(strips["width_m"].to_numpy(), QUARTER)
    pieces = pairs[["group"]].assign(
        **{KEY: pairs[f"{KEY}_left"]},
        geometry=around.intersection(strips.geometry.set_axis(pairs.index), align=False),
    )
    holes = pd.concat([openings[[*GROUP, "geometry"]], pieces[[*GROUP, "geometry"]]])
    holes = holes.dissolve(GROUP).reset_index()
    one, two = holes.sindex.query(holes.geometry, predicate="intersects")
    same = holes[KEY].to_numpy()[one] == holes[KEY].to_numpy()[two]
    label = _components(one[same], two[same], len(holes))
    combined = holes.assign(combined=label).dissolve(["combined", KEY], aggfunc={"group": "count"})
    return combined.reset_index().assign(area_m2=combined.area.to_numpy())


def _incidental(crowns: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Crowns that touch and that nobody has named a group, where they leave a large gap."""
    at, radius = crowns.centroid, crowns["crown_radius_m"].to_numpy()
    reach = 2 * radius.max(initial=0.0)
    one, two = at.sindex.query(at, predicate="dwithin", distance=reach)
    stand = crowns[KEY].to_numpy()
    away = at.iloc[one].distance(at.iloc[two], align=False).to_numpy()
    touch = (stand[one] == stand[two]) & (away <= radius[one] + radius[two])
    label = pd.Series(_components(one[touch], two[touch], len(crowns)), index=crowns.index)
    crowns = crowns[label.map(label.value_counts()) >= GAP_TREES].assign(component=label)
    incidental = crowns.dissolve(["component", KEY], aggfunc={"tree_id": "count"}).reset_index()
    incidental = incidental.assign(area_m2=incidental.area, perimeter_m=incidental.length)
    return incidental[incidental["area_m2"] >= GAP_M2].rename(columns={"tree_id": "trees"})


def _components(one: np.ndarray, two: np.ndarray, count: int) -> np.ndarray:
    """Number of the connected component of each of `count` things."""
    links = coo_array((np.ones(len(one), bool), (one, two)), shape=(count, count))
    return connected_components(links, directed=False)[1]


def _volume_table(marks: gpd.GeoDataFrame) -> pd.DataFrame:
    """Trees and basal area by zone, product, species and size class, with the sums over them."""
    sums = {
        "cell": ["zone", "product", "species", "size_class"],
        "zone_product": ["zone", "product"],
        "zone": ["zone"],
        "product": ["product"],
        "total": [],
    }
    rows = [
        marks.groupby([KEY, *columns], as_index=False)
        .agg(trees=("tree_id", "size"), basal_area_m2=("basal_area_m2", "sum"))
        .assign(row=row)
        for row, columns in sums.items()
    ]
    return pd.concat(rows, ignore_index=True)


def _checks(openings: gpd.GeoDataFrame, share: pd.Series) -> pd.DataFrame:
    """Openings and corridors held against their limits."""
    areas = openings[[*GROUP, "area_m2"]].rename(columns={"area_m2": "measured"})
    areas = areas.assign(limit="opening_area_max", limit_value=LARGEST_OPENING_M2)
    shares = share.rename("measured").rename_axis(KEY).reset_index()
    shares = shares.assign(limit="corridor_share_max", limit_value=LARGEST_CORRIDOR_SHARE)
    checks = pd.concat([areas, shares], ignore_index=True)
    over = checks["measured"] > checks["limit_value"]
    return checks.assign(verdict=np.where(over, "exceeded", "met"))
