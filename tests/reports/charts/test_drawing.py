"""Still pictures: the same whoever draws them, and none is lost where the other process fails."""

import subprocess
from pathlib import Path

import pytest

from reports.charts import drawing
from reports.charts.drawing import Drawing, draw_each, drawing_in_two


@pytest.fixture(scope="module")
def many() -> list[Drawing]:
    """Bars of as many lengths."""
    return [bar(length) for length in range(1, 8)]


def bar(length: int) -> Drawing:
    """A Vega object by the specification of Vega 5, from memory."""
    mark = {"type": "rect", "encode": {"enter": {"width": {"value": length}, "height": {"value": 9}}}}
    return {"$schema": "https://vega.github.io/schema/vega/v5.json", "width": 99, "height": 9, "marks": [mark]}


def drawn_in_two(many: list[Drawing]) -> list[str]:
    with drawing_in_two() as draw_all:
        return draw_all(many)


@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawing.os, "cpu_count", lambda: 2)


@pytest.mark.usefixtures("two_cores")
def test_two_processes_draw_what_one_draws_in_the_same_order(many: list[Drawing]) -> None:
    alone = draw_each(many)
    assert len(set(alone)) == len(many)
    assert drawn_in_two(many) == alone


@pytest.mark.usefixtures("two_cores")
@pytest.mark.parametrize("program", ["raise SystemExit(3)", "print('half a lis')", "print('[]')"])
def test_what_the_other_process_does_not_draw_is_drawn_here(
    many: list[Drawing], program: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    start = subprocess.Popen
    monkeypatch.setattr(drawing.subprocess, "Popen", lambda words, **how: start([words[0], "-c", program], **how))
    assert drawn_in_two(many) == draw_each(many)


def test_on_one_core_no_process_is_started(many: list[Drawing], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawing.os, "cpu_count", lambda: 1)
    monkeypatch.setattr(drawing.subprocess, "Popen", None)
    assert drawn_in_two(many) == draw_each(many)


def test_the_other_process_loads_nothing_but_the_library() -> None:
    """The file runs by itself, where no room of this program can be found."""
    text = Path(drawing.__file__).read_text(encoding="utf-8")
    loaded = [line.split()[1].partition(".")[0] for line in text.splitlines() if line.startswith(("import ", "from "))]
    assert "vl_convert" in loaded
    assert not {"ingest", "models", "reports", "polars"} & set(loaded)
