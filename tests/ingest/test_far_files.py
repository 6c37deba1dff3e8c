"""A store in an object store: the same as in a folder, whatever request a run is killed at.

fsspec's own memory file system is the object store here; tests/test_past_one_machine.py speaks to one over the network.
"""

import errno
import shutil
import stat
from collections.abc import Callable, Iterator
from datetime import date
from functools import partial
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import polars as pl
import pytest
from held_store import content, is_sound, same

from ingest import far_files, labels, whole_files
from ingest.far_files import fetched, only_one_far, place_of, put
from ingest.findings import InputError
from ingest.forget_car import forget_car
from ingest.labels import private_folder, read_labels
from ingest.many_logs import ingest_logs
from ingest.store import Store, one_writer
from ingest.tidy_store import TidyRule, tidy_store
from ingest.whole_files import only_one

fsspec = pytest.importorskip("fsspec")
pytest.importorskip("upath")

TODAY = date(2026, 11, 25)
URL = "memory://club/store"
KEY = "5e" * 32
Club = tuple[Path, Path, Path]  # logs, roster, store
Kills = Callable[..., Iterator[int]]


@pytest.fixture
def memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """An empty object store; what is private to its stores lies in a folder of its own."""
    monkeypatch.setenv("PUMPCENSUS_PRIVATE", str(tmp_path / "home"))
    system = fsspec.filesystem("memory")
    system.store.clear()
    system.pseudo_dirs[:] = [""]
    yield system
    system.store.clear()


@pytest.fixture
def club(made_up: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Club:
    """Two cars of one log each, a segment a log; all stores get one key, so that they can be compared."""
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 1)
    monkeypatch.setattr(labels, "secrets", SimpleNamespace(token_hex=lambda size: KEY[: 2 * size]))
    return made_up.club(tmp_path, logs=1)


def test_a_far_store_holds_what_a_near_one_does(memory: Any, club: Club) -> None:
    ingest_logs(*club, today=TODAY)
    assert ingest_logs(*club[:2], URL, today=TODAY).kept == 2
    same(content(URL), content(club[2]))
    assert ingest_logs(*club[:2], URL, today=TODAY).skipped == 2
    moment = Store(place_of(URL)).at_once()
    assert moment.cells.equals(Store(club[2]).at_once().cells)


def test_what_is_private_stays_on_the_disk_of_who_runs_it(memory: Any, club: Club) -> None:
    ingest_logs(*club[:2], URL, today=TODAY)
    folder = private_folder(place_of(URL))
    assert {path.name for path in folder.iterdir()} == {"key", "labels.csv", "paths.csv"}
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}
    held = b"".join(file.getvalue() for file in memory.store.values())
    for word in (KEY.encode(), b"anna", b"bert", b"2026-07-01_01"):
        assert word not in held
    assert not [name for name in memory.store if "private" in name or "key" in name.rsplit("/", 1)[-1]]


def test_two_stores_have_two_private_folders(memory: Any) -> None:
    one, other = (private_folder(place_of(f"memory://club/{name}")) for name in ("a/b", "a-b"))
    assert one.parent == other.parent
    assert one != other


def test_a_member_leaves_a_far_store(memory: Any, club: Club) -> None:
    ingest_logs(*club[:2], URL, today=TODAY)
    label = read_labels(URL)["anna"]
    assert forget_car("anna", URL) == 1
    assert label.encode() not in b"".join(file.getvalue() for file in memory.store.values())
    assert content(URL)["ledger"]["label"].to_list() == [read_labels(URL)["bert"]]


def test_a_damaged_object_is_named_and_a_missing_one_read_anew(memory: Any, club: Club) -> None:
    ingest_logs(*club[:2], URL, today=TODAY)
    before, segment = content(URL), Store(place_of(URL)).segments()[0]
    cells = segment / "cells.parquet"
    whole = cells.read_bytes()
    put(cells, whole[:-9] + bytes([whole[-9] ^ 1]) + whole[-8:])
    with pytest.raises(InputError, match=rf"memory:.*{segment.name}/cells\.parquet: damaged or missing"):
        Store(place_of(URL)).cells()
    far_files.remove(cells)
    (told,) = ingest_logs(*club[:2], URL, today=TODAY).problems
    assert "damaged (cells.parquet), set aside" in told
    for name, table in content(URL).items():
        assert table.equals(before[name]), name


def each_request(
    memory: Any, disk: ModuleType, patch: pytest.MonkeyPatch, act: Callable[[], object], stride: int = 3
) -> Iterator[int]:
    """Do `act` on what lies there now, killed at each request that changes something, and each step on the disk.

    stride: at each how-manieth.
    """
    home = private_folder(place_of(URL)).parent
    before, kept = {name: file.getvalue() for name, file in memory.store.items()}, home.with_name("kept")
    home.mkdir(exist_ok=True)
    shutil.copytree(home, kept)

    def put_back() -> None:
        memory.store.clear()
        for name, data in before.items():
            memory.pipe_file(name, data)
        shutil.rmtree(home)
        shutil.copytree(kept, home)

    def killed(last: int | None) -> int:
        dying = disk.Disk(last)

        class System:
            def __getattr__(self, name: str) -> Any:
                real = getattr(memory, name)
                if name not in ("pipe_file", "rm_file"):
                    return real
                return lambda *given, **named: dying._counted(name, partial(real, **named))(*given)

        with patch.context() as within:
            within.setattr(whole_files, "os", dying)
            within.setattr(far_files, "_system", lambda _: System())
            try:
                act()
            except disk.KilledError:
                assert last
        return dying.steps

    for step in range(1, killed(None) + 1, stride):
        put_back()
        killed(step)
        yield step
    shutil.rmtree(kept)


