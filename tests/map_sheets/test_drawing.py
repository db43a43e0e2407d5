"""What is drawn on a sheet: outlines, patterns, letters, as a page of a file and as a picture."""

import math
from io import BytesIO
from pathlib import Path

import numpy as np
import pypdf
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from glademark.report.delivery import Delivery
from glademark.report.map_sheets.page import (
    Fill,
    Lettering,
    Page,
    Stroke,
    hatch_dots,
    hatch_lines,
)
from glademark.report.map_sheets.paper import (
    CLOSE,
    CURVE,
    LINE,
    MOVE,
    Box,
    circle,
    from_quadratic,
    outline_of,
    text_outline,
    text_width,
)
from glademark.report.map_sheets.pdf_pages import PICTURE_DPI, pages_as_pdf, write_picture

PIXEL = PICTURE_DPI / 72
BLACK, WHITE, RED = (0, 0, 0), (255, 255, 255), (255, 0, 0)


def cubic(points: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Places on a cubic curve by its four points (Bernstein form)."""
    weights = [(1 - at) ** 3, 3 * at * (1 - at) ** 2, 3 * at**2 * (1 - at), at**3]
    return np.sum([w[:, None] * point for w, point in zip(weights, points, strict=True)], axis=0)


def test_circle_is_round() -> None:
    """Along all four curves the distance from the middle is the radius within 0.03 %."""
    outline, at = circle(10.0, middle=(3.0, 4.0)), np.linspace(0, 1, 50)
    ends = outline.points[:13]
    places = np.vstack([cubic(ends[i : i + 4], at) for i in (0, 3, 6, 9)])

    assert outline.steps.tolist() == [MOVE, *[CURVE] * 12, CLOSE]
    assert np.hypot(*(places - (3.0, 4.0)).T) == pytest.approx(10.0, rel=3e-4)


def test_quadratic_curve_stays_the_same_curve() -> None:
    """A letter's curve over (0, 0), (1, 2), (2, 0) is as cubic the same parabola y = 2x - x²."""
    points = np.array([[0, 0], [1, 2], [2, 0], [2, -1], [0, 0]], dtype=float)
    outline = from_quadratic(points, np.array([MOVE, 3, 3, LINE, CLOSE]))
    x, y = cubic(outline.points[:4], np.linspace(0, 1, 20)).T

    assert outline.steps.tolist() == [MOVE, CURVE, CURVE, CURVE, LINE, CLOSE]
    assert y == pytest.approx(2 * x - x**2)


def test_holes_turn_the_other_way_round() -> None:
    """A square with a hole has two closed parts of opposite turn, so that the hole stays free."""
    square = shapely.box(0, 0, 9, 9).difference(shapely.box(3, 3, 6, 6))
    outline = outline_of([square])
    assert outline is not None
    starts = np.flatnonzero(outline.steps == MOVE)
    rings = [shapely.LinearRing(ring) for ring in np.split(outline.points, starts[1:])]

    assert np.count_nonzero(outline.steps == CLOSE) == 2
    assert rings[0].is_ccw != rings[1].is_ccw


def test_lines_stay_open_and_nothing_has_no_outline() -> None:
    """A line is not closed; empty shapes and points have no outline."""
    outline = outline_of([shapely.LineString([(0, 0), (5, 5), (9, 0)]), shapely.Polygon()])

    assert outline is not None
    assert outline.steps.tolist() == [MOVE, LINE, LINE]
    assert outline_of([shapely.Point(1, 1), shapely.Polygon()]) is None
    assert outline_of([]) is None


@pytest.mark.parametrize(
    ("hatch", "length"),
    [("level", 1.0 / 4), ("rising", math.sqrt(2) / 8), ("crossed", math.sqrt(2) / 4)],
)
def test_lines_of_a_pattern_fill_an_area(hatch: str, length: float) -> None:
    """4 points apart, 1/4 point of line lies on a square point; slanting ones are 4√2 apart."""
    area = shapely.Point(211.3, 97.7).buffer(80)
    lines = hatch_lines(area, hatch)  # type: ignore[arg-type] # one of the patterns

    assert lines.length / area.area == pytest.approx(length, rel=0.02)
    assert area.buffer(1e-6).contains(lines)


@given(x=st.floats(-50, 50), y=st.floats(-50, 50), radius=st.floats(1, 40))
def test_dots_of_a_pattern_lie_in_their_area(x: float, y: float, radius: float) -> None:
    """Each dot is inside, none nearer than 4 points to the next in its row."""
    area = shapely.Point(x, y).buffer(radius)
    dots = hatch_dots(area)
    far = shapely.STRtree(shapely.points(dots)).query(shapely.points(dots), "dwithin", 3.9)

    assert shapely.contains_xy(area, *dots.T).all()
    assert far.shape[1] == len(dots)


def test_outline_of_a_text_is_as_wide_as_the_text() -> None:
    """From the left edge of H to the right one of a last H a text is its width less white."""
    outline, letter = (text_outline(text, 10.0, "bold") for text in ("HillH", "H"))
    x, alone = (one.points[one.steps != CLOSE, 0] for one in (outline, letter))
    white = text_width("H", 10.0, "bold") - alone.max()

    assert x.min() == pytest.approx(alone.min())
    assert x.max() == pytest.approx(text_width("HillH", 10.0, "bold") - white)


def drawn_page() -> Page:
    """A black box, over it a red disc, a broken line, and words."""
    page = Page((144.0, 72.0))
    page.box(Box(left=10, bottom=10, width=40, height=40), Fill(face="#000000"), level=2)
    disc = Fill(face="#ff0000")
    page.symbols(circle(0.5), np.array([[30.0, 30.0]]), np.array([10.0]), disc, level=3)
    page.line([60, 140], [20, 20], Stroke(colour="#000000", width=4, dashes=(10, 10)))
    clip = Box(left=100, bottom=40, width=10, height=10)
    page.shapes([shapely.box(90, 30, 130, 70)], Fill(face="#000000"), clip=clip)
    page.text(60, 4, "Opening 7", Lettering(size=8, halo=True))
    return page


def test_picture_shows_what_was_drawn(tmp_path: Path) -> None:
    """Pixels have the colours of what lies uppermost there; beyond the clip there is paper."""
    write_picture(drawn_page(), tmp_path / "a.png")
    with Image.open(tmp_path / "a.png") as picture:
        size = picture.size
        seen = {
            place: picture.getpixel((int(place[0] * PIXEL), int((72 - place[1]) * PIXEL)))
            for place in ((15, 15), (30, 30), (5, 5), (65, 20), (75, 20), (105, 45), (95, 45))
        }

    assert size == (300, 150)
    assert list(seen.values()) == [BLACK, RED, WHITE, BLACK, WHITE, BLACK, WHITE]


def test_file_holds_words_once_and_size() -> None:
    """Words are found once, rim or none; the page has the size of its paper."""
    reader = pypdf.PdfReader(BytesIO(pages_as_pdf([drawn_page(), Page((100.0, 200.0))])))

    assert reader.pages[0].extract_text().strip() == "Opening 7"
    assert [tuple(map(float, page.mediabox[2:])) for page in reader.pages] == [
        (144.0, 72.0), (100.0, 200.0),
    ]  # fmt: skip


def test_what_writers_share_is_made_once(sample_delivery: Delivery) -> None:
    """The second writer that asks gets what the first had made."""
    made: list[int] = []

    first, second = (
        sample_delivery.once("test", lambda: made.append(1) or object()) for _ in range(2)
    )

    assert first is second
    assert made == [1]
