"""A sheet as a picture."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np

from glademark.report.map_sheets.drawing.lettering import text_outline
from glademark.report.map_sheets.drawing.outlines import polygon
from glademark.report.map_sheets.drawing.page import WHITE, Shape, Words
from glademark.report.map_sheets.drawing.paper import POINTS_PER_INCH
from glademark.report.map_sheets.drawing.pdf_pages import colour_parts

if TYPE_CHECKING:
    from pathlib import Path

    from pyproj import CRS

    from glademark.report.map_sheets.drawing.map_frame import MapFrame
    from glademark.report.map_sheets.drawing.outlines import Outline
    from glademark.report.map_sheets.drawing.page import Drawing, Page, Stroke, Symbols
    from glademark.report.map_sheets.drawing.paper import Box

PICTURE_DPI = 150
"""Resolution of the picture."""

_PACKING = 5  # of 9: higher ones take long and save little


def write_picture(page: Page, path: Path) -> None:
    """Write a sheet as a picture."""
    from matplotlib.backends.backend_agg import RendererAgg  # noqa: PLC0415 - heavy
    from PIL import Image  # noqa: PLC0415 - heavy

    width, height = (round(length / POINTS_PER_INCH * PICTURE_DPI) for length in page.size)
    renderer: Any = RendererAgg
    painter = _Painter(renderer(width, height, PICTURE_DPI), page.size)
    for drawing in page.drawings():
        painter.draw(drawing)
    painted = np.asarray(painter.renderer.buffer_rgba())[:, :, :3]
    Image.fromarray(np.ascontiguousarray(painted)).save(
        path, format="PNG", dpi=(PICTURE_DPI, PICTURE_DPI), compress_level=_PACKING
    )


def side_files(picture: str) -> tuple[str, str]:
    """Names of the files that say where a picture lies: the place, and the coordinate system."""
    return f"{picture.rpartition('.')[0]}.pgw", f"{picture}.aux.xml"


def write_placing(frame: MapFrame, size: tuple[float, float], crs: CRS, picture: Path) -> None:
    """
    Write where a picture of a sheet lies, as far as its map goes: a world file and the CRS.

    The world file holds the size of a pixel [m] and the middle of the upper left one; the other is
    the side file in which GDAL keeps a coordinate system.
    """
    point = POINTS_PER_INCH / PICTURE_DPI
    pixel = frame.metres_per_point * point
    height = round(size[1] / POINTS_PER_INCH * PICTURE_DPI)
    west = frame.west_m + (point / 2 - frame.box.left) * frame.metres_per_point
    north = frame.south_m + ((height - 0.5) * point - frame.box.bottom) * frame.metres_per_point
    place, system = (picture.with_name(name) for name in side_files(picture.name))
    numbers = (pixel, 0.0, 0.0, -pixel, west, north)
    place.write_text("".join(f"{number:.10f}\n" for number in numbers), encoding="ascii")
    text = escape(crs.to_wkt())
    system.write_text(f"<PAMDataset><SRS>{text}</SRS></PAMDataset>\n", encoding="utf-8")


class _Painter:
    """Draws on white paper."""

    def __init__(self, renderer: Any, size: tuple[float, float]) -> None:  # noqa: ANN401 - no types
        from matplotlib.transforms import Affine2D  # noqa: PLC0415 - heavy

        self.renderer = renderer
        self.transform = Affine2D().scale(PICTURE_DPI / POINTS_PER_INCH)
        corners = polygon([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])])
        self.draw(Shape(outline=corners, face=WHITE, edge=None, clip=None))

    def draw(self, drawing: Drawing) -> None:
        """Draw one thing."""
        if isinstance(drawing, Words):
            self.write(drawing)
        elif isinstance(drawing, Shape):
            context = self.context(drawing.edge, drawing.clip)
            self.paint(context, drawing.outline, drawing.face)
            context.restore()
        else:
            self.symbols(drawing)

    def context(self, edge: Stroke | None, clip: Box | None) -> Any:  # noqa: ANN401 - no types
        """How the next path is drawn."""
        from matplotlib.transforms import Bbox  # noqa: PLC0415 - heavy

        context = self.renderer.new_gc()
        context.set_linewidth(edge.width if edge else 0.0)
        if edge is not None:
            context.set_foreground((*colour_parts(edge.colour), 1.0), isRGBA=True)
            context.set_joinstyle("round")
            context.set_capstyle("round" if edge.rounded else "butt")
            context.set_dashes(0, list(edge.dashes) or None)
        if clip is not None:
            found = Bbox.from_extents(clip.left, clip.bottom, clip.right, clip.top)
            context.set_clip_rectangle(self.transform.transform_bbox(found))
        return context

    def paint(self, context: Any, outline: Outline, face: str) -> None:  # noqa: ANN401 - no types
        """Draw an outline."""
        from matplotlib.path import Path as Line  # noqa: PLC0415 - heavy

        path = Line(outline.points, outline.steps)
        self.renderer.draw_path(context, path, self.transform, colour_parts(face) if face else None)

    def symbols(self, found: Symbols) -> None:
        """Draw symbols, each over those before it."""
        context = self.context(found.style.edge, found.clip)
        context.set_joinstyle("miter")
        for place, size in zip(found.places.tolist(), found.sizes.tolist(), strict=True):
            self.paint(context, found.outline.moved(tuple(place), size=size), found.style.face)
        context.restore()

    def write(self, found: Words) -> None:
        """Write a line of text: its letters as outlines, just as wide as they are in the file."""
        lettering = found.lettering
        letters = text_outline(found.words, lettering.size, lettering.face)
        turned = letters.moved(found.place, turned=math.radians(lettering.turned))
        self.draw(Shape(outline=turned, face=lettering.colour, edge=None, clip=None))
