"""A sheet to draw on: texts, lines and shapes at points from its lower left corner."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import shapely

from glademark.deliver.map_sheets.lettering import LEADING, Face, font, text_width
from glademark.deliver.map_sheets.paper import POINTS_PER_INCH, Box

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.artist import Artist
    from matplotlib.path import Path
    from matplotlib.transforms import Transform

INK, GREY, PALE, WHITE = "#1b1f23", "#5f666d", "#eceae4", "#ffffff"

Align = Literal["left", "center", "right"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Lettering:
    """
    How a text is set.

    Attributes
    ----------
    size
        Of its letters [points].
    face
        Plain, bold or slanted.
    colour
        Of its letters.
    align
        Which end of it stands at its place.
    turned
        Anticlockwise [degrees].
    halo
        Whether a white rim keeps it apart from what lies under it.
    """

    size: float = 7.0
    face: Face = "plain"
    colour: str = INK
    align: Align = "left"
    turned: float = 0.0
    halo: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Stroke:
    """
    How a line is drawn.

    Attributes
    ----------
    colour
        Of the line.
    width
        In points.
    dashes
        Lengths of dashes and gaps in points; unbroken where empty.
    """

    colour: str = INK
    width: float = 0.5
    dashes: tuple[float, ...] = ()

    @property
    def style(self) -> Any:  # noqa: ANN401 - what the plotting library takes
        """
        Dashes as the plotting library wants them.

        Returns
        -------
        style
            Lengths in line widths.
        """
        if not self.dashes or not self.width:
            return "solid"
        return (0, tuple(length / self.width for length in self.dashes))


@dataclass(frozen=True, kw_only=True, slots=True)
class Fill:
    """
    How an area is drawn.

    Attributes
    ----------
    face
        Colour inside; none where empty.
    hatch
        Pattern, in the letters of the plotting library, in the colour of the edge.
    edge
        Line around it; none where not given.
    hatch_width
        Of the lines of the pattern [points].
    """

    face: str = ""
    hatch: str = ""
    edge: Stroke | None = None
    hatch_width: float = 0.5


class Page:
    """
    One sheet.

    Parameters
    ----------
    size
        Width and height [points].
    """

    def __init__(self, size: tuple[float, float]) -> None:
        from matplotlib.figure import Figure  # noqa: PLC0415 - heavy
        from matplotlib.transforms import Affine2D  # noqa: PLC0415 - heavy

        self.size = size
        self.figure = Figure(
            figsize=(size[0] / POINTS_PER_INCH, size[1] / POINTS_PER_INCH), dpi=POINTS_PER_INCH
        )
        self.points: Transform = Affine2D().scale(1 / POINTS_PER_INCH) + self.figure.dpi_scale_trans

    def text(
        self, x: float, y: float, words: str, lettering: Lettering, *, level: float = 9
    ) -> None:
        """
        Set one line of text.

        Parameters
        ----------
        x, y
            Of its base line.
        words
            Printable; never read as a formula.
        lettering
            How it is set.
        level
            Higher ones lie over lower ones.
        """
        from glademark.deliver.map_sheets.plain_text import PlainText  # noqa: PLC0415 - heavy

        if not words:
            return
        properties = font(lettering.face).copy()
        properties.set_size(lettering.size)
        width = text_width(words, lettering.size, lettering.face)
        back = {"left": 0.0, "center": width / 2, "right": width}[lettering.align]
        turn = math.radians(lettering.turned)
        place = (x - back * math.cos(turn), y - back * math.sin(turn))
        if lettering.halo:
            self._halo(place, words, lettering, level)
        text = PlainText(
            place,
            words,
            properties=properties,
            colour=lettering.colour,
            turned=lettering.turned,
        )
        self._add(text, level)

    def lines_of_text(
        self, x: float, top: float, lines: Iterable[str], lettering: Lettering
    ) -> float:
        """
        Set lines below each other.

        Parameters
        ----------
        x
            Of their alignment.
        top
            Upper edge of the first.
        lines
            Printable.
        lettering
            How they are set.

        Returns
        -------
        bottom
            Where the next one would begin.
        """
        step = lettering.size * LEADING
        y = top
        for line in lines:
            self.text(x, y - lettering.size, line, lettering)
            y -= step
        return y

    def line(
        self,
        x: Sequence[float],
        y: Sequence[float],
        stroke: Stroke,
        *,
        level: float = 5,
        clip: Box | None = None,
    ) -> None:
        """
        Draw a line through points.

        Parameters
        ----------
        x, y
            Of the points.
        stroke
            How it is drawn.
        level
            Higher ones lie over lower ones.
        clip
            Box outside which nothing is drawn.
        """
        self.shapes([shapely.LineString(np.column_stack([x, y]))], stroke, level=level, clip=clip)

    def shapes(
        self,
        shapes: Iterable[shapely.Geometry],
        style: Stroke | Fill,
        *,
        level: float = 5,
        clip: Box | None = None,
    ) -> None:
        """
        Draw lines or areas.

        Parameters
        ----------
        shapes
            In points of the sheet.
        style
            How they are drawn.
        level
            Higher ones lie over lower ones.
        clip
            Box outside which nothing is drawn.
        """
        from matplotlib.patches import PathPatch  # noqa: PLC0415 - heavy

        fill = style if isinstance(style, Fill) else Fill(edge=style)
        if fill.edge is not None and fill.hatch and fill.edge.dashes:
            shapes = list(shapes)
            pattern = replace(fill, edge=Stroke(colour=fill.edge.colour, width=0))
            self.shapes(shapes, pattern, level=level, clip=clip)
            self.shapes(shapes, fill.edge, level=level, clip=clip)
            return
        path = _path_of(shapes)
        if path is None:
            return
        edge = fill.edge or Stroke(colour="none", width=0)
        patch = PathPatch(
            path,
            facecolor=fill.face or "none",
            edgecolor=edge.colour,
            linewidth=edge.width,
            linestyle=edge.style,
            hatch=fill.hatch or None,
            hatch_linewidth=fill.hatch_width,
            joinstyle="round",
            capstyle="butt",
        )
        self._add(patch, level, clip)

    def box(self, box: Box, style: Stroke | Fill, *, level: float = 5) -> None:
        """
        Draw a rectangle.

        Parameters
        ----------
        box
            In points of the sheet.
        style
            How it is drawn.
        level
            Higher ones lie over lower ones.
        """
        self.shapes([shapely.box(box.left, box.bottom, box.right, box.top)], style, level=level)

    def symbols(
        self,
        path: Path,
        places: np.ndarray[Any, Any],
        sizes: np.ndarray[Any, Any],
        style: Fill,
        *,
        level: float = 6,
        clip: Box | None = None,
    ) -> None:
        """
        Draw one symbol at many places.

        Parameters
        ----------
        path
            Of the symbol, 1 wide.
        places
            Its middles; shape (n, 2).
        sizes
            Width of each [points]; shape (n,).
        style
            How they are drawn.
        level
            Higher ones lie over lower ones.
        clip
            Box outside which nothing is drawn.
        """
        from matplotlib.collections import PathCollection  # noqa: PLC0415 - heavy
        from matplotlib.transforms import IdentityTransform  # noqa: PLC0415 - heavy

        if not len(places):
            return
        edge = style.edge or Stroke(colour="none", width=0)
        found = PathCollection(
            [path],
            np.square(sizes),
            offsets=places,
            offset_transform=self.points,
            facecolors=style.face or "none",
            edgecolors=edge.colour,
            linewidths=edge.width,
            joinstyle="miter",
        )
        found.set_transform(IdentityTransform())
        found.set_zorder(level)
        self._clip(found, clip)
        self.figure.add_artist(found)

    def _halo(
        self, place: tuple[float, float], words: str, lettering: Lettering, level: float
    ) -> None:
        """Draw the outline of a text in white, broad, under it."""
        from matplotlib.patches import PathPatch  # noqa: PLC0415 - heavy
        from matplotlib.textpath import TextPath  # noqa: PLC0415 - heavy
        from matplotlib.transforms import Affine2D  # noqa: PLC0415 - heavy

        path = TextPath((0, 0), words, lettering.size, prop=font(lettering.face))
        turned = Affine2D().rotate_deg(lettering.turned).translate(*place).transform_path(path)
        rim = PathPatch(
            turned, facecolor="none", edgecolor=WHITE, linewidth=lettering.size * 0.34,
            joinstyle="round",
        )  # fmt: skip
        self._add(rim, level - 0.5)

    def _add(self, artist: Artist, level: float, clip: Box | None = None) -> None:
        """Put something on the sheet."""
        artist.set_transform(self.points)
        artist.set_zorder(level)
        self._clip(artist, clip)
        self.figure.add_artist(artist)

    def _clip(self, artist: Artist, clip: Box | None) -> None:
        """Draw nothing of something outside a box."""
        if clip is None:
            artist.set_clip_on(False)
            return
        from matplotlib.transforms import Bbox, TransformedBbox  # noqa: PLC0415 - heavy

        bounds = Bbox.from_extents(clip.left, clip.bottom, clip.right, clip.top)
        artist.set_clip_box(TransformedBbox(bounds, self.points))


def _path_of(shapes: Iterable[shapely.Geometry]) -> Path | None:
    """Lines and areas as one path; None where there are none."""
    from matplotlib.path import Path  # noqa: PLC0415 - heavy

    found = np.asarray(list(shapes), dtype=object)
    found = found[~shapely.is_empty(found)] if len(found) else found
    if not len(found):
        return None
    parts = shapely.orient_polygons(shapely.get_parts(found))  # holes turn the other way round
    areas = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    paths = [
        *(_ring(line, closed=False) for line in parts[~areas]),
        *(_ring(ring, closed=True) for ring in shapely.get_rings(parts[areas])),
    ]
    return Path.make_compound_path(*paths)


def _ring(line: shapely.Geometry, *, closed: bool) -> Path:
    """One line as a path."""
    from matplotlib.path import Path  # noqa: PLC0415 - heavy

    return Path(shapely.get_coordinates(line), closed=closed)
