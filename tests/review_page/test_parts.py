"""Parts of the page: shapes, limits, the pictures of diameters and allowance."""

import re
from importlib.resources import files
from types import SimpleNamespace
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.contracts.layers import LAYERS
from glademark.report.map_sheets.content import TREES
from glademark.report.review_page.cards import worst_by_key
from glademark.report.review_page.chart import AREAS, MARKS, steady_ids
from glademark.report.review_page.content import Plane
from glademark.report.review_page.page import content_policy, inert_json
from glademark.report.review_page.pictures import WIDTH, accounts, histogram
from glademark.report.wording import field_text, limit_title, volume_amounts

CRS = "EPSG:26916"


def layout_with(**frames: pd.DataFrame) -> Any:  # noqa: ANN401 - stands for a layout
    """Something that has the tables of a layout that pictures read; those not given are empty."""
    names = ("stock_by_class", "allowance", "volume_by_zone", "residual_by_class")
    empty = {name: pd.DataFrame(columns=list(LAYERS[name].names)) for name in names}
    return cast("Any", SimpleNamespace(**(empty | frames)))


def tally(**trees: int) -> pd.DataFrame:
    """Tally cells by size class, the key's underscores being blanks."""
    return pd.DataFrame(
        {
            "row": "cell",
            "size_class": [name.replace("_", " ").strip() for name in trees],
            "trees": list(trees.values()),
        }
    )


def allowance_row(**given: object) -> dict[str, object]:
    """Row of the allowance: 100 m2 stand, 35 % allowable; corridors 5, openings 10, matrix 5."""
    numbers = {
        "standing": 100.0, "standing_low": 80.0, "standing_high": 120.0, "allowable_share": 0.35,
        "allowable": 35.0, "marked_corridor": 5.0, "marked_opening": 10.0, "marked_matrix": 5.0,
        "marked_other": 0.0, "marked": 20.0, "remaining": 15.0,
        "remaining_low": 8.0, "remaining_high": 22.0,
        "share": 0.2, "share_low": 1 / 6, "share_high": 0.25, "share_corridor": 1.0,
        "share_opening": 1.0, "share_matrix": 0.06, "share_on_marked_ground": float("nan"),
        "remaining_per_ha_elsewhere": float("nan"),
    }  # fmt: skip
    words = {"quantity": "basal_area", "unit": "m2", "log_rule": "", "basis": "cruise"}
    return {**words, **numbers, **given}


@given(name=st.text(), number=st.floats(allow_nan=False, allow_infinity=False))
def test_inert_json_is_ascii_without_markup(name: str, number: float) -> None:
    """Whatever a name holds, the data block has no character that means something to HTML."""
    text = inert_json({name: [name, number]})

    assert text.isascii()
    assert not set("<>&") & set(text)


def test_a_number_that_is_none_is_refused_in_data() -> None:
    """NaN is no JSON: a browser would stop at it."""
    with pytest.raises(ValueError, match="Out of range float values"):
        inert_json([float("nan")])


def test_the_policy_names_a_script_by_its_hash() -> None:
    """The SHA-256 of the empty text, in base64 (from memory; openssl gives the same)."""
    policy = content_policy([""])

    assert "script-src 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='" in policy


def test_ids_tell_the_place_in_the_document() -> None:
    """Two documents that differ only in their ids become equal."""
    first = {"root_id": "p9", "roots": [{"id": "p9", "source": {"id": "p3"}}], "name": "p9"}
    second = {"root_id": "p7", "roots": [{"id": "p7", "source": {"id": "p8"}}], "name": "p9"}

    assert steady_ids(first) == steady_ids(second)
    assert steady_ids(first)["name"] == "p9"


def test_outlines_keep_holes_and_parts() -> None:
    """A square with a hole and a second part: two parts, the first with two rings."""
    shell = shapely.box(1000, 2000, 1100, 2100).difference(shapely.box(1040, 2040, 1060, 2060))
    shape = shapely.MultiPolygon([shell, shapely.box(1200, 2000, 1210, 2010)])
    layer = gpd.GeoDataFrame(geometry=[shape], crs=CRS)
    xs, ys = Plane.below(layer).rings(layer.geometry)

    assert sorted(len(part) for part in xs[0]) == [1, 2]
    assert (min(xs[0][0][0]), max(ys[0][0][0])) == (0.0, 100.0)


@given(x=st.floats(400_000, 410_000), y=st.floats(5_100_000, 5_110_000), side=st.floats(1, 500))
def test_positions_on_the_page_are_true_to_a_centimetre(x: float, y: float, side: float) -> None:
    """Corner of the plane and position on it add up to the coordinate, within 2 cm."""
    layer = gpd.GeoDataFrame(geometry=[shapely.box(x, y, x + side, y + side)], crs=CRS)
    plane = Plane.below(layer)
    xs, ys = plane.rings(layer.geometry)

    assert abs(plane.east_m + min(xs[0][0][0]) - x) < 0.02
    assert abs(plane.north_m + max(ys[0][0][0]) - (y + side)) < 0.02
    assert plane.box(layer.geometry.iloc[0])[0] >= 0


