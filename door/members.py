"""The organiser's two commands about members: who has which label, and a member who leaves."""

from typing import Annotated

import typer

from door.arguments import AsJson, StoreFolder
from door.endings import ends
from door.printing import print_json


@ends("shown")
def labels(store: StoreFolder, as_json: AsJson = False) -> None:
    """Show who has which label: for the organiser only."""
    from ingest.labels import read_labels

    listed = sorted(read_labels(store).items())
    if as_json:
        print_json({"labels": [{"car": car, "label": label} for car, label in listed]})
    else:
        typer.echo("\n".join(f"{label}  {car}" for car, label in listed))


@ends("removed")
def forget(
    car: Annotated[str, typer.Argument(metavar="CAR", help="Its name on the roster, or its label.")],
    store: StoreFolder,
    as_json: AsJson = False,
) -> None:
    """Remove a member's logs from the store. They are kept out from now on."""
    from ingest.forget_car import forget_car
    from reports.log_text import forgotten_text

    logs = forget_car(car, store)
    if as_json:
        print_json({"car": car, "store": str(store), "logs": logs})
    else:
        typer.echo(forgotten_text(car, store, logs))
