"""Published equations in the layout: named or chosen, and always said."""

from collections.abc import Callable
from typing import Any

import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.errors import InputError

STAND = shapely.box(0, 0, 200, 200)
Build = Callable[..., Layout]


def cut(**columns: object) -> dict[str, object]:
    """A Douglas-fir of 20 in and 110 ft, the tree of the publication's first example."""
    return {
        "geometry": shapely.Point(9, 9),
        "species": "Douglas-fir",
        "product": "sawlog",
        "dbh": 20.0,
        "dbh_unit": "in",
        "dbh_cm": 50.8,
        "height_m": 110 * 0.3048,
        **columns,
    }


def sold(**settings: object) -> dict[str, Any]:
    """A project that sells sawlogs by the ft3."""
    product = {"unit": "ft3", **settings.pop("product", {})}
    return {"volume": {"products": {"sawlog": product}, **settings}}


def test_a_named_set_gives_the_published_volume(layout_of: Build) -> None:
    """Westfall and others 2024 (GTR WO-104), example 1: 88.4523 ft3 of wood in the whole stem."""
    layout = layout_of(
        STAND,
        marks=[cut()],
        project=sold(product={"equations": "national-2024", "part": "total"}, division="240"),
    )

    assert layout.marks["volume"].tolist() == pytest.approx([88.452275544288], rel=1e-5)
    assert "Westfall" in layout.marks["volume_source"].iloc[0]
    # 0.3048^3 m3 in a ft3
    assert layout.marks["volume_m3"].tolist() == pytest.approx(
        [88.452275544288 * 0.3048**3], rel=1e-5
    )


def test_a_record_of_three_trees_has_three_volumes(layout_of: Build) -> None:
    """The equation gives the volume of one tree, the record has count of them."""
    one, three = (
        layout_of(STAND, marks=[cut(count=count)], project=sold(division="240")) for count in (1, 3)
    )

    assert three.marks["volume"].iloc[0] == pytest.approx(3 * one.marks["volume"].iloc[0])


def test_without_height_another_set_is_chosen(layout_of: Build) -> None:
    """Where only DBH was taped, the Lake States set works with site index and basal area."""
    maple = cut(species="sugar maple", height_m=float("nan"), dbh=12.0, dbh_cm=30.48)
    project = sold(region="lake states", site_index="65 ft", stand_basal_area="88 ft2/acre")
    layout = layout_of(STAND, marks=[maple], project=project)

    # Hahn 1984 (NC-250), worked example: 17.13073 ft3 with the height rounded from 49.64 to 49.6 ft
    assert layout.marks["volume"].tolist() == pytest.approx([17.13073], rel=1e-3)
    assert "Hahn" in layout.marks["volume_source"].iloc[0]


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        ({"species": "unicorn tree"}, "no equation for the species"),
        ({"height_m": float("nan")}, "no published equation fits"),
        ({"dbh": float("nan"), "dbh_cm": float("nan")}, "no diameter"),
    ],
)
def test_no_volume_says_why(layout_of: Build, columns: dict[str, object], reason: str) -> None:
    """A tree without a usable equation is counted, with its volume not computed and the reason."""
    layout = layout_of(STAND, marks=[cut(**columns)], project=sold())

    assert layout.marks["volume"].isna().all()
    assert layout.marks["volume_source"].iloc[0].startswith("not computed")
    assert reason in layout.marks["volume_source"].iloc[0]
    assert layout.figures.marks.trees == 1


def test_outside_the_fitted_range_is_said(layout_of: Build) -> None:
    """A tree thinner than the equations were made for has a volume and a warning."""
    layout = layout_of(STAND, marks=[cut(dbh=3.0, dbh_cm=7.62, height_m=6.0)], project=sold())
    source = layout.marks["volume_source"].iloc[0]

    assert "outside the range" in source


@pytest.mark.parametrize(
    ("product", "message"),
    [
        ({"equations": "nobody-1900"}, "no set is called 'nobody-1900'"),
        ({"equations": "national-2024", "part": "leaves"}, "has no part 'leaves'"),
    ],
)
def test_unknown_names_are_refused(layout_of: Build, product: dict[str, str], message: str) -> None:
    """A set or part that does not exist is refused, and those that do are named."""
    with pytest.raises(InputError, match=message):
        layout_of(STAND, marks=[cut()], project=sold(product=product))


def test_a_board_foot_product_never_comes_from_cubic_volume(layout_of: Build) -> None:
    """Board feet have no general conversion, so a cubic equation gives none."""
    project = {"volume": {"products": {"sawlog": {"unit": "MBF", "rule": "doyle"}}}}
    layout = layout_of(STAND, marks=[cut()], project=project)

    assert layout.marks["volume"].isna().all()
