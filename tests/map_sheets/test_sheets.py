"""What stands on the map sheets: every kind of sheet, true figures, labels apart, fonts inside."""

import itertools
import json
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace as Sheets

import numpy as np
import pikepdf
import pypdf
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.colors import to_rgb

from glademark.export.geopackage import write_geopackage
from glademark.export.manifest import make_pack
from glademark.export.reopen import reopen
from glademark.report.delivery import MAP
from glademark.report.map_sheets.arrangement import HEADING_PT, LEGEND_SHARES
from glademark.report.map_sheets.content import AREAS, TREES, map_content
from glademark.report.map_sheets.map_labels import Label, Line, Obstacles, place_labels
from glademark.report.map_sheets.panel import facts_height, legend_entries, legend_height
from glademark.report.map_sheets.paper import Box
from glademark.report.map_sheets.stand_sheets import (
    NOTE,
    everything,
    longest_legend,
    plan_overview,
)

ACRE_M2 = 4046.8564224  # 66 ft by 660 ft, the foot being 0.3048 m
FOOT_M = 0.3048
PDFTOTEXT = shutil.which("pdftotext")


def titles(pdf: Path) -> list[str]:
    """Titles of the sheets, from the bookmarks."""
    return [str(one.title) for one in pypdf.PdfReader(pdf).outline]


@cache
def texts(pdf: Path) -> tuple[str, ...]:
    """Text of each page, its white space made single."""
    return tuple(" ".join(p.extract_text().split()) for p in pypdf.PdfReader(pdf).pages)


def words_of(pdf: Path, page: int) -> str:
    """Text of one page."""
    return texts(pdf)[page]


def text_of(pdf: Path, title: str) -> str:
    """Text of all pages whose title begins with some words."""
    return " ".join(
        words_of(pdf, n) for n, name in enumerate(titles(pdf)) if name.startswith(title)
    )


def test_sample_has_every_usual_sheet(sample_sheets: Sheets) -> None:
    """Overview, details, openings, corridor profiles and tables are there, in this order."""
    kinds = [re.sub(r" \d.*", "", title) for title in titles(sample_sheets.pdf)]

    assert [kind for kind, _ in itertools.groupby(kinds)] == [
        "Overview", "Detail", "Openings", "Corridor profiles", "Tables",
    ]  # fmt: skip


def test_crowded_stand_gets_detail_sheets(long_sheets: Sheets) -> None:
    """A long stand is a mere line on its overview: details follow, one after another."""
    details = [title for title in titles(long_sheets.pdf) if title.startswith("Detail")]

    assert len(details) > 1
    assert details == [f"Detail {n + 1} of {len(details)}" for n in range(len(details))]


def test_stands_of_every_size_come_out(stand_sheets: Sheets) -> None:
    """Small, large, long, without openings: overview and tables are always there."""
    found = titles(stand_sheets.pdf)

    assert found[0] == "Overview"
    assert found[-1].startswith("Tables")
    assert any(t.startswith("Opening") for t in found) == bool(
        len(stand_sheets.delivery.layout.openings)
    )
    assert stand_sheets.picture.read_bytes().startswith(b"\x89PNG")


def test_overview_prints_the_figures_of_the_summary(sample_sheets: Sheets) -> None:
    """Areas, lengths and counts at a glance are those of summary.json in acres and feet."""
    summary = json.loads(json.dumps(sample_sheets.delivery.summary, default=float))
    text = words_of(sample_sheets.pdf, 0)
    stand, corridors, openings = (summary[name] for name in ("stand", "corridors", "openings"))

    assert f"Stand {stand['area_m2'] / ACRE_M2:.2f} acres" in text
    assert f"Operable {stand['operable_m2'] / ACRE_M2:.2f} acres" in text
    assert f"{corridors['length_m'] / FOOT_M:,.0f} ft" in text
    assert f"{corridors['area_m2'] / ACRE_M2:.2f} acres" in text
    assert f"{openings['count']}, {openings['area_m2'] / ACRE_M2:.2f} acres" in text
    assert f"{openings['largest_m2'] / ACRE_M2:.2f} acre" in text
    assert f"{summary['marks']['trees']} on the map" in text
    assert f"{summary['checks']['exceeded']} EXCEEDED" in text
    for product in summary["volume"]["by_product"].values():
        amount = f"{product['net']:,.1f}" if product["unit"] == "cord" else f"{product['net']:,.0f}"
        assert amount in text


def test_openings_sheets_print_area_and_trees_of_each(sample_sheets: Sheets) -> None:
    """Beside the map of each opening stand its own area and its own trees."""
    text = text_of(sample_sheets.pdf, "Openings")
    captions = re.findall(r"Area ([\d.]+) acre.*?([\d,]+) trees,", text)
    openings = sample_sheets.delivery.layout.openings

    expected = [
        (f"{area / ACRE_M2:.2f}", str(trees))
        for area, trees in zip(openings["area_m2"], openings["trees"], strict=True)
    ]
    assert sorted(captions) == sorted(expected)


