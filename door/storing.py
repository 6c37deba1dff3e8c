"""The commands that fill a store and look after it."""

from pathlib import Path
from typing import Annotated

import typer

from door.arguments import AsJson, CarColumn, Channels, ClusterAddress, StoreFolder, Workers
from door.endings import DONE, NOTHING_USABLE, ends
from door.printing import as_rows, print_json, progress


@ends("ingested", stopped="Logs read so far are kept; the same command goes on from there.")
def ingest(
    logs: Annotated[Path, typer.Argument(metavar="LOGS", exists=True, help="Folder of logs.")],
    roster: Annotated[
        Path,
        typer.Option(metavar="ROSTER", exists=True, dir_okay=False, help="Who drives what: CSV or XLSX."),
    ],
    store: StoreFolder,
    channels: Channels = None,
    car_column: CarColumn = "",
    workers: Workers = None,
    cluster: ClusterAddress = "",
    as_json: AsJson = False,
) -> int:
    """Add new or changed logs to the store."""
    if workers and cluster:
        raise typer.BadParameter("--workers are of this machine, --cluster has its own. Name one of them.")
    from ingest.many_logs import ingest_logs
    from reports.log_text import ingest_text

    with progress("Reading logs") as reached:
        result = ingest_logs(
            logs, roster, store, channels=channels, car_column=car_column, workers=workers, cluster=cluster,
            progress=reached,
        )  # fmt: skip
    print_json(as_rows(result)) if as_json else typer.echo(ingest_text(result))
    return DONE if result.kept or result.skipped else NOTHING_USABLE


store = typer.Typer(help="Look after the store itself.", no_args_is_help=True)


@store.callback()
def _store() -> None:
    pass


@store.command("tidy", epilog="Example: pumpcensus store tidy store")
@ends("tidied", stopped="Nothing is lost; the same command goes on from there.")
def _tidy(
    folder: Annotated[str, typer.Argument(metavar="STORE", help="Folder that holds the store, or its URL.")],
    now: Annotated[
        bool, typer.Option("--now", help="Remove what no longer counts at once: nobody is reading the store.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Merge small segments and drop superseded logs: quicker to read, less on the disk."""
    from ingest.tidy_store import tidy_store
    from reports.log_text import tidied_text

    tidied = tidy_store(folder, at_once=now)
    print_json(as_rows(tidied)) if as_json else typer.echo(tidied_text(tidied, folder))
