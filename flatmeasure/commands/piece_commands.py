"""`flatmeasure piece`: from files of measured pieces to what a cutter reads off them."""

import typer

from flatmeasure.commands.piece_shape_commands import cut, note, seam, show, width
from flatmeasure.commands.piece_use_commands import compare, fold, match, rectangle, strips, total

app = typer.Typer(
    help="What a cutter reads off measured pieces: seams, widths, grain, fold, and what can still be cut.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
)
for _command in (show, note, seam, width, cut, rectangle, strips, fold, compare, match, total):
    app.command()(_command)
