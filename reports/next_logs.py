"""Who should log what next, in words, so that something can be said."""

from dataclasses import dataclass

from models.schemas import Study
from reports import wording
from reports.cards import SPELL, by_urgency, named
from reports.wishes import in_words


@dataclass(frozen=True)
class NextLog:
    """What some cars should log next. wait: no full-load logs until someone has looked.

    cars: name and label of each.
    """

    cars: tuple[tuple[str, str], ...]
    wait: bool
    wishes: tuple[str, ...]


def next_logs(study: Study) -> list[NextLog]:
    """Cars whose next log would decide something, those to stop logging first; like wishes are gathered.

    A car that runs short of fuel is never asked for another full-load log.
    """
    wishes = study.next_logs.partition_by(*SPELL, maintain_order=True, as_dict=True) if study.next_logs.height else {}
    gathered: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for row in by_urgency(named(study.cars)).iter_rows(named=True):
        own = wishes.get(tuple(row[name] for name in SPELL))
        if own is not None:
            gathered.setdefault(in_words(own, row["signal"]), []).append((row["name"], row["label"]))
    wait = (wording.wish("wait"),)
    found = [NextLog(tuple(names), told == wait, told) for told, names in gathered.items()]
    return sorted(found, key=lambda one: not one.wait)
