"""The page in a real browser without a network: switched, clicked, sorted, read aloud, printed."""

import base64
import hashlib
import io
import json
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeAlias

import pytest
import shapely

from glademark.report.delivery import Delivery

Browser: TypeAlias = Any
"""A driver of a browser; its package may be missing."""

WIDE, NARROW = (1280, 900), (420, 800)
WAIT_S = 30
OPENING = (20, 80, 60, 120)  # west, south, east, north of the first one [m]


def opened(driver: Browser, path: Path, size: tuple[int, int] = WIDE) -> None:
    """Open a page and wait until its map stands."""
    from selenium.webdriver.support.wait import WebDriverWait  # noqa: PLC0415 - may be missing

    width, height = size
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    driver.get(path.as_uri())
    WebDriverWait(driver, WAIT_S).until(
        lambda one: one.execute_script("return document.documentElement.dataset.ready === 'true'")
    )
    settled(driver)


def settled(driver: Browser) -> None:
    """Wait for two pictures of the screen, so that what was asked for is drawn."""
    driver.execute_async_script(
        "const done = arguments[0];"
        "requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 50)));"
    )


def click_map(driver: Browser, x: float, y: float) -> None:
    """Click the map at a place [m from the page's zero], worked out from its ranges."""
    from selenium.webdriver import ActionChains  # noqa: PLC0415 - may be missing

    west, east, south, north, width, height = driver.execute_script(
        "const map = Bokeh.documents[0].get_model_by_name('layout_map');"
        "const box = document.getElementById('map').getBoundingClientRect();"
        "return [map.x_range.start, map.x_range.end, map.y_range.start, map.y_range.end,"
        " box.width, box.height];"
    )
    right = (x - (west + east) / 2) / (east - west) * width
    down = -(y - (south + north) / 2) / (north - south) * height
    stage = driver.find_element("id", "map")
    actions = ActionChains(driver).move_to_element_with_offset(stage, round(right), round(down))
    actions.click().perform()
    settled(driver)


def card(driver: Browser) -> str:
    """What is said of the selected feature; empty where none is."""
    return str(driver.find_element("id", "card").text)


def visible(driver: Browser, layer: str) -> list[bool]:
    """Whether the renderers of a layer are drawn."""
    found = driver.execute_script(
        "return Bokeh.documents[0].get_model_by_name('layout_map').renderers"
        ".filter((one) => one.name === arguments[0]).map((one) => one.visible);",
        layer,
    )
    return list(found)


def complaints(driver: Browser) -> list[str]:
    """Warnings and errors of the console."""
    return [
        entry["message"]
        for entry in driver.get_log("browser")
        if entry["level"] in {"WARNING", "SEVERE"}
    ]


def requests(driver: Browser) -> list[str]:
    """Addresses that the browser asked for."""
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    return [
        event["params"]["request"]["url"]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    ]


def test_the_page_asks_for_nothing_and_complains_of_nothing(
    driver: Browser,
    page_file: Path,
) -> None:
    """Opening, zooming and selecting ask for the file alone and leave the console clean."""
    opened(driver, page_file)
    driver.find_element("id", "zoom-in").click()
    click_map(driver, 40, 100)

    asked = [url for url in requests(driver) if not url.startswith(("data:", "blob:"))]
    assert {url.removesuffix("/") for url in asked} <= {page_file.as_uri()}
    assert complaints(driver) == []


def test_the_map_is_drawn(driver: Browser, page_file: Path) -> None:
    """The map is no blank canvas, and a metre is as long across as up."""
    opened(driver, page_file)
    colours, across, up = driver.execute_script(
        "const root = document.querySelector('#map .bk-Plot').shadowRoot;"
        "const canvas = [...root.querySelectorAll('*')].map((one) => one.shadowRoot)"
        " .filter(Boolean)"
        " .flatMap((one) => [...one.querySelectorAll('canvas')])[0];"
        "const { width, height } = canvas;"
        "const pixels = new Uint32Array(canvas.getContext('2d')"
        " .getImageData(0, 0, width, height).data.buffer);"
        "const map = Bokeh.documents[0].get_model_by_name('layout_map');"
        "const box = document.getElementById('map').getBoundingClientRect();"
        "return [new Set(pixels).size, (map.x_range.end - map.x_range.start) / box.width,"
        " (map.y_range.end - map.y_range.start) / box.height];"
    )

    assert colours > 20
    assert across == pytest.approx(up, rel=1e-6)


