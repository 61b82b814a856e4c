"""``flatmeasure batch``: all photos of a folder."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flatmeasure.errors import OptionInvalid
from flatmeasure.units import LengthUnit, parse_length, parse_size

if TYPE_CHECKING:
    from flatmeasure.batch.executors import Executor
    from flatmeasure.batch.running import Batch

EXIT_SOME_FAILED = 3
FAILURES_SHOWN = 20


def batch(
    folder: Annotated[Path, typer.Argument(help="The folder of photos; folders within it are searched too.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where results go; the same again resumes.")],
    square: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Side of the reference squares, such as 100mm.")
    ] = None,
    rectangle: Annotated[
        str | None, typer.Option(metavar="SIZE", help="Sides of a reference rectangle, such as 210x297mm.")
    ] = None,
    printed_side: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Side of the printed squares as measured with a rule.")
    ] = None,
    grid: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Spacing of the lines printed on the mat, such as 10mm.")
    ] = None,
    thickness: Annotated[str, typer.Option(metavar="LENGTH", help="Thickness of the cloth, such as 0.8mm.")] = "0",
    lens_profile: Annotated[
        str, typer.Option("--lens", metavar="stored|none|PATH", help="A calibrated lens, as for measure.")
    ] = "stored",
    processes: Annotated[
        int | None, typer.Option(metavar="N", help="How many work at once; as many as there are cores by default.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Work on a Dask cluster that sees the same folders.")
    ] = None,
    table: Annotated[str, typer.Option(metavar="csv|parquet", help="How the tables are written.")] = "csv",
    unit: Annotated[LengthUnit, typer.Option(help="Unit on the contact sheets; tables speak millimetres.")] = (
        LengthUnit.MM
    ),
    max_megapixels: Annotated[float, typer.Option(metavar="N", help="Refuse larger photos.")] = 80.0,
) -> None:
    """Measure all photos of a folder; killed at any moment, the same command goes on where it was.

    Ends with status 3 if some photo could not be measured.
    """
    if processes is not None and (processes < 1 or cluster is not None):
        raise OptionInvalid("Give --processes 1 or more, and not together with --cluster.")

    from flatmeasure.batch.photo_list import BatchOptions
    from flatmeasure.batch.results_table import TableKind, check_table
    from flatmeasure.batch.running import Batch, BatchOutput

    if table not in list(TableKind):
        raise OptionInvalid(f"Tables can't be written as {table}: choose csv or parquet.")
    check_table(TableKind(table))
    options = BatchOptions(
        square_mm=parse_length(square, "side of the square") if square is not None else None,
        rectangle_mm=parse_size(rectangle, "rectangle") if rectangle is not None else None,
        grid_mm=parse_length(grid, "grid") if grid is not None else None,
        thickness_mm=parse_length(thickness, "thickness", zero_allowed=True),
        printed_side_mm=parse_length(printed_side, "printed side") if printed_side is not None else None,
        lens=lens_profile if lens_profile in ("stored", "none") else str(Path(lens_profile).absolute()),
        max_megapixels=max_megapixels,
    )
    with Batch(folder, out, options) as work:
        if work.progress().waiting:
            _run(work, _executor(processes, cluster))
        work.write(BatchOutput(TableKind(table), unit))
        _report(work, out)


def _executor(processes: int | None, cluster: str | None) -> "Executor":
    if cluster is not None:
        from flatmeasure.batch.cluster import DaskCluster

        return DaskCluster(cluster)

    from flatmeasure.batch.executors import LocalProcesses

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return LocalProcesses(processes or cores or 1)


def _run(work: "Batch", executor: "Executor") -> None:
    """Work with a bar of progress and the time left."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("measuring"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[failed]} failed,"),
        TimeRemainingColumn(),
        TextColumn("left"),
    )
    start = work.progress()
    try:
        with Progress(*columns, console=Console(stderr=True), speed_estimate_period=300.0) as bar:
            shown = bar.add_task("", total=start.waiting, failed=start.failed)
            for now in work.run(executor):
                bar.update(shown, completed=start.waiting - now.waiting, failed=now.failed)
    finally:
        executor.close()


def _report(work: "Batch", out: Path) -> None:
    """What came of it; every failure has its sentence, here or in the table."""
    done = work.progress()
    print(f"{done.measured} measured, {done.failed} not: tables and contact sheets are in {out}.")
    for row in work.jobs.first("failed", FAILURES_SHOWN):
        print(f"{row.path}: {row.reason}")
    if done.failed > FAILURES_SHOWN:
        print(f"... and {done.failed - FAILURES_SHOWN} more: see the reasons in the table of photos.")
    if done.failed:
        raise typer.Exit(EXIT_SOME_FAILED)
