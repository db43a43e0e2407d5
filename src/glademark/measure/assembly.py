"""From what was measured to the Layout: declared layers, figures, notices."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from geopandas.array import from_shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features, give_back_memory
from glademark.contracts.layout import Figures, Layout, StandFigures, StandResults
from glademark.contracts.result_tables import ALLOWANCE, STOCK_BY_CLASS
from glademark.contracts.survey import Notice, Survey, labels_of
from glademark.contracts.terrain import GroundFigures
from glademark.forestry import SizeClasses
from glademark.forestry.size_classes import NO_DIAMETER
from glademark.measure.allowance import (
    allowance_notices,
    allowance_table,
    class_notices,
    corridor_wood_notice,
    residual,
    stock_by_class,
)
from glademark.measure.corridors import Corridors
from glademark.measure.figures import (
    layout_notices,
    mark_figures,
    opening_figures,
    volume_figures,
    zone_figures,
)
from glademark.measure.groups import opening_of_trees, paper_group_notices
from glademark.measure.holes import Holes, parts_notices
from glademark.measure.openings import (
    measured_incidental,
    measured_openings,
    volume_by_product,
    wood_in,
)
from glademark.measure.residual.stand_tables import reasons_of_openings
from glademark.measure.residual.standing_trees import StandMap
from glademark.measure.standing import BASAL, Standing
from glademark.measure.tables import declared, rows_by, table_of_sums
from glademark.measure.tally import tally_cells, tally_of_openings, tally_table
from glademark.measure.terrain.light_and_wind import LIGHT_COLUMNS, light_on
from glademark.measure.volume import Sold
from glademark.measure.zones import Covers, Disagreement, paint_disagreement
from glademark.project.model import Project
from glademark.units import HECTARE_M2

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]

_INTERNAL = frozenset(
    {"dbh", "dbh_unit", "paint_meaning", "is_cut", "inside", "cull", "order", "radius_m"}
    | {"corridor_width_m"}
)
_AREAS = ("exclusions", "setbacks", "landings", "hazards", "water")


@dataclass(kw_only=True, slots=True, eq=False)
class Measured:
    """
    What the measuring step found, before it is put into layers.

    Attributes
    ----------
    ground
        Inputs given as areas.
    corridors
        Strips, lines and figures.
    holes, openings
        Openings and incidental openings; openings with their numbers.
    zones
        The partition of each stand.
    marks
        Every used mark with crown, distances and zones.
    leave
        Leave trees with their crowns.
    trees, parts
        Cut trees, located or not; their volumes, one row a part.
    wood_notices
        What is to be said first of the volumes of a stand.
    sold
        Volume table and products.
    standing
        What stands before the cut, by stand; without those that are refused.
    classes
        Size classes.
    stand_map
        All standing trees, where a list or map of them is given.
    """

    ground: Covers
    corridors: Corridors
    holes: Holes
    openings: gpd.GeoDataFrame
    zones: Mapping[str, GeometryArray]
    marks: gpd.GeoDataFrame
    leave: gpd.GeoDataFrame
    trees: pd.DataFrame
    parts: pd.DataFrame
    wood_notices: Mapping[int, tuple[str, ...]]
    sold: Sold
    standing: Mapping[int, Standing]
    classes: SizeClasses
    stand_map: StandMap


def assemble(measured: Measured, survey: Survey, project: Project) -> Layout:
    """Layers with their declared columns, figures and notices of all stands."""
    marks, parts, holes = measured.marks, measured.parts, measured.holes
    cells = tally_cells(measured.trees, parts)
    areas = {name: shapely.area(zone) for name, zone in measured.zones.items()}
    opening_row = opening_of_trees(measured.trees, measured.openings, _opening_of(measured))
    wood: Any = {"marks": measured.trees.assign(is_cut=True), "parts": parts}
    openings, combined = measured_openings(
        measured.openings,
        corridors=measured.corridors,
        ground=measured.ground,
        wood=wood_in(opening_row, len(measured.openings), **wood),
    )
    if "reason" in measured.trees:
        reasons = reasons_of_openings(measured.trees, opening_row, len(measured.openings))
        openings = openings.assign(reasons=reasons.to_numpy(dtype=object))
    give_back_memory()
    light_columns, light = (
        ({}, {}) if openings.empty else _light(measured, openings, survey, project)
    )
    unlit = declared(
        openings.drop(columns=list(LIGHT_COLUMNS), errors="ignore"), "openings", as_drawn=True
    )
    disagreement = paint_disagreement(
        marks, corridor=measured.corridors.area, stand=measured.ground.stand
    )
    figures = _figures(measured, survey, (openings, combined), disagreement)
    stock = _stock(measured, survey, project, cells, areas)
    paper = paper_group_notices(measured.trees, measured.openings, marks)
    parts_told = parts_notices(
        openings, marks, settings=project.openings, units=project.heading.units
    )
    told = (*survey.stand_notices, *holes.notices, *parts_told, *paper)
    return Layout(
        crs=survey.crs,
        stand=_stand_layer(measured.ground, figures, survey),
        zones=_zone_layer(measured, cells, survey.crs),
        corridors=_corridor_layer(measured),
        corridor_lines=declared(measured.corridors.lines, "corridor_lines"),
        openings=declared(openings, "openings", more=light_columns, as_drawn=True)
        if light
        else unlit,
        combined_openings=declared(combined, "combined_openings", as_drawn=True),
        incidental_openings=declared(
            measured_incidental(holes, marks=marks, parts=parts), "incidental_openings"
        ),
        marks=_mark_layer(measured),
        leave_trees=declared(measured.leave, "leave_trees"),
        **{name: _areas(survey, name) for name in _AREAS},
        cruise_plots=_plots(measured, survey.crs),
        volume_by_zone=tally_table(
            cells,
            zone_area_m2=areas,
            stocks={stand: one.stocks for stand, one in measured.standing.items()},
        ),
        volume_by_opening=tally_of_openings(
            volume_by_product(opening_row, **wood), measured.openings
        ),
        allowance=_table([one.allowance for one in stock.values()], ALLOWANCE.names),
        stock_by_class=_table([one.by_class for one in stock.values()], STOCK_BY_CLASS.names),
        by_stand={
            stand: StandResults(
                figures=figures[stand],
                stock_left=stock[stand].residual if stand in stock else {},
                notices=_notices(stand, measured, told, stock)
                + layout_notices(
                    figures[stand],
                    disagreement[stand],
                    marks=marks,
                    settings=project.openings,
                ),
                ground=GroundFigures(light=light.get(stand)),
                columns={"openings": tuple(unlit.columns)} if light and stand not in light else {},
            )
            for stand in measured.standing
        },
    )


def _notices(
    stand: int, measured: Measured, told: Sequence[Notice], stock: Mapping[int, "_Stock"]
) -> tuple[str, ...]:
    """Sentences on a stand that are known before its figures."""
    return (
        *measured.wood_notices.get(stand, ()),
        *(stock[stand].notices if stand in stock else ()),
        *(notice.text for notice in told if notice.stand in {stand, None}),
        *measured.standing[stand].notices,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Stock:
    """Allowance, stock by class and residual of a stand whose stock is known, and notices."""

    allowance: pd.DataFrame
    by_class: pd.DataFrame
    residual: Mapping[str, float]
    notices: tuple[str, ...]


def _stock(
    measured: Measured,
    survey: Survey,
    project: Project,
    cells: pd.DataFrame,
    areas: Mapping[str, FloatArray],
) -> dict[int, _Stock]:
    """What is known of the stock, by stand."""
    known = {
        stand: one
        for stand, one in measured.standing.items()
        if one.stocks or not one.by_class.empty
    }
    if not known:
        return {}
    located = measured.marks[measured.marks["is_cut"]]
    tables = (cells, measured.trees, located, survey.marked_ground)
    rows = [rows_by(table[STAND]) for table in tables]
    nothing = np.zeros(0, dtype=np.intp)
    stock = {}
    for stand, standing in known.items():
        mine, trees, cut, marked = (
            table.iloc[of_stand.get(stand, nothing)]
            for table, of_stand in zip(tables, rows, strict=True)
        )
        operable = measured.ground.operable[stand]
        marked_ground = marked.geometry.to_numpy()
        hectares = operable.area / HECTARE_M2
        allowance = allowance_table(
            standing.stocks,
            mine,
            allowable_share=project.allowance.removal_share_max,
            zone_area_m2={name: float(area[stand]) for name, area in areas.items()},
            marked_ground_m2=float(
                shapely.intersection(shapely.union_all(marked_ground), operable).area
            )
            if len(marked)
            else None,
        )
        by_class = stock_by_class(
            standing, trees, operable_ha=hectares, labels=measured.classes.labels
        )
        notices = allowance_notices(
            standing.stocks,
            allowance,
            cut=cast("gpd.GeoDataFrame", cut),
            marked_ground=marked_ground.tolist(),
        ) + corridor_wood_notice(
            float(mine.loc[mine["zone"] == "corridor", "basal_area_m2"].sum()),
            least_m2_ha=_least_basal_area(standing) / hectares if hectares > 0 else np.nan,
            ground_m2=_new_corridor_m2(measured, stand, marked_ground),
            units=project.heading.units,
        )
        stock[stand] = _Stock(
            allowance=allowance.assign(stand=stand),
            by_class=by_class.assign(stand=stand),
            residual=residual(allowance, _whole(by_class, standing), operable_ha=hectares),
            notices=(*notices, *class_notices(by_class)),
        )
    return stock


def _least_basal_area(standing: Standing) -> float:
    """Lower end of the standing basal area, NaN where it is not known [m2]."""
    basal = [stock.total for stock in standing.stocks if stock.quantity == BASAL]
    if not basal:
        return np.nan
    return basal[0].mean if np.isnan(basal[0].low) else basal[0].low


def _new_corridor_m2(measured: Measured, stand: int, marked_ground: GeometryArray) -> float:
    """Operable ground of new corridors that was marked so far, all where nothing is said [m2]."""
    strips = measured.corridors.strips
    stays = ((strips[STAND] == stand) & (strips["state"] == "existing")).to_numpy()
    ground = shapely.difference(
        measured.zones["corridor"][stand], shapely.union_all(strips.geometry.to_numpy()[stays])
    )
    if len(marked_ground):
        ground = shapely.intersection(ground, shapely.union_all(marked_ground))
    return float(ground.area)


def _whole(by_class: pd.DataFrame, standing: Standing) -> pd.DataFrame:
    """Classes that the cruise counted; none where it counted a part of one, or a mark has none."""
    counted = by_class[by_class["standing_trees"].notna()]
    in_part = standing.not_counted.intersection(standing.by_class.index)
    is_whole = not in_part and NO_DIAMETER not in set(by_class["size_class"])
    return counted if is_whole else counted.iloc[:0]


def _table(tables: Sequence[pd.DataFrame], names: Sequence[str]) -> pd.DataFrame:
    """Tables of several stands under each other."""
    columns = [STAND, *names]
    filled = [table[columns] for table in tables if len(table)]
    table = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)
    return table.astype({STAND: np.int64})


def _plots(measured: Measured, crs: CRS) -> gpd.GeoDataFrame:
    """Plots of the cruises."""
    plots = [
        one.plots.assign(stand=i) for i, one in measured.standing.items() if one.plots is not None
    ]
    if not plots:
        return declared(features({STAND: []}, [], crs=crs), "cruise_plots")
    return declared(pd.concat(plots, ignore_index=True), "cruise_plots")


def _figures(
    measured: Measured,
    survey: Survey,
    openings: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame],
    disagreement: Sequence[Disagreement],
) -> list[Figures]:
    """Totals of each stand."""
    stand = _stand_figures(measured.ground, survey.crs)
    area = shapely.area(measured.ground.stand)
    parts = (
        stand,
        measured.corridors.figures,
        opening_figures(*openings, measured.holes, stand_m2=area),
        zone_figures(measured.zones, measured.marks),
        mark_figures(survey, measured.marks, disagreement),
        volume_figures(
            measured.trees,
            measured.parts,
            measured.sold,
            size_class_rule=measured.classes.rule,
            stands=len(stand),
        ),
    )
    return [
        Figures(
            stand=whole, corridors=strips, openings=holes, zones=zones, marks=marks, volume=wood
        )
        for whole, strips, holes, zones, marks, wood in zip(*parts, strict=True)
    ]


def _stand_figures(ground: Covers, crs: CRS) -> list[StandFigures]:
    """Areas and perimeter of each stand."""
    columns = {
        "area_m2": shapely.area(ground.stand),
        "area_geodesic_m2": geodesic_areas_m2(ground.stand, crs=crs),
        "operable_m2": shapely.area(ground.operable),
        "perimeter_m": shapely.length(ground.stand),
    }
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    return [StandFigures(**dict(zip(columns, row, strict=True))) for row in rows]


def geodesic_areas_m2(polygons: GeometryArray, *, crs: CRS) -> FloatArray:
    """
    Areas on the ellipsoid of a CRS.

    Parameters
    ----------
    polygons
        Polygons or MultiPolygons in `crs`; shape (n,).

    Returns
    -------
    areas
        In square metres, by geodesics between the vertices in the geodetic CRS of `crs`; shape
        (n,). One loop over polygons.

    References
    ----------
    Karney 2013, Algorithms for geodesics, Journal of Geodesy 87:43-55, as built into PROJ.
    """
    geodetic = crs.geodetic_crs or crs
    flat = from_shapely(shapely.orient_polygons(polygons), crs=crs).to_crs(geodetic)
    ellipsoid = geodetic.get_geod()
    if ellipsoid is None:
        return np.zeros(len(polygons))
    return np.array([abs(ellipsoid.geometry_area_perimeter(one)[0]) for one in flat])


def _stand_layer(ground: Covers, figures: Sequence[Figures], survey: Survey) -> gpd.GeoDataFrame:
    """Each stand in one row."""
    sizes = ("area_m2", "area_geodesic_m2", "operable_m2", "perimeter_m")
    row = {size: [getattr(one.stand, size) for one in figures] for size in sizes}
    named = {name: survey.stand[name].to_numpy() for name in (STAND, "name")}
    return declared(features({**named, **row}, ground.stand, crs=survey.crs), "stand")


def _opening_of(measured: Measured) -> pd.Series:
    """Row of the opening that each mark is tallied in, <NA> for none."""
    keys = [measured.marks[STAND], measured.marks["opening"].fillna(0).astype(int)]
    return _row_with(measured.openings[[STAND, "opening"]], keys, measured.marks.index)


def _row_with(table: pd.DataFrame, keys: Sequence[pd.Series], index: pd.Index) -> pd.Series:
    """Row of the table with the same keys, <NA> for none."""
    row = pd.MultiIndex.from_frame(table).get_indexer(pd.MultiIndex.from_arrays([*keys]))
    return pd.Series(pd.arrays.IntegerArray(row.astype(np.int64), row < 0), index=index)


def _light(
    measured: Measured, openings: gpd.GeoDataFrame, survey: Survey, project: Project
) -> tuple[dict[str, FloatArray], Mapping[int, Any]]:
    """Shape and edges of openings."""
    return light_on(
        openings,
        corridors=measured.corridors.area,
        boundary=measured.ground.stand,
        bare=[measured.holes.incidental, survey.landings, survey.water],
        wind=project.wind,
    )


def _zone_layer(measured: Measured, cells: pd.DataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """One row a zone that has an area."""
    names = pd.Index([*measured.zones])
    shapes = np.stack([*measured.zones.values()], axis=1)  # (stands, zones)
    area = shapely.area(shapes)
    stand, zone = np.nonzero(area > 0)
    here = cells[(cells["located"] == "located") & cells["zone"].isin(names)]
    code = names.get_indexer(pd.Index(here["zone"]))
    lost = here["m3"].isna().to_numpy().astype(float)
    amounts: dict[str, npt.ArrayLike] = {
        name: here[name] for name in ("trees", "basal_area_m2", "m3", "own_without")
    }
    wood = {
        name: table_of_sums(amount, here[STAND], code, area.shape)[stand, zone]
        for name, amount in {**amounts, "lost": lost}.items()
    }
    columns = {
        STAND: stand,
        "zone": names.to_numpy(dtype=object)[zone],
        "area_m2": area[stand, zone],
        "share": area[stand, zone] / shapely.area(measured.ground.stand)[stand],
        "trees": np.nan_to_num(wood["trees"]),
        "basal_area_m2": np.nan_to_num(wood["basal_area_m2"]),
        "volume_m3": np.where(np.nan_to_num(wood["lost"]) > 0, np.nan, wood["m3"]),
        "trees_without": np.nan_to_num(wood["own_without"]),
    }
    return declared(features(columns, shapes[stand, zone], crs=crs), "zones", as_drawn=True)


def _corridor_layer(measured: Measured) -> gpd.GeoDataFrame:
    """Corridors with the wood that is tallied as theirs."""
    strips, marks = measured.corridors.strips, measured.marks
    row = _row_with(strips[[STAND, "corridor"]], [marks[STAND], marks["corridor"]], marks.index)
    row = row.where(marks["zone"] == "corridor")
    wood = wood_in(row, len(strips), marks=marks, parts=measured.parts)
    columns = ("trees", "basal_area_m2", "volume_m3", "volume", "trees_without")
    return declared(strips, "corridors", more={name: wood[name] for name in columns})


def _mark_layer(measured: Measured) -> gpd.GeoDataFrame:
    """Every used mark with its own product's volume."""
    marks, parts = measured.marks, measured.parts
    own = parts[~parts["tree"].duplicated()]  # the first part is of the own product

    def _of_own(name: str) -> pd.Series:
        """A column of the own part, on the index of the marks."""
        return pd.Series(own[name].to_numpy(), index=own["tree"]).reindex(marks.index)

    volumes = {
        "label": labels_of(marks).to_numpy(dtype=object),
        "volume": _of_own("net").to_numpy(dtype=float),
        "volume_unit": _of_own("unit").to_numpy(dtype=object),
        "volume_source": _of_own("source").to_numpy(dtype=object),
        "volume_m3": parts["m3"]
        .groupby(parts["tree"])
        .sum(skipna=False)
        .reindex(marks.index)
        .to_numpy(),
    }
    others = [name for name in marks.columns if name not in {*_INTERNAL, "geometry"}]
    return declared(marks, "marks", more=volumes, others=others)


def _areas(survey: Survey, name: str) -> gpd.GeoDataFrame:
    """A layer of areas given."""
    areas = getattr(survey, name)
    return declared(areas, name, more={"area_m2": shapely.area(areas.geometry.to_numpy())})
