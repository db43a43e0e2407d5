"""Leave trees that come in a layer of their own."""

from dataclasses import replace

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from glademark.contracts.frames import STAND, features, no_features
from glademark.intake.columns import meanings
from glademark.intake.columns.diameters import diameters, note_flagged
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.mark_fields import CROWN_RADIUS_MAX_M
from glademark.intake.columns.match import recognise
from glademark.intake.columns.positions import with_points
from glademark.intake.marks import FAR_M
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
from glademark.intake.site import Stands
from glademark.project.model import MarkSettings, Source
from glademark.wording import counted, listed

LEAVE_COLUMNS = ("tree_id", "label", "species", "dbh_cm", "crown_radius_m")


def no_leave_trees(crs: CRS) -> gpd.GeoDataFrame:
    """Leave trees of a project without a layer of them."""
    kinds = {"dbh_cm": "float64", "crown_radius_m": "float64", STAND: "int64"}
    return no_features((*LEAVE_COLUMNS, STAND), kinds, crs=crs)


def read_leave_trees(
    reading: Reading, source: Source, stands: Stands, settings: MarkSettings, log: RecordLog
) -> gpd.GeoDataFrame:
    """
    Leave trees, `LEAVE_COLUMNS`, in their stand and near it, from points or coordinates.

    A stand is refused where there are no points, a unit is missing, or most trees are outside.
    """
    found = recognise(reading.headers, meanings.LEAVE_TREES, where=reading.file.name)
    ids = Fields(reading=reading, found=found, log=log).names("id")
    reading = with_points(replace(reading, ids=ids), found, source, log)
    reading = stands.bring(reading, source, log)
    fields = Fields(reading=reading, found=found, log=log)
    stem = diameters(fields, unit=settings.dbh_unit)
    columns = {
        "tree_id": fields.names("id"),
        "label": fields.names("id"),
        "species": fields.cells("species"),
        "dbh_cm": stem["dbh_cm"],
        "crown_radius_m": _crowns(fields, settings),
    }
    reading = log.left(reading)
    left = replace(fields, reading=reading)
    note_flagged(left, stem["dbh_flag"][reading.index], noun="leave tree")
    reading = _near_stand(reading, stands, log)
    log.use(reading)
    kept = {name: column[reading.index] for name, column in columns.items()}
    kept[STAND] = pd.Series(reading.stand, index=reading.index, dtype="int64")
    return features(kept, reading.shapes.array, crs=stands.crs).reset_index(drop=True)


def _crowns(fields: Fields, settings: MarkSettings) -> pd.Series:
    """Measured crown radius [m]."""
    radius, bad = fields.lengths(
        "crown_radius", unit=settings.height_unit, key="[marks] height_unit"
    )
    width, bad_width = fields.lengths(
        "crown_width", unit=settings.height_unit, key="[marks] height_unit"
    )
    radius = radius.fillna(width / 2)
    bad = bad | bad_width | (radius <= 0) | (radius > CROWN_RADIUS_MAX_M)
    for stand, places in fields.reading.split(bad):
        names = listed(fields.reading.called(places))
        fields.log.notice(
            f"{fields.reading.file.name}: the crown of {counted(len(places), 'leave tree')} is "
            f"impossible and taken as not measured: {names}.",
            stand=stand,
        )
    return radius.where(~bad)


def _near_stand(reading: Reading, stands: Stands, log: RecordLog) -> Reading:
    """Trees whose crown can reach into an opening: those in the stand or not far from it."""
    far = stands.distance_outside(reading) > FAR_M
    reading = stands.refuse_if_most_outside(reading, far, log)
    reason = (
        f"it lies more than {FAR_M:.0f} m outside the stand; correct its position or leave it out"
    )
    return log.reject(
        reading,
        far[reading.index],
        reason=reason,
        what=f"more than {FAR_M:.0f} m outside the stand",
    )
