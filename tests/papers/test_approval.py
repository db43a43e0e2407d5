"""A layout with an exceeded limit is not approved for cutting, and every field paper says so."""

import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pypdf
import pytest
import shapely
from pydantic import ValidationError
from rich.console import Console

from glademark.export.handheld import placed_layers
from glademark.export.handheld_files import geojson_text, gpx_bytes, kml_bytes
from glademark.export.manifest import cautions_text, make_pack, without_stock
from glademark.report.delivery import Delivery
from glademark.report.map_sheets.sheet_set import write_sheets
from glademark.report.papers.field_guide import guide_content
from glademark.report.review_page.page import review_page
from glademark.report.terminal.layout import print_summary
from glademark.report.wording import approval_words, exceeded_features

STAND = shapely.box(0, 0, 200, 100)
TOO_LARGE = {"opening_area_max": "0.005 ha"}


@pytest.fixture(scope="module")
def laid_out(delivery_of: Callable[..., Delivery]) -> Callable[..., Delivery]:
    """One opening of three touching crowns; the limits and what is said of its approval."""
    marks = [
        {"geometry": shapely.Point(80 + 4 * n, 50), "tree_id": str(n), "crown_radius_m": 3.0}
        for n in range(3)
    ]

    def build(limits: dict[str, object], **deliver: object) -> Delivery:
        tables = {
            "project": {"name": "Approval (invented)", "units": "metric"},
            "openings": {"min_trees": 1, "min_area": "1 m2"},
            "limits": limits,
            "deliver": deliver,
        }
        return delivery_of(STAND, tables, marks=marks)

    return build


def field_papers(delivery: Delivery, folder: Path) -> dict[str, str]:
    """Texts of what the crew carries, by what it is."""
    crew = without_stock(delivery)
    archive = make_pack(delivery, folder)
    with zipfile.ZipFile(archive) as pack:
        cautions = pack.read("cautions.txt").decode()
    return {
        "guide": guide_content(crew).approval,
        "cautions": cautions,
        "gpx": gpx_bytes(crew).decode(),
        "kml": kml_bytes(crew).decode(),
        "geojson": geojson_text(crew),
    }


def test_every_field_paper_says_that_cutting_is_not_approved(
    laid_out: Callable[..., Delivery], tmp_path: Path
) -> None:
    """The sentence names what is exceeded; the opening itself carries it too."""
    delivery = laid_out(TOO_LARGE)
    said = "NOT APPROVED FOR CUTTING: 1 limit is exceeded: area of opening 1."

    assert approval_words(delivery) == said
    for name, text in field_papers(delivery, tmp_path).items():
        assert said in text, name
    opening = placed_layers(delivery)["openings"].iloc[0]
    assert opening["about"].startswith("LIMIT EXCEEDED, not approved for cutting. ")
    features = json.loads(geojson_text(delivery))["features"]
    openings = [one["properties"] for one in features if one["properties"]["layer"] == "openings"]
    assert [one["exceeded"] for one in openings] == [True]


def test_a_setback_whose_name_holds_a_comma_is_flagged(laid_out: Callable[..., Delivery]) -> None:
    """A bank is called after its water, with a comma between."""
    delivery = laid_out(TOO_LARGE)
    bank = {"layer": "setbacks", "feature": "brook, left bank"}
    checks = pd.concat([delivery.checks, delivery.checks.iloc[[0]].assign(**bank)])
    found = replace(delivery, checks=checks.reset_index(drop=True))

    assert exceeded_features(found, "setbacks") == {"brook, left bank"}
    assert exceeded_features(found, "openings") == {"1"}


def test_terminal_and_review_page_say_the_same(laid_out: Callable[..., Delivery]) -> None:
    """What the crew reads stands on the forester's screen as well."""
    delivery = laid_out(TOO_LARGE)
    text = io.StringIO()
    print_summary(delivery, Console(file=text, width=200))

    assert approval_words(delivery) in text.getvalue()
    assert approval_words(delivery) in review_page(delivery)


