"""What is loaded before a room is needed."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import pumpcensus

ROOT = Path(pumpcensus.__file__).parent
LIGHT = {"pumpcensus", "door", "typer", "annotated_doc", "click", "shellingham", "typing_extensions"}  # and typer's
LIGHT |= {"pydantic", "pydantic_core", "annotated_types", "typing_inspection"}  # which it loads where they happen to be


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--help"],
        ["--version"],
        ["study", "--help"],
        ["study"],
        ["nonsense"],
        ["car", "no", "--store", "s"],
        ["inspect", "no-such-log.csv"],
        ["roster", "."],
        ["study", "--store", "s", "--quarter", "2026Q9"],
        ["report", "--store", "s"],
        ["compare", "7K3M-Q2XW", "--store", "s", "--before", "2026-07-01..2026-07-31"],
        ["headroom", "--store", "s", "--ethanol", "40"],
        ["pool", "pyproject.toml", "--withdraw", "7K3M-Q2XW", "--store", "s"],
    ],
)
def test_help_and_usage_errors_load_the_command_line_and_nothing_heavier(words: list[str]) -> None:
    code = f"""
import sys
before = set(sys.modules)
import pumpcensus
try:
    pumpcensus.app({words!r})
except SystemExit as ended:
    print("LOADED", ended.code, *sorted({{name.split(".")[0] for name in set(sys.modules) - before}}))
"""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    told = subprocess.run([sys.executable, "-c", code], env=environment, cwd=ROOT, text=True, capture_output=True)
    _, ended, *loaded = told.stdout.splitlines()[-1].split()
    assert ended == ("0" if not words or "--help" in words or "--version" in words else "2")
    others = {name for name in loaded if not name.startswith("_sysconfigdata")} - sys.stdlib_module_names
    assert others <= LIGHT
    assert "typer" in loaded


def test_reading_logs_loads_no_statistics_and_no_charts(tmp_path: Path) -> None:
    (tmp_path / "logs/anna").mkdir(parents=True)
    (tmp_path / "logs/anna/2026-07-01.csv").write_text("Time [s],RPM\n0,800\n0.1,810\n", encoding="utf-8")
    (tmp_path / "roster.csv").write_text("car,engine,pump\nanna,2.0 four,original\n", encoding="utf-8")
    code = """
import sys
import pumpcensus
try:
    pumpcensus.app(["ingest", "logs", "--roster", "roster.csv", "--store", "store"])
except SystemExit as ended:
    print("LOADED", ended.code, *sys.modules)
"""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    told = subprocess.run([sys.executable, "-c", code], env=environment, cwd=tmp_path, text=True, capture_output=True)
    _, ended, *loaded = told.stdout.splitlines()[-1].split()
    assert ended == "1"  # the log is refused
    assert {"polars", "ingest.read_log"} <= set(loaded)
    assert not {"models", "altair", "duckdb", "scipy", "jinja2", "pyarrow", "pint", "fastexcel"} & set(loaded)


@pytest.mark.parametrize(
    ("loading", "unloaded"),
    [  # what takes half a second or more to load, and is not asked for
        (
            "from models.study_files import read_study; from reports.report_files import write_report",
            {"scipy", "sklearn", "duckdb", "altair", "pyarrow", "ingest.read_log"},
        ),
        (
            "from models.study import run_study; from reports.terminal import signals_text",
            {"scipy.stats", "sklearn", "altair", "jinja2", "ingest.read_log"},
        ),
    ],
    ids=["report", "study"],
)
def test_a_report_loads_no_statistics_and_a_study_only_what_it_reckons_with(loading: str, unloaded: set[str]) -> None:
    code = f"import sys; {loading}; print(*sys.modules)"
    told = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"PYTHONPATH": str(ROOT)}, cwd=ROOT, text=True, capture_output=True, check=True,
    )  # fmt: skip
    loaded = set(told.stdout.split())
    assert {"polars", "models.schemas"} <= loaded
    assert not unloaded & loaded
