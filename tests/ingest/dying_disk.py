"""A stand-in for `os` in the store's file layer that ends a run at one step, as a kill or a full disk would."""

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest import whole_files

STEPS = ("open", "write", "fsync", "replace", "unlink", "mkdir", "rmdir")


class KilledError(BaseException):
    """The process is dead: no clean-up reaches the disk any more."""


class Disk:
    """Counts the layer's steps. At step `last` the process dies (kind "killed") or the disk refuses (an errno's name).

    A write at which it happens has written its first half. Nothing waits for the disk: a killed process does not lose
    what it has written, and a power cut cannot be had here.
    """

    def __init__(self, last: int | None = None, kind: str = "killed") -> None:
        self.last, self.kind, self.steps = last, kind, 0

    def __getattr__(self, name: str) -> Any:
        real = getattr(os, name)
        return self._counted(name, real) if name in STEPS else real

    def _counted(self, name: str, given_real: Callable[..., Any]) -> Callable[..., Any]:
        def step(*given: Any) -> Any:
            if name == "open" and given[1] == os.O_RDONLY:
                return given_real(*given)
            self.steps += 1
            real = (lambda _: None) if name == "fsync" else given_real
            if self.last is None or self.steps < self.last:
                return real(*given)
            if self.kind == "killed":
                if name == "write" and self.steps == self.last:
                    real(given[0], given[1][: len(given[1]) // 2])
                raise KilledError
            if self.kind == "ENOSPC" and name in ("unlink", "rmdir", "replace"):
                return real(*given)
            if self.kind == "ENOSPC" and name == "write":
                real(given[0], given[1][: len(given[1]) // 2])
            number = getattr(errno, self.kind)
            named = [str(given[0])] if isinstance(given[0], str | Path) else []  # as the system does
            raise OSError(number, os.strerror(number), *named)

        return step


def steps_of(act: Callable[[], object], patch: pytest.MonkeyPatch) -> int:
    """How many steps an undisturbed run takes."""
    disk = Disk()
    with patch.context() as within:
        within.setattr(whole_files, "os", disk)
        act()
    return disk.steps


def dies_at(step: int, act: Callable[[], object], patch: pytest.MonkeyPatch, kind: str = "killed") -> BaseException:
    """Run `act` until the disk ends it at a step. What it raised."""
    with patch.context() as within:
        within.setattr(whole_files, "os", Disk(step, kind))
        try:
            act()
        except (KilledError, OSError) as end:
            return end
    raise AssertionError(f"step {step} was not reached")


def files_under(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file())
