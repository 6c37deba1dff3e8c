"""The command line with stand-ins for the rooms: what it asks of them, prints, and ends with."""

import json
import os
import subprocess
import sys
from datetime import date
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

import pumpcensus
import reports.log_text  # noqa: F401  stays when `reports` is replaced by a stand-in
from ingest.findings import InputError
from ingest.roster import Remark
from ingest.schemas import empty
from models.schemas import BASELINES, CAR_LOGS, CARS, CHANGES, CURVES, QUALITY, Study

ROOT = Path(pumpcensus.__file__).parent
LABEL = "7K3M-Q2XW"
GIVEN = SimpleNamespace(quarter="2026Q3", cells=pl.DataFrame({"car": [LABEL]}))
COMMANDS = ["demo", "synthesize", "inspect", "roster", "ingest", "study", "report", "car",
            "drill", "compare", "headroom", "contribute", "pool", "labels", "forget"]  # fmt: skip


def run(*words: str | Path) -> Any:
    return CliRunner().invoke(pumpcensus.app, [str(word) for word in words])


def a_study(**summary: Any) -> Study:
    car = dict.fromkeys(CARS) | {"label": LABEL, "excess_pct": float("nan"), "since": date(2026, 7, 4)}
    curve = dict.fromkeys(CURVES) | {"label": "AAAA-AAAA"}
    return Study(
        quarter="2026Q3",
        cars=pl.DataFrame([car], schema=CARS),
        changes=empty(CHANGES),
        baselines=empty(BASELINES),
        curves=pl.DataFrame([curve], schema=CURVES),
        car_logs=empty(CAR_LOGS),
        quality=empty(QUALITY),
        summary={"quarter": "2026Q3"} | summary,
    )


