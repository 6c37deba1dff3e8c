"""A study as Markdown, for a forum or chat: what the page says in words, without charts and the table of all cars."""

import re
from collections.abc import Iterator

from models.schemas import Study
from reports.cards import Spell
from reports.sections import Report, report

SIGNS = re.compile(r"[\\`*_\[\]<>#|~&$!{}^]|:(?=\S)")  # each would be markup, a link or a formula somewhere
WWW = re.compile(r"(www)\.", re.IGNORECASE)


def markdown_text(study: Study) -> str:
    """The text, one paragraph or list entry a line. Names that look like markup come out as they stand."""
    whole = report(study)
    lines = [
        f"# Fuel pump census {whole.quarter}",
        *_top(whole),
        "## What needs attention",
        *([_flag(spell) for spell in whole.attention] or ["Nothing, as far as these logs can tell."]),
        "## What changed since the last quarter",
        *_changes(whole),
        "## Who should log what next",
        *_next(whole),
        "## How far to trust this",
        *(f"- {escaped(fact.name)}: {escaped(fact.value)}" for fact in whole.trust),
        *([escaped(whole.drill.sentence)] if whole.drill else []),
        "## Logs that could not be used",
        *_refused(whole),
        "## Cautions",
        *(f"- **{escaped(caution.title)}.** {escaped(caution.text)}" for caution in whole.cautions),
    ]
    return "\n".join(_spaced(lines)) + "\n"


def escaped(text: str) -> str:
    """Text that Markdown shows as it stands: no markup, no link, nobody called by name.

    >>> print(escaped("a|b *c* <d>"))
    a\\|b \\*c\\* \\<d\\>
    """
    plain = SIGNS.sub(r"\\\g<0>", " ".join(text.split()))
    return WWW.sub(r"\1\\.", plain).replace("@", "@\u200b")


def _spaced(lines: list[str]) -> Iterator[str]:
    """A blank line wherever a list begins or ends, and around all else."""
    for before, line in zip(["", *lines], lines, strict=False):
        if before and not (before.startswith("- ") and line.startswith("- ")):
            yield ""
        yield line


def _top(whole: Report) -> Iterator[str]:
    if whole.demo:
        yield "**Invented data.** Every car, log, owner and finding here is made up."
    yield escaped(whole.overview)
    if whole.privacy:
        yield escaped(whole.privacy)
    yield (
        "A log shows patterns; only a qualified technician with the car finds causes. Excess: how much more fuel "
        "volume a pump is asked for than its peers' are, at the same demand."
    )


def _flag(spell: Spell) -> str:
    parts = [f"- **{escaped(spell.name)}** {escaped(spell.word)}, {escaped(spell.setup)}."]
    if spell.limit_word:
        parts.append(f"**{spell.limit_word.word.capitalize()}.** {escaped(spell.limit_word.meaning)}")
    if spell.excess and spell.interval[0] in "+−":
        rest = "".join(f", {text}" for text in (spell.peak, f"first seen {spell.since}" if spell.since else "") if text)
        parts.append(f"{spell.excess} % of fuel volume (95 % interval {spell.interval} %){rest}.")
    parts += [
        f"Pattern: {escaped(pattern.word)}. First to be checked: {escaped('; '.join(pattern.first))}."
        for pattern in spell.patterns
    ]
    if spell.checks:
        words = "; ".join(check.word for check in spell.checks)
        parts.append(f"To be confirmed before anyone acts: {escaped(words)}.")
    return " ".join(parts)


def _changes(whole: Report) -> Iterator[str]:
    for one in whole.changes:
        told = f"{one.setup}, {one.change}; before: {one.before}; now: {one.now}"
        yield f"- **{escaped(one.label)}** {escaped(told)}"
    if whole.hits:
        yield f"{escaped(whole.hits.name)}: {escaped(whole.hits.value)}."
    if not whole.changes:
        yield "Nothing." if whole.unchanged else "There is no study of an earlier quarter to compare with."


def _next(whole: Report) -> Iterator[str]:
    for one in whole.next_logs:
        names = ", ".join(f"**{escaped(name)}**" for name, _ in one.cars)
        yield f"- {names}: {escaped(' '.join(one.wishes))}"
    if not whole.next_logs:
        yield "Nobody has to log anything special."


def _refused(whole: Report) -> Iterator[str]:
    yield f"{whole.quality.kept} logs were used and {whole.quality.refused} refused."
    for one in whole.quality.refusals:
        yield f"- **{escaped(one.label)}** {escaped(one.dates)}. {escaped(one.reason)} {escaped(one.remedy)}"
