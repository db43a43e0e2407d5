"""
What was seen after the cut: stumps, driven lines, walked openings, in the layout's working CRS.

The frames of an `AfterCutSurvey` are the contract between intake and the comparison.
"""

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from glademark.contracts.survey import InputCount


@dataclass(frozen=True, kw_only=True, slots=True)
class AfterCutSurvey:
    """
    All that intake hands on of what was brought home after the cut.

    Every frame is in the working CRS of the survey before the cut, has a unique index, and exists:
    what was not given is an empty frame with its columns.

    Attributes
    ----------
    stumps
        Point rows, index 0..n-1 in the order read: `stump_id`, `count` (int >= 1), `diameter_cm`
        (as measured), `diameter_at` ("stump" or "breast"), `stump_height_m`, `dbh_cm` (converted
        where taken at the stump), `dbh` and `dbh_unit` (the same in the unit recorded), `species`,
        `product`, `low_mark` (1 seen, 0 looked for and not seen, NaN not looked for),
        `position_error_m`, `day` (text that days or files are told apart by), `inside` (bool: in
        the stand or on its edge), `source_file`, `record`.
    driven
        LineString or MultiLineString rows: `name`.
    openings
        Polygon rows of openings walked after the cut: `group`, `source_file`, `record`.
    sampled
        Polygon rows of the places that were walked, cut at the stand: `name`; none where all of it
        was walked.
    plots, plot_trees
        Plots of standing trees after the cut, as in `contracts.survey.Survey`.
    damage
        Point rows of damage to what is left, the point empty where there is no position: `plot`,
        `trees`, `damaged` (int: of these), `wound_area_m2`, `wound_height_m`, `cause`, `root` and
        `crown` (bool), `rut_depth_m`, `rut_length_m`, `regeneration` and `bent` (young trees),
        `corridor_distance_m`, `source_file`, `record`.
    rejected
        Columns of `contracts.survey.REJECTED_COLUMNS`.
    counts
        One row an input file.
    notices
        One plain sentence each.
    """

    stumps: gpd.GeoDataFrame
    driven: gpd.GeoDataFrame
    openings: gpd.GeoDataFrame
    sampled: gpd.GeoDataFrame
    plots: gpd.GeoDataFrame
    plot_trees: pd.DataFrame
    damage: gpd.GeoDataFrame
    rejected: pd.DataFrame
    counts: tuple[InputCount, ...]
    notices: tuple[str, ...]
