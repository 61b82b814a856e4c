"""``flatmeasure batch``: all photos of a folder."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flatmeasure.commands.options import (
    GridSpacing,
    Lens,
    MaxMegapixels,
    PrintedSide,
    RectangleSize,
    SquareSide,
    Thickness,
)
from flatmeasure.errors import OptionInvalid
from flatmeasure.units import LengthUnit

if TYPE_CHECKING:
    from flatmeasure.batch.executors import Executor
    from flatmeasure.batch.running import Batch

EXIT_SOME_FAILED = 3
FAILURES_SHOWN = 20


def batch(
    folder: Annotated[Path, typer.Argument(help="The folder of photos; folders within it are searched too.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where results go; the same again resumes.")],
    square_mm: SquareSide = None,
    rectangle_mm: RectangleSize = None,
    printed_side_mm: PrintedSide = None,
    grid_mm: GridSpacing = None,
    thickness_mm: Thickness = 0.0,
    lens_profile: Lens = "stored",
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
    max_megapixels: MaxMegapixels = 80.0,
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
        square_mm=square_mm,
        rectangle_mm=rectangle_mm,
        grid_mm=grid_mm,
        thickness_mm=thickness_mm,
        printed_side_mm=printed_side_mm,
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
