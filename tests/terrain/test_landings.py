"""Landings outside the stand: wood is taken there, but no part of its area."""

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.read import read_survey
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from tests.conftest import join_surveys

CRS = "EPSG:26916"
X, Y = 412_000.0, 5_138_000.0
ROADSIDE = shapely.box(X - 60, Y + 90, X - 40, Y + 110)

Bring = Callable[..., tuple[Survey, Project]]


@pytest.fixture
def bring(tmp_path: Path) -> Bring:
    """Reader of a square stand with one corridor, two marks and the landings given."""

    def build(*landings: shapely.Polygon) -> tuple[Survey, Project]:
        layers = {
            "stand": [shapely.box(X, Y, X + 200, Y + 200)],
            "corridors": [shapely.LineString([(X - 40, Y + 100), (X + 180, Y + 100)])],
            "landings": list(landings),
        }
        for name, shapes in layers.items():
            gpd.GeoDataFrame(geometry=shapes, crs=CRS).to_file(tmp_path / f"{name}.gpkg")
        (tmp_path / "marks.csv").write_text(
            f"tree,dbh_cm,x,y\n1,30,{X + 20},{Y + 105}\n2,30,{X + 80},{Y + 105}\n"
        )
        project = Project.model_validate(
            {
                "project": {"name": "Test stand (invented)", "units": "metric"},
                "inputs": {
                    **{name: str(tmp_path / f"{name}.gpkg") for name in layers},
                    "marks": {"file": str(tmp_path / "marks.csv"), "crs": CRS},
                },
            }
        )
        survey = read_survey(project, folder=tmp_path)
        return join_surveys([survey], names=["Test stand (invented)"]), project

    return build


def test_wood_is_extracted_to_a_landing_beyond_the_boundary(bring: Bring) -> None:
    """40 m outside and 20 or 80 m inside: 60 and 120 m, 4 ninths of it outside the stand."""
    survey, project = bring(ROADSIDE)
    layout = measure_layout(survey, project, earlier={})
    extraction = layout.ground.extraction

    assert layout.landings["area_m2"].to_list() == pytest.approx([survey.landings.area.sum()])
    assert layout.figures.zones["landing"].area_m2 == 0
    assert layout.marks["extraction_m"].to_list() == pytest.approx([60, 120])
    assert extraction is not None
    assert extraction.outside_share == pytest.approx((40 + 40) / (60 + 120))


def test_a_landing_across_the_boundary_takes_its_part_of_the_stand(bring: Bring) -> None:
    """Half of 20 x 20 m lies inside; extraction ends at the whole landing's edge."""
    survey, project = bring(shapely.box(X - 10, Y + 90, X + 10, Y + 110), ROADSIDE)
    layout = measure_layout(survey, project, earlier={})

    assert layout.landings["area_m2"].to_list() == pytest.approx([400, 400])
    assert layout.figures.zones["landing"].area_m2 == pytest.approx(200)
    assert layout.marks["extraction_m"].to_list() == pytest.approx([10, 70])


def test_a_landing_of_another_stand_is_rejected(bring: Bring) -> None:
    """Six kilometres away is not this stand's, and is said."""
    survey, _ = bring(ROADSIDE, shapely.affinity.translate(ROADSIDE, 6000))
    aside = survey.rejected.iloc[0]

    assert len(survey.landings) == 1
    assert (aside["input"], aside["record"]) == ("landings", 2)
    assert "more than 5 km from the stand" in aside["reason"]


def test_landings_that_are_all_elsewhere_are_refused(bring: Bring) -> None:
    """A file of another place is no file of this stand."""
    with pytest.raises(InputError, match="lie outside the stand"):
        bring(shapely.affinity.translate(ROADSIDE, 60_000))
