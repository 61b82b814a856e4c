"""``flatmeasure sheet``: squares to print."""

import re
from pathlib import Path
from typing import Annotated

import typer

from flatmeasure.commands.options import length_option
from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, write_file


def sheet(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The PDF to write, such as squares.pdf.")],
    side_mm: Annotated[
        float, length_option("--side", "side of the square", "Side of the black squares, 60mm to 150mm.", shown="100mm")
    ] = 100.0,
    count: Annotated[int, typer.Option(metavar="N", help="How many squares, each with a code of its own.")] = 4,
    codes: Annotated[
        str | None, typer.Option(metavar="N,N,...", help="Which of the codes 0 to 49, instead of --count.")
    ] = None,
    paper: Annotated[str, typer.Option(metavar="a4|letter", help="Paper to print on.")] = "a4",
) -> None:
    """Write squares to print at true scale, as many on a page as fit."""
    check_writable(file, None, (".pdf",))

    from flatmeasure.calibration.sheet import Paper, first_codes, sheet_pdf

    if paper not in list(Paper):
        raise OptionInvalid(f"The paper {paper!r} is not known: choose a4 or letter.")
    chosen = first_codes(count) if codes is None else _parse_codes(codes)
    write_file(file, sheet_pdf(chosen, side_mm, Paper(paper)))
    print(f"{file.name}: squares of {side_mm:g} mm with the codes {', '.join(map(str, chosen))}. Print at 100 %.")


def _parse_codes(text: str) -> tuple[int, ...]:
    if not re.fullmatch(r"\s*\d{1,2}(\s*,\s*\d{1,2})*\s*", text):
        raise OptionInvalid(f"The codes {text!r} are not numbers with commas between them, such as 0,1,2,3.")
    return tuple(int(code) for code in text.split(","))
