"""Files of a store in an object store, named by a URL: put whole, one at a time; no folders, no renaming, no waiting.

What speaks here as `pathlib.Path` is a `UPath` of universal-pathlib (extra `object-store`), over a system of fsspec.
"""

import errno
import hashlib
import os
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, cast

from ingest.findings import InputError

PRIVATE_HOME = "PUMPCENSUS_PRIVATE"  # names the folder for the private folders of stores named by a URL
_HELD = "another machine is writing here, or a run was killed there: then delete this object"
LAST = ("summary.json",)  # of a folder that counts once this is there


def place_of(store: Path | str) -> Path:
    """Where a store lies, spoken to as a Path: a folder here, or by a URL in an object store.

    Raises InputError where a URL cannot be spoken to, or its address cannot be reached.

    >>> place_of("club/store").name
    'store'
    """
    if not isinstance(store, str) or "://" not in store:
        return Path(store) if isinstance(store, str) else store
    if store.startswith("file://"):
        return Path(store.removeprefix("file://"))
    try:
        from upath import UPath

        place = UPath(store.rstrip("/"), use_listings_cache=False)  # others write there too
        place.exists()
    except ImportError as problem:
        raise InputError(
            [f"{store}: needs the extra `object-store` ({problem}). Run: pip install 'pumpcensus[object-store]'"]
        ) from None
    except Exception as problem:  # each file system fails in its own words
        told = f"{type(problem).__name__}: {problem}".rstrip(": .")
        raise InputError([f"{store}: cannot be reached ({told}). Check address, network and credentials."]) from problem
    return cast(Path, place)


def is_far(path: Path) -> bool:
    """True for a place in an object store."""
    return not isinstance(path, Path)


def private_home(store: Path) -> Path:
    """The local folder that is private to a far store: never in the object store.

    In the folder that PUMPCENSUS_PRIVATE names, else in .pumpcensus in the home of who runs this.
    """
    plain = "-".join(filter(None, str(store).replace("://", "/").split("/")))
    unique = hashlib.sha256(str(store).encode()).hexdigest()[:8]
    return _home() / f"{plain[-80:]}-{unique}.private"


def _home() -> Path:
    told = os.environ.get(PRIVATE_HOME)
    return Path(told) if told else Path.home() / ".pumpcensus"


def put(path: Path, content: bytes, *, is_new: bool = False) -> None:
    """Write an object, which readers see whole or not at all.

    is_new: raise FileExistsError where one is; of several at once only one gets through, where the object store knows
    conditional writes (S3 does).
    """
    with _in_words(path):
        _system(path).pipe_file(_name(path), content, mode="create" if is_new else "overwrite")


def remove(path: Path) -> None:
    """Remove an object where there is one."""
    with _in_words(path), suppress(FileNotFoundError):
        _system(path).rm_file(_name(path))


def remove_all(folder: Path) -> None:
    """Remove all objects of a folder, first that by which it counts."""
    for name in sorted(sizes(folder), key=lambda name: (not name.endswith(LAST), name)):
        remove(folder / name)


def move_all(folder: Path, target: Path) -> None:
    """Copy all objects of a folder, last that by which it counts, then remove them. A killed run leaves both."""
    for name in sorted(sizes(folder), key=lambda name: (name.endswith(LAST), name)):
        put(target / name, (folder / name).read_bytes())
    remove_all(folder)


def fetched(files: Sequence[Path]) -> list[bytes | None]:
    """Content of many objects, asked for together; None where one is missing."""
    if not files:
        return []
    with _in_words(files[0]):
        names = [_name(file) for file in files]
        found = _system(files[0]).cat(names, on_error="return")
    contents = [found[name] for name in names]
    for file, content in zip(files, contents, strict=True):
        if isinstance(content, Exception) and not isinstance(content, FileNotFoundError):
            with _in_words(file):
                raise content
    return [content if isinstance(content, bytes) else None for content in contents]


def sizes(folder: Path) -> dict[str, int]:
    """Name -> size of all objects under a folder, by one listing. [bytes]"""
    with _in_words(folder):
        found = _system(folder).find(_name(folder), detail=True)
    return {name.rsplit(f"{_name(folder)}/", 1)[-1]: told["size"] for name, told in found.items()}


@contextmanager
def only_one_far(lock: Path, hold: Callable[[Path], Any]) -> Iterator[None]:
    """Hold a lock object. Raises BlockingIOError where another machine holds it, or a run killed there left it.

    hold: holds a lock file of this machine, which ends with the process. Who has that knows that a lock object of
    this machine is a killed run's.
    """
    home = _home()
    home.mkdir(parents=True, exist_ok=True, mode=0o700)
    near = home / f"{hashlib.sha256(str(lock).encode()).hexdigest()[:16]}.lock"
    with hold(near):
        own = _machine(home)
        try:
            put(lock, own, is_new=True)
        except FileExistsError:
            if lock.read_bytes() != own:
                raise BlockingIOError(errno.EAGAIN, _HELD, str(lock)) from None
        try:
            yield
        finally:
            remove(lock)


def _machine(home: Path) -> bytes:
    """Chance digits that tell this machine from others, made on first use."""
    file, new = home / "machine", home / f"machine.{secrets.token_hex(4)}"
    if not file.exists():
        new.write_text(secrets.token_hex(8), encoding="ascii")
        with suppress(FileExistsError):
            os.link(new, file)
        new.unlink()
    return file.read_bytes()


def _system(path: Path) -> Any:
    return cast(Any, path).fs


def _name(path: Path) -> str:
    return str(cast(Any, path).path)


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    """Make an OSError that names the object of whatever a file system raises."""
    try:
        yield
    except (FileNotFoundError, FileExistsError, PermissionError):
        raise
    except Exception as problem:
        told = f"{type(problem).__name__}: {problem}".rstrip(": .")
        raise OSError(errno.EIO, told, str(path)) from problem
