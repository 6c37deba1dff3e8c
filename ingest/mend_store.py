"""What a run that writes does first: brings an older store up to date and sets aside what is damaged."""

from pathlib import Path

import polars as pl

from ingest.checksums import checksum, note
from ingest.findings import InputError
from ingest.labels import Key, add_forgotten, private_folder
from ingest.parquet_files import read_parquet
from ingest.store import FORMAT, TABLES, Store, sweep, version, write_version
from ingest.whole_files import make_folder, move, remove_file, remove_folder

SET_ASIDE = "set_aside"


def mend(store: Store) -> dict[str, list[str]]:
    """Bring a store up to FORMAT, sweep up after killed runs and set damaged segments aside.

    Gives the names of those and their damaged files. Only for who holds the store for writing.
    """
    sweep(store)
    if version(store.path)["format"] != FORMAT:
        _bring_up(store)
    found = store.damages()
    for segment in found:
        target = store.path / SET_ASIDE / segment.name
        make_folder(target.parent)
        remove_folder(target)
        move(segment, target)
    return {segment.name: wrong for segment, wrong in found.items()}


def drop_set_aside(store: Store) -> None:
    """Remove the damaged segments for good."""
    remove_folder(store.path / SET_ASIDE)


def _bring_up(store: Store) -> None:
    """Note what the files of a store of format 1 are, as far as they can be read. A killed run starts it again."""
    for segment in store.segments():
        files = [segment / f"{name}.parquet" for name in TABLES]
        note(segment, {file.name: [checksum(file)] if _can_be_read(file) else [] for file in files})
    roster = store.path / "roster.parquet"
    note(store.path, {roster.name: [checksum(roster)] if _can_be_read(roster) else []})
    forgotten = store.path / "forgotten.json"
    if forgotten.exists():
        add_forgotten(store.path, store.forgetting())
        remove_file(forgotten)
    write_version(store.path, version(store.path) | {"format": FORMAT})


def _can_be_read(file: Path) -> bool:
    try:
        read_parquet(file)
    except (OSError, pl.exceptions.PolarsError):
        return False
    return True


def hold_to_key(store: Store, key: Key) -> None:
    """Have a store remember its key, so that another is told from it. Raises InputError for another one."""
    told = version(store.path)
    if "key_check" not in told:
        write_version(store.path, told | {"key_check": key.check})
    elif told["key_check"] != key.check:
        raise InputError(
            [
                f"{private_folder(store.path) / 'key'}: not the key that {store.path} was made with. With it every car "
                "would get another label and count twice. Put the right one back from a copy. If the key is to be "
                "changed, ingest the logs into a new store and delete this one with all that was made of it."
            ]
        )
