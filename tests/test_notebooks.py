"""The page for notebook users: its examples are run in their order, in an empty folder."""

import re
from pathlib import Path

import pytest

import pumpcensus

PAGE = Path(pumpcensus.__file__).parent / "docs/notebooks.md"


def blocks() -> list[str]:
    return re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)


@pytest.mark.slow
def test_the_examples_run_and_give_what_the_commands_give(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    for block in blocks():
        exec(compile(block, str(PAGE), "exec"), names)  # the page is our own
    told = capsys.readouterr().out
    assert "empty. A setup needs engine and pump." in told
    assert "No problem: every log has a car" in told
    assert "0000-0000: no such car in the study of 2026Q3." in told
    assert "logs removed" in told


def test_every_public_function_it_uses_is_there() -> None:
    used = {name for block in blocks() for name in re.findall(r"pumpcensus\.(\w+)", block)}
    assert used <= set(dir(pumpcensus))
    assert {"draft_roster", "check_roster", "one_car", "car_text", "read_labels", "forget_car"} <= used
