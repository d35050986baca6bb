"""The program's entry: the work is done in a child, so that no library can crash all of it.

The child is forked before anything but the standard library is imported: nothing has threads or
open pictures yet, and the fork costs little. This process then waits, hands signals on, and says
in one line what ended the child where it could not say so itself. A crash over a file begins the
command anew without that file, so that a hostile frame fails alone (`gradeprep.crashreport`).

Where there is no fork, the work is done right here.
"""

from __future__ import annotations

import atexit
import mmap
import os
import select
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from types import FrameType
from typing import Any, NoReturn

from gradeprep import crashreport

__all__ = ["AGAIN", "Ended", "guarded", "leave", "main"]

AGAIN = {
    "run": ("--resume",),
    "pull": ("--resume",),
    "restore": ("--overwrite",),
    **dict.fromkeys(
        ("audit", "check", "chunk", "conform", "headroom", "measure", "plan", "report", "collect"),
        (),
    ),
}
"""Commands that may start again, and the options added once results have been written."""

_CRASHES = {
    getattr(signal, name): what
    for name, what in {
        "SIGSEGV": "crashed the program",
        "SIGBUS": "crashed the program",
        "SIGABRT": "crashed the program",
        "SIGFPE": "crashed the program",
        "SIGILL": "crashed the program",
        "SIGALRM": "took longer than the time limit (GRADEPREP_MAX_SECONDS)",
    }.items()
    if hasattr(signal, name)
}

_HANDED_ON = (signal.SIGINT, signal.SIGTERM)
_PATIENCE = 0.2
"""Seconds in which a signal that a whole group was sent has reached the child as well."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a child ended.

    Attributes:
        code: Its exit code; a signal's number, negative, where one ended it.
        begun: Whether it had begun to write results.
        words: What its threads were at.
    """

    code: int
    begun: bool
    words: list[crashreport.Word]


def main() -> None:
    """Run the program, and leave with its exit code."""
    _hold_streams()
    if not hasattr(os, "fork"):
        _work()
        return
    code = guarded(_work, sys.argv)
    sys.stderr.flush()
    os._exit(code)  # nothing of this process is worth the time that Python takes to end it


def _hold_streams() -> None:
    """Take the places of standard streams that are closed, as a daemon's may be.

    The next file opened would get the number of one, and whatever a library prints would go into
    a plate.
    """
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)  # at the lowest number free
    if sys.stderr is None:  # print() would take the other stream for it
        sys.stderr = os.fdopen(2, "w", closefd=False)


def _work() -> None:
    from gradeprep.cli import main as work

    work()


def guarded(work: Callable[[], None], command: list[str]) -> int:
    """Do the work in a child, anew where it crashed over something; returns the exit code.

    Args:
        work: The work; it reads ``command``.
        command: The program's words, which are added to where results are there already.
    """
    single = False
    while True:
        ended = _life(work, single=single)
        if ended.code not in {-number for number in _CRASHES}:
            return _left(ended.code)
        how = f"{_CRASHES[signal.Signals(-ended.code)]} ({signal.Signals(-ended.code).name})"
        again = AGAIN.get(command[1]) if len(command) > 1 else None
        new = [word for word in ended.words if word not in crashreport.crashed]
        if again is None or not new or (single and len(new) > 1):
            _say(_line(ended.words, how))
            return 1
        if len(new) > 1:  # several at once: which of them it was shows one after the other
            single = True
        else:
            crashreport.crashed[new[0]] = how
        if ended.begun:
            command.extend(option for option in again if option not in command)


def _line(words: list[crashreport.Word], how: str) -> str:
    if words:
        return str(words[0].failed(how))
    return f"a library {how}; run again with --traceback to see where"


def _say(line: str) -> None:
    print(f"gradeprep: {line}", file=sys.stderr)


def _left(code: int) -> int:
    """The exit code of a child that did not crash."""
    if code >= 0:
        return code
    number = -code
    if number == signal.SIGKILL:
        _say("was killed (SIGKILL); where memory ran out, use fewer --jobs, and --resume goes on")
        return 1
    signal.signal(number, signal.SIG_DFL)
    os.kill(os.getpid(), number)  # whoever started us is to see what ended the work
    return 128 + number


def _life(work: Callable[[], None], *, single: bool) -> Ended:
    """One child, from its fork to its end; in the child this does not return."""
    memory = mmap.mmap(-1, crashreport.BYTES)
    heard, hears = os.pipe()
    gone, lives = os.pipe()
    os.set_blocking(hears, False)
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _HANDED_ON)
    try:
        child = os.fork()
    except OSError as error:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        _say(f"no process can be started ({error.strerror}); end others, or raise ulimit -u")
        sys.exit(1)
    if not child:
        os.close(heard)
        os.close(lives)
        signal.set_wakeup_fd(hears, warn_on_full_buffer=False)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        _follow(gone)
        crashreport.listen(memory, single=single)
        if "--traceback" in sys.argv:
            _trace_crashes()
        leave(work)
    os.close(hears)
    os.close(gone)
    handlers = _hand_on(child, heard)
    signal.pthread_sigmask(signal.SIG_SETMASK, before)
    try:
        _, status = os.waitpid(child, 0)
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
        os.close(heard)
        os.close(lives)
    begun, words = crashreport.decode(memory[:])
    memory.close()
    return Ended(os.waitstatus_to_exitcode(status), begun, words)


def leave(work: Callable[[], None]) -> NoReturn:
    """Do the work, and end this process with its exit code.

    What was to be done at exit is done. Taking apart every object of every library is not: it
    took a tenth of the time of a short command.
    """
    code = 0
    try:
        work()
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0 if left.code is None else 1
    atexit._run_exitfuncs()
    try:
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:  # it was closed before we began
                stream.flush()
    except OSError:  # nobody reads it any more
        code = code or 1
    os._exit(code)


def _hand_on(child: int, heard: int) -> dict[signal.Signals, Any]:
    """Hand signals on that reached this process alone; returns the handlers before.

    A terminal, and some farms, signal the whole group: a child that has heard it must not hear it
    twice, for the second time means "at once".
    """

    def has_heard(number: int) -> bool:
        return bool(select.select([heard], [], [], _PATIENCE)[0]) and number in os.read(heard, 64)

    def hand_on(number: int, frame: FrameType | None) -> None:
        if not has_heard(number):
            with suppress(ProcessLookupError):  # it has just ended
                os.kill(child, number)
            has_heard(number)  # what it says to this one must not be taken for word of the next

    ignored = signal.SIG_IGN
    return {
        number: signal.signal(number, hand_on)
        for number in _HANDED_ON
        if signal.getsignal(number) is not ignored
    }


def _trace_crashes() -> None:
    """Let a crash print where it happened in Python."""
    import faulthandler

    faulthandler.enable()


def _follow(gone: int) -> None:
    """A guardian that was killed must not leave a child behind that goes on writing."""
    import threading

    def wait() -> None:
        os.read(gone, 1)
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()
