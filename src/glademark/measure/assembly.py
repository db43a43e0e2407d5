"""From what was measured to the Layout: declared layers, figures, notices."""

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from geopandas.array import from_shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from glademark.features import features
from glademark.forestry import SizeClasses
from glademark.layout import Figures, Layout, StandFigures
from glademark.measure.allowance import (
    allowance_notices,
    allowance_table,
    residual,
    stock_by_class,
)
from glademark.measure.corridors import Corridors
from glademark.measure.cover import Cover
from glademark.measure.declared import declared
from glademark.measure.figures import mark_figures, opening_figures, volume_figures, zone_figures
from glademark.measure.marks import corridor_width_at
from glademark.measure.notices import layout_notices
from glademark.measure.opening_layer import measured_gaps, measured_openings, wood_in
from glademark.measure.openings import Holes
from glademark.measure.standing import Standing
from glademark.measure.sums import exact_sums
from glademark.measure.tally import tally_cells, tally_table
from glademark.measure.volume import Sold
from glademark.measure.zones import Disagreement, paint_disagreement
from glademark.project.model import Project
from glademark.survey import Survey
from glademark.units import HECTARE_M2

_INTERNAL = ("dbh", "dbh_unit", "paint_meaning", "is_cut", "inside", "cull", "order", "radius_m")
_OF_CUT = (
    "count",
    "corridor",
    "corridor_distance_m",
    "position_error_m",
    "zone_painted",
    "geometry",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Measured:
    """
    What the measuring step found, before it is put into layers.

    Attributes
    ----------
    cover
        Inputs given as areas.
    corridors
        Strips, lines and figures.
    holes
        Openings and canopy gaps.
    openings
        Openings with their numbers.
    joined
        Joined openings.
    zones
        The partition.
    marks
        Every used mark with crown, distances and zones.
    leave
        Leave trees with their crowns.
    trees
        Cut trees, located or not.
    parts
        Their volumes, one row a part.
    sold
        Volume table and products.
    standing
        What stands before the cut.
    classes
        Size classes.
    """

    cover: Cover
    corridors: Corridors
    holes: Holes
    openings: gpd.GeoDataFrame
    joined: gpd.GeoDataFrame
    zones: Mapping[str, BaseGeometry]
    marks: gpd.GeoDataFrame
    leave: gpd.GeoDataFrame
    trees: pd.DataFrame
    parts: pd.DataFrame
    sold: Sold
    standing: Standing
    classes: SizeClasses


def assemble(found: Measured, survey: Survey, project: Project) -> Layout:
    """
    The Layout of what was measured.

    Parameters
    ----------
    found
        What the measuring step found.
    survey
        As intake handed it on.
    project
        What was asked.

    Returns
    -------
    layout
        Layers with their declared columns, figures and notices.
    """
    stand = _stand_figures(found.cover, survey.crs)
    cut = found.marks.loc[found.marks["is_cut"].to_numpy(), list(_OF_CUT)]
    openings = _openings(found)
    gaps = measured_gaps(found.holes, marks=found.marks, parts=found.parts)
    cells = tally_cells(found.trees, found.parts)
    area = {name: zone.area for name, zone in found.zones.items()}
    disagreement = _disagreement(found, cut)
    figures = Figures(
        stand=stand,
        corridors=found.corridors.figures,
        openings=opening_figures(openings, found.joined, found.holes, stand_m2=stand.area_m2),
        zones=zone_figures(found.zones, found.marks),
        marks=mark_figures(survey, found.marks, disagreement),
        volume=volume_figures(
            found.trees, found.parts, found.sold, size_class_rule=found.classes.rule
        ),
    )
    operable_ha = found.cover.operable.area / HECTARE_M2
    allowance = allowance_table(
        found.standing.stocks,
        cells,
        cap_share=project.allowance.removal_share_max,
        zone_area_m2=area,
        covered_m2=_covered_m2(survey, found.cover),
    )
    by_class = stock_by_class(
        found.standing, found.trees, operable_ha=operable_ha, labels=found.classes.labels
    )
    return Layout(
        crs=survey.crs,
        stand=_stand_layer(found.cover, stand, name=project.heading.name, crs=survey.crs),
        zones=_zone_layer(found, cells, survey.crs),
        corridors=_corridor_layer(found),
        corridor_lines=declared(found.corridors.lines, "corridor_lines"),
        openings=declared(openings, "openings"),
        joined_openings=declared(found.joined, "joined_openings"),
        canopy_gaps=declared(gaps, "canopy_gaps"),
        marks=_mark_layer(found),
        keep_out=_areas(survey.keep_out, "keep_out"),
        setbacks=_areas(survey.setbacks, "setbacks"),
        landings=_areas(survey.landings, "landings"),
        water=_areas(survey.water, "water"),
        leave_trees=declared(found.leave, "leave_trees"),
        cruise_plots=declared(found.standing.plots, "cruise_plots"),
        volume_by_zone=tally_table(cells, zone_area_m2=area, stocks=found.standing.stocks),
        allowance=allowance,
        stock_by_class=by_class,
        residual=residual(allowance, by_class, operable_ha=operable_ha),
        figures=figures,
        notices=(
            *survey.notices,
            *found.holes.notices,
            *found.standing.notices,
            *allowance_notices(
                found.standing.stocks,
                allowance,
                trees=found.trees,
                cut=cut,
                covered=survey.covered.geometry.tolist(),
            ),
            *layout_notices(figures, disagreement, marks=found.marks, settings=project.openings),
        ),
    )


def _covered_m2(survey: Survey, cover: Cover) -> float | None:
    """Operable ground that the marking has covered so far; None where that was not said."""
    if survey.covered.empty:
        return None
    covered = shapely.union_all(survey.covered.geometry.to_numpy())
    return float(shapely.intersection(covered, cover.operable).area)


def _stand_figures(cover: Cover, crs: CRS) -> StandFigures:
    """Areas and perimeter of the stand."""
    return StandFigures(
        area_m2=float(cover.stand.area),
        area_geodesic_m2=geodesic_area_m2(cover.stand, crs=crs),
        operable_m2=float(cover.operable.area),
        perimeter_m=float(cover.stand.length),
    )


def geodesic_area_m2(polygon: BaseGeometry, *, crs: CRS) -> float:
    """
    Area on the ellipsoid of a CRS.

    Parameters
    ----------
    polygon
        Polygon or MultiPolygon in `crs`.
    crs
        Projected or geographic.

    Returns
    -------
    area
        In square metres, by geodesics between the vertices in the geodetic CRS of `crs`.

    References
    ----------
    Karney 2013, Algorithms for geodesics, Journal of Geodesy 87:43-55, as built into PROJ.
    """
    geodetic = crs.geodetic_crs or crs
    flat = from_shapely([shapely.orient_polygons(polygon)], crs=crs).to_crs(geodetic)
    ellipsoid = geodetic.get_geod()
    return 0.0 if ellipsoid is None else abs(ellipsoid.geometry_area_perimeter(flat[0])[0])


def _stand_layer(cover: Cover, figures: StandFigures, *, name: str, crs: CRS) -> gpd.GeoDataFrame:
    """The stand in one row."""
    row = {
        "name": [name],
        "area_m2": [figures.area_m2],
        "area_geodesic_m2": [figures.area_geodesic_m2],
        "operable_m2": [figures.operable_m2],
        "perimeter_m": [figures.perimeter_m],
    }
    return declared(features(row, [cover.stand], crs=crs), "stand")


def _openings(found: Measured) -> gpd.GeoDataFrame:
    """Openings with size, distances and wood."""
    number = pd.Index(found.openings["opening"])
    row = number.get_indexer(pd.Index(found.marks["opening"].to_numpy(dtype=int, na_value=0)))
    return measured_openings(
        found.openings,
        joined=found.joined,
        corridor=found.corridors.area,
        stand=found.cover.stand,
        water=found.cover.water,
        wood=wood_in(row, len(number), marks=found.marks, parts=found.parts),
    )


def _zone_layer(found: Measured, cells: pd.DataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """One row a zone that has an area."""
    names = [name for name, area in found.zones.items() if area.area > 0]
    located = cells[cells["located"] == "located"].groupby("zone")
    wood = located[["trees", "basal_area_m2", "m3"]].sum(min_count=1).reindex(names)
    area = np.array([found.zones[name].area for name in names])
    columns = {
        "zone": names,
        "area_m2": area,
        "share": area / found.cover.stand.area,
        "trees": wood["trees"].fillna(0).to_numpy(),
        "basal_area_m2": wood["basal_area_m2"].fillna(0.0).to_numpy(),
        "volume_m3": wood["m3"].to_numpy(),
    }
    return declared(features(columns, [found.zones[name] for name in names], crs=crs), "zones")


def _corridor_layer(found: Measured) -> gpd.GeoDataFrame:
    """Corridors with the wood that is tallied as theirs."""
    strips, marks = found.corridors.strips, found.marks
    row, names = pd.factorize(strips["corridor"].to_numpy(dtype=object))
    nearest = pd.Index(names).get_indexer(pd.Index(marks["corridor"].to_numpy(dtype=object)))
    mine = np.where(marks["zone"].to_numpy(dtype=object) == "corridor", nearest, -1)
    wood = wood_in(mine, len(names), marks=marks, parts=found.parts)
    columns = ("trees", "basal_area_m2", "volume_m3")
    return declared(strips, "corridors", more={name: wood[name][row] for name in columns})


def _mark_layer(found: Measured) -> gpd.GeoDataFrame:
    """Every used mark with its own product's volume."""
    marks, parts = found.marks, found.parts
    row = marks.index.get_indexer(pd.Index(parts["tree"]))  # -1: counted without a position
    mark, first = np.unique(row, return_index=True)
    mark, first = mark[mark >= 0], first[mark >= 0]  # the first part is of the own product
    own = {"net": np.full(len(marks), np.nan), "unit": np.full(len(marks), "", dtype=object)}
    own["source"] = own["unit"].copy()
    for name, values in own.items():
        values[mark] = parts[name].to_numpy()[first]
    volumes = {
        "volume": own["net"],
        "volume_unit": own["unit"],
        "volume_source": own["source"],
        "volume_m3": exact_sums(parts["m3"], row, len(marks)),
    }
    others = [name for name in marks.columns if name not in (*_INTERNAL, "geometry")]
    return declared(marks, "marks", more=volumes, others=others)


def _areas(frame: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    """A layer of areas given."""
    return declared(frame, name, more={"area_m2": shapely.area(frame.geometry.to_numpy())})


def _disagreement(found: Measured, cut: gpd.GeoDataFrame) -> Disagreement:
    """Cut marks whose paint and position name different zones."""
    return paint_disagreement(
        cut,
        corridor=found.corridors.area,
        width_m=np.asarray(corridor_width_at(cut, found.corridors), dtype=np.float64),
        stand=found.cover.stand,
    )
