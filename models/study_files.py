"""The room's only disk: a study and its drill written to and read from STORE/studies/QUARTER, and made of a store.

What makes one is loaded where it is made: reading a study, as a report does, needs none of it.
"""

import json
import secrets
from collections.abc import Callable, Collection
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from ingest.contribution import odd_words, shortened
from ingest.far_files import place_of
from ingest.findings import InputError
from ingest.formula_guard import csv_text
from ingest.labels import KEY_BYTES, Key, open_key
from ingest.parquet_files import parquet, read_parquet
from ingest.pooled import pooled_cells
from ingest.schemas import SETUP_WORDS
from ingest.store import Store, Unread
from ingest.whole_files import folders_in, make_folder, move, only_one, remove_folder, stamp, write_whole
from models.headroom_question import Question
from models.quarters import shifted
from models.schemas import Study

if TYPE_CHECKING:
    from models.compare import Comparison
    from models.contribution import Contribution
    from models.headroom import Headroom
    from models.sides import Range

TABLES = ("cars", "changes", "baselines", "curves", "car_logs", "quality", "next_logs")
ALSO_CSV = ("cars", "changes", "baselines")
OLDER_LACK = ("next_logs",)
WRITING, OLD = ".writing", ".old"  # in the folder of studies, while one is replaced
TRIES = 5


def study_of_store(store: Path | str, quarter: str | None = None, *, demo: bool = False) -> Study:
    """Read the store's tables, run the study and write it. demo: all cars are invented, and the study says so."""
    opened = Store(place_of(store))
    for turn in range(TRIES):
        try:
            return _study_of_store(opened, opened.unread(), quarter, demo)
        except FileNotFoundError:  # a segment was merged, mended or rid of a member while it was read
            if turn == TRIES - 1:
                raise
    raise AssertionError("every try returns or raises")


def _study_of_store(opened: Store, held: Unread, quarter: str | None, demo: bool) -> Study:
    from models.fleet import window
    from models.outcome import said
    from models.study import run_study

    quarter = window(quarter, held.ledger, date.today()).quarter
    have = [name for name in _quarters(opened) if name < quarter]
    before = read_study(opened.path, have[-1]) if have and have[-1] == shifted(quarter, -1) else None
    spoken = [said(read_parquet(opened.studies / name / "cars.parquet"), name) for name in have]
    earlier = pl.concat(spoken) if spoken else None
    pooled = pooled_cells(opened)
    study = run_study(held.cells, held.pulls, held.ledger, held.roster, quarter, before, earlier=earlier, pooled=pooled)
    if demo:
        study.summary["demo"] = True
    write_study(study, opened.path, _labels(held.roster, held.ledger))
    return study


def _quarters(store: Store) -> list[str]:
    """Quarters with a finished study, the earliest first."""
    files = [*store.studies.glob("*/summary.json"), *store.studies.glob(f"{OLD}/*/summary.json")]
    return sorted({entry.parent.name for entry in files})


def write_study(study: Study, store: Path | str, read: Collection[str] = ()) -> Path:
    """Write a study whole or not at all; an earlier one of the same quarter is replaced. Its folder.

    read: labels that the store had when the study was made. Raises InputError where one of them has left it since.
    """
    home = Store(place_of(store))
    make_folder(home.studies)
    folder, made = home.studies / study.quarter, home.studies / WRITING / study.quarter
    # `forget` removes studies under this lock, after the label has left roster and ledger: none gets past both
    with only_one(home.path / "studies.lock", wait=True):
        _tidy(home.studies)
        if (_shown(study) & set(read)) - _labels(home.roster(), home.ledger().select("label").unique().collect()):
            raise InputError(
                [f"{store}: a car that this study shows was removed from it while it was made. Make it anew."]
            )
        try:
            _write_tables(study, made)
            if _is_there(folder):
                make_folder(home.studies / OLD)
                move(folder, home.studies / OLD / study.quarter)
            remove_folder(folder)  # a part of one
            move(made, folder)
        finally:
            _tidy(home.studies)
    return folder


def _labels(*tables: pl.DataFrame) -> set[str]:
    return {label for table in tables for label in table["label"].drop_nulls().unique()}


