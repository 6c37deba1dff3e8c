"""Windows, as far as it can be tried elsewhere: locks, paths, names of files, modules that are not there."""

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path, PureWindowsPath
from types import SimpleNamespace
from typing import Any

import pytest

import pumpcensus
from door.endings import has_reader_left, in_words
from door.own_rooms import ROOMS
from ingest.roster import places_of
from ingest.whole_files import only_one, write_whole

ROOT = Path(pumpcensus.__file__).parent
# only on POSIX, by the "Availability" notes of Python's library reference, from memory
POSIX_ONLY = ("fcntl", "grp", "pty", "pwd", "resource", "syslog", "termios", "tty")
# Microsoft, "Naming Files, Paths, and Namespaces", from memory
FORBIDDEN = set('<>:"|?*\\')
RESERVED = {"CON", "PRN", "AUX", "NUL", *(f"{port}{number}" for port in ("COM", "LPT") for number in range(1, 10))}


class Locks:
    """Stands in for `msvcrt`. answers: errno of each try that fails, then None for one that works."""

    LK_LOCK, LK_NBLCK = 1, 2

    def __init__(self, *answers: int | None) -> None:
        self.answers, self.asked = list(answers), list[int]()

    def locking(self, handle: int, mode: int, size: int) -> None:
        self.asked.append(mode)
        if (code := self.answers.pop(0)) is not None:
            raise OSError(code, "locked")


@pytest.fixture
def on_windows(monkeypatch: pytest.MonkeyPatch) -> Any:
    def use(locks: Locks) -> None:
        monkeypatch.setattr("ingest.whole_files.sys", SimpleNamespace(platform="win32"))
        monkeypatch.setitem(sys.modules, "msvcrt", locks)

    return use


def test_a_lock_there_is_held_refused_or_waited_for(on_windows: Any, tmp_path: Path) -> None:
    on_windows(free := Locks(None))
    with only_one(tmp_path / "lock"):
        assert free.asked == [Locks.LK_NBLCK]
    on_windows(Locks(errno.EACCES))
    with pytest.raises(BlockingIOError), only_one(tmp_path / "lock"):
        pass
    on_windows(slow := Locks(errno.EDEADLK, errno.EDEADLK, None))  # ten seconds each
    with only_one(tmp_path / "lock", wait=True):
        assert slow.asked == [Locks.LK_LOCK] * 3


def test_a_pattern_typed_there_names_the_same_logs() -> None:
    typed = str(PureWindowsPath("July", "blue", "*.csv"))
    assert "\\" in typed
    place = PureWindowsPath(r"July\blue\1.csv").as_posix()
    assert places_of([("Blue car", typed)]).car_of(place) == places_of([("Blue car", "July/blue/*.csv")]).car_of(place)


def test_no_file_that_is_written_has_a_name_that_cannot_be_there(club: Any) -> None:
    paths = [path.relative_to(club.folder) for path in club.folder.rglob("*")]
    assert len(paths) > 50
    for part in {part for path in paths for part in path.parts}:
        assert not FORBIDDEN & set(part), part
        assert part.partition(".")[0].upper() not in RESERVED, part
        assert part == part.rstrip(". "), part
    assert max(len(str(path)) for path in paths) < 120  # of 260, folder and drive apart


def test_nothing_is_loaded_that_is_on_posix_only() -> None:
    # libraries have their own ways on each system, and are loaded before
    files = [path for room in ROOMS for path in (ROOT / room).rglob("*.py") if path.name != "__init__.py"]
    names = [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in files]
    code = f"""
import sys, importlib
import multiprocessing, subprocess, polars, duckdb, altair, scipy.stats, sklearn.base, pyarrow, vl_convert
sys.modules.update(dict.fromkeys({POSIX_ONLY}))
for name in ["pumpcensus", *{names}]:
    importlib.import_module(name)
"""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    ending = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert ending.returncode == 0, ending.stderr[-2000:]


def test_a_file_that_is_open_elsewhere_stays_as_it_was_and_that_is_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """There a file cannot be replaced while another program has it open: "Access is denied", as a PermissionError."""

    def refuses(part: Path, path: Path) -> None:
        raise PermissionError(errno.EACCES, "Access is denied", str(part), None, str(path))

    (tmp_path / "cars.csv").write_text("old")
    monkeypatch.setattr("ingest.whole_files.os.replace", refuses)
    with pytest.raises(PermissionError) as refused:
        write_whole(tmp_path / "cars.csv", b"new")
    assert [path.read_text() for path in tmp_path.iterdir()] == ["old"]
    monkeypatch.setattr("door.endings.os", SimpleNamespace(name="nt", environ={}))
    told = in_words(refused.value, "studied")
    assert told.startswith(f"{tmp_path / 'cars.csv'}: Access is denied. The command did not finish. Close it where it")


def test_a_reader_that_leaves_early_is_no_error_there_either(monkeypatch: pytest.MonkeyPatch) -> None:
    """Python's own `subprocess` knows it by the same sign (bpo-19612, told in its `_stdin_write`)."""
    left = OSError(errno.EINVAL, "Invalid argument")
    assert not has_reader_left(left)
    monkeypatch.setattr("door.endings.os", SimpleNamespace(name="nt"))
    assert has_reader_left(left)
    assert not has_reader_left(OSError(errno.EINVAL, "Invalid argument", "a:b.csv"))


# What a process has open or mapped when it replaces or removes it, by Linux's /proc; an audit hook sees each attempt.
WATCH = """
import os, sys

held, seen, busy = [], [], []

def open_now():
    names = [os.path.join("/proc/self/fd", name) for name in os.listdir("/proc/self/fd")]
    with open("/proc/self/maps") as maps:
        mapped = [line.rstrip().split(None, 5)[5] for line in maps if line.count("/")]
    return [os.readlink(name) for name in names if os.path.islink(name)] + mapped

def hook(event, args):
    if event in ("os.rename", "os.remove", "os.rmdir") and not busy:
        busy.append(event)
        paths = [os.path.abspath(os.fspath(path)) for path in args[: 2 if event == "os.rename" else 1]]
        seen.extend(paths)
        held.extend(one for one in open_now() for path in paths if one == path or one.startswith(path + os.sep))
        busy.clear()

sys.addaudithook(hook)
"""


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="/proc is Linux's")
def test_nothing_is_replaced_or_removed_while_it_is_open(club: Any, tmp_path: Path) -> None:
    """Windows refuses that (its CreateFile without FILE_SHARE_DELETE, from memory)."""
    for name in ("store", "store.private"):
        shutil.copytree(club.folder / name, tmp_path / name)
    car = (tmp_path / "store.private/labels.csv").read_text(encoding="utf-8").splitlines()[1].partition(",")[0]
    code = f"""{WATCH}
import pumpcensus

with open("open", "w") as file:
    os.replace("open", "other")
assert held == [os.path.abspath("open")], "or this test would show nothing"
held.clear()
study = pumpcensus.read_study("store")
for _ in range(2):
    pumpcensus.write_study(study, "store")
pumpcensus.forget_car({car!r}, "store")
pumpcensus.tidy_store("store", at_once=True)
print(len(seen), *held)
"""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    ending = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert ending.returncode == 0, ending.stderr[-2000:]
    number, *held = ending.stdout.split()
    assert int(number) > 40
    assert held == []
