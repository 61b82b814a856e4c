"""``flatmeasure export``: measured pieces as SVG, DXF, PDF, report and tables."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flatmeasure.commands.measured_input import MeasuredInput, measured_input
from flatmeasure.commands.options import SquareSide, Thickness, Unit
from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, write_file
from flatmeasure.units import LengthUnit

if TYPE_CHECKING:
    from flatmeasure.exports.cut_piece import CutPiece

PAPERS, SCHEMES = ("sheet", "a4", "letter"), ("plain", "astm")
OVERLAY_QUALITY = 88  # of the JPEG within a report


def export(
    files: Annotated[
        list[Path],
        typer.Argument(help="Measured pieces: files of `measure --json`, or photos with --square.", show_default=False),
    ],
    svg: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the pieces as SVG in true size.")] = None,
    dxf: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the pieces as DXF in millimetres.")] = None,
    layers: Annotated[
        str, typer.Option(metavar="plain|astm", help="Layers of the DXF: named, or numbered as in ASTM D6673.")
    ] = "plain",
    pdf: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the pieces as PDF to cut from paper.")] = None,
    paper: Annotated[
        str, typer.Option(metavar="sheet|a4|letter", help="Paper of the PDF: one sheet, or pages to glue together.")
    ] = "sheet",
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report for people, as HTML to read or print.")
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write all edges as CSV, and all pieces beside it as FILE-pieces.csv."),
    ] = None,
    square_mm: SquareSide = None,
    thickness_mm: Thickness = 0.0,
    unit: Unit = LengthUnit.MM,
) -> None:
    """Write measured pieces in the formats people use: all of the files together."""
    _check(files, {".svg": svg, ".dxf": dxf, ".pdf": pdf, ".html": report, ".csv": csv})
    if paper not in PAPERS:
        raise OptionInvalid(f"The paper {paper!r} is not known: choose {', '.join(PAPERS[:-1])} or {PAPERS[-1]}.")
    if layers not in SCHEMES:
        raise OptionInvalid(f"The layers {layers!r} are not known: choose {' or '.join(SCHEMES)}.")
    if report is not None and len(files) > 1:
        raise OptionInvalid("A report is of one photo: export the files one by one.")
    measured = [measured_input(file, square_mm, thickness_mm) for file in files]

    from flatmeasure.exports.cut_piece import cut_pieces

    groups = [(one.source.name, cut_pieces(one.data, one.source.name)) for one in measured]
    pieces = [_named(piece, source, len(groups)) for source, group in groups for piece in group]
    for path, content in [
        *_drawings(pieces, svg, (dxf, layers), (pdf, paper), unit),
        *_report(measured[0], report, unit),
        *_tables(groups, csv, unit),
    ]:
        write_file(path, content)
        typer.echo(f"Written: {path}")


def _check(files: Sequence[Path], outputs: dict[str, Path | None]) -> None:
    wanted = [path for path in outputs.values() if path is not None]
    if not wanted:
        raise OptionInvalid("Say what to write: --svg, --dxf, --pdf, --report or --csv, each with a file name.")
    for ending, path in outputs.items():
        for file in files:
            check_writable(path, file, (ending, ".htm") if ending == ".html" else (ending,))
    if outputs[".csv"] is not None:
        check_writable(_pieces_path(outputs[".csv"]), None)


def _pieces_path(path: Path) -> Path:
    return path.with_stem(f"{path.stem}-pieces")


def _named(piece: "CutPiece", source: str, files: int) -> "CutPiece":
    """Of several files, a piece without a name of its own is called after its file."""
    return piece if piece.name or files == 1 else replace(piece, name=f"{Path(source).stem} {piece.panel.id}")


def _drawings(
    pieces: "Sequence[CutPiece]",
    svg: Path | None,
    dxf: tuple[Path | None, str],
    pdf: tuple[Path | None, str],
    unit: LengthUnit,
) -> Iterator[tuple[Path, bytes]]:
    if svg is not None:
        from flatmeasure.exports.outline_svg import outline_svg

        yield svg, outline_svg(pieces, unit).encode()
    if dxf[0] is not None:
        from flatmeasure.exports.outline_dxf import Scheme, outline_dxf

        yield dxf[0], outline_dxf(pieces, scheme=Scheme(dxf[1]), unit=unit)
    if pdf[0] is not None:
        from flatmeasure.exports.page_tiles import PatternPaper
        from flatmeasure.exports.pattern_pdf import pattern_pdf

        yield pdf[0], pattern_pdf(pieces, PatternPaper(pdf[1]), unit)


def _report(measured: MeasuredInput, path: Path | None, unit: LengthUnit) -> Iterator[tuple[Path, bytes]]:
    """A page for people, with the photo and the measures drawn in where there was a photo."""
    if path is None:
        return

    from flatmeasure.display.overlay import draw_overlay
    from flatmeasure.exports.report import report_html
    from flatmeasure.photos.encoding import encoded

    found, picture = measured.measurement, None
    if found is not None:
        picture = encoded(draw_overlay(found.photo, found, unit), ".jpg", OVERLAY_QUALITY)
    yield path, report_html(measured.data, picture, unit).encode()


def _tables(
    groups: "Sequence[tuple[str, Sequence[CutPiece]]]", path: Path | None, unit: LengthUnit
) -> Iterator[tuple[Path, bytes]]:
    if path is not None:
        from flatmeasure.exports.tables import EDGE_COLUMNS, PIECE_COLUMNS, edge_rows, piece_rows, rows_csv

        edges = [row for source, pieces in groups for row in edge_rows(pieces, unit, source)]
        whole = [row for source, pieces in groups for row in piece_rows(pieces, unit, source)]
        yield path, rows_csv(edges, EDGE_COLUMNS).encode()
        yield _pieces_path(path), rows_csv(whole, PIECE_COLUMNS).encode()
