"""Segments merged and superseded logs dropped: readers see no difference, and a killed run loses nothing."""

import json
import shutil
import time
from collections.abc import Callable
from dataclasses import asdict
from datetime import date
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any
from unittest.mock import ANY

import polars as pl
import pytest
from held_store import content, same
from told_keys import told_keys

from ingest import labels, whole_files
from ingest.findings import InputError
from ingest.forget_car import forget_car
from ingest.labels import private_folder, read_labels
from ingest.many_logs import IngestResult, ingest_logs
from ingest.store import Store, commit, one_writer
from ingest.tidy_store import Tidied, TidyRule, _groups, _made_of, _shares, _State, tidy_store
from ingest.whole_files import folders_in

TODAY = date(2026, 11, 25)
Club = tuple[Path, Path, Path]
KEY = "5e" * 32
LATER_S = 3700.0
OF_TWO = TidyRule(segment_logs=2, small_share=1.0)


@pytest.fixture
def club(made_up: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Club:
    """Two cars of two logs each, a segment a log, one of them superseded by a fifth segment."""
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 1)
    monkeypatch.setattr(labels, "secrets", SimpleNamespace(token_hex=lambda size: KEY[: 2 * size]))
    paths = made_up.club(tmp_path)
    run(paths)
    (paths[0] / "anna/2026-07-01_01.csv").write_text(made_up.text(99, pulls=3), encoding="utf-8")
    run(paths)
    return paths


def run(club: Club) -> IngestResult:
    return ingest_logs(*club, today=TODAY)


def names(store: Path) -> list[str]:
    return [segment.name for segment in Store(store).segments()]


def test_small_segments_become_one_and_what_is_superseded_is_dropped(club: Club) -> None:
    before, old = content(club[2]), set(names(club[2]))
    assert len(old) == 5
    tidied = tidy_store(club[2])
    # the segment of the superseded log holds nothing that counts: it waits with the four merged ones
    assert tidied == Tidied(merged=4, made=1, logs=4, dropped=0, removed=0, waiting=5, segments=1, freed_bytes=0)
    assert set(asdict(tidied)) == told_keys("store tidy --json")
    same(content(club[2]), before)
    (new,) = set(names(club[2])) - old
    held = pl.read_parquet(club[2] / "segments" / new / "samples.parquet")
    assert held.height == before["samples"].height
    assert not Store(club[2]).damages()


def test_a_second_run_changes_nothing_and_one_an_hour_later_removes_the_old_ones(club: Club) -> None:
    before = content(club[2])
    tidy_store(club[2])
    files = sorted(club[2].rglob("*"))
    again = tidy_store(club[2])
    assert (again.merged, again.removed, again.waiting) == (0, 0, 5)
    assert sorted(club[2].rglob("*")) == files
    later = tidy_store(club[2], now_s=time.time() + LATER_S)
    assert (later.merged, later.removed, later.waiting, later.segments) == (0, 5, 0, 1)
    assert later.freed_bytes > 0
    assert len(names(club[2])) == len(folders_in(club[2] / "segments")) == 1
    same(content(club[2]), before)
    nothing = tidy_store(club[2], now_s=time.time() + 2 * LATER_S)
    assert nothing == Tidied(0, 0, 0, 0, 0, 0, 1, 0)


def test_a_tidied_store_knows_its_logs_still(club: Club, made_up: ModuleType) -> None:
    (club[0] / "bert/2026-07-02_01.csv").unlink()
    shutil.copy(club[0] / "anna/2026-07-02_01.csv", club[0] / "anna/zz.csv")  # refused: the same log twice
    run(club)
    before = content(club[2])
    for act in (lambda: tidy_store(club[2]), lambda: tidy_store(club[2], at_once=True)):
        act()
        result = run(club)
        assert (result.kept, result.refused, result.skipped) == (0, 0, 4)
        same(content(club[2]), before)
    assert len(names(club[2])) == 1
    (club[0] / "anna/2026-07-01_01.csv").write_text(made_up.text(98), encoding="utf-8")
    assert (run(club).superseded, len(names(club[2]))) == (1, 2)
    tidied = tidy_store(club[2], at_once=True)
    assert (tidied.merged, tidied.made, tidied.dropped, tidied.removed) == (2, 1, 1, 2)
    assert content(club[2])["samples"]["log"].n_unique() == 4, "that of a file taken away stays"


