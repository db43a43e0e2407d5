"""The notebook of the docs runs, and shows the same figures by both ways."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pytest
import shapely

import glademark as gm
from glademark.errors import InputError

DOCS = Path(__file__).parents[2] / "docs"


@pytest.mark.filterwarnings("ignore:FigureCanvasAgg is non-interactive")
def test_notebook_of_mapped_trees(
    mapped_data: Callable[[str], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cells run in order; single measures equal those of the layout and the closed form."""
    mapped_data("waka")
    mpl.use("Agg")
    monkeypatch.chdir(DOCS)
    cells = json.loads((DOCS / "mapped_trees.ipynb").read_text(encoding="utf-8"))["cells"]
    names: dict[str, Any] = {}

    for cell in cells:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), names)  # noqa: S102 - the repository's own

    layout, alone = names["layout"], names["alone"]
    assert names["share"] == pytest.approx(0.08)
    assert layout.summary["corridors"]["share"] == pytest.approx(0.08)
    assert layout.openings["area_m2"].tolist() == pytest.approx(alone["area_m2"].tolist())
    assert layout.openings["trees"].tolist() == alone["trees"].tolist()
    assert len(names["marks"]) == np.count_nonzero(names["in_corridor"] | names["failing"])


def test_a_refused_setting_is_named_without_a_file() -> None:
    """A fault of the settings is said of the settings, not of a file that nobody has."""
    stand = gpd.GeoDataFrame(geometry=[shapely.box(5e5, 5e6, 5e5 + 100, 5e6 + 100)], crs=32632)
    marks = gpd.GeoDataFrame(geometry=[shapely.Point(5e5 + 50, 5e6 + 50)], crs=32632)

    with pytest.raises(InputError, match=r"^settings, \[openings\] edge: "):
        gm.lay_out(stand=stand, marks=marks, settings={"openings": {"edge": "trunks"}})
