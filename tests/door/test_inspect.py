"""`inspect` as typed: text for people, JSON for programs, and a draft that overwrites nothing."""

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import pumpcensus
from ingest.mapping import read_mapping

ROWS = [f"{i / 10},{1500 + 60 * i},{20 + i},{60 + 2 * i},{min(100, 5 * i)}" for i in range(80)]
KEYS = ["log", "verdict", "reason", "rows_in", "rows_kept", "pulls", "dialect", "channels", "findings"]


def run(*words: str | Path) -> Any:
    return CliRunner().invoke(pumpcensus.app, ["inspect", *(str(word) for word in words)])


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "2026-07-31.csv"
    header = "Time [s],RPM [rpm],HPFP duty [%],MAP [kPa],Pedal [%]"
    path.write_text("\n".join([header, *ROWS, ""]), encoding="utf-8")
    return path


def test_people_see_channels_pulls_and_a_picture_no_wider_than_a_terminal(log: Path) -> None:
    result = run(log)
    assert result.exit_code == 0
    for part in ('from "HPFP duty" [%] by name and unit', "pull 1:", "duty (%): o", "1/min", "(ethanol_not_measured)"):
        assert part in result.stdout
    picture = result.stdout[result.stdout.index("    duty (%): o") :].splitlines()
    assert max(map(len, picture)) <= 80


def test_programs_get_one_object_with_the_keys_they_rely_on(log: Path) -> None:
    result = run(log, log, "--json")
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert [list(one) for one in told] == [KEYS, KEYS]


def test_a_draft_is_written_once_and_can_be_handed_over(log: Path, tmp_path: Path) -> None:
    log.write_text(log.read_text().replace("HPFP duty", "Valve 7"), encoding="utf-8")
    draft = tmp_path / "mine.toml"
    result = run(log, "--write-channels", draft)
    assert result.exit_code == 1, "the log is refused all the same"
    assert "not told: pump_duty_pct" in result.stdout
    assert f"{draft}: drafted from {log}" in result.stderr
    assert read_mapping(draft).of("engine_speed_rpm").column == "RPM"
    draft.write_text(draft.read_text() + '\n[pump_duty_pct]\ncolumn = "Valve 7"\n', encoding="utf-8")
    assert run(log, "--channels", draft).exit_code == 0


def test_a_draft_writes_over_nothing(log: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text("# weeks of work\n", encoding="utf-8")
    result = run(log, "--write-channels", mine)
    assert result.exit_code == 2
    assert "is there already" in result.stderr
    assert mine.read_text(encoding="utf-8") == "# weeks of work\n"


def test_json_stands_alone_where_a_draft_is_written_too(log: Path, tmp_path: Path) -> None:
    result = run(log, "--json", "--write-channels", tmp_path / "mine.toml")
    assert json.loads(result.stdout)["verdict"] == "kept"
