"""The front door: the command line, and the rooms' functions, each loaded when first used.

>>> import pumpcensus
>>> pumpcensus.InputError.__module__
'ingest.findings'
"""

import io
import sys
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

try:
    from door.own_rooms import strangers
except ImportError as problem:
    raise ImportError(
        f"{problem}: Python finds another package called 'door' before pumpcensus's own in {Path(__file__).parent}. "
        "Start it from another folder, clear PYTHONPATH, or install pumpcensus into an environment of its own."
    ) from problem
from door.arguments import (
    After,
    AsJson,
    Before,
    CarColumn,
    CarLabel,
    Channels,
    Label,
    Quarter,
    StoreFolder,
    WriteChannels,
    claim,
    one_file,
)
from door.endings import DONE, NOTHING_USABLE, Quiet, ends, is_quiet, remark, say
from door.members import forget, labels
from door.printing import as_rows, car_json, print_json, progress, rows, study_json
from door.sharing import contribute, pool
from door.storing import ingest
from door.storing import store as store_commands

# public name -> where it lives
_ROOM_OF = {
    "synthesize": "synthetic_fleet",
    "ingest_logs": "ingest.many_logs",
    "inspect_log": "ingest.inspect_log",
    "inspect_logs": "ingest.inspect_log",
    "forget_car": "ingest.forget_car",
    "tidy_store": "ingest.tidy_store",
    "draft_roster": "ingest.roster_draft",
    "check_roster": "ingest.roster_check",
    "read_labels": "ingest.labels",
    "pool_files": "ingest.pooled",
    "withdraw_club": "ingest.pooled",
    "write_contribution": "ingest.pooled",
    "InputError": "ingest.findings",
    "Store": "ingest.store",
    "run_study": "models.study",
    "study_of_store": "models.study_files",
    "read_study": "models.study_files",
    "write_study": "models.study_files",
    "drill_of_store": "models.study_files",
    "compare_car": "models.study_files",
    "headroom_of_store": "models.study_files",
    "contribution_of_store": "models.study_files",
    "write_report": "reports",
    "write_cards": "reports",
    "markdown_text": "reports",
    "signals_text": "reports.terminal",
    "car_text": "reports.terminal",
    "one_car": "models.one_car",
    "drill_text": "reports.terminal",
    "compare_text": "reports.compare_text",
    "headroom_text": "reports.headroom_text",
    "draft_text": "reports.roster_text",
    "check_text": "reports.roster_text",
}


def __getattr__(name: str) -> Any:
    if name not in _ROOM_OF:
        raise AttributeError(f"pumpcensus has no {name!r}; it has {', '.join(_ROOM_OF)}")
    from importlib import import_module

    if problems := strangers():
        raise ImportError("\n".join(problems))
    return getattr(import_module(_ROOM_OF[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_ROOM_OF})


def _version(asked: bool) -> None:
    if asked:
        from door.versions import versions_text

        typer.echo(versions_text())
        raise typer.Exit


app = typer.Typer(
    name="pumpcensus",
    help="Pool the logs of many direct-injected cars and see whose high-pressure pump works harder than its "
    "peers' do for the same demand.",
    rich_markup_mode=None,  # help and usage errors without loading rich
    pretty_exceptions_enable=False,
    invoke_without_command=True,
)


@app.callback()
def _options(
    asked: typer.Context,
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_version, is_eager=True, help="Show versions, the libraries' too, and exit."
        ),
    ] = False,
    quiet: Quiet = False,
) -> None:
    asked.call_on_close(partial(is_quiet.reset, is_quiet.set(quiet)))
    if asked.invoked_subcommand is None:
        from door.next_step import next_step

        typer.echo(next_step(Path()))


DEMO_CARS = 40
DEMO_SEED = 2
DEMO_MARK = "invented.txt"
FLEET = ("README.txt", "logs", "roster.csv", "truth.csv")
DEMO_PARTS = frozenset({DEMO_MARK, *FLEET, "store", "store.private", "report"})
DEMO_WORDS = """Everything in this folder was invented by `pumpcensus demo`: cars, logs and faults.
It may be deleted; the next demo in this folder replaces it.
"""


def _is_demo(store: str) -> bool:
    return (Path(store).parent / DEMO_MARK).exists()