def test_tables_print_zones_that_add_up(sample_sheets: Sheets) -> None:
    """Each zone stands with its area, and the stand as their sum."""
    text, summary = text_of(sample_sheets.pdf, "Tables"), sample_sheets.delivery.summary

    for zone in ("corridor", "opening", "matrix"):
        found = summary["zones"][zone]
        assert re.search(
            rf"{zone} {found['area_m2'] / ACRE_M2:.2f} acres? [\d.]+ % {found['marks']}\b", text
        )
    assert sum(found["area_m2"] for found in summary["zones"].values()) == pytest.approx(
        summary["stand"]["area_m2"], rel=1e-9
    )


def test_profiles_name_every_corridor_on_the_terrain(sample_sheets: Sheets) -> None:
    """No corridor whose heights are known is without its profile."""
    text = text_of(sample_sheets.pdf, "Corridor profiles")
    names = set(sample_sheets.delivery.layout.corridor_grades["corridor"])

    assert set(re.findall(r"Corridor (\S+) [\d,]+ ft long", text)) == names


def test_every_sheet_carries_the_cautions(stand_sheets: Sheets) -> None:
    """No sheet goes into the woods without saying that the paint governs and felling kills."""
    pages = texts(stand_sheets.pdf)

    assert all("the paint on the tree governs" in text for text in pages)
    assert all("Felling and extraction kill" in text for text in pages)


def test_fonts_are_inside_and_properties_set(sample_sheets: Sheets) -> None:
    """Each font comes with its letters; title, language and sheet numbers are in the file."""
    with pikepdf.open(sample_sheets.pdf) as pdf:
        fonts = {
            font.objgen: font["/FontDescriptor"]
            for page in pdf.pages
            for _, font in page.obj["/Resources"]["/Font"].items()
        }

        assert fonts
        assert all("/FontFile2" in descriptor for descriptor in fonts.values())
        assert "map sheets" in str(pdf.docinfo["/Title"])
        assert str(pdf.Root["/Lang"]) == "en"
        assert str(pdf.Root["/PageLabels"]["/Nums"][1]["/P"]) == "Sheet "


def test_equal_layouts_give_equal_sheets(written: Sheets, tmp_path: Path) -> None:
    """No clock and no chance: made twice, both files are the same byte for byte."""
    MAP.write(written.delivery, tmp_path)

    for name in MAP.files:
        assert (tmp_path / name).read_bytes() == (written.folder / name).read_bytes()


def test_sheets_are_made_again_from_the_geopackage(written: Sheets, tmp_path: Path) -> None:
    """From layout.gpkg alone the sheets come out with the same words on as many pages."""
    write_geopackage(written.delivery, tmp_path / "layout.gpkg")
    MAP.write(reopen(tmp_path / "layout.gpkg"), tmp_path)

    assert texts(tmp_path / "layout_map.pdf") == texts(written.folder / "layout_map.pdf")


def test_pack_holds_the_sheets(sheets_of: Callable[[str], Sheets], tmp_path: Path) -> None:
    """The contractor's archive has both files of the map."""
    delivery = sheets_of("no openings").delivery
    pack = make_pack(delivery, tmp_path, deliverables={"map": MAP})
    with zipfile.ZipFile(pack) as archive:
        assert {"layout_map.pdf", "layout_map.png"} <= set(archive.namelist())


