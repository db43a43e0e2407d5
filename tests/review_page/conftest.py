"""An invented stand of 4 ha with two square openings, and a browser to open its page in."""

import re
import shutil
import subprocess
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely
from lxml import html

from glademark.contracts.survey import Survey
from glademark.jobs.layout import installed_limits
from glademark.judge.checks import judge
from glademark.judge.limits import Case, limits_asked
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.report.delivery import REVIEW, Delivery
from glademark.report.summary import build_summary

WEST, SOUTH = 400_000.0, 5_100_000.0
SIDE_M = 200.0
OPENING_M = 40.0
GAP_M = 20.0
ROOT = Path(__file__).parents[2]
AXE = ROOT / ".cache" / "axe"
BROWSER_FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--force-device-scale-factor=1",
)
PROJECT: Mapping[str, Any] = {
    "limits": {
        "opening_area_max": {
            "value": "0.15 ha",
            "authority": "plan",
            "source": "invented plan, section 4",
        },
        "opening_spacing_min": "15 m",
        "corridor_share_max": "10 %",
        "removal_share_max": "35 %",
    },
    "marks": {"paint": {"white": "cut"}},
}


def box(x: float, y: float, width: float, height: float) -> shapely.Polygon:
    """Rectangle by its lower left corner, from the corner of the stand [m]."""
    return shapely.box(WEST + x, SOUTH + y, WEST + x + width, SOUTH + y + height)


def point(x: float, y: float) -> shapely.Point:
    """Point from the corner of the stand [m]."""
    return shapely.Point(WEST + x, SOUTH + y)


def line(x: float, y: float, to_x: float, to_y: float) -> shapely.LineString:
    """Line from the corner of the stand [m]."""
    return shapely.LineString([(WEST + x, SOUTH + y), (WEST + to_x, SOUTH + to_y)])


def tree(x: float, y: float, **columns: object) -> dict[str, object]:
    """Mark row."""
    plain = {"paint": "white", "paint_meaning": "cut", "species": "sugar maple"}
    return {"geometry": point(x, y), **plain, "product": "pulpwood", **columns}


def invented_inputs() -> dict[str, Sequence[object]]:
    """Two walked openings of 40 m, 20 m apart, eight trees, a corridor, an exclusion, water."""
    in_openings = [tree(x, y) for x in (30, 50, 90, 110) for y in (90, 110)]
    others = [
        tree(20, 20, kind="danger", tree_id="D1"),
        tree(195, 100, kind="line_tree", tree_id="L1"),
        tree(150, 150, tree_id="77", dbh=41.0, dbh_cm=41.0),
    ]
    return {
        "walked": [
            {"geometry": box(20, 80, OPENING_M, OPENING_M), "group": "1"},
            {"geometry": box(20 + OPENING_M + GAP_M, 80, OPENING_M, OPENING_M), "group": "2"},
        ],
        "marks": [*in_openings, *others],
        "corridors": [line(0, 30, SIDE_M, 30)],
        "exclusions": [box(160, 160, 30, 30)],
        "water": [box(185, 0, 10, 60)],
        "leave_trees": [{"geometry": point(170, 60), "tree_id": "S1"}],
    }


@pytest.fixture(scope="session")
def delivery_of(
    project_of: Callable[..., Project], survey_of: Callable[..., Survey]
) -> Callable[..., Delivery]:
    """Maker of deliveries: project tables under `project`, the rest as `survey_of` takes it."""

    def made(stand: shapely.Geometry, *, project: Mapping[str, Any], **given: Any) -> Delivery:  # noqa: ANN401 - layers of any kind
        asked, survey = project_of(**project), survey_of(stand, **given)
        layout = measure_layout(survey, asked, earlier={})
        limits = limits_asked(asked.limits, known=installed_limits())
        checks = judge(Case(layout=layout, survey=survey, project=asked), limits)
        return Delivery(
            project=asked,
            survey=survey,
            layout=layout,
            checks=checks,
            summary=build_summary(asked, survey, layout, checks),
        )

    return made


@pytest.fixture(scope="session")
def stand() -> shapely.Polygon:
    """The stand: a square of 200 m."""
    return box(0, 0, SIDE_M, SIDE_M)


