"""A store of another time, a damaged one, and one whose key is lost or another: detected, named, mended or told."""

import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from types import ModuleType

import polars as pl
import pytest

from ingest.checksums import checksum_of
from ingest.findings import InputError
from ingest.forget_car import forget_car
from ingest.labels import private_folder, read_labels
from ingest.many_logs import IngestResult, ingest_logs
from ingest.store import Store

TODAY = date(2026, 11, 25)
Club = tuple[Path, Path, Path]


@pytest.fixture
def club(made_up: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Club:
    """Two segments, of two logs each."""
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 2)
    paths = made_up.club(tmp_path)
    ingest_logs(*paths, today=TODAY)
    return paths


def run(club: Club) -> IngestResult:
    return ingest_logs(*club, today=TODAY)


def test_the_checksum_is_the_published_one() -> None:
    # check value of CRC-32/ISO-HDLC in R. Williams, A Painless Guide to CRC Error Detection Algorithms (1993)
    assert checksum_of(b"123456789") == "cbf43926-9"


def flip(path: Path, at: float = 0.5) -> None:
    content = bytearray(path.read_bytes())
    content[int(at * len(content))] ^= 1
    path.write_bytes(content)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


@pytest.mark.parametrize("harm", [flip, cut, Path.unlink], ids=["a bit flipped", "cut short", "deleted"])
@pytest.mark.parametrize("name", ["samples", "pulls", "cells", "ledger"])
def test_a_damaged_segment_is_named_set_aside_and_read_anew(
    club: Club, name: str, harm: Callable[[Path], None]
) -> None:
    before = {table: getattr(Store(club[2]), table)().collect() for table in ("samples", "pulls", "cells", "ledger")}
    segment = Store(club[2]).segments()[0]
    harm(segment / f"{name}.parquet")
    is_gone = name == "ledger" and harm is Path.unlink  # then it does not count: as if it had never been written
    if not is_gone:
        with pytest.raises(InputError, match=rf"{segment.name}.{name}\.parquet: damaged or missing.*pumpcensus ingest"):
            getattr(Store(club[2]), name)()
    result = run(club)
    assert (result.kept, result.skipped) == (2, 2)
    if not is_gone:
        (told,) = result.problems
        assert f"{segment}: damaged ({name}.parquet), set aside" in told
        assert "Of its 2 logs 2 were read anew" in told
        assert [path.name for path in (club[2] / "set_aside").iterdir()] == [segment.name]
    for table, rows in before.items():
        order = ["log", "row"] if table == "samples" else ["log"]
        assert getattr(Store(club[2]), table)().sort(order).collect().equals(rows.sort(order)), table
    assert run(club).problems == ()


def test_logs_that_are_gone_with_a_damaged_segment_are_named(club: Club) -> None:
    flip(Store(club[2]).segments()[0] / "cells.parquet")
    (club[0] / "anna/2026-07-02_01.csv").unlink()
    (told,) = run(club).problems
    assert "Not in the folder of logs any more: anna/2026-07-02_01.csv. Put them back" in told


@pytest.mark.parametrize("harm", [flip, cut, Path.unlink], ids=["a bit flipped", "cut short", "deleted"])
@pytest.mark.parametrize("name", ["checksums.json", "roster.parquet"])
def test_damage_outside_of_segments_is_told_and_mended(club: Club, name: str, harm: Callable[[Path], None]) -> None:
    roster = Store(club[2]).roster()
    harm(club[2] / name)
    if (club[2] / "roster.parquet").exists() and not (name == "checksums.json" and harm is cut):  # a final newline
        with pytest.raises(InputError, match="damaged or missing"):
            Store(club[2]).roster()
    run(club)
    assert Store(club[2]).roster().equals(roster)


def test_damage_found_while_a_study_reads_is_told_for_all_files_at_once(club: Club) -> None:
    for segment in Store(club[2]).segments():
        flip(segment / "cells.parquet")
    with pytest.raises(InputError) as error:
        Store(club[2]).at_once()
    assert len(error.value.problems) == 2


def test_no_damaged_segment_stays_when_a_member_leaves(club: Club) -> None:
    for segment in Store(club[2]).segments():
        flip(segment / "samples.parquet")
    forget_car("anna", club[2])
    assert not (club[2] / "set_aside").exists(), "whose logs it held cannot be told"
    assert run(club).kept == 2
    assert Store(club[2]).ledger().collect()["label"].unique().to_list() == [read_labels(club[2])["bert"]]


# ---- the key


def key_of(club: Club) -> Path:
    return private_folder(club[2]) / "key"


def test_another_key_is_told_before_it_makes_every_car_another(club: Club, tmp_path: Path) -> None:
    before = Store(club[2]).ledger().collect()
    own = key_of(club).read_text()
    key_of(club).write_text("ab" * 32 + "\n")
    with pytest.raises(InputError, match=r"not the key that .* was made with.*Put the right one back"):
        run(club)
    with pytest.raises(InputError, match="not the key"):
        forget_car("zoe", club[2])
    assert Store(club[2]).ledger().collect().equals(before)
    key_of(club).write_text(own)
    assert run(club).skipped == 4
    # the way it names: a new store has a key of its own, and other labels
    other = (club[0], club[1], tmp_path / "other")
    assert run(other).kept == 4
    assert not set(read_labels(club[2]).values()) & set(read_labels(other[2]).values())


def test_a_lost_key_is_told_with_what_to_do_and_a_member_can_leave_still(club: Club) -> None:
    label = read_labels(club[2])["anna"]
    key_of(club).unlink()
    with pytest.raises(InputError, match=r"key: missing.*Put it back from a copy, or ingest the logs into a new store"):
        run(club)
    assert forget_car(label, club[2]) == 2
    shutil.rmtree(club[2] / "segments")
    (club[2] / "segments").mkdir()
    with pytest.raises(InputError, match="key: missing"):  # an empty store has a past too: those who left
        run(club)


def test_what_the_store_tells_of_its_key_is_not_the_key(club: Club) -> None:
    told = json.loads((club[2] / "version.json").read_text())["key_check"]
    assert told not in key_of(club).read_text()
    assert len(told) == 16


# ---- versions


def test_an_older_store_is_brought_up_and_a_damaged_part_of_it_set_aside(club: Club) -> None:
    for path in club[2].rglob("checksums.json"):
        path.unlink()
    (club[2] / "version.json").write_text('{"format": 1}\n')
    first, second = Store(club[2]).segments()
    cut(first / "cells.parquet")
    assert run(club).kept == 2
    assert json.loads((club[2] / "version.json").read_text())["format"] == 2
    assert second in Store(club[2]).segments()
    assert first not in Store(club[2]).segments()
    assert Store(club[2]).ledger().collect()["verdict"].to_list() == ["kept"] * 4


def test_a_store_of_a_later_version_is_left_alone(club: Club) -> None:
    (club[2] / "version.json").write_text('{"format": 3}\n')
    for act in (lambda: run(club), lambda: forget_car("anna", club[2]), lambda: Store(club[2])):
        with pytest.raises(InputError, match=r"format 3, this pumpcensus uses format 2.*or use the pumpcensus"):
            act()
    (club[2] / "version.json").write_text('{"format": 2}\n')
    assert pl.read_parquet(club[2] / "segments/*/ledger.parquet").height == 4