def test_a_layer_is_switched_off_and_on(driver: Browser, page_file: Path) -> None:
    """The box of a layer takes it off the map and brings it back."""
    opened(driver, page_file)
    box = driver.find_element("css selector", "input[data-layer='openings']")
    before = visible(driver, "openings")
    box.click()
    off = visible(driver, "openings")
    box.click()

    assert all(before)
    assert len(before) >= 2
    assert not any(off)
    assert all(visible(driver, "openings"))


def test_a_clicked_opening_tells_its_measures(driver: Browser, page_file: Path) -> None:
    """A click into the second square, 80 to 120 m east, opens its card: 0.16 ha, and its limit."""
    opened(driver, page_file)
    click_map(driver, 100, 100)

    told = card(driver)
    assert told.splitlines()[1] == "Opening 2"
    assert "0.16 ha" in told
    assert "at most 0.15 ha; 0.01 ha beyond" in told
    assert "20.0 m to opening 1" in told


def test_a_clicked_crossing_tells_what_it_crosses(driver: Browser, page_file: Path) -> None:
    """A click on the point of a crossing opens the crossing, not the water below."""
    opened(driver, page_file)
    (x, y) = driver.execute_script(
        "const found = Bokeh.documents[0].get_model_by_name('layout_map').renderers"
        ".find((one) => one.name === 'water_crossings').data_source.data;"
        "return [found.x[0], found.y[0]];"
    )
    click_map(driver, x, y)

    assert "Water crossing 1" in card(driver)


def test_a_clicked_tree_tells_what_was_recorded(driver: Browser, page_file: Path) -> None:
    """A click on a tree that stands alone opens its card with number, species and diameter."""
    opened(driver, page_file)
    click_map(driver, 150, 150)

    told = card(driver)
    assert "Tree 77" in told
    assert "sugar maple" in told
    assert "41.0 cm" in told


def test_a_click_beside_everything_closes_it(driver: Browser, page_file: Path) -> None:
    """Where nothing lies under the click, nothing stays selected."""
    opened(driver, page_file)
    click_map(driver, 100, 100)
    click_map(driver, 60, 170)

    assert card(driver) == ""


def test_a_limit_leads_to_its_features(driver: Browser, page_file: Path) -> None:
    """A click on the spacing of two openings outlines both on the map and says by how much."""
    opened(driver, page_file)
    rows = "#limits-table tr[data-keys='openings:0 openings:1'] button"
    driver.find_element("css selector", rows).click()
    settled(driver)
    outlined = driver.execute_script(
        "return Bokeh.documents[0].get_model_by_name('layout_map').renderers"
        ".filter((one) => one.name === 'highlight').map((one) => one.data_source.data.xs.length);"
    )

    assert set(outlined) == {2}
    assert "20.0 m; at least 15.0 m; 5.0 m to spare" in card(driver)


def test_a_limit_comes_nearer_to_its_feature(driver: Browser, page_file: Path) -> None:
    """A click on the area of an opening brings it near: all of it in view, beside its card."""
    opened(driver, page_file)
    view = (
        "const m = Bokeh.documents[0].get_model_by_name('layout_map');"
        "const card = document.getElementById('card').getBoundingClientRect();"
        "const map = document.getElementById('map').getBoundingClientRect();"
        "const scale = (m.x_range.end - m.x_range.start) / map.width;"
        "return [m.x_range.start, card.width ? m.x_range.start + (card.left - map.left) * scale"
        " : m.x_range.end, m.y_range.start, m.y_range.end, scale];"
    )
    whole = driver.execute_script(view)
    driver.find_element("css selector", "#limits-table tr[data-keys='openings:0'] button").click()
    settled(driver)
    west, card_edge, south, north, scale = driver.execute_script(view)

    assert scale < whole[-1]
    assert west < OPENING[0] < OPENING[2] < card_edge
    assert south < OPENING[1] < OPENING[3] < north


