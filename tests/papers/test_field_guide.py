"""The field guide: one page for the contractor that says what to cut, and nothing of money."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pikepdf
import pypdf
import pytest
import shapely

from glademark.jobs.layout import Outcome
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.papers.field_guide import DELIVERABLE, guide_content, write_guide

FOOT_M = 0.3048


def guide_text(delivery: Delivery, folder: Path) -> str:
    """All words of the guide, in one line."""
    path = folder / "guide.pdf"
    write_guide(guide_content(delivery), path)
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


@pytest.mark.parametrize(("name", "pages"), [("small", 1), ("bare", 1), ("many", 2)])
def test_guide_is_one_sheet(
    name: str, pages: int, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """A stand with little to tell is one page; ninety openings are both sides of a sheet."""
    write_guide(guide_content(request.getfixturevalue(name)), tmp_path / "guide.pdf")

    assert len(pypdf.PdfReader(tmp_path / "guide.pdf").pages) == pages


def test_sample_guide_is_one_sheet(sample: Outcome, tmp_path: Path) -> None:
    """Nine openings, twelve corridors and 25 leave trees fit on both sides of a sheet."""
    write_guide(guide_content(sample.delivery), tmp_path / "guide.pdf")

    assert len(pypdf.PdfReader(tmp_path / "guide.pdf").pages) == 2


def test_corridors_stand_in_the_order_of_work(sample: Outcome) -> None:
    """The corridor at the landing comes first; no later one begins nearer to it."""
    rows = guide_content(sample.delivery).corridors.rows
    extraction = sample.delivery.layout.extraction
    way = extraction.groupby("corridor")["distance_m"].min()
    metres = [way[row[0].removesuffix(" (existing)")] for row in rows]

    assert rows[0][:2] == ("A (existing)", "at it")
    assert metres == sorted(metres)
    assert rows[1][1] == f"{metres[1] / FOOT_M:.0f} ft"


def test_columns_of_corridors_in_which_nothing_stands_are_left_out(
    delivery_of: Callable[..., Delivery],
) -> None:
    """A level stand with one corridor and no tree in it needs neither wood nor a column to mind."""
    line = shapely.LineString([(400_000, 5_100_050), (400_200, 5_100_050)])
    tree = {"geometry": shapely.Point(400_050, 5_100_090), "species": "sugar maple"}
    stand = shapely.box(400_000, 5_100_000, 400_200, 5_100_100)
    guide = guide_content(delivery_of(stand, {}, corridors=[{"geometry": line}], marks=[tree]))

    assert list(guide.corridors.heads) == ["Corridor", "Width", "Single trees near"]
    assert all(guide.corridors.rows[0])


def test_the_landing_gets_every_located_tree(sample: Outcome) -> None:
    """Two ways lead into the sample's landing; together they bring 645 trees."""
    landing = guide_content(sample.delivery).landings.rows

    assert [row[1] for row in landing] == ["645"]
    assert landing[0][2].startswith("pulpwood at least 50.7 cords")  # 62.6 less 11.9 on paper
    assert landing[0][2].endswith("sawlog 17,730 board feet; 1 of 645 trees without a volume")


def test_steep_stretches_are_told(sample: Outcome) -> None:
    """Length above the stated grade and the steepest grade stand at their corridor alone."""
    corridors = sample.delivery.layout.corridors.set_index("corridor")
    steep = set(corridors.index[corridors["steep_m"] > 0])
    rows = guide_content(sample.delivery).corridors.rows

    assert {row[0] for row in rows if "STEEP" in row[6]} == steep
    assert len(steep) > 0


def test_volumes_stand_beside_the_counts(sample: Outcome) -> None:
    """The crew reads the volumes of openings as the table of openings has them."""
    row = guide_content(sample.delivery).openings.rows[0]

    assert row[3].startswith("57 pulpwood, 42 sawlog")
    assert row[4] == "pulpwood 6.8 cords, sawlog 3,020 board feet"