def test_a_superseded_log_in_a_large_segment_is_dropped_too(
    club: Club, made_up: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    rule = TidyRule(segment_logs=4, small_share=0.5)
    tidy_store(club[2], rule, at_once=True)
    assert len(names(club[2])) == 1
    (club[0] / "bert/2026-07-01_01.csv").write_text(made_up.text(97), encoding="utf-8")
    run(club)
    tidied = tidy_store(club[2], rule, at_once=True)
    assert (tidied.dropped, tidied.segments) == (1, 1)
    assert tidy_store(club[2], rule).merged == 0


def test_no_merged_segment_is_larger_than_told(club: Club) -> None:
    tidied = tidy_store(club[2], TidyRule(segment_logs=2, small_share=1.0), at_once=True)
    assert (tidied.merged, tidied.made, tidied.segments) == (4, 2, 2)
    large = TidyRule(segment_bytes=1)
    assert tidy_store(club[2], large).merged == 0


def straddling(club: Club, made_up: ModuleType) -> None:
    """A segment of all four logs, one of which is superseded by another segment: with OF_TWO both go into two."""
    tidy_store(club[2], at_once=True)
    (club[0] / "bert/2026-07-01_01.csv").write_text(made_up.text(97), encoding="utf-8")
    run(club)
    assert len(names(club[2])) == 2


def test_more_logs_than_one_segment_may_hold_are_shared_out_by_label(club: Club, made_up: ModuleType) -> None:
    shutil.copy(club[0] / "anna/2026-07-02_01.csv", club[0] / "anna/zz.csv")  # refused: the same log twice
    shutil.copytree(club[0] / "anna", club[0] / "nobody")  # refused: not on the roster
    run(club)
    tidy_store(club[2], at_once=True)
    (club[0] / "bert/2026-07-01_01.csv").write_text(made_up.text(97), encoding="utf-8")
    run(club)
    before, rule = content(club[2]), TidyRule(segment_logs=3)
    logs = before["ledger"].height
    made = -(-logs // 3)
    assert tidy_store(club[2], rule, at_once=True) == Tidied(2, made, logs, 1, 2, 0, made, ANY)
    same(content(club[2]), before)
    ledgers = [pl.read_parquet(segment / "ledger.parquet") for segment in Store(club[2]).segments()]
    assert max(ledger.height for ledger in ledgers) <= 3
    whose = [label for ledger in ledgers for label in ledger["label"].to_list()]
    assert whose == sorted(whose, key=lambda label: label or ""), "each segment has a range of labels"
    for name in ("samples", "pulls", "cells"):
        for segment, ledger in zip(Store(club[2]).segments(), ledgers, strict=True):
            held = pl.read_parquet(segment / f"{name}.parquet")["log"].unique().sort()
            assert held.to_list() == sorted(ledger.filter(verdict="kept")["log"])
    again = run(club)
    assert (again.kept, again.refused, again.skipped) == (0, 0, logs)
    assert tidy_store(club[2], rule).merged == 0
    lost = Store(club[2]).segments()[-1] / "cells.parquet"
    lost.write_bytes(b"")  # only its logs are read again, for the list of paths says what lies where
    again = run(club)
    assert (again.kept, again.refused, again.skipped) == (ledgers[-1].height, 0, logs - ledgers[-1].height)
    same(content(club[2]), before)


@pytest.mark.parametrize(("segments", "left"), [(39, 2), (41, 3), (400, 20), (423, 22)])
def test_what_was_shared_out_is_left_alone(segments: int, left: int) -> None:
    # counted by hand: 50 logs each, so 20 make a segment of 1,000, and 10 of these are made at a time
    rule = TidyRule()
    states = [_State(Path(str(number)), 50, 50, 1_000_000) for number in range(segments)]
    groups = list(_groups(states, rule))
    made = [
        _State(Path(), share.height, share.height, 20_000 * share.height)
        for group in groups
        for share in _shares(ledger_of(sum(state.logs for state in group)), _made_of(group, rule))
    ]
    assert sum(state.logs for state in made) == 50 * segments
    assert len(made) == left
    assert max(state.logs for state in made) <= rule.segment_logs
    assert not list(_groups(made, rule))


def ledger_of(logs: int) -> pl.DataFrame:
    return pl.DataFrame(
        {name: [f"{number:06d}" for number in range(logs)] for name in ("label", "date", "log", "source")}
    )


def test_large_logs_are_shared_out_by_their_size(club: Club) -> None:
    size = sum(path.stat().st_size for path in club[2].glob("segments/*/*"))
    rule = TidyRule(segment_bytes=int(0.45 * size))
    assert tidy_store(club[2], rule, at_once=True).made == 2
    assert tidy_store(club[2], rule, at_once=True).merged == 0


# ---- readers


def test_readers_see_the_same_after_each_of_several_new_segments(
    club: Club, made_up: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    straddling(club, made_up)
    before, opened = content(club[2]), []

    def committed(*given: Any) -> None:
        commit(*given)
        same(content(club[2]), before)
        opened.append(Store(club[2]).cells())

    monkeypatch.setattr("ingest.tidy_store.commit", committed)
    tidy_store(club[2], OF_TWO)
    assert len(opened) == 2
    for cells in opened:
        assert cells.collect().sort("log", "pull", "band_rpm").equals(before["cells"])


def test_a_reader_who_opened_before_still_reads_its_state(club: Club, made_up: ModuleType) -> None:
    home, before = Store(club[2]), content(club[2])
    opened = {name: getattr(home, name)() for name in ("samples", "pulls", "cells")}
    tidy_store(club[2])
    tidy_store(club[2], now_s=time.time() + LATER_S / 2)
    for name, table in opened.items():
        columns = table.collect_schema().names()
        now = getattr(Store(club[2]), name)().collect().select(columns)
        assert table.collect().sort(columns).equals(now.sort(columns))
    same(content(club[2]), before)


def test_a_study_that_reads_while_all_is_removed_reads_again(club: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    before, real, ran = Store(club[2]).at_once(), Store._table, []

    def table(self: Store, name: str, ledgers: pl.DataFrame) -> pl.LazyFrame:
        if not ran:
            ran.append(name)
            tidy_store(club[2], at_once=True)
        return real(self, name, ledgers)

    monkeypatch.setattr(Store, "_table", table)
    moment = Store(club[2]).at_once()
    assert ran
    for name in ("cells", "pulls", "ledger", "roster"):
        assert getattr(moment, name).equals(getattr(before, name)), name


def test_who_writes_makes_it_wait(club: Club) -> None:
    with one_writer(club[2]), pytest.raises(InputError, match="another run is writing here"):
        tidy_store(club[2])


# ---- members, damage, older stores


def test_a_member_who_leaves_is_in_no_segment_that_waits(club: Club) -> None:
    tidy_store(club[2])
    label = read_labels(club[2])["anna"]
    forget_car("anna", club[2])
    held = b"".join(path.read_bytes() for path in club[2].rglob("*.parquet"))
    tables = [pl.read_parquet(path) for path in club[2].glob("segments/*/ledger.parquet")]
    assert label.encode() not in held
    assert not [table for table in tables if label in table["label"].to_list()]
    assert content(club[2])["ledger"]["label"].unique().to_list() == [read_labels(club[2])["bert"]]
    tidy_store(club[2], at_once=True)
    assert content(club[2])["ledger"].height == 2


def test_what_is_damaged_is_not_merged(club: Club) -> None:
    file = Store(club[2]).segments()[-1] / "cells.parquet"
    file.write_bytes(file.read_bytes()[:-1])
    with pytest.raises(InputError, match=r"cells\.parquet: damaged or missing. Run `pumpcensus ingest`"):
        tidy_store(club[2])
    assert run(club).kept == 1
    assert tidy_store(club[2]).segments == 1


def test_an_older_store_is_brought_up_first(club: Club) -> None:
    told = json.loads((club[2] / "version.json").read_text())
    (club[2] / "version.json").write_text(json.dumps(told | {"format": 1}))
    with pytest.raises(InputError, match=r"of an older format\. `pumpcensus ingest` brings it up"):
        tidy_store(club[2])


def test_another_key_is_refused(club: Club) -> None:
    (private_folder(club[2]) / "key").write_text("ab" * 32 + "\n")
    with pytest.raises(InputError, match="not the key"):
        tidy_store(club[2])


# ---- killed


@pytest.mark.parametrize(
    ("at_once", "rule", "left"), [(False, TidyRule(), 1), (True, TidyRule(), 1), (False, OF_TWO, 2)]
)
def test_a_run_ended_at_every_step(
    club: Club,
    made_up: ModuleType,
    dying_disk: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    at_once: bool,
    rule: TidyRule,
    left: int,
) -> None:
    if rule is OF_TWO:
        straddling(club, made_up)
    before = content(club[2])
    if at_once:
        tidy_store(club[2])
    places = [club[2], private_folder(club[2])]
    kept = [place.with_name(f"kept {place.name}") for place in places]
    for place, copy in zip(places, kept, strict=True):
        shutil.copytree(place, copy)
    monkeypatch.setattr(whole_files, "os", dying_disk.Disk())
    act: Callable[[], Tidied] = lambda: tidy_store(club[2], rule, at_once=at_once)  # noqa: E731
    steps = dying_disk.steps_of(act, monkeypatch)
    assert steps > 20
    for step in range(1, steps + 1, 5 if at_once or rule is OF_TWO else 2):
        for place, copy in zip(places, kept, strict=True):
            shutil.rmtree(place)
            shutil.copytree(copy, place)
        dying_disk.dies_at(step, act, monkeypatch)
        same(content(club[2]), before)
        if step % 2:  # either of them goes on
            assert (run(club).kept, run(club).skipped) == (0, 4)
        act()
        same(content(club[2]), before)
        assert run(club).skipped == 4
        assert {path.name for path in folders_in(club[2] / "segments")} == set(names(club[2]))
        assert not Store(club[2]).damages()
        tidy_store(club[2], rule, at_once=True)
        assert len(names(club[2])) == left
        same(content(club[2]), before)
