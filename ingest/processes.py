"""The step for many logs in several processes of this machine, of which this one reads too."""

import multiprocessing
import os
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager

from ingest.log_files import LogFile, Made, Setting, make_segments

AHEAD = 2  # batches a process: one that it reads, and one for when this process is amid its own


def made_in(workers: int, batches: Sequence[Sequence[LogFile]], first: int, setting: Setting) -> Iterator[list[Made]]:
    """The segments of each batch, in order, whoever makes them.

    workers: processes, this one among them. The others take about a second to start; until then it reads alone.
    """
    context = multiprocessing.get_context("spawn")
    with _one_thread_each(), ProcessPoolExecutor(workers - 1, mp_context=context) as others:
        waiting: deque[Future[list[Made]]] = deque()
        for number, files in enumerate(batches, first):
            if sum(not one.done() for one in waiting) < AHEAD * (workers - 1):
                waiting.append(others.submit(make_segments, number, files, setting))
            else:
                waiting.append(Future())
                waiting[-1].set_result(make_segments(number, files, setting))
            while waiting and waiting[0].done():
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes started meanwhile share the cores among them."""
    threads = os.environ.get("POLARS_MAX_THREADS")
    os.environ["POLARS_MAX_THREADS"] = "1"
    try:
        yield
    finally:
        if threads is None:
            del os.environ["POLARS_MAX_THREADS"]
        else:
            os.environ["POLARS_MAX_THREADS"] = threads
