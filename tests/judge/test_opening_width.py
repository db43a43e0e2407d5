"""Width of openings in heights of the trees around them, by hand."""

from collections.abc import Callable

import pandas as pd
import pytest
import shapely

from glademark.errors import InputError
from glademark.jobs.layout import installed_limits
from glademark.judge.limits import limits_asked
from glademark.project.model import LimitSetting

ChecksOf = Callable[..., pd.DataFrame]
MarksAt = Callable[..., list[dict[str, object]]]
STAND = shapely.box(0, 0, 400, 250)
ROUND = shapely.Point(120, 120).buffer(20, quad_segs=64)
WALKED = {"group": "1", "geometry": ROUND}
MOST = {"opening_width_heights_max": "2 tree heights"}


def test_width_is_held_against_the_height_of_trees_left_around(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """40 m between trees of 16 m is 2.5 heights; of its own marks, three of 25 m, it is 1.6."""
    own = marks_at((120, 120), group="1", height_m=25.0, count=3)
    own += marks_at((122, 120), group="1", height_m=10.0)
    near = marks_at((150, 120), (160, 120), kind="leave", height_m=16.0)
    far = marks_at((300, 120), kind="leave", height_m=40.0)
    by_own = checks_of(STAND, MOST, walked=[WALKED], marks=[*own, *far])
    by_near = checks_of(STAND, MOST, walked=[WALKED], marks=[*own, *near, *far])

    assert by_own["measured"].tolist() == pytest.approx([1.6], rel=1e-3)
    assert by_own["verdict"].tolist() == ["met"]
    assert by_own["reason"].tolist() == ["heights are those of its marks"]
    assert by_near["measured"].tolist() == pytest.approx([2.5], rel=1e-3)
    assert by_near["verdict"].tolist() == ["exceeded"]
    assert by_near["reason"].tolist() == ["heights are those of leave trees near"]
    assert set(by_near["unit"]) == {"tree heights"}


def test_a_least_width_and_no_heights(checks_of: ChecksOf, marks_at: MarksAt) -> None:
    """An opening of 1.6 heights is too narrow for two; without any height nothing is checked."""
    limit = {"opening_width_heights_min": "2"}
    known = marks_at((120, 120), group="1", height_m=25.0)
    narrow = checks_of(STAND, limit, walked=[WALKED], marks=known)
    without = checks_of(STAND, limit, walked=[WALKED], marks=marks_at((120, 120), group="1"))

    assert narrow["verdict"].tolist() == ["exceeded"]
    assert without["verdict"].tolist() == ["not_checked"]
    assert "no height is known" in without["reason"].iloc[0]


def test_a_width_in_feet_is_no_width_in_heights() -> None:
    """The limit counts heights; a length is refused."""
    asked = {"opening_width_heights_max": LimitSetting.model_validate("60 ft")}

    with pytest.raises(InputError, match="is no width in tree heights"):
        limits_asked(asked, known=installed_limits())