def test_a_proposal_calls_its_trees_proposed_and_says_why(
    laid_out: Callable[..., Delivery], tmp_path: Path
) -> None:
    """No tree of a proposal is called one to cut, on the page or on the map sheets."""
    delivery = laid_out({})
    layout = delivery.layout
    openings = layout.openings.assign(why="3 failing trees stand together.")
    layout = replace(layout, openings=openings, marks=layout.marks.assign(proposed="yes"))
    delivery = replace(delivery, layout=layout)
    page = review_page(delivery)
    write_sheets(delivery, pdf=tmp_path / "map.pdf", picture=tmp_path / "map.png")
    sheet = " ".join(pypdf.PdfReader(tmp_path / "map.pdf").pages[0].extract_text().split())

    assert "PROPOSAL, NOT MARKED, NOT FOR CUTTING" in page
    assert ">3 failing trees stand together.<" in page
    for text in (page, sheet):
        assert "Trees proposed" in text
        assert "rees to cut" not in text
        assert "ut trees" not in text
    assert "Position error" not in sheet  # nobody has taken positions of marks
    assert '"to cut"' not in page


def test_a_layout_inside_its_limits_says_nothing(
    laid_out: Callable[..., Delivery], tmp_path: Path
) -> None:
    """Nor does one without limits: nobody has said what would have to be approved."""
    for limits in ({"opening_area_max": "1 ha"}, {}):
        delivery = laid_out(limits)
        assert approval_words(delivery) == ""
        assert all(
            "APPROVED" not in text.upper().replace("_APPROVED", "")
            for text in field_papers(delivery, tmp_path).values()
        )


def test_an_approval_in_spite_of_it_is_named(
    laid_out: Callable[..., Delivery], tmp_path: Path
) -> None:
    """Who, when, and in spite of what."""
    delivery = laid_out(TOO_LARGE, approved_by="R. Invented", approved_on="2026-05-04")
    said = (
        "Approved for cutting by R. Invented on 2026-05-04 although 1 limit is exceeded: "
        "area of opening 1."
    )

    assert approval_words(delivery) == said
    assert all(said in text for text in field_papers(delivery, tmp_path).values())
    about = placed_layers(delivery)["openings"]["about"].iloc[0]
    assert about.startswith("Limit exceeded, approved by R. Invented on 2026-05-04. ")


@pytest.mark.parametrize(
    "deliver",
    [
        {"approved_by": "R. Invented"},
        {"approved_on": "2026-05-04"},
        {"approved_by": "R. Invented", "approved_on": "4 May"},
        {"approved_by": " ", "approved_on": "2026-05-04"},
    ],
)
def test_half_an_approval_is_refused(
    laid_out: Callable[..., Delivery], deliver: dict[str, object]
) -> None:
    """A name without a day, or a day without a name, is none."""
    with pytest.raises(ValidationError, match="approved"):
        laid_out(TOO_LARGE, **deliver)


def test_a_limit_on_the_stock_is_told_to_the_crew_without_its_figures(
    laid_out: Callable[..., Delivery],
) -> None:
    """The contractor learns that it is exceeded, and neither the stock nor the allowance."""
    delivery = laid_out(TOO_LARGE)
    row = delivery.checks.iloc[[0]].assign(limit="removal_share_max", subject="share cut")
    hidden = replace(delivery, checks=pd.concat([delivery.checks, row], ignore_index=True))
    crew = without_stock(hidden)

    assert "2 limits are exceeded: area of opening 1; share cut" in cautions_text(hidden)
    assert approval_words(crew) == approval_words(hidden)
    bare = crew.checks.set_index("limit").loc["removal_share_max"]
    assert bare[["measured", "limit_value", "margin"]].isna().all()


def test_openings_that_break_the_same_limit_are_named_together(
    laid_out: Callable[..., Delivery],
) -> None:
    """Twelve too near the boundary are one part of the sentence, and none of them is left out."""
    delivery = laid_out(TOO_LARGE)
    one = delivery.checks[delivery.checks["verdict"] == "exceeded"].iloc[[0]]
    numbers = [str(number) for number in range(1, 13)]
    rows = [
        one.assign(feature=number, subject=f"opening {number} to the stand boundary")
        for number in numbers
    ]
    pair = one.assign(feature="3, 4", subject="edge to edge of openings 3, 4")
    found = replace(delivery, checks=pd.concat([one, *rows, pair], ignore_index=True))

    assert approval_words(found) == (
        "NOT APPROVED FOR CUTTING: 14 limits are exceeded: area of opening 1; "
        f"openings {', '.join(numbers)} to the stand boundary; edge to edge of openings 3, 4."
    )