def test_leave_trees_stand_with_their_positions(small: Delivery) -> None:
    """A tree that stays can be found, at 28 m from the edge of the corridor."""
    row = guide_content(small).leave.rows[0]

    assert row[0] == "L1"
    assert row[2] == "28.0 m from corridor 1"  # 30 m off the middle of a corridor of 4 m
    assert row[3].count(".") == 2


def test_rules_of_the_project_are_printed_where_given(
    delivery_of: Callable[..., Delivery], small: Delivery, tmp_path: Path
) -> None:
    """Meeting point, flagging and stump height are told; nothing is made up where they are not."""
    crew = {
        "meeting_point": "gate at the mill",
        "flagging": {"blue": "stand boundary"},
        "stump_height": "at most 30 cm",
    }
    stand = shapely.box(400_000, 5_100_000, 400_100, 5_100_100)
    marks = [{"geometry": shapely.Point(400_050, 5_100_050)}]
    words = guide_text(delivery_of(stand, {"crew": crew}, marks=marks), tmp_path)

    assert "Meeting point gate at the mill" in words
    assert "Flagging blue stand boundary" in words
    assert "Stump height at most 30 cm" in words
    assert guide_content(small).rules.rows == []


def test_too_many_rows_go_on_to_further_pages(
    delivery_of: Callable[..., Delivery], tmp_path: Path
) -> None:
    """Where one page cannot hold them all, every opening is still there, and pages are counted."""
    stand = shapely.box(400_000, 5_100_000, 412_000, 5_100_060)
    marks = [
        {
            "geometry": shapely.Point(400_020 + 40 * group, 5_100_020 + 2 * tree),
            "group": f"G{group}",
        }
        for group in range(150)
        for tree in range(4)
    ]
    words = guide_text(delivery_of(stand, {}, marks=marks), tmp_path)

    assert "G149" in words
    assert "Page 2 of" in words


def test_hazards_are_said_with_their_source(small: Delivery, tmp_path: Path) -> None:
    """The danger tree, the distance to it and the rule's source stand on the page."""
    words = guide_text(small, tmp_path)

    assert "D7" in words
    assert "two tree lengths" in words
    assert "two tree lengths" in words
    assert "OSHA" not in words  # no law of one country is built in
    assert "Where local rules ask for more, they govern" in words


def test_danger_tree_in_a_corridor_is_said_to_be_there(small: Delivery) -> None:
    """One metre off the middle of a corridor of four metres is inside it."""
    row = guide_content(small).danger_trees.rows[0]

    assert row[3] == "IN corridor 1"


def test_line_trees_are_not_to_be_cut(small: Delivery, tmp_path: Path) -> None:
    """A line tree is named, and never as one to cut."""
    words = guide_text(small, tmp_path)

    assert "Line trees: NOT to be cut" in words
    assert "X9" in words


def test_confirmed_line_trees_are_cut_like_others(delivery_of: Callable[..., Delivery]) -> None:
    """Once the owners agreed, the line tree is counted with the others."""
    stand = shapely.box(400_000, 5_100_000, 400_100, 5_100_100)
    tree = {"geometry": shapely.Point(400_050, 5_100_050), "kind": "line_tree", "product": "sawlog"}
    content = guide_content(
        delivery_of(stand, {"marks": {"line_trees_confirmed": True}}, marks=[tree])
    )

    assert content.line_trees.rows == []
    assert content.single.rows == [("Single trees", "1 sawlog")]


def test_trees_of_openings_are_those_of_the_layout(sample: Outcome) -> None:
    """Products of an opening add up to its trees, and its trees are those of the layer."""
    grid = guide_content(sample.delivery).openings
    products = [sum(int(part.split()[0]) for part in row[3].split(", ")) for row in grid.rows]
    trees = [int(row[2]) for row in grid.rows]

    assert products == trees
    assert trees == sample.delivery.layout.openings["trees"].tolist()


