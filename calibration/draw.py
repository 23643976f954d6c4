"""The card as files: a PDF of all its sheets, or one frame as a picture of that same drawing."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np

from calibration.card import DOT_MM, Frame, FrameName, make_frame
from calibration.card_sheets import PAPER_DOTS, draw_sheets
from calibration.card_vector import PT_PER_MM, draw_frame

DPI_RANGE = (100, 2400)


def card_pdf(path: Path, paper: str = "a4", number: int = 0) -> None:
    """Write the whole card, true to scale, as a PDF for A4 or US Letter paper ("a4" or "letter").

    ValueError, in a plain sentence, for an unknown paper or number; OSError if it cannot be written.
    """
    from reportlab.pdfgen.canvas import Canvas

    if paper not in PAPER_DOTS:
        raise ValueError(f"there is no paper called {paper!r}; choose {' or '.join(PAPER_DOTS)}")
    # A hair under whole dots: rasterisers round a page's size up to whole pixels and stretch it to that.
    width, height = (dots * DOT_MM * PT_PER_MM - 1e-4 for dots in PAPER_DOTS[paper])
    pdf = io.BytesIO()
    canvas = Canvas(pdf, pagesize=(width, height), invariant=True)
    canvas.setTitle(f"Debris card {number}")
    canvas.setSubject("Print at 100 %, not fit to page")
    canvas.setViewerPreference("PrintScaling", "None")
    draw_sheets(canvas, number, paper)
    canvas.save()
    path.write_bytes(pdf.getvalue())


def frame_png(path: Path, dpi: float, name: FrameName, number: int = 0, dark: bool = False) -> None:
    """Write one frame as a grey PNG that states its dpi, and its geometry beside it as FILE.json.

    The JSON's width_mm and height_mm are those of the picture, whole pixels at the dpi.
    ValueError, in a plain sentence, for an unknown frame, number or dpi; OSError if it cannot be written.
    """
    from PIL import Image

    frame = make_frame(name, number=number, dark=dark)
    picture = frame_raster(frame, dpi)
    png = io.BytesIO()
    Image.fromarray(picture).save(png, "png", dpi=(dpi, dpi))
    height, width = picture.shape
    geometry = {
        "width_mm": round(width * 25.4 / dpi, 6),
        "height_mm": round(height * 25.4 / dpi, 6),
        "debris_rect_mm": [round(mm, 6) for mm in frame.debris_rect_mm],
        "number": frame.number,
        "frame": frame.name,
        "dark": frame.dark,
        "dpi": dpi,
    }
    path.write_bytes(png.getvalue())
    path.with_suffix(".json").write_text(json.dumps(geometry, indent=1) + "\n", encoding="utf-8")


def frame_raster(frame: Frame, dpi: float) -> np.ndarray:
    """The frame as a picture, (H, W) uint8 grey, H and W the frame's size at the dpi, rounded.

    The scale is exact and the frame's origin is the picture's top-left corner; the rounding cuts off, or
    adds, part of a pixel of blank margin at the right and the bottom. ValueError for a bad dpi.
    """
    if not DPI_RANGE[0] <= dpi <= DPI_RANGE[1]:
        raise ValueError(f"{dpi:g} dpi is not possible; choose from {DPI_RANGE[0]} to {DPI_RANGE[1]}")
    from reportlab.pdfgen.canvas import Canvas

    width, height = (round(mm / 25.4 * dpi) for mm in (frame.width_mm, frame.height_mm))
    pdf = io.BytesIO()
    canvas = Canvas(pdf, pagesize=(width * 72 / dpi, height * 72 / dpi))
    draw_frame(canvas, frame)
    canvas.save()
    return _rasterise(pdf.getvalue(), width, height)


def _rasterise(pdf: bytes, width: int, height: int) -> np.ndarray:
    """The first page over exactly so many pixels (it was made in that very shape)."""
    import pypdfium2 as pdfium
    from pypdfium2 import raw

    document = pdfium.PdfDocument(pdf)
    page = document[0]
    bitmap = pdfium.PdfBitmap.new_native(width, height, raw.FPDFBitmap_Gray)
    raw.FPDFBitmap_FillRect(bitmap, 0, 0, width, height, 0xFFFFFFFF)
    raw.FPDF_RenderPageBitmap(bitmap, page, 0, 0, width, height, 0, 0)
    picture: np.ndarray = bitmap.to_numpy().reshape(height, width).copy()
    for part in (bitmap, page, document):
        part.close()
    return picture
