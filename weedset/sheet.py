"""The calibration board as a PDF, true to scale, with rulers to check the print by."""

from __future__ import annotations

import io
from typing import Any

from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from weedset.corners import RULER_MM, SQUARE_MM, SQUARES

#: Papers by name, with their size in points (1/72 inch).
PAPERS = {"a4": landscape(A4), "letter": landscape(LETTER)}

#: From the lower edge of the paper to the ruler, and from there to the board. Printers
#: leave some 5 mm at the edges blank.
_RULER_Y_MM, _BOARD_ABOVE_MM = 12.0, 11.0
_UPRIGHT_RULER_MM = 150.0

#: The board stands this much right of the middle, for the upright ruler to its left.
_RIGHT_MM = 4.0


def draw_sheet(paper: str) -> bytes:
    """Return the PDF of the board for "a4" or "letter", landscape; always the same bytes."""
    width_mm, height_mm = (side / mm for side in PAPERS[paper])
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=PAPERS[paper], invariant=1)
    canvas.setTitle("weedset calibration board")
    canvas.scale(mm, mm)  # from here on everything is in millimetres
    board_x = (width_mm - SQUARES[0] * SQUARE_MM) / 2 + _RIGHT_MM
    board_y = _RULER_Y_MM + _BOARD_ABOVE_MM
    canvas.setFillGray(0)
    for col in range(SQUARES[0]):
        for row in range(SQUARES[1]):
            if (col + row) % 2 == 0:
                x, y = board_x + col * SQUARE_MM, board_y + row * SQUARE_MM
                canvas.rect(x, y, SQUARE_MM, SQUARE_MM, stroke=0, fill=1)
    _ruler(canvas, (width_mm - RULER_MM) / 2, _RULER_Y_MM, RULER_MM)
    canvas.saveState()
    canvas.translate(board_x - 8, board_y + 6)
    canvas.rotate(90)
    _ruler(canvas, 0, 0, _UPRIGHT_RULER_MM)
    canvas.restoreState()
    canvas.setFont("Helvetica", 3.4)
    top = board_y + SQUARES[1] * SQUARE_MM
    say = canvas.drawCentredString
    say(width_mm / 2, min(height_mm - 7, top + 5), (
        f"weedset calibration board: {SQUARES[0]} x {SQUARES[1]} squares of {SQUARE_MM:g} mm. "
        "Print at 100 %, not fitted to the page; glue it flat on a stiff board."
    ))  # fmt: skip
    say(width_mm / 2, _RULER_Y_MM - 5.5, (
        f"Measure both rulers. If this one is not {RULER_MM:g} mm long, give what you measure "
        "with --ruler-mm. If the two disagree, the print is of no use."
    ))  # fmt: skip
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _ruler(canvas: Any, x: float, y: float, length_mm: float) -> None:
    """Draw a ruler of whole mm from (x, y) to the right."""
    canvas.setLineWidth(0.12)
    canvas.line(x, y, x + length_mm, y)
    canvas.setFont("Helvetica", 2.8)
    for at in range(int(length_mm) + 1):
        tick = 5.0 if at % 10 == 0 else 3.4 if at % 5 == 0 else 2.0
        canvas.line(x + at, y, x + at, y + tick)
        if at % 50 == 0:
            canvas.drawCentredString(x + at, y + 5.8, f"{at} mm" if at else "0")
