"""Openings in several parts: how far apart these are, and which would be groups of their own."""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from glademark.contracts.frames import STAND
from glademark.contracts.survey import Notice
from glademark.measure.polygons import GeometryArray
from glademark.project.model import OpeningSettings
from glademark.units import AREA_M2, LENGTH_M


def parts_notices(
    openings: gpd.GeoDataFrame, marks: gpd.GeoDataFrame, *, settings: OpeningSettings, units: str
) -> tuple[Notice, ...]:
    """One notice an opening in more than one part, with the groups that its parts would make."""
    several = openings[(openings["parts"] > 1).to_numpy()]
    places = marks.groupby([STAND, "opening"]).indices if len(several) else {}
    none = np.zeros(0, dtype=np.intp)
    points, count = marks.geometry.to_numpy(), marks["count"].to_numpy()
    return tuple(
        Notice(
            int(row[STAND]),
            f"opening {row['opening']} lies in {row['parts']} parts, up to "
            f"{_length(row['widest_gap_m'], units)} apart, and is judged as one: "
            + _split(shape, points[trees], count[trees], settings=settings, units=units),
        )
        for row, shape, trees in (
            (row, shape, places.get((row[STAND], row["opening"]), none))
            for row, shape in zip(several.to_dict("records"), several.geometry, strict=True)
        )
    )


def _split(
    shape: object,
    points: GeometryArray,
    trees: npt.NDArray[np.int64],
    *,
    settings: OpeningSettings,
    units: str,
) -> str:
    """How its parts would be named as groups."""
    parts = shapely.get_parts(np.asarray(shape, dtype=object))
    tree, part = shapely.STRtree(parts).query(points, predicate="intersects")
    count = np.bincount(part, weights=trees[tree], minlength=len(parts))
    area = shapely.area(parts)
    own = (count >= settings.min_trees) & (area >= settings.min_area_m2)
    order = [int(place) for place in np.argsort(-area, kind="stable") if own[place]]
    groups = "; ".join(f"{count[i]:.0f} trees on {_area(float(area[i]), units)}" for i in order)
    rest = int(count[~own].sum())
    if not order:
        return f"as groups of their own none reaches min_trees and min_area ({rest} trees)"
    left = f", and {rest} trees are single ones" if rest else ""
    return (
        f"named apart they make {len(order)} group{'s' if len(order) > 1 else ''} ({groups}){left}"
    )


def _length(metres: float, units: str) -> str:
    """A length in the units of the project."""
    return f"{metres / LENGTH_M['ft']:.0f} ft" if units == "us" else f"{metres:.0f} m"


def _area(square_metres: float, units: str) -> str:
    """An area in the units of the project."""
    unit = "acre" if units == "us" else "ha"
    return f"{square_metres / AREA_M2[unit]:.2f} {unit}"
