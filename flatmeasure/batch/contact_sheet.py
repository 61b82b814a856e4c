"""Contact sheets: all photos of a batch, small, with what was found drawn in, to be checked by eye page by page."""

import os
import textwrap
from collections.abc import Iterable
from itertools import islice
from pathlib import Path

import cv2
import numpy as np

from flatmeasure.batch.job_table import JobRow
from flatmeasure.batch.tasks import result_path
from flatmeasure.display.labels import draw_text, text_width
from flatmeasure.errors import OptionInvalid
from flatmeasure.photos.encoding import encoded
from flatmeasure.photos.photo import Pixels
from flatmeasure.quantity import Quantity
from flatmeasure.units import LengthUnit, format_quantity

COLUMNS, ROWS = 5, 4
CELL_PX, CAPTION_PX, GAP_PX = (384, 288), 64, 12
TEXT_PX, SMALL_PX = 20, 17
PAPER, INK, PALE, ALARM = (250, 250, 248), (24, 24, 28), (96, 96, 100), (176, 32, 24)  # red, green, blue
QUALITY = 88
MERE_ADVICE = ("would-help", "lens-profile")  # notes that warn of nothing


def write_contact_sheets(rows: Iterable[JobRow], results: Path, unit: LengthUnit) -> list[Path]:
    """Write ``contact-0001.jpg`` and so on, twenty photos a page; sheets of an earlier run go.

    Parameters
    ----------
    rows : iterable of JobRow
    results : Path
        The folder.
    unit : LengthUnit
        Of the areas told.
    """
    written: list[Path] = []
    rest = iter(rows)
    try:
        while some := list(islice(rest, COLUMNS * ROWS)):
            path, beside = (results / f"{dot}contact-{len(written) + 1:04d}.jpg" for dot in ("", "."))
            beside.write_bytes(encoded(_page(some, results, unit), ".jpg", QUALITY))
            os.replace(beside, path)
            written.append(path)
        for old in set(results.glob("contact-*.jpg")) - set(written):
            old.unlink()
    except OSError as error:
        raise OptionInvalid(
            f"The contact sheets can't be written ({error.strerror}): make room, and give the same command again."
        ) from error
    return written


def _page(rows: list[JobRow], results: Path, unit: LengthUnit) -> Pixels:
    across, down = CELL_PX[0] + GAP_PX, CELL_PX[1] + CAPTION_PX + GAP_PX
    used = -(-len(rows) // COLUMNS)
    page = np.full((used * down + GAP_PX, COLUMNS * across + GAP_PX, 3), PAPER, np.uint8)
    for i, row in enumerate(rows):
        left, top = GAP_PX + i % COLUMNS * across, GAP_PX + i // COLUMNS * down
        cell = page[top : top + CELL_PX[1], left : left + CELL_PX[0]]
        if row.state == "measured":
            _show(cell, result_path(results, "thumbnail", row.key))
        else:
            _tell(cell, row.reason or "Not measured yet.")
        below = top + CELL_PX[1]
        draw_text(page, _fitting(row.path, TEXT_PX), left, below + TEXT_PX + 4, TEXT_PX, INK)
        draw_text(page, _fitting(_caption(row, unit), SMALL_PX), left, below + TEXT_PX + SMALL_PX + 12, SMALL_PX, PALE)
    return page


def _show(cell: Pixels, file: Path) -> None:
    """A thumbnail in the middle of its cell."""
    picture = cv2.imread(str(file)) if file.is_file() else None
    if picture is None:
        _tell(cell, "The small picture is gone.")
        return
    scale = min(cell.shape[1] / picture.shape[1], cell.shape[0] / picture.shape[0])
    size = (max(1, int(picture.shape[1] * scale)), max(1, int(picture.shape[0] * scale)))
    shown = cv2.cvtColor(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2RGB)
    left, top = (cell.shape[1] - size[0]) // 2, (cell.shape[0] - size[1]) // 2
    cell[top : top + size[1], left : left + size[0]] = shown


def _tell(cell: Pixels, text: str) -> None:
    cell[:] = (236, 234, 230)
    for i, line in enumerate(textwrap.wrap(text, 33)[:10]):
        draw_text(cell, line, 16, 34 + 25 * i, TEXT_PX, ALARM)


def _caption(row: JobRow, unit: LengthUnit) -> str:
    if row.state != "measured":
        return row.state
    areas = [format_quantity(Quantity(piece["area_mm2"], piece["u_area_mm2"], "mm2"), unit) for piece in row.pieces]
    codes = [code for code in row.warnings.split() if code not in MERE_ADVICE]
    warned = f"  ({', '.join(codes)})" if codes else ""
    return f"{len(areas)} {'piece' if len(areas) == 1 else 'pieces'}: {', '.join(areas)}{warned}"


def _fitting(text: str, size_px: int) -> str:
    """Text cut short to a cell's width; of a path, the end tells most."""
    shown = "".join(c for c in text if c.isprintable())
    if text_width(shown, size_px) <= CELL_PX[0]:
        return shown
    while len(shown) > 4 and text_width(f"{shown}…", size_px) > CELL_PX[0]:
        shown = shown[: max(4, int(0.95 * len(shown)))]
    return f"{shown}…"
