"""Paper of the sheets: its size, and boxes on it. All lengths in points, from the lower left."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import shapely

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glademark.contracts.layers import Units

POINTS_PER_INCH = 72.0
POINT_M = 0.0254 / POINTS_PER_INCH
"""Size of a point on paper [m]."""

MARGIN_PT = 28.0
"""White edge of a sheet: 10 mm, which any printer can leave."""

PAPERS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "letter": (612.0, 792.0),
        "tabloid": (792.0, 1224.0),
        "A4": (595.276, 841.89),
        "A3": (841.89, 1190.551),
    }
)
"""Width and height of each paper, upright [points]."""

_BY_UNITS: Mapping[str, str] = MappingProxyType({"us": "letter", "metric": "A4"})


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """A rectangle on the sheet."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """
        Right edge [points].

        Returns
        -------
        x
            From the left of the sheet.
        """
        return self.left + self.width

    @property
    def top(self) -> float:
        """
        Upper edge [points].

        Returns
        -------
        y
            From the lower edge of the sheet.
        """
        return self.bottom + self.height

    @property
    def polygon(self) -> shapely.Polygon:
        """
        The rectangle as a shape.

        Returns
        -------
        polygon
            In points of the sheet.
        """
        return shapely.box(self.left, self.bottom, self.right, self.top)

    def inset(self, *, left: float = 0, right: float = 0, bottom: float = 0, top: float = 0) -> Box:
        """
        The rectangle less strips along its edges.

        Parameters
        ----------
        left, right, bottom, top
            Widths of the strips; negative ones widen it.

        Returns
        -------
        box
            A new one.
        """
        return Box(
            left=self.left + left,
            bottom=self.bottom + bottom,
            width=self.width - left - right,
            height=self.height - bottom - top,
        )

    def columns(self, shares: Sequence[float], *, gap: float) -> list[Box]:
        """
        Boxes side by side.

        Parameters
        ----------
        shares
            Widths by their ratio.
        gap
            Between two of them.

        Returns
        -------
        boxes
            From left to right.
        """
        room = (self.width - gap * (len(shares) - 1)) / sum(shares)
        boxes, left = [], self.left
        for share in shares:
            boxes.append(Box(left=left, bottom=self.bottom, width=room * share, height=self.height))
            left += room * share + gap
        return boxes


def paper_size(paper: str | None, units: Units, *, landscape: bool) -> tuple[float, float]:
    """
    Width and height of a sheet [points].

    Parameters
    ----------
    paper
        Name of the paper; letter or A4 by the units where not given.
    units
        What the project shows.
    landscape
        Whether the long side lies below.

    Returns
    -------
    size
        Width, height.

    Examples
    --------
    >>> paper_size(None, "us", landscape=True)
    (792.0, 612.0)
    """
    width, height = PAPERS[paper or _BY_UNITS[units]]
    return (height, width) if landscape else (width, height)


def sheet_box(size: tuple[float, float]) -> Box:
    """
    What of a sheet may be printed on.

    Parameters
    ----------
    size
        Width and height of the sheet.

    Returns
    -------
    box
        The sheet less its white edge.
    """
    width, height = size
    return Box(left=0, bottom=0, width=width, height=height).inset(
        left=MARGIN_PT, right=MARGIN_PT, bottom=MARGIN_PT, top=MARGIN_PT
    )
