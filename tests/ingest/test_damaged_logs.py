"""Whatever happens to a log on its way: rows add up, nothing fails, and no unit is wrong without a word."""

import time
from types import ModuleType

import pytest
from forms import zipped
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.read_log import read_log, read_logs

CASE_S = 3.0


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_is_refused_or_read_right(damaged_logs: ModuleType, data: st.DataObject) -> None:
    logs = damaged_logs.good_logs()
    name = data.draw(st.sampled_from(sorted(logs)))
    share = st.floats(0, 1)
    damage = st.builds(damaged_logs.Damage, st.sampled_from(damaged_logs.KINDS), share, share, st.integers(0, 9999))
    content = damaged_logs.damaged(logs[name], data.draw(st.lists(damage, min_size=1, max_size=4)))
    start = time.process_time()
    assert damaged_logs.faults(name, content, read_log(name, logs[name])) == []
    assert time.process_time() - start < CASE_S


@pytest.mark.parametrize(
    "member", ["../../etc/evil.csv", "/abs/evil.csv", "a/../../../evil.csv", "a\\..\\..\\evil.csv"]
)
def test_a_path_that_climbs_out_of_its_archive_is_left_out(member: str, damaged_logs: ModuleType) -> None:
    content = damaged_logs.good_logs()["brackets_comma.csv"]
    readings = read_logs("anna/logs.zip", zipped({member: content, "good.csv": content}))
    assert [reading.refused for _, reading in readings if reading.refused] == []
    for place, _ in readings:
        assert place.startswith("anna/logs.zip/")
        assert ".." not in place.replace("\\", "/").split("/")


def test_control_characters_of_a_members_name_are_left_out(damaged_logs: ModuleType) -> None:
    content = damaged_logs.good_logs()["brackets_comma.csv"]
    ((place, _),) = read_logs("logs.zip", zipped({"\x1b[31mred\x07\n.csv": content}))
    assert place.isprintable()


def test_an_archive_within_archives_ends_somewhere() -> None:
    content = b"nothing but text\n" * 1000
    for _ in range(40):
        content = zipped({"a.zip": content, "b.zip": content})
        if len(content) > 200_000:
            break
    readings = read_logs("bomb.zip", content)
    assert all(reading.refused for _, reading in readings)
    assert len(readings) <= 2**3


@pytest.mark.parametrize("cell", ["=1+1", '=HYPERLINK("http://x","y")', "@SUM(1)", "+cmd|'/c calc'!A0"])
def test_a_formula_in_a_cell_is_text_and_nothing_else(cell: str) -> None:
    quoted = '"' + cell.replace('"', '""') + '"'
    rows = [f"{i / 10},{1000 + 50 * i},{20 + i / 2},{60 + 2 * i},{quoted if i == 7 else 85}" for i in range(40)]
    text = (
        "Time [s],Engine speed [rpm],HPFP duty [%],MAP [kPa],Intake air temperature [degC]\n" + "\n".join(rows) + "\n"
    )
    reading = read_log("2026-07-31.csv", text.encode())
    assert (reading.refused, reading.frame.height) == ("", 40)
    assert reading.frame["intake_air_c"].is_between(84, 86).all()
    assert "cells_not_numbers" in {finding.code for finding in reading.findings}
