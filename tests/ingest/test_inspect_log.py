"""One log as `inspect` shows it: the keys that scripts rely on, and the same verdict as ingest's."""

import json
import zipfile
from datetime import date
from pathlib import Path
from types import ModuleType

import pytest

from ingest.findings import InputError
from ingest.inspect_log import inspect_log
from ingest.many_logs import ingest_logs
from ingest.store import Store

TODAY = date(2026, 11, 25)
KEYS = ["log", "verdict", "reason", "rows_in", "rows_kept", "pulls", "dialect", "channels", "findings"]


@pytest.fixture
def log(made_up: ModuleType, tmp_path: Path) -> Path:
    path = tmp_path / "2026-07-04_01.csv"
    path.write_text(made_up.text(1, pulls=2), encoding="utf-8")
    return path


def test_the_keys_scripts_rely_on(log: Path) -> None:
    seen = inspect_log(log, today=TODAY)
    assert list(seen) == KEYS
    assert (seen["verdict"], seen["reason"], seen["pulls"]) == ("kept", "", 2)
    assert seen["rows_in"] == seen["rows_kept"] > 300
    assert set(seen["channels"]["pump_duty_pct"]) == {"column", "unit", "assumed", "min", "median", "max"}
    assert seen["channels"]["pump_duty_pct"]["column"] == "HPFP duty"
    assert 60 < seen["channels"]["pump_duty_pct"]["max"] < 100
    json.dumps(seen, allow_nan=False)


def test_nothing_is_written(log: Path) -> None:
    inspect_log(log)
    assert [path.name for path in log.parent.iterdir()] == [log.name]


def test_findings_say_where_and_what_to_do(log: Path) -> None:
    log.write_text(log.read_text().replace("Ethanol content", "Weather"))
    seen = inspect_log(log, today=TODAY)
    found = {finding["code"]: finding for finding in seen["findings"]}
    assert found["ethanol_not_measured"]["where"] == "ethanol_pct"
    assert "Log the ethanol sensor" in found["ethanol_not_measured"]["message"]
    assert set(found["ethanol_not_measured"]) == {"code", "where", "message"}


@pytest.mark.parametrize("content", [b"", b"dear diary\n" * 50, b"\x1f\x8b\x08 no", b"PK\x03\x04", b"\x00" * 999])
def test_what_is_no_log_is_refused_with_a_reason(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    seen = inspect_log(path)
    assert list(seen) == KEYS
    assert seen["verdict"] == "refused"
    assert seen["reason"] == next(f["code"] for f in seen["findings"] if f["code"] == seen["reason"])
    assert seen["pulls"] == seen["rows_kept"] == 0
    json.dumps(seen, allow_nan=False)


def test_an_archive_of_several_logs_says_so(log: Path) -> None:
    with zipfile.ZipFile(log.with_name("two.zip"), "w") as archive:
        archive.write(log, "a.csv")
        archive.write(log, "b.csv")
    assert inspect_log(log.with_name("two.zip"))["reason"] == "archive_of_many"


def test_a_broken_mapping_file(log: Path) -> None:
    mapping = log.with_name("mine.toml")
    mapping.write_text("nonsense = 1\n")
    with pytest.raises(InputError, match=r"mine\.toml"):
        inspect_log(log, channels=mapping)


def test_ingest_says_what_inspect_said(made_up: ModuleType, tmp_path: Path) -> None:
    logs, roster, store = made_up.club(tmp_path, cars=1, logs=2)
    (logs / "anna/2026-07-03_01.csv").write_text(made_up.text(7, pulls=0))
    (logs / "anna/2026-07-04_01.csv").write_text("nothing\n")
    ingest_logs(logs, roster, store, today=TODAY)
    told = Store(store).ledger().collect().select("verdict", "rows_in", "rows_kept", "pulls").rows()
    seen = [inspect_log(path, today=TODAY) for path in sorted((logs / "anna").iterdir())]
    assert told == [tuple(one[key] for key in ("verdict", "rows_in", "rows_kept", "pulls")) for one in seen]
