"""The entry point: exit codes are given here, where every ending of the program is seen.

2 for a wrong command line, 10 to 49 for one class of trouble each (`pipeline.errors`), 70 for a bug with its
traceback, 130 for Ctrl-C.
"""

from __future__ import annotations

import gc
import os
import re
import signal
import sys
from functools import cache
from typing import Any

BUG = 70
INTERRUPTED = 130
USAGE = 2
STOPPED = "Interrupted; nothing half-made was left under a final name.\n"
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""What the libraries under numpy ask for the number of threads; names from memory of their manuals."""
SELDOM = 20_000
"""Objects made before the collector looks among them; some megabytes, if all of them were garbage."""
NO_PLUGINS = "PYDANTIC_DISABLE_PLUGINS"
"""Source: pydantic's documentation, "Pydantic Plugins", from memory; it must stand before the first model."""


def settle_libraries() -> None:
    """Has the library of matrices work in one thread, pydantic without plugins, and the collector seldom.

    What the user set of the first two stands.

    Chips are small, and the cores are taken by processes already: a second thread waits in a loop for its
    share of each small product, and doubles the processor time. Sums also come out in one order everywhere.
    What another package plugs in must not change what a sheet means, and looking for it takes as long as
    loading numpy. The collector of cycles finds next to none here, and looking for them in all that the
    libraries made while they were loaded takes a tenth of a small command.
    """
    gc.set_threshold(SELDOM, 50, 50)
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    os.environ.setdefault(NO_PLUGINS, "__all__")


def run(arguments: list[str] | None = None) -> int:
    """The program, from its arguments to its exit code.

    Args:
        arguments: Without the program's name; those of the process where None.
    """
    from pipeline.errors import WellreadError
    from pipeline.short_way import short_way

    interrupted: tuple[type[BaseException], ...] = (KeyboardInterrupt,)
    try:
        code = short_way(sys.argv[1:] if arguments is None else arguments)
        if code is not None:
            return code
        import typer

        interrupted = (KeyboardInterrupt, typer.Abort)
        result = _command()(args=arguments, prog_name="wellread", standalone_mode=False)
    except WellreadError as error:
        return _told(error)
    except interrupted:
        return _interrupted()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except MemoryError:
        from pipeline.edges.disk_errors import no_memory

        return _told(no_memory("wellread"))
    except OSError as error:
        from pipeline.edges.disk_errors import as_storage_error

        return _told(as_storage_error(error, error.filename or "the disk"))
    except ImportError as error:
        return _not_loaded(error)
    except Exception as error:  # noqa: BLE001 - the last place of all: a bug is told as one, with its traceback
        # Where a class is being made, as a module loads, Python 3.11 hides Ctrl-C behind an error of its own.
        if hasattr(error, "show") and hasattr(error, "format_message"):
            return _usage(error)
        return _interrupted() if isinstance(error.__cause__, KeyboardInterrupt) else _bug()
    if result == INTERRUPTED:
        # Some versions of Typer turn Ctrl-C into this result without a word.
        _interrupted()
    return result if isinstance(result, int) else 0


def _not_loaded(error: ImportError) -> int:
    """A library that was not loaded: there was no memory to map it into, or it is not there, which is a bug.

    The words are those of the GNU and musl loaders, from memory and as seen.
    """
    if "failed to map" not in str(error) and "annot allocate memory" not in str(error):
        return _bug()
    from pipeline.edges.disk_errors import no_memory

    return _told(no_memory("wellread"))


def _bug() -> int:
    """The traceback of what is being handled, and what to do with it."""
    import traceback

    from pipeline.edges.console import notice

    notice(traceback.format_exc().rstrip("\n"), whole=True)
    notice("This is a bug in wellread, not in your files. Report it with the lines above.")
    return BUG


def _interrupted() -> int:
    """Ctrl-C, told on a line of its own."""
    from pipeline.edges.console import wipe_progress

    wipe_progress()
    sys.stderr.write(STOPPED)
    return INTERRUPTED


@cache
def _command() -> Any:
    """The command line, put together once a process: Typer takes a twentieth of a second for it."""
    from typer.main import get_command

    from pipeline.cli import app

    return get_command(app)


def _told(error: Any) -> int:
    """An error of ours, in one line, after all problems that it gathers."""
    from pipeline.edges.console import notice
    from pipeline.one_line import one_line

    for problem in getattr(error, "problems", ()):
        notice(one_line(problem))
    notice(one_line(str(error)))
    return int(error.exit_code)


def _usage(error: Any) -> int:
    """A wrong command line, in plain words; typer's own error has them."""
    from pipeline.edges.console import notice

    context = getattr(error, "ctx", None)
    if context is not None:
        notice(context.get_usage())
    notice(
        f"{_in_our_words(error)}\nSee `wellread "
        f"{'' if context is None or context.info_name == 'wellread' else context.info_name + ' '}--help`."
    )
    return USAGE


def _in_our_words(error: Any) -> str:
    """What is wrong with a command line, and which command or option was most likely meant."""
    from pipeline.one_line import one_line
    from schemas.meant import meant

    told = str(error.format_message())
    context = getattr(error, "ctx", None)
    command = re.match(r"No such command '([^']*)'", told)
    option = getattr(error, "option_name", None)
    if command is not None and context is not None:
        told, near = f"No such command {command[0][16:]}.", meant(command[1], context.command.commands)
    elif option is not None and context is not None:
        known = (name for one in context.command.params for name in one.opts if name.startswith("--"))
        told, near = f"No such option: {one_line(str(option))}.", meant(option, known)
    else:
        return _with_help(told, getattr(error, "param", None))
    return f"{told} Did you mean {' or '.join(near)}?" if near else told


def _with_help(told: str, param: Any) -> str:
    """What an argument or option is for, beside what is wrong with it."""
    about = str(getattr(param, "help", "") or "")
    return f"{told.rstrip('.')}. {param.name}: {about}" if about and about not in told else told


def main() -> None:
    """What the command `wellread` calls."""
    settle_libraries()
    code = run()
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = code or 1
    if code == INTERRUPTED and hasattr(signal, "pthread_sigmask"):
        # A Ctrl-C that came while a class was being made from text is never forgotten: Python ends by sending
        # itself the signal, whatever the code. Blocked, it leaves 130 (CPython 3.11, `exit_sigint`, main.c).
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    gc.freeze()  # else the collector looks once more at all that was loaded, when it is over: 30 ms
    sys.exit(code)


if __name__ == "__main__":
    main()