@app.command("demo", epilog="Example: pumpcensus demo")
@ends("made")
def _demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New, empty, or an older demo.")] = Path("demo"),
) -> None:
    """Invent a fleet, run everything on it, say where the report is."""
    from ingest.many_logs import ingest_logs
    from models.study_files import study_of_store
    from reports import write_report
    from reports.terminal import signals_text
    from synthetic_fleet import synthesize

    claim(folder, DEMO_PARTS, DEMO_MARK)
    (folder / DEMO_MARK).write_text(DEMO_WORDS, encoding="utf-8")
    remark(f"Inventing {DEMO_CARS} cars and their logs in {folder} ...")
    synthesize(folder, DEMO_CARS, DEMO_SEED)
    with progress("Reading logs") as reached:
        ingest_logs(folder / "logs", folder / "roster.csv", folder / "store", progress=reached)
    remark("Comparing each car with its peers ...")
    study = study_of_store(folder / "store", demo=True)
    remark("Writing the report ...")
    page = write_report(study, folder / "report").resolve()
    typer.echo(signals_text(study))
    typer.echo(f"Cars, logs and faults of this demo are invented; {folder / 'truth.csv'} says what was planted.")
    typer.echo(f"Report: {page}\n        {page.as_uri()}")


@app.command("synthesize", epilog="Example: pumpcensus synthesize invented --cars 40 --seed 1")
@ends("written")
def _synthesize(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new or empty folder.")],
    cars: Annotated[int, typer.Option(min=1, max=10_000, metavar="N", help="How many cars.")],
    seed: Annotated[int, typer.Option(min=0, metavar="S", help="The same seed gives the same fleet.")],
) -> None:
    """Write logs, roster and truth of an invented fleet."""
    from synthetic_fleet import synthesize

    claim(folder)
    synthesize(folder, cars, seed)
    typer.echo(f"{folder}: logs, roster.csv and truth.csv of {cars} invented cars.")


@app.command("inspect", epilog="Example: pumpcensus inspect logs/car-7/2026-07-04_01.csv")
@ends("read")
def _inspect(
    logs: Annotated[list[Path], typer.Argument(metavar="LOG...", exists=True, dir_okay=False, help="Log files.")],
    channels: Channels = None,
    car_column: CarColumn = "",
    write_channels: WriteChannels = None,
    as_json: AsJson = False,
) -> int:
    """Show how a log would be read. Writes nothing, unless asked to draft a file of channel names."""
    from ingest.inspect_log import inspect_logs
    from reports.log_text import inspected_text

    kept = 0
    for seen in (seen for log in logs for seen in inspect_logs(log, channels=channels, car_column=car_column)):
        kept += seen.told["verdict"] == "kept"
        if write_channels and not write_channels.exists():
            write_channels.write_text(seen.draft(), encoding="utf-8")
            remark(f"{write_channels}: drafted from {seen.told['log']}. Check it, then hand it over with --channels.")
        if as_json:
            print_json(seen.told)
        else:
            typer.echo(inspected_text(seen))
    return DONE if kept else NOTHING_USABLE


@app.command("roster", epilog="Example: pumpcensus roster logs --out roster.csv")
@ends("written")
def _roster(
    logs: Annotated[Path, typer.Argument(metavar="LOGS", exists=True, file_okay=False, help="Folder of logs.")],
    sheet: Annotated[
        Path | None, typer.Argument(metavar="ROSTER", dir_okay=False, help="With --check, the roster to look at.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", dir_okay=False, help="CSV or XLSX; what you have filled in there stays."),
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Write nothing: does the roster fit the logs?")] = False,
    as_json: AsJson = False,
) -> int:
    """Draft the roster, or check one against the logs. A draft is made from folders and file names."""
    roster = one_file(sheet, out, check)
    from ingest.roster_check import check_roster
    from ingest.roster_draft import draft_roster
    from reports.roster_text import check_text, draft_text

    if not check:
        drafted = draft_roster(logs, roster)
        print_json(as_rows(drafted)) if as_json else typer.echo(draft_text(drafted))
        return DONE
    checked = check_roster(logs, roster)
    print_json(as_rows(checked)) if as_json else typer.echo(check_text(checked))
    return NOTHING_USABLE if checked.problems else DONE


app.command("ingest", epilog="Example: pumpcensus ingest logs --roster roster.csv --store store")(ingest)


@app.command("study", epilog="Example: pumpcensus study --store store --quarter 2026Q3")
@ends("studied")
def _study(store: StoreFolder, quarter: Quarter = None, as_json: AsJson = False) -> None:
    """Compare each car with its peers and print the signals."""
    from models.study_files import study_of_store
    from reports.terminal import signals_text

    study = study_of_store(store, quarter, demo=_is_demo(store))
    if as_json:
        print_json(study_json(study))
    else:
        typer.echo(signals_text(study))


@app.command("report", epilog="Example: pumpcensus report --store store --out report")
@ends("written")
def _report(
    store: StoreFolder,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", file_okay=False, help="Folder for report.html and CSV files.")
    ] = None,
    cards: Annotated[
        Path | None, typer.Option(metavar="DIR", file_okay=False, help="Folder for a card a car, to hand to its owner.")
    ] = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As text for a forum: report.md in --out, else on standard output.")
    ] = False,
    quarter: Quarter = None,
) -> None:
    """Write the report of a finished study. A page with CSV files, cards for owners, or text for a forum."""
    if not (out or cards or markdown):
        raise typer.BadParameter("Name a folder with --out or --cards, or ask for --markdown.")
    from models.study_files import read_study
    from reports import markdown_text, write_cards, write_report

    study = read_study(store, quarter)
    if out:
        page = write_report(study, out, with_markdown=markdown).resolve()
        typer.echo(f"Report: {page}\n        {page.as_uri()}")
    if cards:
        with progress("Drawing cards") as reached:
            written = write_cards(study, cards, progress=reached)
        remark(f"Cards: {len(written)} in {cards.resolve()}")
    if markdown and not out:
        typer.echo(markdown_text(study).encode(), nl=False)  # UTF-8 whatever the terminal's own encoding


