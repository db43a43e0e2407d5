"""The advice as files: a layer of the trees to leave standing, the same as a table, and as JSON."""

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

from glademark.advise.outcome import RESTS_ON, Advice
from glademark.contracts.layers import LEAVE_STANDING, Units
from glademark.export.csv_tables import write_csv
from glademark.export.geopackage import write_frames
from glademark.report.cautions import CAUTIONS
from glademark.report.columns import written_frame
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.json_values import json_value
from glademark.report.summary import summary_text, write_summary

FILES = ("advice.gpkg", "advice.csv", "advice.json")
"""Written by `advice_deliverables`, all or none."""


def advice_deliverables(advice: Advice) -> Mapping[str, Deliverable]:
    """
    Writers of the advice, for `glademark.export.output.deliver`.

    Parameters
    ----------
    advice
        As from `glademark.advise.advise.advise`.

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
    frames, layers = (
        {LEAVE_STANDING.name: advice.leave_standing},
        {LEAVE_STANDING.name: LEAVE_STANDING},
    )
    write_frames(frames, layers, folder / "advice.gpkg", units=units)


def _write_table(advice: Advice, delivery: Delivery, folder: Path) -> None:
    """Write ``advice.csv``."""
    table = written_frame(advice.leave_standing, LEAVE_STANDING, delivery.project.heading.units)
    write_csv(table, folder / "advice.csv")


def _write_json(advice: Advice, delivery: Delivery, folder: Path) -> None:
    """Write ``advice.json``."""
    del delivery
    write_summary(_content(advice), folder / "advice.json")


def advice_text(advice: Advice) -> str:
    """
    The advice as JSON.

    Parameters
    ----------
    advice
        As from `glademark.advise.advise.advise`.

    Returns
    -------
    text
        Ended by a line feed; what is not known is null.
    """
    return summary_text(_content(advice))


def _content(advice: Advice) -> Any:  # noqa: ANN401 - JSON is one of several types
    """The advice in the types of JSON."""
    standing = advice.leave_standing.drop(columns="geometry").astype(object)
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
            "leave_standing": standing.where(standing.notna(), None).to_dict("records"),
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
