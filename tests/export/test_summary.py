"""The summary: every figure in the types of JSON."""

import json
from pathlib import Path

import numpy as np
import pytest

from glademark.report import summary
from glademark.report.delivery import Delivery
from glademark.report.summary import json_value


def test_keys_as_designed(delivery: Delivery) -> None:
    """The summary has the tables that its readers count on, in their order."""
    assert list(delivery.summary) == [
        "stand", "corridors", "openings", "zones", "marks", "volume",
        "allowance", "checks", "notices", "provenance",
    ]  # fmt: skip


def test_verdicts_are_counted(delivery: Delivery) -> None:
    """Each verdict is counted, in the order met, near, exceeded, not checked."""
    assert list(delivery.summary["checks"].items()) == [
        ("met", 2), ("near", 1), ("exceeded", 2), ("not_checked", 1),
    ]  # fmt: skip


def test_provenance_adds_up(delivery: Delivery) -> None:
    """Of every input file, records read are those used and those rejected."""
    inputs = delivery.summary["provenance"]["inputs"]

    assert [each["file"] for each in inputs] == ["stand.gpkg", "marks.csv"]
    assert all(each["read"] == each["used"] + each["rejected"] for each in inputs)


def test_file_is_json(delivery: Delivery, tmp_path: Path) -> None:
    """The file reads back as the summary, and ends in a line feed."""
    summary.DELIVERABLE.write(delivery, tmp_path)

    text = (tmp_path / "summary.json").read_text("utf-8")
    assert json.loads(text) == delivery.summary
    assert text.endswith("}\n")


def test_no_number_is_null() -> None:
    """What is not a number has no place in JSON and becomes null."""
    value = json_value({"m3": np.float64("nan"), "share": float("inf"), "trees": np.int64(3)})

    assert json.dumps(value) == '{"m3": null, "share": null, "trees": 3}'


def test_unknown_type_is_refused() -> None:
    """A value that JSON has no form for is a fault, not a guess."""
    with pytest.raises(TypeError, match=r"a complex cannot be written as JSON; expected number"):
        json_value({"shape": 1j})