def test_what_is_asked_for_is_switched_on(driver: Browser, page_file: Path) -> None:
    """Who asks for a corridor sees it, though corridors were switched off before."""
    opened(driver, page_file)
    box = driver.find_element("css selector", "input[data-layer='corridors']")
    box.click()
    driver.find_element("css selector", "#corridors-table button.to-map").click()
    settled(driver)

    assert box.is_selected()
    assert all(visible(driver, "corridors"))


def test_a_table_sorts_both_ways(driver: Browser, page_file: Path) -> None:
    """A click on a heading sorts by numbers, not letters; another turns the order."""
    opened(driver, page_file)
    trees_of = "//table[@id='volume-table']/thead//button[text()='Trees']"
    heading = driver.find_element("xpath", trees_of)

    def trees() -> list[int]:
        cells = driver.find_elements("css selector", "#volume-table tbody tr td:nth-child(2)")
        return [int(cell.text) for cell in cells]

    heading.click()
    up, said = trees(), heading.find_element("xpath", "..").get_attribute("aria-sort")
    heading.click()

    assert (up, said) == (sorted(up), "ascending")
    assert trees() == sorted(up, reverse=True)
    assert len(set(up)) > 1


def test_limits_are_filtered_by_verdict(
    driver: Browser,
    page_file: Path,
    delivery: Delivery,
) -> None:
    """Without the verdict "met" only what needs a look is left."""
    opened(driver, page_file)
    driver.find_element("css selector", "input[data-verdict='met']").click()
    rows = driver.find_elements("css selector", "#limits-table tbody tr")
    shown = [row for row in rows if row.is_displayed()]
    others = int((delivery.checks["verdict"] != "met").sum())

    assert len(shown) == others
    assert driver.find_element("id", "limits-shown").text == f"{others} of {len(rows)} shown"


def test_verdicts_stay_in_sight_at_a_desk(driver: Browser, page_file: Path) -> None:
    """Whatever section is read, the head with verdicts and cautions and the map stay in view."""
    opened(driver, page_file)
    driver.find_element("css selector", "nav a[href='#records']").click()
    settled(driver)
    boxes = driver.execute_script(
        "return ['.top', '#map-side', '#records-title'].map((one) => {"
        " const box = document.querySelector(one).getBoundingClientRect();"
        " return [box.top, box.bottom]; });"
    )

    assert boxes[0][0] == 0
    assert boxes[1] == [pytest.approx(boxes[0][1], abs=1), pytest.approx(WIDE[1], abs=1)]
    assert boxes[0][1] < boxes[2][0] < WIDE[1]


def test_keys_reach_the_map(driver: Browser, page_file: Path) -> None:
    """Arrows move the map, plus comes nearer, 0 shows all, Escape closes a card."""
    from selenium.webdriver import Keys  # noqa: PLC0415 - may be missing

    opened(driver, page_file)
    stage = driver.find_element("id", "map")
    view = (
        "const m = Bokeh.documents[0].get_model_by_name('layout_map');"
        "return [m.x_range.start, m.x_range.end];"
    )
    whole = driver.execute_script(view)
    stage.send_keys("+")
    nearer = driver.execute_script(view)
    stage.send_keys(Keys.ARROW_RIGHT)
    moved = driver.execute_script(view)
    stage.send_keys("0")

    assert nearer[1] - nearer[0] == pytest.approx((whole[1] - whole[0]) / 1.5)
    assert moved[0] > nearer[0]
    assert driver.execute_script(view) == pytest.approx(whole)
    driver.find_element("css selector", "#openings-table button.to-map").send_keys(Keys.ENTER)
    settled(driver)
    assert "Opening 1" in card(driver)
    stage.send_keys(Keys.ESCAPE)
    assert card(driver) == ""