def test_all_located_trees_are_on_the_page(sample: Outcome) -> None:
    """Openings, corridors and what lies between them hold every located tree once."""
    content = guide_content(sample.delivery)
    cells = [row[3] for row in content.openings.rows]
    cells += [cell for row in content.corridors.rows for cell in (row[3], row[5])]
    trees = sum(int(part.split()[0]) for cell in cells if cell for part in cell.split(", "))

    assert trees == sample.delivery.summary["marks"]["trees"]


def test_corridor_width_is_in_the_units_of_the_project(sample: Outcome) -> None:
    """A width of 4.2672 m reads 14.0 ft: the international foot is 0.3048 m."""
    widths = {row[0]: row[2] for row in guide_content(sample.delivery).corridors.rows}

    assert widths["B"] == f"{4.2672 / FOOT_M:.1f} ft"


def test_nothing_of_money_or_stock_is_on_it(sample: Outcome, tmp_path: Path) -> None:
    """Prices, cruise and allowance are not the contractor's to read; volumes to cut are."""
    words = guide_text(sample.delivery, tmp_path).casefold()

    for word in ("price", "$", "cruise", "allowance", "standing stock"):
        assert word not in words


def test_paint_without_a_meaning_stops_the_crew(delivery_of: Callable[..., Delivery]) -> None:
    """The key says of a tree without listed paint what the tally says: not to be cut, or cut."""
    stand = shapely.box(400_000, 5_100_000, 400_200, 5_100_100)
    at = stand.centroid
    marks = [
        {"geometry": at, "paint": "white", "tree_id": "1"},
        {"geometry": at, "kind": "unconfirmed", "tree_id": "2", "count": 2},
        {"geometry": at, "kind": "unconfirmed", "paint": "blue", "tree_id": "3"},
        {"geometry": at, "kind": "cut", "tree_id": "4"},
    ]
    settings = {"project": {"name": "key"}, "marks": {"paint": {"white": "cut"}}}
    delivery = delivery_of(stand, settings, marks=marks)
    content = guide_content(delivery)

    assert content.paint.rows == [
        ("white", "cut", "1"),
        ("recorded, no paint", "cut; see the list of trees", "1"),
        ("recorded, no paint", "STOP: ask before you cut", "2"),
        ("blue", "STOP: ask before you cut", "1"),
        ("no paint, in openings", "Cut painted trees only.", ""),
        (
            "no paint, elsewhere",
            "Cut painted trees only. Where the machine cannot pass without another, stop and call.",
            "",
        ),
    ]
    assert "NOT to be cut" in content.unconfirmed
    assert "3 unconfirmed trees: 2, 3." in content.unconfirmed


def test_ambulance_finds_the_landing(small: Delivery) -> None:
    """The landing stands as latitude and longitude: about 46.0 north, 88.3 west."""
    name, position = guide_content(small).places[0].split(": ")
    latitude, longitude = (float(number) for number in position.split(" (")[0].split(", "))

    assert name == "area 1"
    assert 46.0 < latitude < 46.1
    assert -88.3 < longitude < -88.2


def rows_of_paint(delivery: Delivery) -> dict[str, str]:
    """What is done, by paint."""
    return {row[0]: row[1] for row in guide_content(delivery).paint.rows}


def test_cleared_groups_are_explained(small: Delivery) -> None:
    """Where groups are cut clean, the page says to which size, and that numbers leave it out."""
    words = rows_of_paint(small)["no paint, in openings"]

    assert "every stem of 5.0 cm DBH and larger, painted or not" in words
    assert "painted trees only" in words


def test_crossing_is_named(small: Delivery) -> None:
    """The corridor goes over the brook, so the page says where it is crossed."""
    names = " ".join(row[0] for row in guide_content(small).areas.rows)

    assert re.search(r"Corridor 1 over area 1 at 46\.04\d+, -88\.2\d+", names)


def test_project_name_is_never_markup(small: Delivery, tmp_path: Path) -> None:
    """A name full of angle brackets is printed as it is."""
    assert "=Small & <bold> stand (invented)" in guide_text(small, tmp_path)


