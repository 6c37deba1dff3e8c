"""`--quiet`, colours, and what a console cannot show."""

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

import pumpcensus
from door.endings import ends, is_quiet, remark, say
from door.printing import progress

ROOT = Path(pumpcensus.__file__).parent
COLOUR = re.compile(rb"\x1b\[[0-9;]*m")  # SGR of ECMA-48, from memory: "ESC [ ... m"


COMMANDS = [*typer.main.get_command(pumpcensus.app).commands, "store tidy"]  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "store"])
def test_every_command_takes_it(name: str) -> None:
    assert "--quiet" in CliRunner().invoke(pumpcensus.app, [*name.split(), "--help"]).stdout


def a_program() -> typer.Typer:
    """One command that shows progress, remarks, warns and answers."""
    app = typer.Typer(pretty_exceptions_enable=False)

    @app.command()
    @ends("done")
    def only(fail: bool = False) -> None:
        with progress("Reading") as reached:
            reached(1, 1)
        remark("a remark")
        say("left to do")
        typer.echo("the answer")
        if fail:
            raise OSError("broken.")

    return app


def test_only_the_answer_and_what_is_wrong_is_left() -> None:
    loud = CliRunner().invoke(a_program(), [])
    assert loud.stderr.splitlines() == ["Reading: 1 of 1", "a remark", "left to do"]
    quiet = CliRunner().invoke(a_program(), ["--quiet", "--fail"])
    assert quiet.stderr.splitlines() == ["left to do", "broken.", "1 problem; nothing was done."]
    assert quiet.stdout == loud.stdout == "the answer\n"
    assert not is_quiet.get(), "the next command is loud again"


def test_before_the_command_it_says_the_same_and_the_next_command_is_loud_again(tmp_path: Path) -> None:
    def stderr(*words: str) -> str:
        ending = CliRunner().invoke(pumpcensus.app, [*words, "report", "--store", str(tmp_path), "--cards", "cards"])
        assert ending.exit_code == 0, ending.stderr
        return ending.stderr

    with pytest.MonkeyPatch.context() as rooms:
        rooms.setattr("models.study_files.read_study", lambda *_: None)
        rooms.setattr("reports.write_cards", lambda *_, progress: [progress(1, 1)])
        assert stderr("--quiet") == ""
        assert stderr().splitlines()[0] == "Drawing cards: 1 of 1"


def on_a_terminal(*words: str, **environment: str) -> bytes:
    """All that a command shows on a terminal of its own."""
    pty = pytest.importorskip("pty", reason="terminals of this kind are POSIX's")
    ours, theirs = pty.openpty()
    settings = {key: value for key, value in os.environ.items() if key != "NO_COLOR"}
    command = [sys.executable, *words]
    process = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs,
        env=settings | {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color"} | environment,
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    try:
        while part := os.read(ours, 65536):
            shown += part
    except OSError:  # the other end was closed
        pass
    process.wait()
    os.close(ours)
    return shown


BAR = """
import time
from door.printing import progress
with progress("Reading") as reached:
    for done in range(4):
        reached(done, 3)
        time.sleep(0.1)
"""


def test_no_color_is_respected_where_colours_are() -> None:
    assert COLOUR.search(on_a_terminal("-c", BAR)), "or this test would show nothing"
    shown = on_a_terminal("-c", BAR, NO_COLOR="1")
    assert b"Reading" in shown
    assert not [code for code in COLOUR.findall(shown) if re.search(rb"[34]\d|38;", code)]


@pytest.mark.parametrize("words", [("--help",), (), ("nonsense",), ("study", "--stor")])
def test_help_and_errors_have_no_colours_at_all(words: tuple[str, ...]) -> None:
    shown = on_a_terminal("-m", "pumpcensus", *words)
    assert b"pumpcensus" in shown
    assert not COLOUR.search(shown)


def test_a_name_that_the_code_page_lacks_is_spelled_out(tmp_path: Path, club: Any) -> None:
    private = club.store.with_name("store.private") / "labels.csv"
    label = private.read_text(encoding="utf-8").splitlines()[1].rpartition(",")[2]
    code = f"""
import sys, pumpcensus, ingest.labels
ingest.labels.read_labels = lambda store: {{"\\u039b\\u03ac\\u03bc\\u03c0\\u03c1\\u03bf\\u03c2": "{label}"}}
sys.argv = ["pumpcensus", "labels", "--store", {str(club.store)!r}]
pumpcensus.main()
"""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"}
    ending = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, check=False)
    assert (ending.returncode, ending.stderr) == (0, b"")
    assert ending.stdout.decode("cp1252").split() == [label, r"\u039b\u03ac\u03bc\u03c0\u03c1\u03bf\u03c2"]


@pytest.mark.slow
def test_every_answer_can_be_shown_on_a_console_of_an_older_code_page(club: Any) -> None:
    """On one that has ASCII alone; cp1252, cp437 and all others have that too."""
    label = (club.study / "cars.csv").read_text(encoding="utf-8").splitlines()[1].partition(",")[0]
    log = next((club.folder / "fleet/logs").rglob("*.*"))
    store = ("--store", str(club.store))
    lines: list[tuple[str, ...]] = [
        ("inspect", str(log)), ("study", *store), ("car", label, *store), ("labels", *store), ("pool", *store),
        ("headroom", "--car", label, "--ethanol", "30", *store), ("report", "--markdown", *store),
    ]  # fmt: skip
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    command = [sys.executable, "-c", IN_TURN, repr(lines)]
    ending = subprocess.run(command, env=environment, capture_output=True, check=False)
    assert b"not made for" not in ending.stderr
    answers = ending.stdout.split(b"the next one\n")
    assert len(answers) == len(lines) + 1, ending.stderr
    assert all(answers[:-1]), [words for words, answer in zip(lines, answers, strict=False) if not answer]


IN_TURN = """
import ast, contextlib, sys, pumpcensus
for words in ast.literal_eval(sys.argv[1]):
    sys.argv = ["pumpcensus", *words]
    with contextlib.suppress(SystemExit):
        pumpcensus.main()
    print("the next one")
"""
