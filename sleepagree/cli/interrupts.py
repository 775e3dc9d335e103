"""Ctrl-C in a run of the command: one line on standard error and exit 130, whenever it comes.

While a command runs, Ctrl-C is a KeyboardInterrupt as ever, so that what is half-made is removed and a study can say
how to go on. Before and after that there is nothing to remove, and an exception could surface anywhere, in the middle
of an import or where it is printed and dropped: there the process ends at once.

A process that is told to ignore the signal when it is started, as shells do with jobs in the background and ``nohup``
users with long runs, goes on ignoring it.
"""

import os
import signal
import sys

#: 128 + SIGINT, as shells have it.
EXIT_CODE = 130

LINE = "sleepagree: interrupted."
_LAST_LINE = "sleepagree: interrupted while ending; what it has written is whole."


class _State:
    """What is to become of the next Ctrl-C, and what became of the last."""

    raising = False
    happened = False
    told = False
    ending = False
    exit_code: object = None


def watch() -> None:
    """Take over Ctrl-C from Python, unless it is ignored or somebody else has it."""
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        return
    signal.signal(signal.SIGINT, _hear)
    sys.unraisablehook = _raise_again
    import atexit

    atexit.register(_close)  # registered first, so run last


def _hear(_number: int, _frame: object) -> None:
    """Raise the first Ctrl-C of a command; end the process at any other."""
    if not _State.raising:
        _end()
    _State.raising = False  # a second one is meant: what is being tidied up is left as a kill would leave it
    _State.happened = True
    raise KeyboardInterrupt


def _end() -> None:
    import contextlib

    if _State.ending:
        with contextlib.suppress(Exception):  # closed, full, or in the middle of a write: no more can be done
            sys.stdout.flush()
    _tell(_LAST_LINE if _State.ending else LINE)
    os._exit(EXIT_CODE)


def _close() -> None:
    """Ignore the signal while the interpreter takes itself down, for nobody is left there to say a line."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if _State.exit_code != EXIT_CODE:
        return
    import contextlib

    # where the KeyboardInterrupt went through a text that was executed, as libraries do to make classes, Python 3.11 to
    # 3.13 take it for unhandled and end with the signal in place of the exit code
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(Exception):
            stream.flush()
    os._exit(EXIT_CODE)


def _raise_again(unraisable: "sys.UnraisableHookArgs") -> None:
    """Raise a KeyboardInterrupt again that came where Python prints and drops what is raised."""
    if not issubclass(unraisable.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(unraisable)
        return
    import _thread
    import threading

    _State.raising = True
    threading.Timer(0.01, _thread.interrupt_main).start()


def _tell(line: str) -> None:
    """Write one line to standard error, once in a process; on a terminal behind its ``^C``."""
    if not take_the_word():
        return
    import contextlib

    with contextlib.suppress(OSError):  # it is closed
        os.write(2, f"{os.linesep if os.isatty(2) else ''}{line}{os.linesep}".encode())


def take_the_word() -> bool:
    """Return whether the line is still to be said; whoever asks says it."""
    first = not _State.told
    _State.told = True
    return first


def allow() -> None:
    """Let the next Ctrl-C be a KeyboardInterrupt."""
    _State.raising, _State.happened, _State.told, _State.ending = True, False, False, False


def forbid() -> None:
    """Let the next Ctrl-C end the process at once."""
    _State.raising = False


def happened() -> bool:
    """Whether a KeyboardInterrupt was raised since :func:`allow`; libraries turn some of them into other errors."""
    return _State.happened


def end(exit_code: object) -> None:
    """Note that the work is done with this exit code, and only the interpreter's own end is left."""
    _State.raising, _State.ending, _State.exit_code = False, True, exit_code