def _shown(study: Study) -> set[str]:
    tables = [getattr(study, name) for name in TABLES]
    return _labels(*(table for table in tables if "label" in table.columns))


def _write_tables(study: Study, folder: Path) -> None:
    make_folder(folder)
    for name in TABLES:
        table: pl.DataFrame = getattr(study, name)
        write_whole(folder / f"{name}.parquet", parquet(table))
        if name in ALSO_CSV:
            write_whole(folder / f"{name}.csv", csv_text(table).encode())
    # a drill belongs to the study it was made with and goes with it
    summary = {key: value for key, value in study.summary.items() if key != "drill"}
    write_whole(folder / "summary.json", (json.dumps(summary, indent=2, sort_keys=True) + "\n").encode())


def _tidy(studies: Path) -> None:
    """Put a study back whose successor did not get into its place, and remove what else a run left."""
    for old in folders_in(studies / OLD):
        if not _is_there(studies / old.name):
            remove_folder(studies / old.name)
            move(old, studies / old.name)
    remove_folder(studies / OLD)
    remove_folder(studies / WRITING)


def _is_there(folder: Path) -> bool:
    """Whether a study is whole: its summary is the last of its files to come and the first to go."""
    return (folder / "summary.json").exists()


def read_study(store: Path | str, quarter: str | None = None) -> Study:
    """The study of a quarter, else the newest; summary["drill"] where one was made.

    Raises FileNotFoundError in words where there is none; InputError where its files are damaged.
    """
    opened = Store(place_of(store))
    have = _quarters(opened)
    if not have:
        raise FileNotFoundError("no study in this store yet. Run `study` first.")
    if quarter and quarter not in have:
        raise FileNotFoundError(f"no study of {quarter} in this store (there: {', '.join(have)}). Run `study` first.")
    chosen = quarter or have[-1]
    for _ in range(TRIES):  # it may be replaced meanwhile, and must not be read half from the old one
        folder = next(filter(_is_there, (opened.studies / chosen, opened.studies / OLD / chosen)), opened.studies)
        try:
            was = stamp(folder / "summary.json")
            study = _study_in(folder, chosen, opened.forgetting())
        except (OSError, ValueError, pl.exceptions.PolarsError):
            continue
        if was == stamp(folder / "summary.json"):
            return study
    raise InputError([f"{opened.studies / chosen}: damaged. Make it anew: pumpcensus study --quarter {chosen}"])


def _study_in(folder: Path, quarter: str, leaving: list[str]) -> Study:
    """leaving: labels that are being removed, and shown no more."""
    files = {name: folder / f"{name}.parquet" for name in TABLES}
    tables = {name: read_parquet(file) for name, file in files.items() if name not in OLDER_LACK or file.exists()}
    for name, table in tables.items():
        if leaving and "label" in table.columns:
            tables[name] = table.filter(~pl.col("label").is_in(leaving) | pl.col("label").is_null())
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    if (folder / "drill.json").exists():
        summary["drill"] = json.loads((folder / "drill.json").read_text(encoding="utf-8"))
    return Study(quarter, **tables, summary=summary)


def drill_of_store(
    store: Path | str, quarter: str | None = None, *, progress: Callable[[int, int], None] | None = None
) -> dict[str, Any]:
    """Plant faults in the cars of a finished study, else of the newest, write the outcome beside it and give it.

    Keys: quarter, sound, false_actions, found (a list of DRILL rows), and demo where the study has it.
    Raises FileNotFoundError where there is no study, or it is older than the store's logs; NothingToStudyError where
    no car is fit to plant a fault in. progress: called with runs done and runs in all.
    """
    from models.drill import drill
    from models.fleet import NothingToStudyError, window

    study = read_study(store, quarter)
    opened = Store(place_of(store))
    held = opened.at_once()
    if _seen(study.quality) != _seen(held.ledger.filter(window(study.quarter, held.ledger, date.today()).in_quarter())):
        raise FileNotFoundError(f"the study of {study.quarter} saw other logs than this store has. Run `study` again.")
    made = drill(
        held.cells, held.pulls, held.ledger, held.roster, study.quarter, progress=progress, pooled=pooled_cells(opened)
    )
    if made.found.is_empty():
        raise NothingToStudyError(
            f"{study.quarter}: no car has two logs or more and no signal, so there is none to plant a fault in. "
            "More logs of more cars would help."
        )
    told: dict[str, Any] = {
        "quarter": made.quarter,
        "sound": made.sound,
        "false_actions": made.false_actions,
        "found": made.found.to_dicts(),
    }
    if study.summary.get("demo"):
        told["demo"] = True
    write_drill(told, store)
    return told