@pytest.fixture(scope="session")
def inputs() -> Callable[[], dict[str, Sequence[object]]]:
    """Maker of the invented stand's inputs, to be changed at will."""
    return invented_inputs


@pytest.fixture(scope="session")
def asked() -> Mapping[str, Any]:
    """The invented project: metric, with limits."""
    return PROJECT


@pytest.fixture(scope="session")
def delivery(delivery_of: Callable[..., Delivery], stand: shapely.Polygon) -> Delivery:
    """The invented layout."""
    return delivery_of(stand, project=PROJECT, **invented_inputs())


@pytest.fixture(scope="session")
def bare(delivery_of: Callable[..., Delivery], stand: shapely.Polygon) -> Delivery:
    """A layout with one tree and nothing else."""
    return delivery_of(stand, project={}, marks=[tree(100, 100)])


@pytest.fixture(scope="session")
def write(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Delivery], Path]:
    """Writer of the review page of a delivery."""

    def written(delivery: Delivery) -> Path:
        folder = tmp_path_factory.mktemp("page")
        REVIEW.write(delivery, folder)
        return folder / "review.html"

    return written


@pytest.fixture(scope="session")
def page_file(delivery: Delivery, write: Callable[[Delivery], Path]) -> Path:
    """Review page of the invented layout."""
    return write(delivery)


@pytest.fixture(scope="session")
def page(page_file: Path) -> html.HtmlElement:
    """The invented layout's page, parsed by lxml."""
    return parsed(page_file)


def parsed(path: Path) -> html.HtmlElement:
    """A page as an HTML parser sees it."""
    reader = html.HTMLParser(encoding="utf-8", huge_tree=True)
    return html.fromstring(path.read_bytes(), parser=reader)


@pytest.fixture(scope="session")
def parse() -> Callable[[Path], html.HtmlElement]:
    """Parser of pages."""
    return parsed


@pytest.fixture(scope="session")
def table_of() -> Callable[[html.HtmlElement, str], pd.DataFrame]:
    """Reader of the page's tables, by their ids."""

    def read(page: html.HtmlElement, name: str) -> pd.DataFrame:
        (table,) = page.xpath(f"//table[@id='{name}']")
        rows = [[words(cell) for cell in row] for row in table.xpath("./tbody/tr")]
        return pd.DataFrame(rows, columns=[words(cell) for cell in table.xpath("./thead/tr/th")])

    return read


def words(element: html.HtmlElement) -> str:
    """Text of an element, its white space made plain."""
    return re.sub(r"\s+", " ", element.text_content()).strip()


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    """Headless Chromium without a network; the test is skipped where there is none."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    bridge = shutil.which("chromedriver")
    if browser is None or bridge is None:
        pytest.skip("chromium and chromedriver are not installed")
    options = webdriver.ChromeOptions()
    for flag in BROWSER_FLAGS:
        options.add_argument(flag)
    options.binary_location = browser
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(executable_path=bridge)
    chromium = webdriver.Chrome(options=options, service=service)
    chromium.execute_cdp_cmd("Network.enable", {})
    patterns = ["http://*", "https://*", "ws://*", "wss://*"]
    chromium.execute_cdp_cmd("Network.setBlockedURLs", {"urls": patterns})
    yield chromium
    chromium.quit()


@pytest.fixture(scope="session")
def axe() -> str:
    """Source of an accessibility checker, fetched once by npm; skipped where that is not there."""
    script = AXE / "node_modules" / "axe-core" / "axe.min.js"
    npm = shutil.which("npm")
    if not script.is_file():
        if npm is None:
            pytest.skip("npm is not installed, so axe-core cannot be fetched")
        AXE.mkdir(parents=True, exist_ok=True)
        command = [npm, "install", "--prefix", str(AXE), "--no-audit", "--no-fund", "axe-core@4"]
        fetched = subprocess.run(command, capture_output=True, check=False, timeout=180)  # noqa: S603 - our own words
        if fetched.returncode:
            pytest.skip("axe-core could not be fetched by npm")
    return script.read_text(encoding="utf-8")
