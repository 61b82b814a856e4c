"""The command line: exit status 0 done, 1 a fault of ours, 2 wrong use, 3 a photo that can't be measured.

Modules that take long to import are imported inside the commands, so that help comes at once.
"""

import io
import sys
from typing import Annotated, NoReturn

import typer

from flatmeasure import __version__
from flatmeasure.commands.batch_command import batch
from flatmeasure.commands.enough_commands import buy, enough
from flatmeasure.commands.export_command import export
from flatmeasure.commands.lens_command import lens
from flatmeasure.commands.measure_command import measure
from flatmeasure.commands.piece_commands import app as pieces
from flatmeasure.commands.serve_command import serve
from flatmeasure.commands.sheet_command import sheet
from flatmeasure.errors import FlatMeasureError, OptionInvalid

EXIT_FAULT, EXIT_USAGE, EXIT_UNMEASURABLE, EXIT_INTERRUPTED = 1, 2, 3, 130

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)


def main() -> None:
    """Run the command line; nobody ever sees a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that knows no ± or ² shows a question mark
    try:
        app()
    except OptionInvalid as error:
        _end(str(error), EXIT_USAGE)
    except FlatMeasureError as error:
        _end(str(error), EXIT_UNMEASURABLE)
    except MemoryError:
        _end("There is not enough memory for this photo: make it smaller.", EXIT_UNMEASURABLE)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except Exception as error:  # a fault of ours: the user gets a sentence, the name helps whoever mends it
        _end(f"Something went wrong inside flatmeasure ({type(error).__name__}: {error}).", EXIT_FAULT)


def _end(message: str, status: int) -> NoReturn:
    print(f"flatmeasure: {' '.join(message.split())}", file=sys.stderr)
    sys.exit(status)


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"flatmeasure {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    """Areas and edge lengths of cloth from one photo, each with its uncertainty."""


app.add_typer(pieces, name="piece")
app.command()(measure)
app.command()(batch)
app.command()(sheet)
app.command()(lens)
app.command()(enough)
app.command()(buy)
app.command()(export)
app.command()(serve)