def headroom_of_store(
    store: Path | str,
    ethanol_pct: float,
    *,
    setup: str | None = None,
    label: str | None = None,
    boost_kpa: float | None = None,
    reserve_pct: float = 10.0,
    quarter: str | None = None,
    demo: bool = False,
) -> "Headroom":
    """What a blend would ask of the pump: of a new car of a setup, or of the car with a label. Writes nothing.

    ethanol_pct: by volume, as in the tank. [%]  boost_kpa: highest of the pull; the usual one without it. [kPa gauge]
    reserve_pct: of what the pump gives at its ceiling. demo: all cars are invented, and the answer says so.
    Raises InputError for a question that cannot be answered, all problems at once; NothingToStudyError for a quarter
    without logs.

        import pumpcensus

        answer = pumpcensus.headroom_of_store("store", 40, setup="2.0 four | larger | original | club map 2")
        answer.told["share_upper_pct"], answer.bands
    """
    from models.headroom import headroom

    question = Question(setup, label, ethanol_pct, boost_kpa, reserve_pct)
    opened = Store(place_of(store))
    held = opened.at_once()
    answer = headroom(held.cells, held.pulls, held.ledger, held.roster, question, quarter, pooled=pooled_cells(opened))
    if demo:
        answer.told["demo"] = True
    return answer


def contribution_of_store(store: Path | str, quarter: str | None = None) -> "Contribution":
    """What this club would give to others of a quarter, else of the newest. Writes nothing.

    Labels are made with a key that ends with this call. Raises InputError for a roster's word that others would not
    take, NothingToStudyError for a quarter without logs.
    """
    from models.contribution import contribution
    from models.fleet import window

    opened = Store(place_of(store))
    held = opened.at_once()
    when = window(quarter, held.ledger, date.today())
    club = open_key(opened.path, in_use=True).club()
    made = contribution(held.cells, held.roster, when, club, Key(secrets.token_bytes(KEY_BYTES)))
    columns = (made.cells[name] for name in SETUP_WORDS)
    if odd := {word: why for column in columns for word, why in odd_words(column).items()}:
        raise InputError(
            [
                f"roster, {shortened(word)!r}: {why}. Others would refuse it; spell it in plain words."
                for word, why in odd.items()
            ]
        )
    return made


def compare_car(
    store: Path | str, label: str, *, before: "Range | None" = None, after: "Range | None" = None, demo: bool = False
) -> "Comparison":
    """One car before and after its newest change on the roster, or in two ranges of days. Writes nothing.

    label: as in a study, "XXXX-XXXX". before, after: first and last day of each, both included. demo: all cars are
    invented, and the answer says so. Raises InputError for a label, a change or a range that is not there, all
    problems at once; NothingToStudyError where no pull can be used.

        import pumpcensus

        answer = pumpcensus.compare_car("store", "7K3M-Q2XW")
        answer.told["verdict"], answer.told["change_pct"], answer.curves
    """
    from models.compare import compare

    opened = Store(place_of(store))
    held = opened.at_once()
    answer = compare(held.cells, held.pulls, held.ledger, held.roster, label, before, after)
    if demo:
        answer.told["demo"] = True
    return answer


def write_drill(told: dict[str, Any], store: Path | str) -> Path:
    """Write a drill, as `drill_of_store` gives it, beside the study of its quarter: whole or not at all. Its file."""
    folder = Store(place_of(store)).studies / told["quarter"]
    text = json.dumps(told, indent=2, sort_keys=True, allow_nan=False)
    write_whole(folder / "drill.json", (text + "\n").encode())
    return folder / "drill.json"


def _seen(logs: pl.DataFrame) -> list[tuple[Any, ...]]:
    """What tells the log files of a quarter from those of another day."""
    dated = logs.filter(pl.col("date").is_not_null())
    return sorted(dated.select(pl.col("label").fill_null(""), "date", "rows_in", "rows_kept").iter_rows())
