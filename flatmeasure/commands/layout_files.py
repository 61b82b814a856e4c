"""Pages of layouts as files: one PDF, or an SVG or PNG for each page."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from flatmeasure.files import write_file

if TYPE_CHECKING:
    from flatmeasure.display.page import Page

DRAWINGS = (".svg", ".png", ".pdf")


def draw_layouts(path: Path, layouts: "Sequence[Page]", parts: "Sequence[Page]" = ()) -> None:
    """Pages of layouts, and of pieces that are made of parts; says what was written, nothing where nothing is laid."""
    from flatmeasure.display.page import page_png, page_svg
    from flatmeasure.enough.layout_drawing import cutting_pdf

    if path.suffix.lower() == ".pdf":
        files = {path: cutting_pdf([*layouts, *parts], "Layout")} if layouts else {}
    else:
        draw = page_svg if path.suffix.lower() == ".svg" else page_png
        pages = dict(zip(_numbered(path, len(layouts)), layouts, strict=True))
        pages |= zip(_numbered(path.with_stem(f"{path.stem}-parts"), len(parts)), parts, strict=True)
        files = {one: draw(page) for one, page in pages.items()}
    for one, content in files.items():
        write_file(one, content)
        typer.echo(f"Drawing: {one}")


def _numbered(path: Path, count: int) -> list[Path]:
    return [path] if count == 1 else [path.with_stem(f"{path.stem}-{k + 1}") for k in range(count)]
