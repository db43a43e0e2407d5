"""Sheets as pages of a file, in plain operators of the page description, and as a picture."""

from __future__ import annotations

import math
from functools import cache
from io import BytesIO
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np
from pyproj.exceptions import ProjError

from glademark.report.map_sheets.coordinates import lon_lat
from glademark.report.map_sheets.page import WHITE, Shape, Stroke, Symbols, Words
from glademark.report.map_sheets.paper import (
    CLOSE,
    CURVE,
    FONTS,
    LINE,
    MOVE,
    POINTS_PER_INCH,
    polygon,
    text_outline,
)
from glademark.report.papers.printed_text import SANS, printed_runs, register_font

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from pyproj import CRS

    from glademark.report.map_sheets.page import Drawing, Page
    from glademark.report.map_sheets.paper import Box, MapFrame, Outline

_POINT = "%.3f %.3f "  # a thousandth of a point: 0.0004 mm on paper
_CURVE_POINTS = 3
_OPERATORS: Mapping[int, str] = MappingProxyType(
    {MOVE: _POINT + "m\n", LINE: _POINT + "l\n", CURVE: _POINT, CLOSE: "h\n"}
)
_LAST_OF_CURVE = _POINT + "c\n"
_PAINTS = {(True, True): "B", (True, False): "f", (False, True): "S", (False, False): "n"}

_DECIMALS = 12  # of degrees: far below a millimetre

_CORNERS = ((0, 0), (0, 1), (1, 1), (1, 0))

PICTURE_DPI = 150
"""Resolution of the picture."""

_PACKING = 5  # of 9: higher ones take long and save little


def pages_as_pdf(pages: Sequence[Page]) -> bytes:
    """A file of sheets."""
    from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415 - heavy

    register_font(SANS)
    canvas = Canvas(
        BytesIO(), pageCompression=0, invariant=1, initialFontName=SANS, pdfVersion=(1, 7)
    )
    for page in pages:
        canvas.setPageSize(page.size)
        for drawing in page.drawings():
            _draw(canvas, drawing)
        canvas.showPage()
    return bytes(canvas.getpdfdata())


def _draw(canvas: Any, drawing: Drawing) -> None:  # noqa: ANN401 - ships no types
    """Draw one thing."""
    if isinstance(drawing, Words):
        _write(canvas, drawing)
    elif isinstance(drawing, Shape):
        code = _path(drawing.outline) + _paint(drawing.face, drawing.edge)
        canvas.addLiteral(_set_up(drawing.face, drawing.edge, drawing.clip, join=1) + code + "Q")
    else:
        canvas.addLiteral(_symbols(drawing))


def _write(canvas: Any, found: Words) -> None:  # noqa: ANN401 - ships no types
    """Write a line of text."""
    lettering = found.lettering
    turn = math.radians(lettering.turned)
    text = canvas.beginText()
    text.setTextTransform(
        math.cos(turn), math.sin(turn), -math.sin(turn), math.cos(turn), *found.place
    )
    text.setFillColorRGB(*colour_parts(lettering.colour))
    for font, letters in printed_runs(found.words, FONTS[lettering.face]):
        register_font(font)
        text.setFont(font, lettering.size)
        text.textOut(letters)
    canvas.drawText(text)


def _symbols(found: Symbols) -> str:
    """Operators of symbols, each painted over those before it."""
    style, outline = found.style, found.outline
    is_point = outline.steps != CLOSE
    points = outline.points[is_point] * found.sizes[:, None, None] + found.places[:, None]
    one = _words(outline) + _paint(style.face, style.edge)
    code = one * len(points) % tuple(points.ravel().tolist())
    return _set_up(style.face, style.edge, found.clip, join=0) + code + "Q"


def _path(outline: Outline) -> str:
    """Operators of an outline."""
    points = outline.points[outline.steps != CLOSE]
    return _words(outline) % tuple(points.ravel().tolist())


def _words(outline: Outline) -> str:
    """Operators of an outline, its numbers left open."""
    steps = outline.steps
    curved = steps == CURVE
    ends = curved & (np.cumsum(curved) % _CURVE_POINTS == 0)
    return "".join(
        _LAST_OF_CURVE if end else _OPERATORS[step]
        for step, end in zip(steps.tolist(), ends.tolist(), strict=True)
    )


def _set_up(face: str, edge: Stroke | None, clip: Box | None, *, join: int) -> str:
    """Operators that say how the next ones are painted, until the state is taken back."""
    code = ["q"]
    if clip is not None:
        code.append(f"{clip.left:.3f} {clip.bottom:.3f} {clip.width:.3f} {clip.height:.3f} re W n")
    if face:
        code.append(f"{_colour(face)} rg")
    if edge is not None:
        dashes = " ".join(f"{length:g}" for length in edge.dashes)
        code.append(f"{_colour(edge.colour)} RG {edge.width:g} w {join} j")
        code.append(f"{int(edge.rounded)} J" + (f" [{dashes}] 0 d" if dashes else ""))
    return "\n".join(code) + "\n"


def _paint(face: str, edge: Stroke | None) -> str:
    """Operator that paints a path."""
    return _PAINTS[bool(face), edge is not None] + "\n"