@pytest.fixture
def kills(memory: Any, dying_disk: ModuleType, monkeypatch: pytest.MonkeyPatch) -> Kills:
    """`each_request` of this test's object store."""
    return partial(each_request, memory, dying_disk, monkeypatch)


@pytest.fixture
def drive_again(made_up: ModuleType, club: Club) -> Callable[[], None]:
    """Put another log in the place of anna's."""

    def write() -> None:
        (club[0] / "anna/2026-07-01_01.csv").write_text(made_up.text(99, pulls=2), encoding="utf-8")

    return write


def test_a_first_run_killed_at_every_request(memory: Any, club: Club, kills: Kills) -> None:
    ingest_logs(*club, today=TODAY)
    run = lambda: ingest_logs(*club[:2], URL, today=TODAY)  # noqa: E731
    steps = 0
    for step in kills(run, 2):
        is_sound(URL, set())
        run()
        same(content(URL), content(club[2]))
        segments = {name.split("/")[4] for name in memory.store if "/segments/" in name}
        assert segments == {segment.name for segment in Store(place_of(URL)).segments()}
        steps = step
    assert steps > 30


def test_a_run_over_a_changed_log_killed_at_every_request(
    club: Club, kills: Kills, drive_again: Callable[[], None]
) -> None:
    ingest_logs(*club[:2], URL, today=TODAY)
    kept = set(content(URL)["ledger"].filter(pl.col("label") == read_labels(URL)["bert"])["log"])
    drive_again()
    ingest_logs(*club, today=TODAY)
    run = lambda: ingest_logs(*club[:2], URL, today=TODAY)  # noqa: E731
    for _ in kills(run):
        is_sound(URL, kept)
        assert content(URL)["ledger"].height == 2, "the old log or the new one, never both or none"
        run()
        same(content(URL), content(club[2]))


def test_small_segments_shared_out_and_killed_at_every_request(
    club: Club, kills: Kills, drive_again: Callable[[], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 25)  # both logs in one segment, then one superseded by another
    ingest_logs(*club[:2], URL, today=TODAY)
    drive_again()
    ingest_logs(*club[:2], URL, today=TODAY)
    before, rule = content(URL), TidyRule(segment_logs=1, small_share=2.0)
    run = lambda: tidy_store(URL, rule, at_once=True)  # noqa: E731
    for _ in kills(run):
        same(content(URL), before)
        run()
        same(content(URL), before)
        assert [state.height for state in ledgers(URL)] == [1, 1]
        assert ingest_logs(*club[:2], URL, today=TODAY).skipped == 2


def ledgers(store: str) -> list[pl.DataFrame]:
    return [pl.read_parquet((one / "ledger.parquet").read_bytes()) for one in Store(place_of(store)).segments()]


# ---- one writer


def test_another_machine_that_writes_is_told_of_and_a_killed_run_of_this_one_is_not(
    memory: Any, club: Club, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ingest_logs(*club[:2], URL, today=TODAY)
    store = place_of(URL)
    with one_writer(store):
        left = (store / "lock").read_bytes()
        with pytest.raises(InputError, match="another run is writing here"):
            ingest_logs(*club[:2], URL, today=TODAY)
    assert not (store / "lock").exists()
    put(store / "lock", left)  # as a killed run leaves it
    assert ingest_logs(*club[:2], URL, today=TODAY).skipped == 2
    assert not (store / "lock").exists()
    put(store / "lock", b"0123456789abcdef")
    with pytest.raises(InputError, match=r"club/store/lock: another machine is writing here.*then delete this object"):
        ingest_logs(*club[:2], URL, today=TODAY)
    assert Store(store).pulls().collect().height, "readers go on"


def test_the_lock_object_is_put_only_where_none_is(memory: Any) -> None:
    lock = place_of("memory://club/lock")
    put(lock, b"theirs", is_new=True)
    with pytest.raises(FileExistsError):
        put(lock, b"ours", is_new=True)
    with pytest.raises(BlockingIOError), only_one_far(lock, only_one):
        pass
    assert lock.read_bytes() == b"theirs"


# ---- what is told


def test_an_address_that_cannot_be_used_is_told() -> None:
    with pytest.raises(InputError, match=r"nosuch://a/b: cannot be reached \(.*Check address, network and"):
        place_of("nosuch://a/b")


def test_without_the_extra_it_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "upath", None)
    with pytest.raises(InputError, match=r"needs the extra `object-store`.*pip install 'pumpcensus\[object-store\]'"):
        place_of("s3://club/store")


def test_a_local_url_is_a_folder() -> None:
    assert place_of("file:///srv/club/store") == Path("/srv/club/store")


def test_what_a_file_system_raises_becomes_an_error_that_names_the_object(
    memory: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("SlowDown")

    monkeypatch.setattr(far_files, "_system", lambda _: SimpleNamespace(pipe_file=broken, cat=broken))
    for act in (lambda: put(place_of("memory://a/b"), b""), lambda: fetched([place_of("memory://a/b")])):
        with pytest.raises(OSError, match="SlowDown") as error:
            act()  # type: ignore[no-untyped-call]
        assert error.value.errno == errno.EIO
        assert error.value.filename == "memory://a/b"