@pytest.fixture
def rooms(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Stand-ins that note what they were asked; a test changes what they answer."""
    asked: list[tuple[Any, ...]] = []
    result = SimpleNamespace(kept=3, refused=0, skipped=0, superseded=0, pulls=6, findings={}, problems=())

    def noting(name: str, answer: Any) -> Any:
        def stand_in(*args: Any, **kwargs: Any) -> Any:
            asked.append((name, *args, kwargs))
            if "progress" in kwargs:
                for done in range(101):
                    kwargs["progress"](done, 100)
            return answer

        return stand_in

    seen = {"log": "a.csv", "verdict": "kept", "reason": "", "rows_in": 1, "rows_kept": 1, "pulls": 1}
    seen |= {"dialect": {}, "channels": {}, "findings": []}
    inspected = SimpleNamespace(told=seen, columns=(), pulls=pl.DataFrame(), best_pull=None, not_found=())
    doors = {
        "ingest.many_logs": {"ingest_logs": noting("ingest", result)},
        "ingest.inspect_log": {"inspect_logs": noting("inspect", [inspected])},
        "ingest.forget_car": {"forget_car": noting("forget", 4)},
        "ingest.roster_draft": {"draft_roster": noting("draft", Remark("roster.csv", 3, "pump", "empty."))},
        "ingest.roster_check": {"check_roster": noting("check", SimpleNamespace(problems=()))},
        "reports.roster_text": {"draft_text": noting("drafted", "a draft"), "check_text": noting("checked", "a check")},
        "ingest.pooled": {
            name: noting(name, {}) for name in ("given_before", "write_contribution", "pool_files", "withdraw_club")
        },
        "reports.contribution_text": {name: noting(name, "told") for name in ("contribution_text", "pooled_text")},
        "ingest.labels": {"read_labels": noting("labels", {"Blue car": LABEL})},
        "models.study_files": {
            "drill_of_store": noting("drill", {"quarter": "2026Q3", "sound": 9, "false_actions": 0, "found": []}),
            "compare_car": noting("compare", SimpleNamespace(told={"verdict": "better"}, curves=pl.DataFrame())),
            "headroom_of_store": noting("headroom", SimpleNamespace(told={"why_none": ""}, bands=pl.DataFrame())),
            "study_of_store": noting("study", a_study()),
            "read_study": noting("read", a_study()),
            "contribution_of_store": noting("contribution", GIVEN),
        },
        "reports.compare_text": {"compare_text": noting("compared", "before and after")},
        "reports.headroom_text": {"headroom_text": noting("foretold", "a prediction")},
        "reports": dict.fromkeys(("write_report", "write_cards", "markdown_text"), noting("report", Path("page.html"))),
        "reports.terminal": {
            "signals_text": noting("signals", "the signals"),
            "car_text": noting("car", "one car"),
            "drill_text": noting("drilled", "the drill"),
        },
        "synthetic_fleet": {"synthesize": noting("synthesize", None)},
    }
    for name, functions in doors.items():
        module = ModuleType(name)
        for function, stand_in in functions.items():
            setattr(module, function, stand_in)
        monkeypatch.setitem(sys.modules, name, module)

    def fails(where: str, function: str, problem: BaseException) -> None:
        def failing(*args: Any, **kwargs: Any) -> Any:
            raise problem

        setattr(sys.modules[where], function, failing)

    return SimpleNamespace(asked=asked, result=result, seen=seen, fails=fails)


# ---- what each command does


def test_the_commands_are_those_of_the_contract() -> None:
    assert [command.name for command in pumpcensus.app.registered_commands] == COMMANDS


@pytest.mark.parametrize("command", COMMANDS)
def test_help_says_what_a_command_does_and_shows_an_example(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"Example: pumpcensus {command}" in result.stdout


def test_the_list_of_commands_cuts_no_sentence_off() -> None:
    listed = run("--help").stdout.split("Commands:")[1].split("\n")
    assert len(listed) > len(COMMANDS)
    assert [line for line in listed if line and not line.endswith((".", "?"))] == []
    assert [line for line in listed if line.endswith("...")] == []


@pytest.mark.usefixtures("rooms")
@pytest.mark.parametrize("command", pumpcensus.app.registered_commands, ids=lambda command: command.name)
def test_the_example_of_the_help_is_one_that_works(
    command: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "logs/car-7").mkdir(parents=True)
    (tmp_path / "logs/car-7/2026-07-04_01.csv").touch()
    (tmp_path / "roster.csv").touch()
    (tmp_path / "theirs.parquet").touch()
    monkeypatch.setattr("door.sharing.agreed", lambda *_: True)
    assert run(*command.epilog.removeprefix("Example: pumpcensus ").split()).exit_code == 0


def test_ingest_hands_its_arguments_on_and_reports_progress(rooms: SimpleNamespace, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    roster.touch()
    result = run("ingest", tmp_path, "--roster", roster, "--store", tmp_path / "store")
    assert result.exit_code == 0
    name, *paths, options = rooms.asked[0]
    assert (name, paths) == ("ingest", [tmp_path, roster, str(tmp_path / "store")])
    assert (options["channels"], options["car_column"], options["workers"]) == (None, "", None)
    assert "Logs: 3 kept" in result.stdout
    assert result.stderr.splitlines() == [f"Reading logs: {done} of 100" for done in range(0, 101, 10)]


def test_ingest_of_nothing_usable_ends_with_1(rooms: SimpleNamespace, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    roster.touch()
    rooms.result.kept, rooms.result.refused = 0, 3
    assert run("ingest", tmp_path, "--roster", roster, "--store", tmp_path / "s").exit_code == 1
    rooms.result.skipped = 1
    assert run("ingest", tmp_path, "--roster", roster, "--store", tmp_path / "s").exit_code == 0


def test_inspect_gives_one_object_a_line(rooms: SimpleNamespace, tmp_path: Path) -> None:
    logs = [tmp_path / name for name in ("a.csv", "b.csv")]
    for log in logs:
        log.touch()
    result = run("inspect", *logs, "--json")
    assert [json.loads(line) for line in result.stdout.splitlines()] == [rooms.seen, rooms.seen]
    rooms.seen["verdict"] = "refused"
    assert run("inspect", *logs).exit_code == 1


@pytest.mark.usefixtures("rooms")
def test_study_json_stands_alone_on_stdout_and_has_null_for_no_number() -> None:
    result = run("study", "--store", "s", "--json")
    told = json.loads(result.stdout)
    assert told["cars"][0]["excess_pct"] is None
    assert told["cars"][0]["since"] == "2026-07-04"
    assert set(told["cars"][0]) == set(CARS)


def test_a_quarter_is_handed_on_and_a_wrong_one_is_a_usage_error(rooms: SimpleNamespace) -> None:
    assert run("study", "--store", "s", "--quarter", "2026q3").exit_code == 0
    assert rooms.asked[0][:3] == ("study", "s", "2026Q3")
    for wrong in ("2026-3", "2026Q5", "Q3", "26Q3", ""):
        result = run("study", "--store", "s", "--quarter", wrong)
        assert result.exit_code == 2
        assert "as in 2026Q3" in result.stderr


def test_drill_reports_progress_and_prints_its_words_or_json(rooms: SimpleNamespace) -> None:
    result = run("drill", "--store", "s", "--quarter", "2026q3")
    assert (result.exit_code, result.stdout) == (0, "the drill\n")
    assert rooms.asked[0][:3] == ("drill", "s", "2026Q3")
    assert result.stderr.splitlines()[-1] == "Planting faults: 100 of 100"
    told = json.loads(run("drill", "--store", "s", "--json").stdout)
    assert told == {"quarter": "2026Q3", "sound": 9, "false_actions": 0, "found": []}


def test_a_drill_without_a_study_says_what_to_do(rooms: SimpleNamespace) -> None:
    rooms.fails("models.study_files", "drill_of_store", FileNotFoundError("no study there. Run `study` first."))
    result = run("drill", "--store", "s")
    assert result.exit_code == 1
    assert result.stderr.splitlines() == ["no study there. Run `study` first.", "1 problem; nothing was planted."]


@pytest.mark.usefixtures("rooms")
@pytest.mark.parametrize("spelling", [LABEL, "7K3MQ2XW", "7k3m-q2xw"])
def test_a_label_is_known_without_dash_and_in_lower_case(spelling: str) -> None:
    result = run("car", spelling, "--store", "s", "--json")
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    assert told["label"] == LABEL
    assert [len(told[table]) for table in ("spells", "curves", "logs")] == [1, 0, 0]


@pytest.mark.usefixtures("rooms")
def test_what_is_no_label_is_a_usage_error_and_an_unknown_car_is_refused() -> None:
    for wrong in ("Blue car", "7K3M", "7K3M-Q2XI"):
        assert run("car", wrong, "--store", "s").exit_code == 2
    result = run("car", "AAAA-AAAA", "--store", "s")
    assert result.exit_code == 1
    assert result.stderr.splitlines()[-1] == "1 problem; nothing was shown."


@pytest.mark.usefixtures("rooms")
def test_missing_paths_are_usage_errors_that_name_the_path(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    for words in (
        ("inspect", gone),
        ("ingest", gone, "--roster", ROOT / "LICENSE", "--store", "s"),
        ("ingest", tmp_path, "--roster", gone, "--store", "s"),
        ("ingest", tmp_path, "--roster", ROOT / "LICENSE", "--store", "s", "--channels", gone),
    ):
        result = run(*words)
        assert result.exit_code == 2
        assert "gone" in result.stderr.replace("\n", "")


# ---- the demo


def test_the_demo_runs_all_steps_in_order_and_says_it_is_invented(rooms: SimpleNamespace, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    result = run("demo", folder)
    assert result.exit_code == 0, result.stderr
    assert [entry[0] for entry in rooms.asked] == ["synthesize", "ingest", "study", "report", "signals"]
    assert rooms.asked[2][-1] == {"demo": True}
    assert "invented" in result.stdout
    assert "file://" in result.stdout
    assert "invented" in (folder / "invented.txt").read_text(encoding="utf-8")


@pytest.mark.usefixtures("rooms")
def test_a_second_demo_replaces_the_first_and_nothing_else(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    assert run("demo", folder).exit_code == 0
    (folder / "store").mkdir()
    (folder / "store/old").touch()
    assert run("demo", folder).exit_code == 0
    assert not (folder / "store/old").exists()
    (folder / "holiday.jpg").touch()
    result = run("demo", folder)
    assert result.exit_code == 1
    assert "holiday.jpg" in result.stderr
    assert (folder / "holiday.jpg").exists()


def test_a_study_made_anew_of_a_demo_still_says_that_it_is_one(rooms: SimpleNamespace, tmp_path: Path) -> None:
    assert run("demo", tmp_path / "demo").exit_code == 0
    assert run("study", "--store", tmp_path / "demo/store").exit_code == 0
    assert run("study", "--store", tmp_path / "store").exit_code == 0
    assert [entry[-1]["demo"] for entry in rooms.asked if entry[0] == "study"] == [True, True, False]


@pytest.mark.usefixtures("rooms")
@pytest.mark.parametrize("command", [("demo",), ("synthesize", "--cars", "3", "--seed", "1")])
def test_a_folder_in_use_is_refused_untouched(command: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "roster.csv").write_text("mine")
    result = run(command[0], tmp_path, *command[1:])
    assert result.exit_code == 1
    assert "in use (roster.csv)" in result.stderr
    assert (tmp_path / "roster.csv").read_text() == "mine"


# ---- how things end


def test_refused_input_gives_each_problem_a_line_and_then_their_number(rooms: SimpleNamespace) -> None:
    rooms.fails("models.study_files", "study_of_store", InputError(["a: empty. Fill it.", "b: no date."]))
    result = run("study", "--store", "s", "--json")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.splitlines() == [
        "a: empty. Fill it.",
        "b: no date.",
        "2 problems; nothing was studied.",
    ]


def test_the_unexpected_ends_in_one_line_without_traceback(
    rooms: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PUMPCENSUS_TRACEBACK", raising=False)
    rooms.fails("models.study_files", "study_of_store", ZeroDivisionError("float division\nby zero"))
    result = run("study", "--store", "s")
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    for part in ("ZeroDivisionError at ", "report this line", "PUMPCENSUS_TRACEBACK=1"):
        assert part in line
    assert "float division" not in line, "what was said may be a cell of somebody's log"
    monkeypatch.setenv("PUMPCENSUS_TRACEBACK", "1")
    assert "Traceback" in run("study", "--store", "s").stderr


def test_a_full_disk_or_a_closed_door_is_told_with_the_path(rooms: SimpleNamespace) -> None:
    rooms.fails("models.study_files", "study_of_store", PermissionError(13, "Permission denied", "s/x.parquet"))
    result = run("study", "--store", "s")
    assert result.exit_code == 1
    assert result.stderr.startswith("s/x.parquet: Permission denied. The command did not finish. Ask who may write")
    rooms.fails("models.study_files", "study_of_store", OSError(28, "No space left on device", "s/x.parquet"))
    assert "The command did not finish. Make room there and run it again" in run("study", "--store", "s").stderr


def test_an_interrupt_ends_with_130(rooms: SimpleNamespace) -> None:
    rooms.fails("models.study_files", "study_of_store", KeyboardInterrupt())
    result = run("study", "--store", "s")
    assert result.exit_code == 130
    assert "Stopped" in result.stderr


def python(code: str, **options: Any) -> "subprocess.CompletedProcess[str]":
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-c", code], env=environment, text=True, check=False, capture_output=True, **options
    )


def test_a_reader_that_leaves_early_is_no_error() -> None:
    code = """
import os, sys, typer
from door.endings import ends
reader, writer = os.pipe()
os.close(reader)
os.dup2(writer, 1)
@ends("shown")
def much():
    for _ in range(10_000):
        typer.echo("line")
try:
    much()
except typer.Exit as ending:
    sys.exit(ending.exit_code)
"""
    result = python(code)
    assert (result.returncode, result.stderr) == (141, "")


def test_the_rooms_functions_are_had_from_the_front_door() -> None:
    assert pumpcensus.InputError is InputError
    assert "ingest_logs" in dir(pumpcensus)
    with pytest.raises(AttributeError, match="pumpcensus has no 'nothing'"):
        pumpcensus.nothing  # noqa: B018