def test_every_tab_stop_has_a_name(driver: Browser, page_file: Path) -> None:
    """Whoever goes through the page by keys hears where they are, inside the map as well."""
    opened(driver, page_file)
    nameless = driver.execute_script(
        "const inside = (root) => [...root.querySelectorAll('*')]"
        ".flatMap((one) => [one, ...(one.shadowRoot ? inside(one.shadowRoot) : [])]);"
        "const named = (one) => one.ariaLabel || one.getAttribute('aria-labelledby')"
        " || one.textContent.trim() || one.labels?.length || one.title;"
        "return inside(document).filter((one) => one.tabIndex >= 0 && !named(one))"
        ".map((one) => one.className);"
    )

    assert nameless == []


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["desk", "phone"])
def test_nothing_is_wider_than_the_screen(
    driver: Browser,
    page_file: Path,
    size: tuple[int, int],
) -> None:
    """The page scrolls down, never sideways; wide tables scroll in themselves."""
    opened(driver, page_file, size)

    assert driver.execute_script("return document.documentElement.scrollWidth") <= size[0]


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["desk", "phone"])
def test_a_checker_finds_no_barrier(
    driver: Browser,
    page_file: Path,
    axe: str,
    size: tuple[int, int],
) -> None:
    """An outside checker of accessibility finds nothing to object, a card being open."""
    opened(driver, page_file, size)
    driver.find_element("css selector", "#openings-table button.to-map").click()
    settled(driver)
    driver.execute_script(axe)
    result = driver.execute_async_script(
        "const done = arguments[0]; axe.run(document).then((found) => done(found.violations));"
    )

    assert [(one["id"], one["nodes"][0]["html"][:200]) for one in result] == []


def test_a_layout_without_openings_opens_clean(
    driver: Browser,
    bare: Delivery,
    write: Callable[[Delivery], Path],
) -> None:
    """A page without openings, corridors and limits stands without a complaint."""
    opened(driver, write(bare))

    assert complaints(driver) == []
    assert visible(driver, "cut_matrix") == [True]


def test_hostile_names_run_nothing(
    driver: Browser,
    delivery_of: Callable[..., Delivery],
    stand: shapely.Polygon,
    inputs: Callable[[], dict[str, Any]],
    write: Callable[[Delivery], Path],
) -> None:
    """Names that look like script, formula or markup ask for nothing and run nothing."""
    name = "<img src=x onerror=window.bad=1>$$\\int x$$"
    given = inputs()
    given["corridors"] = [{"geometry": given["corridors"][0], "corridor": name}]
    given["walked"][0]["group"] = name
    opened(driver, write(delivery_of(stand, project={}, **given)))
    click_map(driver, 40, 100)

    assert driver.execute_script("return window.bad ?? null") is None
    assert name[:20] in card(driver)
    assert not [url for url in requests(driver) if url.startswith("http")]
    assert complaints(driver) == []


def test_the_print_has_the_map_and_every_row(driver: Browser, page_file: Path) -> None:
    """On paper stand the map as a drawing, all limits though filtered, and no buttons."""
    reader = pytest.importorskip("pypdf", reason="pypdf is not installed")
    opened(driver, page_file)
    driver.find_element("css selector", "input[data-verdict='met']").click()
    paper = driver.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})
    pages = reader.PdfReader(io.BytesIO(base64.b64decode(paper["data"]))).pages
    text = " ".join(one.extract_text() for one in pages)

    assert "edge to edge of openings 1, 2" in text
    assert (
        driver.execute_script("return document.querySelectorAll('#paper-map svg path').length") > 10
    )
    assert "Skip the map" not in text


def test_a_crowded_map_is_printed_as_one_picture(
    driver: Browser, page_file: Path, tmp_path: Path
) -> None:
    """Thousands of trees as shapes would keep a printer busy; the page's own limit is 4,000."""
    script = (files("glademark.report.review_page") / "parts" / "page.js").read_text("utf-8")
    small = script.replace("CROWDED = 4000", "CROWDED = 3")
    page = page_file.read_text("utf-8").replace(script, small)
    path = tmp_path / "crowded.html"
    path.write_text(page.replace(digest(script), digest(small)), encoding="utf-8")
    opened(driver, path)
    driver.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})
    found = "return [...document.querySelectorAll('#paper-map image, #paper-map path')]"
    tags = driver.execute_script(f"{found}.map((one) => one.tagName + (one.href?.baseVal ?? ''))")

    assert [tag[:26] for tag in tags] == ["imagedata:image/png;base64", "path", "path"]
    assert driver.execute_script("return devicePixelRatio") == 1


def digest(text: str) -> str:
    """Name of a script in a content security policy."""
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
