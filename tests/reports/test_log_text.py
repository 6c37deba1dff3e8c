"""What `inspect` and `ingest` print."""

from types import SimpleNamespace

from reports.log_text import ingest_text, log_text

SEEN = {
    "log": "a.csv",
    "verdict": "kept",
    "reason": "",
    "rows_in": 120,
    "rows_kept": 118,
    "pulls": 2,
    "dialect": {"form": "text utf-8", "delimiter": ";"},
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
