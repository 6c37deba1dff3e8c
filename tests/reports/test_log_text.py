"""What `inspect` and `ingest` print."""

from types import SimpleNamespace

import polars as pl

from reports.log_text import ingest_text, inspected_text, log_text

SEEN = {
    "log": "a.csv",
    "verdict": "kept",
    "reason": "",
    "rows_in": 120,
    "rows_kept": 118,
    "pulls": 2,
    "dialect": {"form": "text, utf-8"},
    "channels": {
        "pump_duty_pct": {
            "column": "Duty\x1b[31m",
            "unit": "%",
            "assumed": "scale_assumed",
            "min": 12.0,
            "median": 55.25,
            "max": None,
        }
    },
    "findings": [{"code": "value_impossible", "where": "row 14", "message": "No such speed."}],
}


def test_a_log_is_shown_with_counts_channels_and_findings() -> None:
    text = log_text(SEEN)
    assert text.splitlines()[0] == "a.csv: kept"
    for part in ("120 in the file, 118 kept", "pulls: 2", "12, 55.25, -", "row 14: No such speed."):
        assert part in text


def test_control_characters_of_a_file_do_not_reach_the_terminal() -> None:
    assert "\x1b" not in log_text(SEEN)
    assert 'from "Duty?[31m"' in log_text(SEEN)


def test_a_refused_log_says_why_without_channels() -> None:
    seen = SEEN | {"verdict": "refused", "reason": "empty", "channels": {}, "dialect": {}}
    assert log_text(seen).startswith("a.csv: refused (empty)")
    assert "channels" not in log_text(seen)


def test_an_ingest_shows_every_problem_and_the_commonest_finding_first() -> None:
    result = SimpleNamespace(
        kept=2,
        refused=1,
        skipped=0,
        superseded=0,
        pulls=5,
        findings={"empty": 1, "ethanol_not_measured": 3},
        problems=("b.csv: no data.",),
    )
    lines = ingest_text(result).splitlines()
    assert lines[0].startswith("Logs: 2 kept, 1 refused")
    assert lines[1] == "b.csv: no data."
    assert lines[3].split()[:2] == ["3", "ethanol_not_measured:"]


def inspected(**changed: object) -> SimpleNamespace:
    column = SimpleNamespace(
        name="Duty\x1b[31m", unit="%", low=1.0, median=2.0, high=3.0, channel="pump_duty_pct", sure="name", may_be=()
    )
    facts = {"told": SEEN, "columns": (column,), "pulls": pl.DataFrame(), "best_pull": None, "not_found": ()}
    return SimpleNamespace(**(facts | changed))


def test_a_channel_says_what_tells_it() -> None:
    assert 'from "Duty?[31m" [%] by name; assumed: scale_assumed' in inspected_text(inspected())


def test_a_channel_that_was_not_told_says_what_there_is_and_how_to_name_it() -> None:
    other = SimpleNamespace(
        name="Valve\x1b 7", unit="", low=0.0, median=5.0, high=9.0, channel="", sure="", may_be=("pump_duty_pct",)
    )
    refused = SEEN | {"verdict": "refused", "reason": "channel_missing", "channels": {}}
    speed = SimpleNamespace(**{**vars(other), "name": "RPM", "channel": "engine_speed_rpm", "sure": "name"})
    text = inspected_text(inspected(told=refused, columns=(speed, other), not_found=("pump_duty_pct",)))
    for part in (
        "not told: pump_duty_pct",
        '0, 5, 9  from "Valve? 7"; may be pump_duty_pct',
        '    [pump_duty_pct]\n    column = "Valve? 7"',
        'engine_speed_rpm  0, 5, 9  from "RPM" by name',
    ):
        assert part in text


def test_pulls_have_a_line_each_and_the_best_a_picture() -> None:
    pull = {"pull": 1, "start_s": 3.04, "end_s": 9.0, "speed_low_rpm": 2200.0, "speed_high_rpm": 6300.0}
    pull |= {"duty_max_pct": 88.25, "dropouts": 1, "rail_deficits": None}
    best = pl.DataFrame({"engine_speed_rpm": [2200.0, 6300.0], "pump_duty_pct": [40.0, 88.0]})
    text = inspected_text(inspected(pulls=pl.DataFrame([pull]), best_pull=best))
    assert "  pull 1: 3.0 to 9.0 s, 2200 to 6300 1/min, duty up to 88.2 %, dropouts: 1" in text
    assert text.splitlines()[-1].endswith("1/min")
