"""The store's only way to the disk: files written whole or not at all, folders removed, one writer at a time.

In an object store (`far_files`) the same holds of its objects.
"""

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ingest.far_files import is_far, move_all, only_one_far, put, remove, remove_all, sizes

PRIVATE, SHARED = 0o600, 0o666  # less what the umask takes away


def write_whole(path: Path, content: bytes, mode: int = SHARED) -> None:
    """Write a file so that a reader, a killed run or a power cut leaves the old one or the new one, never a part.

    Raises OSError with the file's name; then the old one is there, and nothing half written beside it.
    """
    if is_far(path):
        put(path, content)
        return
    part = path.with_name(path.name + ".part")
    with _named(path):
        remove_file(part)  # a killed run's
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
        try:
            _write_all(handle, content)
            os.replace(part, path)  # refused on Windows while another program has the file open
        except OSError:
            remove_file(part)
            raise


def append(path: Path, content: bytes, mode: int = PRIVATE) -> None:
    """Add to the end of a file. A killed run may leave a part of `content` there."""
    with _named(path):
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
        _write_all(os.open(path, flags, mode), content)


def make_folder(path: Path, mode: int = 0o777) -> None:
    """Make a folder where none is. An object store has none."""
    if is_far(path):
        return
    with _named(path):
        if not path.is_dir():
            path.parent.mkdir(parents=True, exist_ok=True)
            os.mkdir(path, mode)


def remove_file(path: Path) -> None:
    """Remove a file where there is one."""
    if is_far(path):
        remove(path)
    elif os.path.lexists(path):
        os.unlink(path)


def remove_folder(folder: Path) -> None:
    """Remove a folder and all that is in it, where there is one. Links are removed, not followed."""
    if is_far(folder):
        remove_all(folder)
        return
    if not folder.is_dir():
        return
    for entry in sorted(folder.iterdir()):
        if entry.is_dir() and not entry.is_symlink():
            remove_folder(entry)
        else:
            os.unlink(entry)
    os.rmdir(folder)


def folders_in(folder: Path) -> list[Path]:
    """Folders in a folder, which may be missing."""
    if is_far(folder):
        return [folder / name for name in sorted({name.split("/")[0] for name in sizes(folder) if "/" in name})]
    return sorted(path for path in folder.iterdir() if path.is_dir()) if folder.is_dir() else []


def move(path: Path, target: Path) -> None:
    """Give a folder another name, at once; in an object store, where a folder counts by its last file, file by file."""
    if is_far(path):
        move_all(path, target)
    else:
        os.replace(path, target)


def stamp(file: Path) -> tuple[object, ...] | None:
    """What tells a file from another that was put in its place; None where it is not there."""
    try:
        state = file.stat()
    except FileNotFoundError:
        return None
    if is_far(file):
        return (*sorted((name, str(told)) for name, told in state.as_info().items()),)  # type: ignore[attr-defined]
    return state.st_ino, state.st_mtime_ns


def settle(folder: Path) -> None:
    """Have the disk remember the names in a folder, so that a power cut does not undo what was said to be done."""
    if os.name == "posix" and not is_far(folder):
        with _named(folder):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


@contextmanager
def only_one(lock: Path, *, wait: bool = False) -> Iterator[None]:
    """Hold a lock file, which the system frees when the process ends, however it ends.

    wait: for others of this machine to end; else BlockingIOError is raised where another holds it.
    """
    if is_far(lock):
        with only_one_far(lock, lambda near: only_one(near, wait=wait)):
            yield
        return
    with lock.open("a") as file:
        _lock(file.fileno(), wait)
        yield


def _lock(handle: int, wait: bool) -> None:
    if sys.platform == "win32":
        import msvcrt

        while True:
            try:
                return msvcrt.locking(handle, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
            except OSError as problem:
                if not wait or problem.errno != errno.EDEADLK:  # which says that LK_LOCK has tried for ten seconds
                    raise BlockingIOError from problem
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))


def _write_all(handle: int, content: bytes) -> None:
    """Write, have it on the disk, close."""
    try:
        rest = memoryview(content)
        while rest:
            rest = rest[os.write(handle, rest) :]
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """Put the file's name into an OSError that came without one."""
    try:
        yield
    except OSError as problem:
        if problem.filename is None and problem.errno is not None:
            raise OSError(problem.errno, problem.strerror, str(path)) from problem
        raise