@app.command("car", epilog="Example: pumpcensus car 7K3M-Q2XW --store store")
@ends("shown")
def _car(label: Label, store: StoreFolder, quarter: Quarter = None, as_json: AsJson = False) -> None:
    """Show one car of a finished study."""
    from models.one_car import one_car
    from models.study_files import read_study
    from reports.terminal import car_text

    study = one_car(read_study(store, quarter), label)
    if as_json:
        print_json(car_json(study, label))
    else:
        typer.echo(car_text(study, label))


@app.command("drill", epilog="Example: pumpcensus drill --store store --quarter 2026Q3")
@ends("planted", stopped="Nothing was written.")
def _drill(store: StoreFolder, quarter: Quarter = None, as_json: AsJson = False) -> None:
    """Plant faults in this fleet's own cars: how many are found?"""
    from models.study_files import drill_of_store
    from reports.terminal import drill_text

    with progress("Planting faults") as reached:
        told = drill_of_store(store, quarter, progress=reached)
    if as_json:
        print_json(told)
    else:
        typer.echo(drill_text(told))


@app.command("compare", epilog="Example: pumpcensus compare 7K3M-Q2XW --store store")
@ends("compared")
def _compare(
    label: Label, store: StoreFolder, before: Before = None, after: After = None, as_json: AsJson = False
) -> None:
    """Compare one car before and after a change. The newest on the roster, or two ranges of days."""
    if (before is None) != (after is None):
        raise typer.BadParameter("--before and --after belong together: name both ranges, or neither.")
    from models.study_files import compare_car
    from reports.compare_text import compare_text

    answer = compare_car(store, label, before=before, after=after, demo=_is_demo(store))
    if as_json:
        print_json(answer.told | {"curves": rows(answer.curves)})
    else:
        typer.echo(compare_text(answer))


@app.command("headroom", epilog="Example: pumpcensus headroom --store store --car 7K3M-Q2XW --ethanol 40")
@ends("predicted")
def _headroom(
    store: StoreFolder,
    ethanol: Annotated[float, typer.Option(metavar="PCT", help="Per cent by volume, as in the tank: 40.")],
    setup: Annotated[
        str | None, typer.Option(metavar="SETUP", help="A new car of it: engine | pump | boost hardware | calibration.")
    ] = None,
    car: CarLabel = None,
    boost: Annotated[
        float | None, typer.Option(metavar="KPA", help="Highest boost above ambient; the usual one without it.")
    ] = None,
    reserve: Annotated[float, typer.Option(metavar="PCT", help="Fuel volume to be left at the ceiling.")] = 10.0,
    quarter: Quarter = None,
    as_json: AsJson = False,
) -> int:
    """Predict what a blend and boost would ask of the pump. From logs of cars alike."""
    if (setup is None) == (car is None):
        raise typer.BadParameter("Name a setup with --setup or a car with --car, and not both.")
    from models.study_files import headroom_of_store
    from reports.headroom_text import headroom_text

    answer = headroom_of_store(
        store, ethanol, setup=setup, label=car, boost_kpa=boost, reserve_pct=reserve, quarter=quarter,
        demo=_is_demo(store),
    )  # fmt: skip
    if as_json:
        print_json(answer.told | {"bands": rows(answer.bands)})
    else:
        typer.echo(headroom_text(answer))
    return NOTHING_USABLE if answer.told["why_none"] else DONE


app.add_typer(store_commands, name="store")
app.command("contribute", epilog="Example: pumpcensus contribute --store store --out ours.parquet")(contribute)
app.command("pool", epilog="Example: pumpcensus pool theirs.parquet --store store")(pool)
app.command("labels", epilog="Example: pumpcensus labels --store store")(labels)
app.command("forget", epilog="Example: pumpcensus forget car-7 --store store")(forget)


def main() -> None:
    """The `pumpcensus` command."""
    if problems := strangers():
        say("\n".join(problems))
        sys.exit(NOTHING_USABLE)
    if isinstance(sys.stdout, io.TextIOWrapper):  # a name that the console's code page lacks is spelled out, as \u03bb
        sys.stdout.reconfigure(errors="backslashreplace")
    app(prog_name="pumpcensus")


if __name__ == "__main__":
    main()
