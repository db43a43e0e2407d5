"""Trees known before the cut and stumps found after it, one row a tree, ready to be matched."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.special import ndtr
from shapely.geometry.base import BaseGeometry

from glademark.comparison.expected import Paper, amounts_of, no_paper
from glademark.contracts.frames import FloatArray
from glademark.contracts.layout import Layout
from glademark.contracts.survey import AfterCutSurvey, Survey, labels_of
from glademark.forestry import PACKAGED_SPECIES, SpeciesNames, breast_height_diameter_cm
from glademark.forestry.size_classes import DiameterUnit  # noqa: TC001 - of a variable
from glademark.measure.groups import group_key
from glademark.measure.marks import size_class, size_classes_of
from glademark.measure.table_use import sold_of
from glademark.measure.zones import edge_distance
from glademark.project.model import Project
from glademark.units import INCH_CM

__all__ = [
    "KINDS", "Places", "known_trees", "located", "paper_trees", "places_of", "stump_rows",
]  # fmt: skip

KINDS = ("cut", "leave", "line_tree", "danger", "unconfirmed")
"""Kinds of tree that a stump can be of, by their class; each class is cut in a share of its own."""

LOOKED_AT_MIN = 1e-3
"""Trees whose stumps would be seen with less than this chance take no part."""


_LIKELIER = 0.5  # of two places
_WOOD = [
    "species", "product", "dbh", "dbh_unit", "dbh_cm", "height_m", "volume", "volume_unit",
    "defect_share", "cull",
]  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Places:
    """Ground that a stump may stand on, in one projected CRS in metres; each may be empty."""

    stand: BaseGeometry
    corridor: BaseGeometry
    exclusion: BaseGeometry
    setback: BaseGeometry
    """stand, corridor, exclusion and setback: polygons; of setbacks only those where nothing is
    cut."""
    walked: BaseGeometry  # where stumps were looked for
    zones: dict[str, BaseGeometry]  # zones of the layout by name
    cleared: bool = False  # whether openings are cleared of stems that no one marks

    @property
    def ground_m2(self) -> FloatArray:
        """Walked ground off corridors, and in them."""
        inside = shapely.intersection(self.walked, self.corridor).area
        if not self.cleared:
            return np.array([self.walked.area - inside, inside])
        opening = shapely.intersection(self.walked, self.opening).area
        return np.array([self.walked.area - inside - opening, inside, opening])

    @property
    def opening(self) -> BaseGeometry:
        """Zone of openings."""
        return self.zones.get("opening", shapely.Polygon())

    @property
    def all_walked(self) -> bool:
        """Whether stumps were looked for in the whole stand."""
        return bool(self.walked.area >= self.stand.area)


def places_of(layout: Layout, seen: AfterCutSurvey, *, cleared: bool = False) -> Places:
    """Ground by which stumps are told apart; without sampled places all of the stand was walked."""
    stand = shapely.union_all(layout.stand.geometry.to_numpy())
    no_cut = layout.setbacks[layout.setbacks["rule"] == "no_cut"]
    walked = shapely.union_all(seen.sampled.geometry.to_numpy()) if len(seen.sampled) else stand
    return Places(
        stand=stand,
        corridor=shapely.union_all(layout.corridors.geometry.to_numpy()),
        exclusion=shapely.union_all(layout.exclusions.geometry.to_numpy()),
        setback=shapely.union_all(no_cut.geometry.to_numpy()),
        walked=walked,
        zones=dict(zip(layout.zones["zone"], layout.zones.geometry, strict=True)),
        cleared=cleared,
    )


def paper_trees(
    survey: Survey,
    layout: Layout,
    project: Project,
    *,
    places: Places,
    species: SpeciesNames = PACKAGED_SPECIES,
) -> Paper:
    """Trees counted on paper with the ground that they stand on, and the share of it walked."""
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    classes = size_classes_of(project.volume.size_classes, unit=unit)
    tally = survey.tally.reset_index(drop=True)
    if not len(tally):
        return no_paper(classes)
    dbh_cm = tally["dbh"].where(tally["dbh_unit"] == "cm", tally["dbh"] * INCH_CM)
    rows = tally.assign(
        species_written=tally["species"],
        species=species.fold(tally["species"].to_numpy(dtype=object)),
        dbh_cm=dbh_cm,
        volume=tally["volume"] / tally["count"],
        size_class=size_class(tally, classes=classes),
    )
    rows["dbh_cm"] = _breast(rows, project, species)
    ground = _ground_of(rows, layout, places)
    walked = np.ones(len(rows))
    if not places.all_walked:
        whole = np.maximum(shapely.area(ground), 1e-9)
        walked = shapely.area(shapely.intersection(ground, places.walked)) / whole
    wood = amounts_of(rows, sold_of(survey, project))
    rows = rows.assign(count=rows["count"].to_numpy(dtype=float) * np.minimum(walked, 1.0))
    return Paper(rows=rows, ground=ground, wood=wood, classes=classes)


def _ground_of(rows: pd.DataFrame, layout: Layout, places: Places) -> npt.NDArray[np.object_]:
    """Zone of each row of the tally, or the opening of its group; the stand for neither."""
    ground = np.array([places.zones.get(zone, places.stand) for zone in rows["zone"]], dtype=object)
    openings = layout.openings
    keys = pd.Index(group_key(openings["group"].to_numpy(dtype=object)))
    wanted = group_key(rows["group"].to_numpy(dtype=object))
    for at in np.flatnonzero((rows["group"] != "").to_numpy() & np.isin(wanted, keys)):  # few
        mine = openings.geometry.to_numpy()[keys == wanted[at]]
        ground[at] = shapely.union_all(mine)
    return ground


def known_trees(
    survey: Survey,
    layout: Layout,
    project: Project,
    *,
    places: Places,
    stump_error_m: float,
    species: SpeciesNames = PACKAGED_SPECIES,
) -> gpd.GeoDataFrame:
    """
    Trees known before the cut, one row a tree.

    Parameters
    ----------
    stump_error_m
        Usual position error of stumps [m]: says how sharp the edge of the walked ground is.
    """
    marks = survey.marks.assign(
        tree_id=labels_of(survey.marks), zone=layout.marks["zone"].to_numpy()
    )
    kind = marks["kind"]
    if project.marks.line_trees_confirmed:
        kind = kind.mask(kind == "line_tree", "cut")
    marks = marks.assign(kind=kind)[kind.isin([one for one in KINDS if one != "leave"])]
    per_tree = marks["volume"] / marks["count"]
    each = marks.assign(volume=per_tree, day=_days(marks)).loc[
        marks.index.repeat(marks["count"].astype(int))
    ]
    parts = [each, _leave_trees(layout, project)]
    every = pd.concat([part for part in parts if len(part)], ignore_index=True)
    if not len(every):
        every = each
    trees = gpd.GeoDataFrame(every, geometry="geometry", crs=layout.crs)
    error = trees["position_error_m"].to_numpy(dtype=float)
    looked_at = _inside(trees.geometry, places.walked, np.hypot(error, stump_error_m))
    if places.all_walked:
        looked_at = np.ones(len(trees))
    codes = {name: place for place, name in enumerate(KINDS)}
    trees = trees.assign(
        **_position(trees.geometry),
        error_m=error,
        dbh_cm=_breast(trees, project, species),
        species_written=trees["species"],
        species=species.fold(trees["species"].astype(object).fillna("")),
        to_cut=trees["kind"] == "cut",
        looked_at=np.clip(looked_at, 0.0, 1.0),
        edge_m=_to_edge(trees.geometry, places),
        **{"class": trees["kind"].map(codes).astype(int)},
        day_name=trees["day"],
        day=pd.factorize(trees["day"])[0],
    )
    return trees[looked_at > LOOKED_AT_MIN].reset_index(drop=True)


def _leave_trees(layout: Layout, project: Project) -> pd.DataFrame:
    """Leave trees in the columns of marks."""
    leave = layout.leave_trees.assign(tree_id=labels_of(layout.leave_trees))
    blank = {"marker": "leave trees", "source_file": "", "volume_unit": "", "product": ""}
    return pd.DataFrame(leave[["tree_id", "species", "dbh_cm", "geometry"]]).assign(
        **blank,
        kind="leave",
        count=1,
        record=0,
        zone="",
        day="leave trees",
        dbh=leave["dbh_cm"],
        dbh_unit="cm",
        height_m=np.nan,
        volume=np.nan,
        defect_share=np.nan,
        cull=False,
        position_error_m=project.marks.position_error_m,
    )


def stump_rows(
    seen: AfterCutSurvey, *, places: Places, species: SpeciesNames = PACKAGED_SPECIES
) -> gpd.GeoDataFrame:
    """Stumps on the walked ground, one row a stump."""
    stumps = seen.stumps
    if len(seen.sampled):
        shapely.prepare(places.walked)
        near = shapely.dwithin(places.walked, stumps.geometry.to_numpy(), 1e-6)
        stumps = stumps[near]
    stumps = stumps.loc[stumps.index.repeat(stumps["count"])].reset_index(drop=True)
    rows = stumps.assign(
        **_position(stumps.geometry),
        error_m=stumps["position_error_m"].to_numpy(dtype=float),
        species_written=stumps["species"],
        species=species.fold(stumps["species"].astype(object).fillna("")),
        day_name=stumps["day"],
        day=pd.factorize(stumps["day"])[0],
    )
    return located(rows, places=places, shift_m=np.zeros((len(rows), 2)))


def located(stumps: gpd.GeoDataFrame, *, places: Places, shift_m: FloatArray) -> gpd.GeoDataFrame:
    """
    Stumps with where they stand on the layout.

    Parameters
    ----------
    shift_m
        Shift of each position against the marks, shape (stumps, 2) [m]: taken out here, since the
        layout is seen as the marks were.
    """
    error = stumps["error_m"].to_numpy(dtype=float)
    moved = stumps[["x", "y"]].to_numpy() - shift_m
    points = gpd.GeoSeries(shapely.points(moved), index=stumps.index, crs=stumps.crs)
    in_corridor = _inside(points, places.corridor, error)
    in_opening = _inside(points, places.opening, error)
    ground = np.where(in_corridor > _LIKELIER, 1, 0)
    if places.cleared:
        ground = np.where((in_opening > _LIKELIER) & (ground == 0), 2, ground)
    rows = stumps.assign(
        seen_x=moved[:, 0],
        seen_y=moved[:, 1],
        in_corridor=in_corridor,
        in_opening=in_opening,
        edge_m=_to_edge(points, places),
        ground=ground,
        in_exclusion=_inside(points, places.exclusion, error),
        in_setback=_inside(points, places.setback, error),
        outside_boundary=1 - _inside(points, places.stand, error),
    )
    return rows.assign(**_places(rows, points, places))


def _places(
    rows: gpd.GeoDataFrame, points: gpd.GeoSeries, places: Places
) -> dict[str, npt.NDArray[np.object_]]:
    """Where the point of each stump falls, and the chance that it is there."""
    x, y = shapely.get_coordinates(points.to_numpy()).T
    place = np.full(len(rows), "outside", dtype=object)
    chance = rows["outside_boundary"].to_numpy(dtype=float).copy()
    areas = [("setback", places.setback), *places.zones.items()]
    error = rows["error_m"].to_numpy()
    for name, area in areas[::-1]:
        shapely.prepare(area)
        here = shapely.intersects_xy(area, x, y)
        place[here] = name
        chance[here] = _inside(gpd.GeoSeries(points[here]), area, error[here])
    return {"place": place, "place_chance": chance}


def _inside(points: gpd.GeoSeries, area: BaseGeometry, error_m: FloatArray) -> FloatArray:
    """Chance that the true place of each point is in an area, by the distance to its edge."""
    if shapely.is_empty(area) or not len(points):
        return np.zeros(len(points))
    axis = np.maximum(np.asarray(error_m, dtype=float) / np.sqrt(2), 1e-9)
    return np.asarray(ndtr(_depth(points, area) / axis))


def _depth(points: gpd.GeoSeries, area: BaseGeometry) -> FloatArray:
    """Distance of each point to the edge of an area, negative outside it [m]."""
    shapely.prepare(area)
    x, y = shapely.get_coordinates(points.to_numpy()).T
    away = edge_distance(points.to_numpy(), edges=area)
    return np.where(shapely.intersects_xy(area, x, y), away, -away)


def _to_edge(points: gpd.GeoSeries, places: Places) -> FloatArray:
    """Distance of each point to the stand's edge, where all of it was walked; else NaN."""
    if not places.all_walked or not len(points):
        return np.full(len(points), np.nan)
    return _depth(points, places.stand)


def _position(points: gpd.GeoSeries) -> dict[str, FloatArray]:
    """Coordinates."""
    x, y = shapely.get_coordinates(points.to_numpy()).T
    return {"x": x, "y": y}


def _days(marks: pd.DataFrame) -> pd.Series:
    """Day of each mark as written, with its file."""
    day = marks["time"].astype(str).str.replace(r"[T ].*$", "", regex=True)
    return marks["source_file"].astype(str) + " " + day


def _breast(trees: pd.DataFrame, project: Project, species: SpeciesNames) -> FloatArray:
    """Diameter at breast height of each tree [cm]."""
    dbh = trees["dbh_cm"].to_numpy(dtype=float)
    if project.marks.diameter_at == "breast":
        return dbh
    return breast_height_diameter_cm(
        dbh,
        species_code=species.volume_codes(trees["species"].to_numpy(dtype=object)),
        height_m=project.compare.stump_height_m,
        bark=project.compare.stump_bark,
    )
