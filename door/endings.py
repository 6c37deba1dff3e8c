"""How a command ends: exit codes, and what went wrong in words."""

import errno
import functools
import inspect
import os
import sys
import traceback
from collections.abc import Callable
from contextvars import ContextVar
from pathlib import Path
from typing import Annotated, NoReturn, ParamSpec

import typer

P = ParamSpec("P")

DONE = 0
NOTHING_USABLE = 1  # or input that was refused
STOPPED = 130  # as a shell reports an interrupt
PIPE_CLOSED = 141  # as a shell reports a reader that left
_OURS = tuple(str(Path(__file__).parents[1] / room) for room in ("door", "ingest", "models", "reports"))
_FULL = " Make room there and run it again: what was written before is whole, and the run goes on from there."
_CLOSED = " Ask who may write there, or name another folder."
_OPEN = " Close it where it is open, in a spreadsheet say, and run it again; else ask who may write there."
_REMEDY = {
    errno.ENOSPC: _FULL, errno.EDQUOT: _FULL, errno.EFBIG: _FULL,
    errno.EACCES: _CLOSED, errno.EPERM: _CLOSED, errno.EROFS: _CLOSED,
}  # fmt: skip

Quiet = Annotated[bool, typer.Option("--quiet", help="No progress and no remarks: the answer, or what is wrong.")]
is_quiet: ContextVar[bool] = ContextVar("is_quiet", default=False)


def ends(undone: str, stopped: str = "") -> Callable[[Callable[P, int | None]], Callable[P, None]]:
    """Decorate a command so that it ends in an exit code and plain words, never in a traceback.

    undone: what has not happened where input is refused, e.g. "ingested".
    stopped: what a person who interrupts it should know.
    The command gives its exit code, or None for DONE. It gets an option --quiet, for which it need do nothing.
    """

    def wrap(command: Callable[P, int | None]) -> Callable[P, None]:
        @functools.wraps(command)
        def run(*args: P.args, **kwargs: P.kwargs) -> None:
            token = is_quiet.set(bool(kwargs.pop("quiet", False)) or is_quiet.get())  # after the command, or before
            try:
                code = command(*args, **kwargs) or DONE
                sys.stdout.flush()
            except typer.BadParameter:  # how the command was typed: told with its usage
                raise
            except KeyboardInterrupt:
                say(f"Stopped before the end. {stopped}".rstrip())
                code = STOPPED
            except Exception as problem:
                if has_reader_left(problem):
                    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
                    code = PIPE_CLOSED
                else:
                    say(in_words(problem, undone))
                    code = NOTHING_USABLE
            finally:
                is_quiet.reset(token)
            raise typer.Exit(code)

        _take_quiet(run)
        return run

    return wrap


def _take_quiet(command: Callable[..., None]) -> None:
    """Declare --quiet on a command, beside the arguments it has."""
    own = inspect.signature(command)
    quiet = inspect.Parameter("quiet", inspect.Parameter.KEYWORD_ONLY, default=False, annotation=Quiet)
    command.__signature__ = own.replace(parameters=[*own.parameters.values(), quiet])  # type: ignore[attr-defined]
    command.__annotations__ = command.__annotations__ | {"quiet": Quiet}


def has_reader_left(problem: Exception) -> bool:
    """Whether who reads the answer, `head` say, has had enough. Windows calls that an invalid argument, of no file."""
    return isinstance(problem, BrokenPipeError) or (
        os.name == "nt" and isinstance(problem, OSError) and problem.errno == errno.EINVAL and problem.filename is None
    )


def in_words(problem: Exception, undone: str) -> str:
    """What went wrong, one line a problem; with PUMPCENSUS_TRACEBACK=1 the traceback goes to stderr first."""
    if os.environ.get("PUMPCENSUS_TRACEBACK") == "1":
        traceback.print_exception(problem)
    problems = getattr(problem, "problems", None)  # an InputError's; by its look, so that no room is loaded here
    if isinstance(problem, OSError) and problem.strerror:
        is_open = os.name == "nt" and isinstance(problem, PermissionError)  # what is open elsewhere is refused so there
        remedy = _OPEN if is_open else _REMEDY.get(problem.errno or 0, "")
        file = problem.filename2 or problem.filename or "A file"  # the second one is what was to be replaced
        return f"{file}: {problem.strerror}. The command did not finish.{remedy}"
    if isinstance(problem, OSError):
        problems = [str(problem)]
    if isinstance(problems, list):
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        return "\n".join([*problems, f"{count}; nothing was {undone}."])
    return (
        f"pumpcensus met something it was not made for ({type(problem).__name__} at {_place(problem)}) "
        "and did not finish. Please report this line and the command where you got pumpcensus, without your "
        "logs; PUMPCENSUS_TRACEBACK=1 before the command shows details, which may hold names: look before you "
        "pass them on."
    )


def _place(problem: Exception) -> str:
    """Where in this program it happened. Not what was said there, for that may be a cell of somebody's log."""
    steps = traceback.extract_tb(problem.__traceback__)
    own = [step for step in steps if step.filename.startswith(_OURS)] or steps
    return f"{Path(own[-1].filename).name}, line {own[-1].lineno}" if own else "a place unknown"


def refuse(problem: str) -> NoReturn:
    """Raise InputError: where, what, and what to do."""
    from ingest.findings import InputError

    raise InputError([problem])


def agreed(yes: bool, question: str) -> bool:
    """True where the person says so, at the keyboard or with --yes beforehand."""
    if yes:
        return True
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        refuse("Not asked, since no terminal is there to answer. Look at what would leave, then add --yes.")
    return typer.confirm(question)


def say(line: str) -> None:
    """One line for the person at the keyboard, on stderr: what went wrong, or is left to do."""
    typer.echo(line, err=True)


def remark(line: str) -> None:
    """The same for what --quiet leaves out: how far it is, what else was done."""
    if not is_quiet.get():
        say(line)