def test_no_two_symbols_of_the_map_look_alike_in_grey() -> None:
    """Trees differ in shape, areas in pattern, dash or fill: colour is never all."""
    shapes = [layer.mark.marker for layer in MARKS if layer.mark]
    patterns = [
        (area.hatch, area.dash, area.fill_share, area.line_width, grey(area.fill))
        for layer in AREAS
        for area in layer.areas
    ]

    assert len(set(shapes)) == len(shapes)
    assert len(set(patterns)) == len(patterns)


def grey(colour: str) -> int:
    """Lightness of a colour by the weights of ITU-R BT.601."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return round(0.299 * red + 0.587 * green + 0.114 * blue)


def test_bars_are_as_high_as_their_trees() -> None:
    """30 trees stand three times as high as 10, in the order of the classes."""
    bars = histogram(
        layout_with(volume_by_zone=tally(**{"12 to 16 in": 30, "9 to 12 in": 10}))
    ).bars

    assert [bar.label for bar in bars] == ["9 to 12 in", "12 to 16 in"]
    assert bars[1].marked_height == pytest.approx(3 * bars[0].marked_height, abs=0.2)
    assert bars[0].standing is None


def test_what_stays_lies_below_what_is_marked() -> None:
    """Of 40 standing trees 10 are marked: 30 stay, and both parts together are the standing."""
    stock = pd.DataFrame(
        {"size_class": ["9 to 12 in"], "standing_trees": [40.0], "marked_trees": [10.0]}
    )
    (bar,) = histogram(layout_with(stock_by_class=stock)).bars

    assert bar.texts == ("40", "10", "30", "\N{EN DASH}")
    assert bar.residual_height == pytest.approx(3 * bar.marked_height, abs=0.3)
    assert bar.marked_y + bar.marked_height == pytest.approx(bar.residual_y, abs=0.11)


def test_the_target_of_a_class_is_drawn_at_its_height() -> None:
    """A target of 60 trees lies twice as high as 30 that stay, inside the picture."""
    stays = pd.DataFrame(
        {"row": ["class"], "size_class": ["9 to 12 in"], "standing_trees": [40.0],
         "marked_trees": [10.0], "target_trees": [60.0]}
    )  # fmt: skip
    shown = histogram(layout_with(residual_by_class=stays))
    (bar,) = shown.bars

    assert shown.has_target
    assert bar.texts[3] == "60"
    assert bar.target_y is not None
    assert 0 <= shown.base - bar.target_y == pytest.approx(2 * bar.residual_height, abs=0.3)


def test_more_marked_than_found_is_said() -> None:
    """A cruise that found 5 trees of a class of which 8 are marked leaves nothing to draw below."""
    stock = pd.DataFrame({"size_class": ["22 in"], "standing_trees": [5.0], "marked_trees": [8.0]})
    shown = histogram(layout_with(stock_by_class=stock))

    assert shown.below_zero
    assert shown.bars[0].residual_height == 0


def test_no_trees_make_no_picture() -> None:
    """Without a tree there is nothing to draw and no scale."""
    shown = histogram(layout_with(volume_by_zone=tally()))

    assert (shown.bars, shown.ticks) == ((), ())


@given(trees=st.lists(st.integers(1, 100_000), min_size=1, max_size=8))
def test_bars_stay_in_the_picture(trees: list[int]) -> None:
    """However many trees, no bar rises above the picture and the scale ends above the tallest."""
    cells = tally(**{f"{place} in": number for place, number in enumerate(trees)})
    shown = histogram(layout_with(volume_by_zone=cells))

    assert all(bar.marked_y >= 0 for bar in shown.bars)
    assert float(shown.ticks[-1].text.replace(",", "")) >= max(trees)


def test_the_allowance_is_drawn_to_scale() -> None:
    """Corridors 5, openings 10, matrix 5 of 35: widths as 1 : 2 : 1, the line at 35/20."""
    (account,) = accounts(layout_with(allowance=pd.DataFrame([allowance_row()])), "metric")
    widths = [part.width for part in account.parts]
    drawn = sum(widths)

    assert widths == pytest.approx([drawn / 4, drawn / 2, drawn / 4], abs=0.2)
    assert account.allowable_x == pytest.approx(drawn * 35 / 20, abs=0.5)
    assert account.allowable_x is not None
    assert account.allowable_x < WIDTH


def test_the_allowance_in_words_has_its_interval() -> None:
    """35 less 20 leaves 15 m2, 8 to 22 with the ends of the standing stock; in feet 161.5 ft2."""
    table = pd.DataFrame([allowance_row()])
    (metric,) = accounts(layout_with(allowance=table), "metric")
    (us,) = accounts(layout_with(allowance=table), "us")

    assert metric.remaining == "15 m² (8 to 22)"
    assert metric.share == "20.0 % (16.7 % to 25.0 %)"
    assert us.remaining.startswith(f"{15 / 0.3048**2:.0f} ft²")
    assert not metric.exceeded


def test_a_stock_without_a_cap_is_shown_without_a_line() -> None:
    """Where no share is set there is no line to draw and no remainder to name."""
    nothing = dict.fromkeys(
        ("allowable_share", "allowable", "remaining", "remaining_low", "remaining_high"), np.nan
    )
    (account,) = accounts(layout_with(allowance=pd.DataFrame([allowance_row(**nothing)])), "us")

    assert (account.allowable_x, account.allowable, account.remaining) == (None, "", "")


def test_on_a_part_marked_stand_the_rest_is_told_by_its_area() -> None:
    """15 MBF left over 30 ha: 0.5 MBF a hectare, 0.20 MBF an acre (0.5 x 0.40469)."""
    row = allowance_row(
        quantity="sawlog",
        unit="MBF",
        share_on_marked_ground=0.4,
        remaining_per_ha_elsewhere=0.5,
        log_rule="scribner",
    )
    (account,) = accounts(layout_with(allowance=pd.DataFrame([row])), "us")

    assert account.marked_ground == "40.0 %"
    assert account.rest == "0.20 MBF per acre"
    assert account.title == "Sawlog, MBF (scribner)"


def test_an_allowance_that_is_not_there_is_left_out() -> None:
    """A layout without a known stock has no account."""
    assert accounts(layout_with(), "us") == ()


def test_the_worse_verdict_marks_a_feature() -> None:
    """An opening near one limit and beyond another is drawn as beyond."""
    rows = [
        SimpleNamespace(verdict="exceeded", keys=("openings:0",)),
        SimpleNamespace(verdict="near", keys=("openings:0", "openings:1")),
    ]

    assert worst_by_key(cast("Any", rows)) == {"openings:0": "exceeded", "openings:1": "near"}


def test_volumes_are_read_back_from_their_words() -> None:
    """Amounts of an opening keep their number, unit and product, whatever the product's name."""
    amounts = volume_amounts("red oak 2 m 1.50 m3; pulpwood 1,200.25 board foot")

    assert [(one.product, one.number, one.unit) for one in amounts] == [
        ("red oak 2 m", 1.5, "m3"),
        ("pulpwood", 1200.25, "board foot"),
    ]


