"""The step for many logs on other machines: a dask scheduler that runs already hands out the batches (extra `cluster`).

Workers read logs and write the tables of their segments, seeing logs and store under the names that they have here.
What they wrote counts when this machine writes the ledger; a batch whose worker ends is given to another.
"""

import errno
import hashlib
import os
import secrets
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from ingest.far_files import is_far, place_of
from ingest.findings import InputError
from ingest.log_files import LogFile, Made, Setting, make_segments
from ingest.store import version

AHEAD = 2  # batches a thread that wait at the scheduler
RETRIES = 2  # of a batch that raised, a shared folder that stumbled say
ANSWERS_WITHIN_S = 10


class Cluster:
    """Machines that read logs."""

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self.threads = sum(client.nthreads().values())

    def check(self, file: LogFile, store: Path) -> None:
        """Raise InputError, all problems at once, where workers lack this package or do not see logs and store."""
        told = (str(file.path), file.size, str(store), version(store)["key_check"], code_digest(), time_zone())

        def seen_there(*told: Any) -> str:  # travels by itself, for the package may be missing there
            try:
                from ingest.cluster import what_is_wrong
            except ImportError as problem:
                return f"this pumpcensus is not installed there ({problem}). Install the same one on every machine."
            return what_is_wrong(*told)

        answers = self._client.run(seen_there, *told, on_error="return")
        by_problem: dict[str, list[str]] = {}
        for worker, answer in sorted(answers.items()):
            if answer:
                by_problem.setdefault(str(answer), []).append(worker)
        problems = [f"{self._address}, worker {', '.join(those)}: {what}" for what, those in by_problem.items()]
        if not answers:
            problems = [f"{self._address}: no worker there. Start some: dask worker {self._address}"]
        if problems:
            raise InputError(problems)

    def made(self, batches: Sequence[Sequence[LogFile]], first: int, setting: Setting) -> Iterator[list[Made]]:
        """The segments of each batch, in order, whoever makes them.

        Raises ConnectionError where the scheduler is lost, or a batch ends one worker after another.
        """
        submit = self._client.submit
        # a task, not data handed out once: it is made again where the worker that held it has ended
        told = submit(_as_it_is, setting, key=f"pumpcensus-{setting.run}", pure=False)
        waiting: deque[tuple[Sequence[LogFile], Any]] = deque()
        for number, files in enumerate(batches, first):
            name = f"pumpcensus-{setting.run}-{number}"
            waiting.append((files, submit(one_attempt, number, files, told, key=name, pure=False, retries=RETRIES)))
            if len(waiting) > AHEAD * self.threads:
                yield self._result(*waiting.popleft())
        while waiting:
            yield self._result(*waiting.popleft())

    def _result(self, files: Sequence[LogFile], future: Any) -> list[Made]:
        from distributed import KilledWorker
        from distributed.comm.core import CommClosedError

        try:
            made: list[Made] = future.result()
        except KilledWorker:
            what = f"the batch from {files[0].place} on ended one worker after another; their logs tell why"
        except (CancelledError, CommClosedError) as problem:
            what = f"the scheduler was lost ({type(problem).__name__})"
        else:
            return made
        raise ConnectionError(errno.ECONNABORTED, what, self._address)


@contextmanager
def cluster_at(address: str) -> Iterator[Cluster]:
    """The machines of the dask scheduler at an address. Raises InputError where there is none."""
    try:
        from distributed import Client
    except ImportError as problem:
        raise InputError(
            [f"--cluster needs the extra `cluster` ({problem}). Run: pip install 'pumpcensus[cluster]'"]
        ) from None
    try:
        client = Client(address, timeout=ANSWERS_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, TypeError, MemoryError) as problem:  # the last where another service answers
        told = f"{type(problem).__name__}: {problem}".rstrip(": .")
        remedy = "Start one with `dask scheduler`, or check the address."
        raise InputError([f"{address}: no dask scheduler answers there ({told}). {remedy}"]) from problem
    try:
        yield Cluster(client, address)
    finally:
        client.close()


def one_attempt(number: int, files: Sequence[LogFile], setting: Setting) -> list[Made]:
    """Make a batch's segments under names of this attempt alone: one given up may still be writing its own."""
    return make_segments(number, files, replace(setting, run=setting.run + secrets.token_hex(2)))


def _as_it_is(setting: Setting) -> Setting:
    return setting


def what_is_wrong(file: str, size: int, store: str, key_check: str, code: str, zone: str) -> str:
    """Why this machine cannot read for another, in words; "" if it can."""
    if code_digest() != code:
        return "another version of pumpcensus is installed there. Install the same one on every machine."
    if time_zone() != zone:
        return f"is in another time zone ({time_zone()}, here {zone}), so that logs would get other days. Set its TZ."
    if not Path(file).is_file() or Path(file).stat().st_size != size:
        return f"does not see {file}. Logs must lie in a folder that every machine sees under the same name."
    try:
        place = place_of(store)
        is_same = version(place)["key_check"] == key_check
    except InputError as problem:
        return str(problem)
    except (OSError, ValueError, KeyError):
        is_same = False
    if not is_same:
        return f"does not see {store}. It must lie in a folder that every machine sees under the same name."
    if not is_far(place) and not os.access(place / "segments", os.W_OK):
        return f"may not write into {store}. Let its user write there."
    return ""


def time_zone() -> str:
    """Hours from Greenwich in winter and in summer, for a log's day may be that of its time stamp on disk."""
    days = (datetime(2026, month, 1).astimezone().utcoffset() or timedelta() for month in (1, 7))
    return " ".join(f"{day.total_seconds() / 3600:+g} h" for day in days)


def code_digest() -> str:
    """Tells this version of the room from another, to the letter. [12 hexadecimal digits]"""
    code = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.*")):
        if path.suffix in (".py", ".toml"):
            code.update(path.read_bytes())
    return code.hexdigest()[:12]
