"""What columns are taken for, and the mapping file drafted from it: it must say what was understood anyway."""

import tomllib
from datetime import date
from pathlib import Path
from types import ModuleType

import pytest

from ingest.inspect_log import inspect_logs
from ingest.mapping import ChannelMap, read_mapping
from ingest.seen_columns import SeenColumn, draft_mapping, seen_columns

TODAY = date(2026, 11, 25)
DIALECTS = sorted(path for path in (Path(__file__).parent / "dialects").rglob("*") if path.suffix != ".toml")


@pytest.mark.parametrize("log", [path for path in DIALECTS if path.is_file()], ids=lambda path: path.name)
def test_a_draft_changes_nothing(log: Path, tmp_path: Path) -> None:
    before = inspect_logs(log, today=TODAY)
    draft = tmp_path / "mine.toml"
    draft.write_text(before[0].draft(), encoding="utf-8")
    read_mapping(draft)
    if len(before) > 1:
        return
    after = inspect_logs(log, channels=draft, today=TODAY)[0]
    assert (after.told["verdict"], after.told["reason"]) == (before[0].told["verdict"], before[0].told["reason"])
    for channel, told in before[0].told["channels"].items():
        for part in ("column", "min", "median", "max"):
            assert after.told["channels"][channel][part] == told[part], (channel, part)


def test_every_column_says_what_it_is_and_what_tells_it() -> None:
    header = "Time [s],Engine speed [1/min],HPFP duty actual xyz [%],Boost,Valve 7,Rail [bar]"
    rows = [f"{i / 10},{1500 + 50 * i},{20 + i},{i / 40 - 0.5},{i},{50 + i}" for i in range(60)]
    seen = {c.name: c for c in seen_columns("\n".join([header, *rows, ""]).encode(), ChannelMap())}
    assert (seen["Time"].channel, seen["Engine speed"].sure) == ("time_s", "name and unit")
    assert seen["HPFP duty actual xyz"].sure == "part of the name, and unit"
    assert (seen["Boost"].channel, seen["Boost"].sure, seen["Boost"].reference) == ("boost_kpa", "name", "gauge")
    assert (seen["Valve 7"].channel, seen["Valve 7"].low, seen["Valve 7"].high) == ("", 0.0, 59.0)


def test_the_missing_channel_is_left_open_and_unused_columns_are_listed(made_up: ModuleType, tmp_path: Path) -> None:
    log = tmp_path / "2026-07-31.csv"
    log.write_text(made_up.text(1).replace("HPFP duty [%]", "Valve 7 [%]"), encoding="utf-8")
    (seen,) = inspect_logs(log, today=TODAY)
    assert (seen.told["reason"], seen.not_found) == ("channel_missing", ("pump_duty_pct",))
    draft = seen.draft()
    assert '# [pump_duty_pct]\n# column = "..."' in draft
    assert '#   "Valve 7" %' in draft
    mapping = tmp_path / "mine.toml"
    mapping.write_text(draft.replace("# [pump", "[pump").replace('# column = "..."', 'column = "Valve 7"'))
    (named,) = inspect_logs(log, channels=mapping, today=TODAY)
    assert named.told["verdict"] == "kept"
    assert {c.channel: c.sure for c in named.columns}["pump_duty_pct"] == "mapping file"


def test_odd_names_make_valid_toml(tmp_path: Path) -> None:
    odd = 'A "quoted" \\ name\twith\x7f\x1b[31m signs [pump] # = µ'
    columns = [
        SeenColumn(odd, "%", 0.0, 1.0, 2.0, "pump_duty_pct", "name"),
        SeenColumn(odd + "2", "\n[x]", 0.0, 1.0, 2.0),
        SeenColumn("twice", "", 0.0, 1.0, 2.0, "gear", "name"),
        SeenColumn("twice", "", 0.0, 1.0, 2.0),
    ]
    text = draft_mapping(columns, ["engine_speed_rpm"])
    assert tomllib.loads(text) == {"pump_duty_pct": {"column": odd, "unit": "%"}}


def test_an_upside_down_duty_is_not_confirmed_by_the_draft(made_up: ModuleType, tmp_path: Path) -> None:
    channels = made_up.drive(made_up.np.random.default_rng(1))
    channels["pump_duty_pct"] = 100.0 - channels["pump_duty_pct"]
    frame = made_up.pl.DataFrame({made_up.HEADER[name]: values for name, values in channels.items()})
    (tmp_path / "a.csv").write_text(frame.write_csv())
    (seen,) = inspect_logs(tmp_path / "a.csv", today=TODAY)
    assert seen.told["reason"] == "duty_upside_down"
    assert "# inverted = true" in seen.draft()
    assert "inverted" not in tomllib.loads(seen.draft())["pump_duty_pct"]


@pytest.mark.parametrize("content", [b"", b"dear diary\n" * 50, b"\x1f\x8b\x08 no", b"PK\x03\x04", b"MDF     4.10    "])
def test_what_is_no_log_has_no_columns_and_an_empty_draft(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_bytes(content)
    (seen,) = inspect_logs(tmp_path / "x.csv")
    assert (seen.told["verdict"], seen.columns, seen.best_pull) == ("refused", (), None)
    assert tomllib.loads(seen.draft()) == {}
