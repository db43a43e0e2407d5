"""Standing trees from canopy heights, where a stand has no map of them."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.contracts.frames import STAND, features
from glademark.contracts.survey import Survey
from glademark.contracts.terrain import Elevation
from glademark.errors import InputError
from glademark.measure.canopy_trees import canopy_trees
from glademark.project.model import Project
from glademark.wording import counted


def with_canopy_trees(survey: Survey, project: Project) -> tuple[Survey, tuple[str, ...]]:
    """The survey of one stand with trees of its canopy where it has no others, and what that is."""
    if survey.canopy is None:
        return survey, ()
    if len(survey.standing):
        return survey, ("canopy_height is not used: the standing trees are mapped",)
    weights = project.propose.weights
    if any(weights.of_trees(name).of != "tree" for name in ("failing", "growing_stock")):
        msg = (
            "[propose.weights]: trees of canopy_height have no diameter and no volume; expected "
            'failing and growing_stock "per tree", as in failing = "1 per tree"'
        )
        raise InputError(msg)
    trees = _standing(survey, survey.canopy[0], project)
    said = (
        f"{counted(len(trees), 'tree')} were taken from canopy_height: tops and crowns only. "
        "Species, diameter, defect and risk do not come from it, trees under others are not seen, "
        "and what is removed is not held to its limits: walk the flags"
    )
    return replace(survey, standing=trees), (said,)


def _standing(survey: Survey, canopy: Elevation, project: Project) -> gpd.GeoDataFrame:
    """Tops in the stand as standing trees of which height and crown alone are known."""
    settings = project.canopy
    found = canopy_trees(canopy, form=settings.crown_width, height_min_m=settings.tree_height_min_m)
    points = np.asarray(shapely.points(found["x"], found["y"]))
    inside = shapely.intersects(survey.stand.geometry.iloc[0], points)
    found, points = found.loc[inside].reset_index(drop=True), points[inside]
    count = len(found)
    table = pd.DataFrame(survey.standing.drop(columns="geometry")).reindex(range(count))
    texts = table.select_dtypes(include=["str", "object"]).columns
    columns = table.fillna(dict.fromkeys(texts, "")).assign(
        tree_id=[f"C{number}" for number in range(1, count + 1)],
        height_m=found["height_m"],
        crown_radius_m=found["crown_radius_m"],
        count=1,
        cull=False,
        record=range(1, count + 1),
        dbh_unit="cm",
        source_file=canopy.file,
        **{STAND: np.int64(0)},
    )
    return features(columns, points, crs=survey.standing.crs)
