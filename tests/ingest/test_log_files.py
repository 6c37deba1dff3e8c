"""Files shared out among those who read: each once, and none waits long for another."""

from pathlib import Path

from ingest.log_files import BATCH_BYTES, BATCH_LOGS, LEAST_LOGS, LogFile, shares


def files(count: int, size: int = 90_000) -> list[LogFile]:
    return [LogFile(Path("logs"), f"anna/{number:05d}.csv", size, 0) for number in range(count)]


def test_one_reader_gets_full_batches() -> None:
    assert [len(share) for share in shares(files(2 * BATCH_LOGS + 1))] == [BATCH_LOGS, BATCH_LOGS, 1]
    assert [len(share) for share in shares(files(5, BATCH_BYTES // 2))] == [2, 2, 1]


def test_several_readers_get_less_and_less_towards_the_end() -> None:
    for readers in (2, 8, 100):
        for count in (1, LEAST_LOGS, 1600, 10_001):
            given = list(shares(files(count), readers))
            assert [file for share in given for file in share] == files(count)
            sizes = [len(share) for share in given]
            assert sizes == sorted(sizes, reverse=True)
            assert max(sizes) <= BATCH_LOGS
            assert all(size >= LEAST_LOGS for size in sizes[:-1])


def test_two_readers_end_at_nearly_the_same_time() -> None:
    """Whoever is free takes the next share: by the end neither waits for more than the least."""
    for count in range(400, 4000, 311):
        busy = [0, 0]
        for share in shares(files(count), 2):
            busy[busy.index(min(busy))] += len(share)
        assert abs(busy[0] - busy[1]) <= LEAST_LOGS


def test_a_cluster_without_a_thread_gets_what_one_reader_gets() -> None:
    assert list(shares(files(7), 0)) == [files(7)]
