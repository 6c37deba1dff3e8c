"""A member leaves: the logs go, and do not come back with the next run."""

from pathlib import Path

from ingest.labels import open_key, private_folder, read_labels, typed_label, write_label_list
from ingest.near_labels import unknown_label
from ingest.seen_files import SeenFiles
from ingest.store import Store, forget, one_writer


def forget_car(car: str, store: Path) -> int:
    """Remove every log of a car from a store, and its name from the private lists. Returns how many logs went.

    car: its name on the roster, or its label. A killed run only has to be started again. Studies and reports
    made earlier still hold the label's figures: make them anew.
    Raises InputError if the store does not know the car.
    """
    home = Store(store)
    with one_writer(store):
        labels = read_labels(store)
        label = typed_label(car) if typed_label(car) in labels.values() else open_key(store, in_use=True).label(car)
        if label not in {*labels.values(), *home.forgotten()}:
            shown = "`pumpcensus labels` shows who is there."
            raise unknown_label(typed_label(car), labels.values(), str(store), shown)
        logs = forget(home, label)
        SeenFiles(private_folder(store) / "paths.csv", [path.name for path in home.segments()]).remove(label)
        write_label_list(store, {name: own for name, own in labels.items() if own != label})
    return logs
