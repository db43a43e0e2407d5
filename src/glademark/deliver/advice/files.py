"""The advice as files: a layer of the trees to leave standing, the same as a table, and as JSON."""

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from glademark.advice.outcome import RESTS_ON, Advice
from glademark.deliver.cautions import CAUTIONS
from glademark.deliver.columns import written_columns, written_frame
from glademark.deliver.data_dictionary import add_data_dictionary
from glademark.deliver.delivery import Deliverable, Delivery
from glademark.deliver.json_values import json_value
from glademark.deliver.tables import csv_text
from glademark.errors import OutputError
from glademark.layers import SPARE, Units

FILES = ("advice.gpkg", "advice.csv", "advice.json")
"""Written by `advice_deliverables`, all or none."""

_FIXED_TIME = "2000-01-01T00:00:00.000Z"  # equal input must give equal bytes


def advice_deliverables(advice: Advice) -> Mapping[str, Deliverable]:
    """
    Writers of the advice, for `glademark.deliver.output.deliver`.

    Parameters
    ----------
    advice
        As from `glademark.advice.advise.advise`.

    Returns
    -------
    deliverables
        By id.
    """
    writers = (_write_geopackage, _write_table, _write_json)
    return {
        name: Deliverable(id=name, title="Advice", files=(name,), write=partial(write, advice))
        for name, write in zip(FILES, writers, strict=True)
    }


def _write_geopackage(advice: Advice, delivery: Delivery, folder: Path) -> None:
    """Write ``advice.gpkg``."""
    units: Units = delivery.project.heading.units
    path = folder / "advice.gpkg"
    draft = folder / "advice-draft.gpkg"
    table = written_frame(advice.spare, SPARE, units)
    layer = gpd.GeoDataFrame(table, geometry=advice.spare.geometry, crs=advice.spare.crs)
    try:
        pyogrio.write_dataframe(
            layer,
            draft,
            layer=SPARE.name,
            driver="GPKG",
            geometry_type="Point",
            dataset_options={"VERSION": "1.3"},
            layer_options={
                "FID": "fid",
                "GEOMETRY_NAME": "geom",
                "SPATIAL_INDEX": "YES",
                "IDENTIFIER": SPARE.title,
                "DESCRIPTION": SPARE.meaning,
            },
        )
        with closing(sqlite3.connect(draft)) as database:
            with database:
                add_data_dictionary(database, {SPARE.name: written_columns(SPARE, units)})
                database.execute("UPDATE gpkg_contents SET last_change = ?", (_FIXED_TIME,))
            database.execute("VACUUM INTO ?", (str(path),))
    except (DataSourceError, DataLayerError, sqlite3.Error) as error:
        msg = "advice.gpkg cannot be written. Free some space, or choose another output folder"
        raise OutputError(msg) from error
    finally:
        draft.unlink(missing_ok=True)


def _write_table(advice: Advice, delivery: Delivery, folder: Path) -> None:
    """Write ``advice.csv``."""
    table = written_frame(advice.spare, SPARE, delivery.project.heading.units)
    (folder / "advice.csv").write_bytes(csv_text(table).encode("utf-8", "replace"))


def _write_json(advice: Advice, delivery: Delivery, folder: Path) -> None:
    """Write ``advice.json``."""
    del delivery
    (folder / "advice.json").write_text(advice_text(advice), encoding="utf-8", newline="\n")


def advice_text(advice: Advice) -> str:
    """
    The advice as JSON.

    Parameters
    ----------
    advice
        As from `glademark.advice.advise.advise`.

    Returns
    -------
    text
        Ended by a line feed; what is not known is null.
    """
    return json.dumps(_content(advice), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _content(advice: Advice) -> Any:  # noqa: ANN401 - JSON is one of several types
    """The advice in the types of JSON."""
    spare = advice.spare.drop(columns="geometry").astype(object)
    limits = [
        {
            "limit": row["limit"],
            "subject": row["subject"],
            "limit_value": row["limit_value"],
            "unit": row["unit"],
            "before": row["measured"],
            "after": advice.again(row)[0],
        }
        for row in advice.exceeded.to_dict("records")
    ]
    return json_value(
        {
            "by": advice.by,
            "wood_compared_by": advice.wood,
            "spare": spare.where(spare.notna(), None).to_dict("records"),
            "given_up": advice.given_up.to_dict("records"),
            "limits": limits,
            "proof": [
                {"limits": proof.limits, "trees": proof.trees, "proof": proof.words}
                for proof in advice.proofs
            ],
            "rests_on": RESTS_ON,
            "not_mended": [
                {
                    "limit": one.limit,
                    "subject": one.subject,
                    "reason": one.reason,
                    "trees": one.trees,
                }
                for one in advice.unmended
            ],
            "given_way": advice.broken,
            "run_again": {
                "mended": advice.mended,
                "still_exceeded": advice.still_exceeded["subject"].tolist(),
            },
            "cautions": CAUTIONS,
        }
    )