def colour_parts(colour: str) -> tuple[float, float, float]:
    """Red, green and blue of a colour."""
    red, green, blue = bytes.fromhex(colour.removeprefix("#"))
    return red / 255, green / 255, blue / 255


@cache
def _colour(colour: str) -> str:
    """A colour as the file has it."""
    return " ".join(f"{part:.4g}" for part in colour_parts(colour))


def viewport(frame: MapFrame, crs: CRS) -> dict[str, Any] | None:
    """
    The viewport dictionary of a map frame, in plain Python values.

    Parameters
    ----------
    crs
        Working CRS.

    Returns
    -------
    viewport
        Names begin with a slash; corners are in latitude and longitude of the datum of the CRS, in
        the order of the local points. None where the CRS has no geographic base or no code and text
        that the format knows.
    """
    system = _coordinate_system(crs)
    west, south, east, north = frame.ground
    x = np.array([west, east])[[right for right, _ in _CORNERS]]
    y = np.array([south, north])[[upper for _, upper in _CORNERS]]
    longitude, latitude = lon_lat(crs, x, y)
    if system is None or not np.isfinite([longitude, latitude]).all():
        return None
    box = frame.box
    ends = [float(end) for corner in _CORNERS for end in corner]
    places = np.column_stack([latitude, longitude]).ravel()
    return {
        "/Type": "/Viewport",
        "/Name": frame.name,
        "/BBox": [box.left, box.bottom, box.right, box.top],
        "/Measure": {
            "/Type": "/Measure",
            "/Subtype": "/GEO",
            "/Bounds": ends,
            "/LPTS": ends,
            "/GPTS": [round(float(place), _DECIMALS) for place in places],
            "/GCS": system,
        },
    }


def _coordinate_system(crs: CRS) -> dict[str, Any] | None:
    """Code and text of a projected CRS."""
    system: dict[str, Any] = {"/Type": "/PROJCS"}
    code = crs.to_authority()
    if code is not None and code[0] == "EPSG":
        system["/EPSG"] = int(code[1])
    for version in ("WKT1_ESRI", "WKT1_GDAL"):
        try:
            system["/WKT"] = crs.to_wkt(version)
        except ProjError:
            continue
        break
    return system if len(system) > 1 else None


def finish(
    drawn: bytes,
    path: Path,
    *,
    title: str,
    subject: str,
    sheets: Sequence[tuple[str, Sequence[dict[str, Any]]]],
    day: str = "",
) -> None:
    """Write a drawn file again, with all that it says beside its pages."""
    import pikepdf  # noqa: PLC0415 - heavy

    with pikepdf.open(BytesIO(drawn)) as pdf:
        for page, (_, viewports) in zip(pdf.pages, sheets, strict=True):
            if viewports:
                page.obj["/VP"] = pikepdf.Array([_pdf_object(found) for found in viewports])
        with pdf.open_outline() as outline:
            outline.root.extend(
                pikepdf.OutlineItem(name, number) for number, (name, _) in enumerate(sheets)
            )
        _describe(pdf, title, subject, day)
        pdf.save(
            path, deterministic_id=True, min_version="2.0",
            object_stream_mode=pikepdf.ObjectStreamMode.generate,
        )  # fmt: skip


def _describe(pdf: Any, title: str, subject: str, day: str) -> None:  # noqa: ANN401 - a foreign type
    """Title, language, page labels; the title shown instead of the file's name."""
    import pikepdf  # noqa: PLC0415 - heavy

    for key in list(pdf.docinfo.keys()):
        del pdf.docinfo[key]
    for key, words in (("/Title", title), ("/Subject", subject), ("/Creator", "Glademark")):
        pdf.docinfo[key] = pikepdf.String(words)
    if day:
        pdf.docinfo["/CreationDate"] = pikepdf.String(f"D:{day.replace('-', '')}000000Z")
    with pdf.open_metadata(set_pikepdf_as_editor=False, update_docinfo=False) as metadata:
        metadata["dc:title"] = title
        metadata["dc:description"] = subject
        metadata["xmp:CreatorTool"] = "Glademark"
        if day:
            metadata["xmp:CreateDate"] = f"{day}T00:00:00Z"
    pdf.Root["/Lang"] = pikepdf.String("en")
    pdf.Root["/ViewerPreferences"] = pikepdf.Dictionary(DisplayDocTitle=True)
    pdf.Root["/PageMode"] = pikepdf.Name("/UseNone")
    label = pikepdf.Dictionary(S=pikepdf.Name("/D"), P=pikepdf.String("Sheet "), St=1)
    pdf.Root["/PageLabels"] = pikepdf.Dictionary(Nums=pikepdf.Array([0, label]))


def _pdf_object(value: Any) -> Any:  # noqa: ANN401 - any plain value, and what the format makes of it
    """Plain values as objects of the file; texts that begin with a slash are names."""
    import pikepdf  # noqa: PLC0415 - heavy

    if isinstance(value, dict):
        return pikepdf.Dictionary({key: _pdf_object(part) for key, part in value.items()})
    if isinstance(value, list):
        return pikepdf.Array([_pdf_object(part) for part in value])
    if isinstance(value, str):
        return pikepdf.Name(value) if value.startswith("/") else pikepdf.String(value)
    if isinstance(value, float):
        from decimal import Decimal  # noqa: PLC0415 - only here

        return Decimal(f"{value:.12f}")
    return value


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