@pytest.mark.parametrize(
    ("project", "expected"),
    [
        ({"project": {"name": "A", "units": "us"}}, (612, 792)),
        ({"project": {"name": "A", "units": "metric"}}, (595, 842)),
        ({"deliver": {"paper": "letter"}}, (612, 792)),
        ({"deliver": {"paper": "A3"}}, (595, 842)),
        ({"deliver": {"paper": "tabloid"}}, (612, 792)),
    ],
)
def test_paper_follows_the_project(
    project: dict[str, object],
    expected: tuple[int, int],
    bare: Delivery,
    project_of: Callable[..., Project],
    tmp_path: Path,
) -> None:
    """Letter is 8.5 by 11 in of 72 points, A4 is 210 by 297 mm; map paper is halved for text."""
    asked = project_of(**project)
    DELIVERABLE.write(replace(bare, project=asked), tmp_path)

    box = pypdf.PdfReader(tmp_path / "field_guide.pdf").pages[0].mediabox

    assert (round(box.width), round(box.height)) == expected


def test_files_are_sound_titled_and_carry_their_fonts(sample: Outcome) -> None:
    """Of each paper fonts are embedded, title, language and outline said, the syntax is right."""
    papers = sorted(Path(sample.files[0]).parent.glob("*.pdf"))

    assert len(papers) == 6
    for paper in papers:
        with pikepdf.open(paper) as pdf:
            fonts = [font for page in pdf.pages for _, font in page.Resources.Font.items()]
            faults = pdf.check_pdf_syntax() if hasattr(pdf, "check_pdf_syntax") else pdf.check()

            assert all("/FontFile2" in font.FontDescriptor for font in fonts)
            assert str(pdf.Root.Lang) == "en"
            assert pdf.Root.ViewerPreferences.DisplayDocTitle
            assert "Marrow Hollow, stand 3 (INVENTED)" in str(pdf.docinfo.Title)
            assert faults == []
            with pdf.open_outline() as outline:
                names = [entry.title for entry in outline.root]
            assert names or paper.stem == "damage_form"
            if paper.stem == "field_guide":
                assert "Danger trees" in names


def test_equal_layouts_give_equal_bytes(small: Delivery, tmp_path: Path) -> None:
    """No clock and no chance is in the file."""
    paths = [tmp_path / "a.pdf", tmp_path / "b.pdf"]
    for path in paths:
        write_guide(guide_content(small), path)

    assert paths[0].read_bytes() == paths[1].read_bytes()


def test_line_trees_stand_with_their_positions(delivery_of: Callable[..., Delivery]) -> None:
    """A line tree is found by its place, and its label is not that of another tree."""
    stand = shapely.box(400_000, 5_100_000, 400_100, 5_100_100)
    tree = {"geometry": shapely.Point(400_050, 5_100_050), "kind": "line_tree", "tree_id": "5"}
    content = guide_content(delivery_of(stand, {}, marks=[tree]))
    there = gpd.GeoSeries([tree["geometry"]], crs="EPSG:26916").to_crs(4326).iloc[0]

    assert content.line_trees.rows[0][4] == f"{there.y:.5f}, {there.x:.5f}"


def test_trees_counted_on_paper_stand_once(delivery_of: Callable[..., Delivery]) -> None:
    """Eleven of a group's twelve were counted on paper: in its row, and not in the 48 besides."""
    stand = shapely.box(400_000, 5_100_000, 400_100, 5_100_100)
    tree = {"geometry": shapely.Point(400_050, 5_100_050), "group": "E", "product": "fuelwood"}
    tally = [
        {"zone": "opening", "group": "E", "product": "sawlog", "count": 11},
        {"zone": "matrix", "product": "fuelwood", "count": 37},
    ]
    content = guide_content(delivery_of(stand, {}, marks=[tree], tally=tally))

    assert [row[2:4] for row in content.openings.rows] == [
        ("12", "1 fuelwood, 11 counted on paper")
    ]
    assert content.on_paper == "37 more painted trees were counted without a position."
