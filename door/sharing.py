"""The two commands between clubs: what this one gives, and what others gave."""

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from door.arguments import Quarter, StoreFolder
from door.endings import DONE, NOTHING_USABLE, agreed, ends


@ends("given", stopped="Nothing was written.")
def contribute(
    store: StoreFolder,
    out: Annotated[Path, typer.Option(metavar="FILE", help="A new file, for other clubs.")],
    quarter: Quarter = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Write without asking, for who has seen what would leave.")
    ] = False,
) -> int:
    """Share this club's cells without who or when. Shows all that would leave, then asks."""
    from ingest.pooled import given_before, write_contribution
    from models.study_files import contribution_of_store
    from reports.contribution_text import contribution_text

    made = contribution_of_store(store, quarter)
    typer.echo(contribution_text(made, given_before(store).get(made.quarter), date.today()))
    if made.cells.is_empty() or not agreed(yes, f"Write this to {out}?"):
        return NOTHING_USABLE
    write_contribution(made.cells, out, store)
    typer.echo(f"{out}: written.")
    return DONE


@ends("pooled")
def pool(
    store: StoreFolder,
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="FILES...", exists=True, dir_okay=False, help="What other clubs gave; none: show it."),
    ] = None,
    withdraw: Annotated[
        str | None, typer.Option(metavar="CLUB", help="Remove all that a club gave, by its label in the list.")
    ] = None,
) -> None:
    """Take other clubs' cells in. A small club's study then knows better what to expect."""
    if withdraw and files:
        raise typer.BadParameter("Name files to pool, or a club to withdraw, and not both.")
    from ingest.pooled import pool_files, withdraw_club
    from reports.contribution_text import pooled_text

    typer.echo(pooled_text(withdraw_club(withdraw, store) if withdraw else pool_files(files or [], store)))
