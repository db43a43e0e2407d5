"""The page as a file: whole, alone, safe, and with the numbers of the summary."""

import dataclasses
import json
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely
from lxml import html

from glademark.contracts.survey import REJECTED_COLUMNS
from glademark.errors import OutputError
from glademark.jobs.layout import Outcome
from glademark.report.delivery import REVIEW, Delivery
from glademark.report.wording import cautions

HOSTILE = "</script><img src=x onerror=alert(1)>$$\\frac{1}{2}$$ \u202e&\"'"
SAMPLE = Path(__file__).parents[2] / "sample_gis" / "harvest.toml"
LARGEST_SAMPLE_BYTES = 5_000_000


def words(elements: Sequence[html.HtmlElement]) -> list[str]:
    """Texts of elements, their white space made plain."""
    return [re.sub(r"\s+", " ", element.text_content()).strip() for element in elements]


def data(page: html.HtmlElement, name: str) -> Any:  # noqa: ANN401 - JSON
    """A block of data of the page."""
    (block,) = page.xpath(f"//script[@id='{name}']")
    return json.loads(block.text)


def facts(page: html.HtmlElement) -> dict[str, str]:
    """Figures of the page by their names."""
    names = words(page.xpath("//dl[@class='facts']//dt"))
    values = words(page.xpath("//dl[@class='facts']//dd"))
    return dict(zip(names, values, strict=True))


def test_the_package_registers_what_it_writes() -> None:
    """The deliverable says of itself that it writes review.html."""
    assert (REVIEW.id, REVIEW.files) == ("review", ("review.html",))