def test_words_that_are_no_volume_stand_as_they_are() -> None:
    """A text that is written otherwise is shown, not lost."""
    (amount,) = volume_amounts("not computed")

    assert (amount.product, amount.text) == ("", "not computed")


def test_missing_text_is_empty() -> None:
    """None, NaN and missing values show nothing."""
    assert [field_text(value) for value in (None, float("nan"), pd.NA, "")] == [""] * 4


def test_limits_of_plug_ins_are_shown_by_their_key() -> None:
    """A limit that the package does not know keeps its key, in words."""
    assert limit_title("reach_max") == "reach max"


def test_every_layer_of_the_map_is_declared() -> None:
    """Areas on the map are layers of the output, under the same names."""
    assert {layer.name for layer in AREAS} <= set(LAYERS)


@pytest.mark.parametrize(
    ("on_page", "on_sheet"),
    [
        ("danger", "danger"), ("line_tree", "line"), ("leave", "leave"),
        ("unconfirmed", "unconfirmed"), ("cut_opening", "cut"), ("cut_corridor", "corridor_cut"),
    ],
)  # fmt: skip
def test_trees_look_as_on_the_map_sheets(on_page: str, on_sheet: str) -> None:
    """Whoever has read the printed map knows the symbols of the page: shape and filling."""
    (mark,) = [layer.mark for layer in MARKS if layer.mark and layer.name == on_page]
    tree = TREES[on_sheet]

    assert mark.marker.split("_")[0] == tree.shape
    assert mark.fill == tree.style.face.lower()


def luminance(colour: str) -> float:
    """Relative luminance (Web Content Accessibility Guidelines 2.2, 'relative luminance')."""
    digits = colour.removeprefix("#")
    digits = "".join(2 * digit for digit in digits) if len(digits) == 3 else digits
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_is_read_on_its_ground_in_both_themes(theme: str) -> None:
    """Letters against the ground they stand on reach 4.5 to 1, as the guidelines ask (1.4.3)."""
    css = files("glademark.report.review_page").joinpath("parts", "page.css").read_text("utf-8")
    blocks = re.findall(r":root \{(.*?)\}", css, flags=re.DOTALL)
    colours = dict(re.findall(r"--(\w+): (#\w+);", blocks[theme == "dark"]))
    pairs = [(ink, ground) for ink in ("ink", "soft", "link") for ground in ("paper", "panel")]
    pairs += [("ink", "sheet"), ("link", "sheet"), ("good", "sheet"), ("soft", "sheet")]
    pairs += [("warn", "near"), ("ink", "chosen")]

    assert f"color-scheme: {theme}" in blocks[theme == "dark"]
    for ink, ground in pairs:
        low, high = sorted(luminance(colours[name]) for name in (ink, ground))
        assert (high + 0.05) / (low + 0.05) >= 4.5, (ink, ground)
