"""The same club's logs through one process, two, a dask cluster with a shared folder, and one with an object store.

A real scheduler and worker processes, and a real S3 server, all on this machine. What is compared is cars.csv, to the
byte: a bug that all four share would not show here, but one of them going its own way does.
"""

import contextlib
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Thread
from typing import Any

import polars as pl
import pytest

from ingest.cluster import code_digest, time_zone, what_is_wrong
from ingest.far_files import place_of
from ingest.findings import InputError
from ingest.labels import private_folder
from ingest.many_logs import IngestResult, ingest_logs
from ingest.store import Store, version
from ingest.whole_files import folders_in
from models.study_files import read_study, study_of_store

distributed = pytest.importorskip("distributed")
pytest.importorskip("s3fs")
pytest.importorskip("upath")
pytest.importorskip("moto.server")

pytestmark = pytest.mark.xdist_group("past one machine")  # one scheduler and one S3 server for all

ROOT = Path(__file__).parent.parent
BATCH_LOGS = 5  # so that a small club has many
WAIT_S = 180
S3_SERVER = """
import time
from moto.server import ThreadedMotoServer
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
print("http://%s:%s" % server.get_host_and_port(), flush=True)
time.sleep(1200)
"""


@pytest.fixture(scope="module")
def cloud(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """An S3 server on this machine with one empty bucket, known to all processes started from here. Its URL."""
    with spawned("-c", S3_SERVER, stdout=subprocess.PIPE) as server, pytest.MonkeyPatch.context() as patch:
        assert server.stdout
        for name, value in {
            "AWS_ACCESS_KEY_ID": "invented",
            "AWS_SECRET_ACCESS_KEY": "invented",
            "AWS_DEFAULT_REGION": "us-east-1",
            "AWS_ENDPOINT_URL": server.stdout.readline().decode().strip(),
            "PUMPCENSUS_PRIVATE": str(tmp_path_factory.mktemp("home")),
        }.items():
            patch.setenv(name, value)
        import boto3

        boto3.client("s3").create_bucket(Bucket="club")
        yield "s3://club"


@contextmanager
def spawned(*words: str, **how: Any) -> Iterator["subprocess.Popen[bytes]"]:
    """A Python process that ends with its test."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    process = subprocess.Popen([sys.executable, *words], env=environment, stderr=subprocess.DEVNULL, **how)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@pytest.fixture(scope="module")
def scheduler(cloud: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A scheduler with two workers. Its address."""
    folder = tmp_path_factory.mktemp("cluster")
    told = folder / "scheduler.json"
    with ExitStack() as stack:
        started = ("-m", "dask", "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        stack.enter_context(spawned(*started, "--scheduler-file", str(told)))
        deadline = time.monotonic() + WAIT_S
        while not told.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        with distributed.Client(scheduler_file=str(told), set_as_default=False) as client:
            address = client.scheduler.address
            for _ in range(2):
                stack.enter_context(spawned("-m", "dask", *worker_words(address, folder)))
            client.wait_for_workers(2, timeout=WAIT_S)
            yield address


def worker_words(scheduler: str, folder: Path) -> tuple[str, ...]:
    more = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(folder))
    return ("worker", scheduler, *more)


@pytest.fixture
def fleet(club: Any, monkeypatch: pytest.MonkeyPatch) -> Callable[..., IngestResult]:
    """Ingest the club's logs into a store, as its own store was, with the same key."""
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", BATCH_LOGS)

    def ingest(store: Path | str, **how: Any) -> IngestResult:
        private = private_folder(place_of(store))
        shutil.copytree(private_folder(club.store), private)
        (private / "paths.csv").unlink()
        return ingest_logs(club.folder / "fleet/logs", club.folder / "fleet/roster.csv", store, **how)

    return ingest


def cars_csv(store: Path | str) -> bytes:
    study_of_store(store, "2026Q3")
    return (Store(place_of(store)).studies / "2026Q3/cars.csv").read_bytes()


def is_whole(store: Path | str, result: IngestResult, club: Any) -> None:
    """All logs are there, once; nothing is damaged; every segment has at least a batch's logs, but for the last."""
    ledger, own = (Store(place_of(one)).ledger().collect() for one in (store, club.store))
    assert ledger.sort("source").equals(own.sort("source"))
    assert result.kept == own.filter(pl.col("verdict") == "kept").height > 5 * BATCH_LOGS
    home = Store(place_of(store))
    assert not home.damages()
    held = [pl.read_parquet((segment / "ledger.parquet").read_bytes()).height for segment in home.segments()]
    assert all(logs >= BATCH_LOGS for logs in held[:-1])


def test_two_processes_give_the_same_bytes(club: Any, fleet: Callable[..., IngestResult], tmp_path: Path) -> None:
    is_whole(tmp_path / "two", fleet(tmp_path / "two", workers=2), club)
    assert cars_csv(tmp_path / "two") == (club.study / "cars.csv").read_bytes()


HANGS = """
import sys, time
from pathlib import Path
import ingest.cluster
from dask.__main__ import main
make_segments = ingest.cluster.make_segments
def hang(*given):
    made = make_segments(*given)
    Path({mark!r}).touch()
    time.sleep(600)
ingest.cluster.make_segments = hang
main()
"""


def test_a_cluster_one_of_whose_workers_is_killed_gives_the_same_bytes(
    club: Any, scheduler: str, fleet: Callable[..., IngestResult], tmp_path: Path
) -> None:
    # it has written its segment and not told so: as much as a worker can have done and lose
    mark, store = tmp_path / "written", tmp_path / "shared"

    def busy_until_it_has(path: str, seconds: float) -> None:
        import time
        from pathlib import Path

        deadline = time.monotonic() + seconds
        while not Path(path).exists() and time.monotonic() < deadline:
            time.sleep(0.01)

    with distributed.Client(scheduler, set_as_default=False) as client, contextlib.ExitStack() as stack:
        others = list(client.scheduler_info()["workers"])
        victim = stack.enter_context(spawned("-c", HANGS.format(mark=str(mark)), *worker_words(scheduler, tmp_path)))
        client.wait_for_workers(3, timeout=WAIT_S)
        # the others could have read all logs before it is given any
        held = [client.submit(busy_until_it_has, str(mark), WAIT_S / 2, workers=[one], pure=False) for one in others]

        def kill() -> None:
            deadline = time.monotonic() + WAIT_S
            while not mark.exists() and time.monotonic() < deadline:
                time.sleep(0.01)
            victim.kill()

        killer = Thread(target=kill)
        killer.start()
        result = fleet(store, cluster=scheduler)
        killer.join()
        client.gather(held)
    assert mark.exists()
    is_whole(store, result, club)
    (orphan,) = set(folders_in(store / "segments")) - set(Store(store).segments())
    assert {path.name for path in orphan.iterdir()} == {"samples.parquet", "pulls.parquet", "cells.parquet"}
    assert cars_csv(store) == (club.study / "cars.csv").read_bytes()


def test_a_cluster_and_an_object_store_give_the_same_bytes(
    club: Any, cloud: str, scheduler: str, fleet: Callable[..., IngestResult], at_once: Any
) -> None:
    store = f"{cloud}/store"
    is_whole(store, fleet(store, cluster=scheduler), club)
    ran = at_once("study", "--store", store, "--quarter", "2026Q3")
    assert ran.stdout == club.said["study"].stdout, ran.stderr
    study = Store(place_of(store)).studies / "2026Q3"
    for name in ("cars.csv", "baselines.csv", "changes.csv"):
        assert (study / name).read_bytes() == (club.study / name).read_bytes(), name
    texts = [at_once("report", "--store", one, "--markdown").stdout for one in (store, club.store)]
    assert texts[0] == texts[1] != ""
    label = read_study(store).cars["label"][0]
    assert label in at_once("car", label, "--store", store).stdout


# ---- what stands in the way is told


def test_no_scheduler(fleet: Callable[..., IngestResult], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.cluster.ANSWERS_WITHIN_S", 0.5)
    with pytest.raises(InputError, match=r"tcp://127\.0\.0\.1:9: no dask scheduler answers there .*check the address"):
        fleet(tmp_path / "none", cluster="tcp://127.0.0.1:9")
    assert not (tmp_path / "none").exists()


def test_without_the_extra_it_is_named(
    fleet: Callable[..., IngestResult], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"needs the extra `cluster`.*pip install 'pumpcensus\[cluster\]'"):
        fleet(tmp_path / "none", cluster="tcp://127.0.0.1:9")


WRONG = {
    "sys.modules['ingest.cluster'] = None": "this pumpcensus is not installed there",
    "c.Path = lambda file: Path('/elsewhere' if file.endswith('.csv') else file)": r"does not see .*\.csv.*same name",
}


def test_workers_that_cannot_read_here_are_named_all_at_once(
    scheduler: str, fleet: Callable[..., IngestResult], tmp_path: Path
) -> None:
    script = "import sys; from pathlib import Path; import ingest.cluster as c; from dask.__main__ import main"
    with distributed.Client(scheduler, set_as_default=False) as client, ExitStack() as stack:
        before = len(client.nthreads())
        for start in WRONG:
            stack.enter_context(spawned("-c", f"{script}; {start}; main()", *worker_words(scheduler, tmp_path)))
        client.wait_for_workers(before + len(WRONG), timeout=WAIT_S)
        with pytest.raises(InputError) as error:
            fleet(tmp_path / "none", cluster=scheduler)
    for part in WRONG.values():
        assert [line for line in error.value.problems if re.search(rf"worker tcp://[^ ]*: .*{part}", line)], part
    assert len(error.value.problems) == len(WRONG)
    assert Store(tmp_path / "none").segments() == []


def test_what_else_a_worker_may_lack(club: Any, tmp_path: Path) -> None:
    file, code, zone = club.folder / "fleet/roster.csv", code_digest(), time_zone()
    check = version(club.store)["key_check"]
    right = (str(file), file.stat().st_size, str(club.store), check, code, zone)
    assert what_is_wrong(*right) == ""
    for place, other, part in (
        (1, 1, "does not see .*roster.csv. Logs must lie in a folder that every machine sees"),
        (2, str(tmp_path), "does not see .*. It must lie in a folder that every machine sees"),
        (2, "nosuch://club/store", "cannot be reached"),
        (3, "0000", "does not see .*store. It must lie"),
        (4, "older", "another version of pumpcensus is installed"),
        (5, "+9 h +9 h", r"another time zone \(.*here \+9 h"),
    ):
        assert re.search(part, what_is_wrong(*right[:place], other, *right[place + 1 :])), part