def test_the_deliverable_alone_loads_nothing_heavy() -> None:
    """Knowing of the map sheets costs nothing: neither plotting nor PDF library is loaded."""
    code = (
        "import sys; from glademark.jobs.layout import installed_deliverables; "
        "assert 'map' in installed_deliverables(); "
        "heavy = {'matplotlib', 'pikepdf', 'contourpy', 'glademark.report.map_sheets.sheet_set'}; "
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run(  # noqa: S603 - our own words
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )

    assert done.stderr == ""


def shown_words(pdf: Path) -> list[tuple[int, str, shapely.Geometry, tuple[float, float]]]:
    """Page, word, box of its lower-case letters and page size, as an outside reader finds them."""
    done = subprocess.run(  # noqa: S603 - a fixed command
        [str(PDFTOTEXT), "-bbox", str(pdf), "-"], capture_output=True, text=True, check=True
    )
    found, page, size = [], -1, (0.0, 0.0)
    for line in done.stdout.splitlines():
        numbers = [float(one) for one in re.findall(r'="([-\d.]+)"', line)]
        if "<page " in line:
            page, size = page + 1, (numbers[0], numbers[1])
        elif "<word " in line:
            left, top, right, bottom = numbers
            pad = (bottom - top) * 0.3  # what stands above and below lower-case letters
            box = shapely.box(left + 0.3, top + pad, right - 0.3, bottom - pad)
            found.append((page, re.sub("<.*?>", "", line).strip(), box, size))
    return found


@pytest.mark.skipif(PDFTOTEXT is None, reason="pdftotext is not installed")
def test_no_words_lie_on_each_other_or_off_the_paper(stand_sheets: Sheets) -> None:
    """On no sheet do two words overlap, and none is nearer to the edge than 7 mm."""
    found = shown_words(stand_sheets.pdf)
    upright = [one for one in found if one[2].bounds[2] - one[2].bounds[0] > 0]
    boxes = np.array([shapely.affinity.translate(b, page * 5000) for page, _, b, _ in upright])
    one, other = shapely.STRtree(boxes).query(boxes, predicate="overlaps")
    clashes = [(upright[i][1], upright[j][1]) for i, j in zip(one, other, strict=True) if i < j]

    assert clashes == []
    for _, word, box, (width, height) in found:
        assert shapely.box(20, 20, width - 20, height - 20).contains(box), word


@given(
    places=st.lists(
        st.tuples(st.floats(0, 300), st.floats(0, 300)), min_size=1, max_size=30, unique=True
    ),
    seen=st.lists(st.tuples(st.floats(20, 280), st.floats(20, 280)), max_size=5),
)
def test_placed_labels_never_overlap(
    places: list[tuple[float, float]], seen: list[tuple[float, float]]
) -> None:
    """However crowded: labels keep off each other, inside the map, off what must be seen."""
    room = Box(left=0, bottom=0, width=300, height=300)
    labels = [
        Label(lines=(Line(words=f"{n}", size=9.0), Line(words="0.25 acre", size=6.4)),
              feature=shapely.Point(place))
        for n, place in enumerate(places)
    ]  # fmt: skip
    symbols = np.array([shapely.Point(one).buffer(4) for one in seen], dtype=object)

    placed, left_out = place_labels(
        labels, room, Obstacles(shapes=symbols, costs=np.full(len(symbols), np.inf))
    )

    boxes = [shapely.box(p.box.left, p.box.bottom, p.box.right, p.box.top) for p in placed]
    assert len(placed) + len(left_out) == len(labels)
    assert not any(a.intersects(b) for a, b in itertools.combinations(boxes, 2))
    assert not any(box.intersects(symbol) for box in boxes for symbol in symbols)
    assert all(shapely.box(0, 0, 300, 300).contains(box) for box in boxes)


def grey(colour: str) -> float:
    """Brightness of a colour in grey, 0 to 1 (weights of ITU-R BT.709)."""
    return float(np.dot(to_rgb(colour or "#ffffff"), (0.2126, 0.7152, 0.0722)))


def test_areas_are_told_apart_without_colour() -> None:
    """Any two kinds of area differ in pattern, in the dashes of their edge, or clearly in grey."""
    for one, other in itertools.combinations(AREAS.values(), 2):
        patterns = one.hatch != other.hatch
        dashes = one.edge.dashes != other.edge.dashes

        assert patterns or dashes or abs(grey(one.face) - grey(other.face)) > 0.1


def test_trees_are_told_apart_without_colour() -> None:
    """Any two kinds of tree differ in shape, in what is drawn over it, or black against white."""
    for one, other in itertools.combinations(TREES.values(), 2):
        shapes = (one.shape, one.mark) != (other.shape, other.mark)

        assert shapes or abs(grey(one.style.face) - grey(other.style.face)) > 0.5


def test_sizes_that_cannot_be_told_apart_are_left_out(sample_sheets: Sheets) -> None:
    """Where a tree is a speck on the map, the legend has no row of sizes by diameter."""
    content = map_content(sample_sheets.delivery)
    told = []
    for enlarged in (1.0, 0.2):
        drawn = replace(everything(content), enlarged=enlarged)
        told.append([one.words[:11] for one in legend_entries(content, drawn)])

    assert "Size by DBH" in told[0]
    assert [words for words in told[0] if words != "Size by DBH"] == told[1]


def test_facts_and_remark_have_their_room(
    sample_sheets: Sheets, stand_sheets: Sheets, long_sheets: Sheets
) -> None:
    """Nothing below the map reaches down into the cautions, in whatever width it stands."""
    for sheets in (sample_sheets, stand_sheets, long_sheets):
        content = map_content(sheets.delivery)
        found = plan_overview(content).arrangement
        first, middle, _ = found.panel.columns(LEGEND_SHARES, gap=20.0)
        width = found.panel.width if found.beside else first.width
        facts = facts_height(sheets.delivery, width) + HEADING_PT

        assert facts <= found.panel.height
        if not found.beside:
            legend = legend_height(longest_legend(content), middle.width, columns=2)
            assert legend + HEADING_PT + 3 + NOTE.size * 1.2 <= middle.height