def test_what_the_page_needs_is_imported_late() -> None:
    """Whoever does not make the page does not wait for the plotting library."""
    import subprocess  # noqa: PLC0415 - a fresh interpreter knows what is loaded

    code = (
        "import sys, glademark.report.delivery;"
        "print([name for name in ('bokeh', 'jinja2', 'pandas') if name in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)  # noqa: S603 - own code

    assert told.stdout.strip() == "[]"


def test_the_page_loads_nothing(page: html.HtmlElement) -> None:
    """No element of the page names a file or address to load."""
    loads = page.xpath("//@src | //link/@href | //@srcset | //@poster | //object/@data")

    assert loads == ["data:,"]


def test_links_stay_in_the_page(page: html.HtmlElement) -> None:
    """Every link leads to an element of the page itself."""
    ids = set(page.xpath("//@id"))

    assert {target.removeprefix("#") for target in page.xpath("//a/@href")} <= ids


def test_ids_are_used_once(page: html.HtmlElement) -> None:
    """An id names one element, or labels and links would go astray."""
    ids = page.xpath("//@id")

    assert len(ids) == len(set(ids))


def test_the_policy_forbids_what_is_not_of_the_page(page: html.HtmlElement) -> None:
    """Only the page's own scripts may run, and nothing may be loaded from anywhere."""
    (policy,) = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    rules = {rule.split()[0]: rule.split()[1:] for rule in policy.split("; ")}

    assert rules["default-src"] == ["'none'"]
    assert all(source.startswith("'sha256-") for source in rules["script-src"])
    assert not [word for word in policy.split() if "http" in word or "unsafe-eval" in word]


def test_no_script_stands_in_an_attribute(page: html.HtmlElement) -> None:
    """No element carries an event attribute or a style of its own."""
    attributes = {name for element in page.iter() for name in getattr(element, "attrib", {})}

    assert not {name for name in attributes if name.startswith("on") or name == "style"}


def test_areas_and_counts_are_those_of_the_summary(
    delivery: Delivery, page: html.HtmlElement
) -> None:
    """The figures shown are the summary's, rounded: hectares with two decimals, shares with one."""
    summary, shown = delivery.summary, facts(page)
    openings, corridors = summary["openings"], summary["corridors"]

    assert shown["Stand"].startswith(f"{summary['stand']['area_m2'] / 1e4:.2f} ha")
    assert shown["Corridors"].startswith(f"{corridors['share'] * 100:.1f} %")
    assert shown["Group openings"].startswith(
        f"{openings['count']} {openings['area_m2'] / 1e4:.2f}"
    )
    assert shown["Largest opening"].startswith(f"{openings['largest_m2'] / 1e4:.2f} ha")
    assert shown["Least spacing"].startswith(f"{openings['nearest_spacing_m']:.1f} m")
    assert shown["Trees to cut"].startswith(f"{summary['marks']['trees']} ")


def test_verdicts_are_counted_as_in_the_summary(delivery: Delivery, page: html.HtmlElement) -> None:
    """Each verdict's count at the head of the page is the summary's."""
    counts = delivery.summary["checks"]

    assert words(page.xpath("//ul[@class='counts']/li")) == [
        f"{counts['exceeded']} EXCEEDED",
        f"{counts['near']} near",
        f"{counts['not_checked']} not checked",
        f"{counts['met']} met",
    ]


def test_cautions_and_notices_stand_on_the_page(delivery: Delivery, page: html.HtmlElement) -> None:
    """What has to be said with any result is said here as well, word by word."""
    said = words(page.xpath("//li"))

    assert {*cautions(), *delivery.layout.notices} <= set(said)


def test_each_check_has_a_row_and_the_worst_is_first(
    delivery: Delivery,
    page: html.HtmlElement,
    table_of: Callable[[html.HtmlElement, str], pd.DataFrame],
) -> None:
    """Walked squares of 40 m are 0.16 ha: 0.01 ha beyond a limit of 0.15 ha."""
    table = table_of(page, "limits-table")

    assert len(table) == len(delivery.checks)
    assert table["Verdict"].tolist()[:2] == ["EXCEEDED", "EXCEEDED"]
    first = table.iloc[0]
    assert (first["Measured"], first["Limit"], first["Margin"]) == (
        "0.16 ha",
        "at most 0.15 ha",
        "0.01 ha beyond",
    )
    assert "plan: invented plan, section 4" in first["What"]


def test_a_distance_says_at_least(
    page: html.HtmlElement, table_of: Callable[[html.HtmlElement, str], pd.DataFrame]
) -> None:
    """Squares 20 m apart have 5 m to spare of a least spacing of 15 m."""
    table = table_of(page, "limits-table")
    row = table[table["What"].str.startswith("edge to edge")].iloc[0]

    assert (row["Measured"], row["Limit"], row["Margin"]) == (
        "20.0 m",
        "at least 15.0 m",
        "5.0 m to spare",
    )


def test_a_row_leads_to_its_features(page: html.HtmlElement) -> None:
    """A check of the spacing between two openings leads to both of them."""
    rows = page.xpath("//table[@id='limits-table']/tbody/tr[th[contains(., 'edge to edge')]]")

    assert [row.get("data-keys") for row in rows] == ["openings:0 openings:1"]


def test_an_opening_tells_its_measures(page: html.HtmlElement) -> None:
    """A square of 40 m: 0.16 ha, four trees, 160 m around, 20 m to the next and to the boundary."""
    card = data(page, "page-data")["features"]["openings:0"]
    lines = dict(card["lines"])

    assert card["title"] == "Opening 1"
    assert lines["Area"] == "0.16 ha"
    assert lines["Trees to cut"] == "4"
    assert lines["Perimeter"] == "160 m"
    assert lines["Nearest opening"] == "20.0 m to opening 2"
    assert lines["To the boundary"] == "20.0 m"
    assert card["limits"][0]["verdict"] == "exceeded"
    assert card["box"] == [20.0, 80.0, 60.0, 120.0]


def test_the_openings_table_has_the_area_of_each(
    page: html.HtmlElement, table_of: Callable[[html.HtmlElement, str], pd.DataFrame]
) -> None:
    """Every opening has a row with its number, area and verdict."""
    table = table_of(page, "openings-table")

    assert table["Opening"].tolist() == ["1", "2"]
    assert table["Area, ha"].tolist() == ["0.16", "0.16"]
    assert table["Limits"].tolist() == ["EXCEEDED: size"] * 2


def test_volume_by_zone_adds_up_to_the_total(
    delivery: Delivery,
    page: html.HtmlElement,
    table_of: Callable[[html.HtmlElement, str], pd.DataFrame],
) -> None:
    """Trees of the zones add up to the trees to cut."""
    table = table_of(page, "volume-table")
    total = words(page.xpath("//table[@id='volume-table']/tfoot//td"))

    assert table["Trees"].astype(int).sum() == delivery.layout.figures.marks.trees
    assert total[0] == str(delivery.layout.figures.marks.trees)


def test_the_same_delivery_gives_the_same_bytes(
    delivery: Delivery, page_file: Path, write: Callable[[Delivery], Path]
) -> None:
    """A page made twice in one run has equal bytes: ids of the plot do not count on."""
    assert write(delivery).read_bytes() == page_file.read_bytes()


def test_a_crossing_of_water_is_on_the_map(page: html.HtmlElement) -> None:
    """A corridor through water of 10 m crosses it square, at 90 degrees, and permits are named."""
    cards = data(page, "page-data")["features"]
    lines = dict(cards["water_crossings:0"]["lines"])

    assert lines["Angle to the bank"] == "90\N{DEGREE SIGN}"
    assert lines["Way through"] == "10.0 m"
    assert lines["Permit"].startswith("may be needed")


def test_records_rejected_are_told_with_their_reason(
    delivery: Delivery,
    write: Callable[[Delivery], Path],
    parse: Callable[[Path], html.HtmlElement],
    table_of: Callable[[html.HtmlElement, str], pd.DataFrame],
) -> None:
    """What could not be used is listed with file, record and the mend."""
    record = ("marks", "marks.csv", 7, "6", "diameter is no number; correct the cell")
    aside = pd.DataFrame([record], columns=list(REJECTED_COLUMNS))
    survey = dataclasses.replace(delivery.survey, rejected=aside)
    page = parse(write(dataclasses.replace(delivery, survey=survey)))

    assert table_of(page, "rejected-table").to_numpy().tolist() == [
        ["marks.csv", "7", "6", "diameter is no number; correct the cell"]
    ]


def test_a_paper_tally_has_a_row_of_its_own(
    delivery_of: Callable[..., Delivery],
    stand: shapely.Polygon,
    inputs: Callable[[], dict[str, Any]],
    write: Callable[[Delivery], Path],
    parse: Callable[[Path], html.HtmlElement],
    table_of: Callable[[html.HtmlElement, str], pd.DataFrame],
) -> None:
    """Five trees counted without a position stand apart from nine on the map, and in the total."""
    tallied = [{"zone": "matrix", "species": "hemlock", "product": "pulpwood", "count": 5}]
    page = parse(write(delivery_of(stand, project={}, tally=tallied, **inputs())))
    table = table_of(page, "volume-table").set_index("Zone")
    total = words(page.xpath("//table[@id='volume-table']/tfoot//td"))

    assert table.loc["Matrix, paper tally", "Trees"] == "5"
    assert total[0] == "14"


def test_text_of_users_is_never_markup(
    delivery_of: Callable[..., Delivery],
    stand: shapely.Polygon,
    inputs: Callable[[], dict[str, Any]],
    asked: Mapping[str, Any],
    write: Callable[[Delivery], Path],
    parse: Callable[[Path], html.HtmlElement],
) -> None:
    """Names with tags, quotes and turned text stand on the page as text, wherever they appear."""
    given = inputs()
    given["corridors"] = [{"geometry": given["corridors"][0], "corridor": HOSTILE}]
    given["walked"][0]["group"] = HOSTILE
    given["marks"][0]["species"] = HOSTILE
    given["marks"][1]["product"] = HOSTILE
    project = {**asked, "project": {"name": HOSTILE, "units": "metric", "season": HOSTILE}}
    page = parse(write(delivery_of(stand, project=project, **given)))

    assert not page.xpath("//img")
    assert len(page.xpath("//script")) == 4
    assert words(page.xpath("//h1"))[0].startswith("</script><img src=x onerror=alert(1)>")
    assert "\u202e" not in page.text_content()
    assert "\u202e" not in json.dumps(data(page, "page-data"), ensure_ascii=False)


def test_a_layout_without_openings_corridors_or_limits_has_a_page(
    bare: Delivery, write: Callable[[Delivery], Path], parse: Callable[[Path], html.HtmlElement]
) -> None:
    """What does not exist is said in a word, not shown as an empty table."""
    page = parse(write(bare))

    assert not page.xpath("//table[@id='openings-table'] | //table[@id='limits-table']")
    assert facts(page)["Group openings"] == "none"
    assert "No limit is given, so none is checked" in page.text_content()


def test_more_trees_than_a_page_can_show_are_left_out_with_a_sentence(
    delivery: Delivery,
    monkeypatch: pytest.MonkeyPatch,
    write: Callable[[Delivery], Path],
    parse: Callable[[Path], html.HtmlElement],
) -> None:
    """Beyond what stays quick the map has no trees to cut, and the page says how many it lacks."""
    monkeypatch.setattr("glademark.report.review_page.content.MOST_MARKS", 5)
    page = parse(write(delivery))
    cut = int(delivery.layout.marks["kind"].eq("cut").sum())
    labels = next(one for one in data(page, "page-data")["trees"] if one["label"] == "Tree")

    assert {"D1", "L1"} <= set(labels["texts"])
    assert f"The map leaves out {cut} records of trees to cut" in page.text_content()


def test_a_page_that_the_disk_lost_is_not_handed_over(
    delivery: Delivery, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that does not hold what was written is an error, not a result."""
    monkeypatch.setattr(Path, "read_bytes", lambda _: b"")

    with pytest.raises(OutputError, match=r"review\.html does not hold what was written"):
        REVIEW.write(dataclasses.replace(delivery), tmp_path)


def test_the_sample_page_is_small(
    sample_run: Outcome, parse: Callable[[Path], html.HtmlElement]
) -> None:
    """The sample's page, with all that it holds, is under 5 MB, and in acres and feet."""
    delivery = sample_run.delivery
    path = next(path for path in sample_run.files if path.name == "review.html")
    shown = facts(parse(path))

    assert path.stat().st_size < LARGEST_SAMPLE_BYTES
    acres = delivery.summary["stand"]["area_m2"] / 4046.8564224
    assert shown["Stand"].startswith(f"{acres:.2f} acres")
