"""Leave trees that come in a layer of their own."""

from dataclasses import replace

import geopandas as gpd
import pandas as pd

from glademark.contracts.frames import features, no_features
from glademark.intake.columns import meanings
from glademark.intake.columns.diameters import diameters
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.mark_fields import CROWN_RADIUS_MAX_M
from glademark.intake.columns.match import recognise
from glademark.intake.columns.positions import with_points
from glademark.intake.marks import FAR_M
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading
from glademark.intake.site import Ground
from glademark.intake.wording import counted, listed
from glademark.project.model import MarkSettings, Source

LEAVE_COLUMNS = ("tree_id", "species", "dbh_cm", "crown_radius_m")


def no_leave_trees(ground: Ground) -> gpd.GeoDataFrame:
    """
    Leave trees of a project without a layer of them.

    Parameters
    ----------
    ground
        The stand.

    Returns
    -------
    leave_trees
        No rows.
    """
    kinds = {"dbh_cm": "float64", "crown_radius_m": "float64"}
    return no_features(LEAVE_COLUMNS, kinds, crs=ground.crs)


def read_leave_trees(
    reading: Reading, source: Source, ground: Ground, settings: MarkSettings, ledger: Ledger
) -> gpd.GeoDataFrame:
    """
    Leave trees in the stand and near it.

    Parameters
    ----------
    reading
        Points, or a table with coordinates.
    source
        As the project file states it.
    ground
        The stand.
    settings
        Units of diameters and crowns.
    ledger
        Takes trees that cannot be used.

    Returns
    -------
    leave_trees
        `LEAVE_COLUMNS` and Point in the working CRS.

    Raises
    ------
    FileError
        If there are no points, a unit is missing, or most trees are outside the stand.
    """
    name = reading.file.name
    found = recognise([str(header) for header in reading.rows], meanings.LEAVE_TREES, where=name)
    reading = replace(reading, ids=Fields(reading=reading, found=found).names("id"))
    reading = ground.bring(with_points(reading, found, source, ledger), source, ledger)
    fields = Fields(reading=reading, found=found)
    stem, reason = diameters(fields, unit=settings.dbh_unit)
    frame = pd.DataFrame(
        {
            "tree_id": fields.names("id"),
            "species": fields.cells("species"),
            "dbh_cm": stem["dbh_cm"],
            "crown_radius_m": _crowns(fields, settings, ledger),
        }
    )
    reading = ledger.reject(
        reading, reason != "", reason=reason, what="with an impossible diameter"
    )
    reading = _near_stand(reading, ground, ledger)
    ledger.use(reading)
    frame = frame.loc[reading.rows.index]
    return features(frame, reading.shapes, crs=ground.crs).reset_index(drop=True)


def _crowns(fields: Fields, settings: MarkSettings, ledger: Ledger) -> pd.Series:
    """Measured crown radius [m]."""
    radius, bad = fields.lengths(
        "crown_radius", unit=settings.height_unit, key="[marks] height_unit"
    )
    width, bad_width = fields.lengths(
        "crown_width", unit=settings.height_unit, key="[marks] height_unit"
    )
    radius = radius.fillna(width / 2)
    bad = bad | bad_width | (radius <= 0) | (radius > CROWN_RADIUS_MAX_M)
    if bad.any():
        names = listed(fields.reading.called(bad))
        ledger.notice(
            f"{fields.reading.file.name}: the crown of {counted(int(bad.sum()), 'leave tree')} is "
            f"impossible and taken as not measured: {names}."
        )
    return radius.where(~bad)


def _near_stand(reading: Reading, ground: Ground, ledger: Ledger) -> Reading:
    """Trees whose crown can reach into an opening: those in the stand or not far from it."""
    far = ground.distance_outside(reading.shapes) > FAR_M
    ground.refuse_if_most_outside(reading, far)
    reason = (
        f"it lies more than {FAR_M:.0f} m outside the stand; correct its position or leave it out"
    )
    return ledger.reject(
        reading, far, reason=reason, what=f"more than {FAR_M:.0f} m outside the stand"
    )
