"""Kill a program, or let the disk refuse it, at a counted step of its writing.

Nothing sleeps and nothing is patched: the program runs as it always does, in a process of its own, and the
kernel stops it whenever it is about to make a call that changes something in the watched folder. The harness
counts these *write steps* over all its processes, and at the chosen one it has the kernel kill them all, or
makes the call fail with an error number.

It asks the kernel through ptrace and a seccomp filter, so it works on Linux on x86-64 where a container does
not forbid tracing; elsewhere `can_drill` says why not.
"""
# ruff: noqa: PTH115, PTH118, PTH123 - the paths are other processes', under /proc

from __future__ import annotations

import ctypes
import errno
import os
import platform
import re
import signal
import struct
import sys
import warnings
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn, Protocol

# Numbers of the calls on x86-64. Source: arch/x86/entry/syscalls/syscall_64.tbl of Linux.
CALLS = {
    1: "write",
    2: "open",
    18: "pwrite64",
    20: "writev",
    40: "sendfile",
    74: "fsync",
    75: "fdatasync",
    76: "truncate",
    77: "ftruncate",
    82: "rename",
    83: "mkdir",
    84: "rmdir",
    85: "creat",
    86: "link",
    87: "unlink",
    88: "symlink",
    257: "openat",
    258: "mkdirat",
    263: "unlinkat",
    264: "renameat",
    265: "linkat",
    266: "symlinkat",
    296: "pwritev",
    306: "syncfs",
    316: "renameat2",
    326: "copy_file_range",
}
_BY_HANDLE = {
    "write",
    "pwrite64",
    "writev",
    "sendfile",
    "fsync",
    "fdatasync",
    "ftruncate",
    "pwritev",
    "syncfs",
}
_AT_SECOND = {"openat", "mkdirat", "unlinkat", "renameat", "linkat"}
"""Their path is the second argument, and relative to a folder's handle, the first."""
_GROWING = {
    "write",
    "pwrite64",
    "writev",
    "sendfile",
    "pwritev",
    "copy_file_range",
    "openat",
    "open",
    "creat",
}
_GROWING |= {"mkdir", "mkdirat", "link", "linkat", "symlink", "symlinkat"}
"""What a full disk refuses."""
_O_CREAT = 0o100
_TRACEME, _CONT, _POKEUSER, _SETOPTIONS, _GETEVENTMSG, _CALL_INFO = 0, 7, 6, 0x4200, 0x4201, 0x420E
_OPTIONS = 0x01 | 0x02 | 0x04 | 0x08 | 0x10 | 0x80 | 0x100000
"""Mark stops at a call's end; follow fork, vfork, clone and exec; stop for the filter; kill the program if
the harness dies."""
_EVENT_SECCOMP = 7
_TO_ITS_END, _AT_ITS_END = 24, signal.SIGTRAP | 0x80
_ORIG_RAX, _RAX = 15 * 8, 10 * 8
_WALL = 0x40000000
_PR_SET_NO_NEW_PRIVS, _PR_SET_SECCOMP, _FILTER = 38, 22, 2
_RET_ALLOW, _RET_TRACE, _ARCH_X86_64 = 0x7FFF0000, 0x7FF00000, 0xC000003E


@dataclass(frozen=True)
class Step:
    """One call that changes something in the watched folder.

    Attributes:
        call: Its name.
        path: What it changes, relative to the watched folder.
    """

    call: str
    path: str

    @property
    def site(self) -> str:
        """The kind of step: the call and the kind of file, numbers and digests made alike."""
        return f"{self.call} {re.sub(r'[0-9a-f]{8,}|[0-9]+', '#', self.path)}"


@dataclass
class Run:
    """How a drilled program ended.

    Attributes:
        status: Its exit code; minus the signal's number where one ended it.
        output: What it printed, both streams.
        steps: Every write step it came to.
        reached: The chosen step was reached.
    """

    status: int = 0
    output: str = ""
    steps: list[Step] = field(default_factory=list)
    reached: bool = False


class Recorder(Protocol):
    """Sees every call of `CALLS` twice: as it is about to be made, and with what it gave."""

    def before(self, process: int, call: str, arguments: Sequence[int]) -> object | None:
        """What is to be remembered of the call until it has ended; None where it is of no interest."""

    def after(self, process: int, remembered: object, result: int) -> None:
        """The call has ended; a negative result is an error number."""


def can_drill() -> str:
    """Why this system cannot run drills, or ""."""
    if not sys.platform.startswith("linux") or platform.machine() != "x86_64":
        return "drills need Linux on x86-64"
    try:
        run = drill(lambda: 0, Path("/nonexistent"))
    except OSError as error:
        return f"this system forbids tracing: {error}"
    return "" if run.status == 0 else f"this system forbids tracing: {run.output}"


def drill(
    program: Callable[[], int],
    watched: Path,
    *,
    kill_at: int = 0,
    fail_at: int = 0,
    failure: int = errno.ENOSPC,
    lasting: bool = True,
    environment: dict[str, str] | None = None,
    recorder: Recorder | None = None,
) -> Run:
    """Run a program under the harness.

    Args:
        program: What runs in a child process of its own; gives the exit code.
        watched: Only calls that change something below it count.
        kill_at: Kill everything as it is about to make this step (1 is the first); 0 never.
        fail_at: Make this step fail; 0 never.
        failure: With which error number.
        lasting: A full disk stays full: all later steps that need room fail too.
        environment: Variables to add.
        recorder: Told of every call.

    Returns:
        How it ended.

    Raises:
        OSError: The kernel forbids tracing.
    """
    reading, writing = os.pipe()
    with warnings.catch_warnings():
        # Python warns of forking beside threads; the child calls nothing that could wait for one.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        _become(program, writing, environment or {})
    os.close(writing)
    tracer = _Tracer(child, os.path.realpath(watched), kill_at, fail_at, failure, lasting=lasting)
    tracer.recorder = recorder
    os.set_blocking(reading, False)
    parts: list[bytes] = []
    try:
        tracer.follow(lambda: parts.append(_drained(reading)))
        parts.append(_drained(reading))
    finally:
        os.close(reading)
    tracer.run.output = b"".join(parts).decode("utf-8", "replace")
    return tracer.run


def _drained(handle: int) -> bytes:
    content = b""
    with suppress(BlockingIOError):
        while chunk := os.read(handle, 65536):
            content += chunk
    return content


def _become(program: Callable[[], int], writing: int, environment: dict[str, str]) -> NoReturn:
    """In the child: be traced, filter the calls, run the program, end as an interpreter would."""
    code = 97
    try:
        library = ctypes.CDLL(None, use_errno=True)
        os.setsid()
        os.dup2(writing, 1)
        os.dup2(writing, 2)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - for the child's whole life
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
        os.environ.update(environment)
        warnings.resetwarnings()
        warnings.simplefilter("ignore")  # as an interpreter does that was started plainly, near enough
        if library.ptrace(_TRACEME, 0, None, None) != 0:
            os._exit(99)
        os.kill(os.getpid(), signal.SIGSTOP)
        filtering = _filter()
        packed = ctypes.create_string_buffer(filtering, len(filtering))
        header = struct.pack("@HxxxxxxQ", len(filtering) // 8, ctypes.addressof(packed))
        library.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
        if library.prctl(_PR_SET_SECCOMP, _FILTER, header, 0, 0) != 0:
            os._exit(98)
        code = program()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
        if isinstance(ended.code, str):
            sys.stderr.write(f"{ended.code}\n")
    except BaseException:  # noqa: BLE001 - told as an interpreter tells it
        import traceback

        traceback.print_exc()
        code = 1
    finally:
        with suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)


def _filter() -> bytes:
    """A seccomp program: stop for the calls of `CALLS`, let all others pass. Source: linux/filter.h."""
    numbers = sorted(CALLS)
    program = [struct.pack("=HBBI", 0x20, 0, 0, 0)]  # load the call's number
    for place, number in enumerate(numbers):
        program.append(struct.pack("=HBBI", 0x15, len(numbers) - place, 0, number))  # equal: go to the end
    program.append(struct.pack("=HBBI", 0x06, 0, 0, _RET_ALLOW))
    program.append(struct.pack("=HBBI", 0x06, 0, 0, _RET_TRACE))
    return b"".join(program)


class _Tracer:
    def __init__(
        self, child: int, watched: str, kill_at: int, fail_at: int, failure: int, *, lasting: bool
    ) -> None:
        self.run = Run()
        self.recorder: Recorder | None = None
        self.remembered: dict[int, object] = {}
        self.child = child
        self.alive = {child}
        self.watched = os.path.join(watched, "")
        self.kill_at, self.fail_at, self.failure, self.lasting = kill_at, fail_at, failure, lasting
        self.library = ctypes.CDLL(None, use_errno=True)
        self.library.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
        self.library.ptrace.restype = ctypes.c_long

    def ask(self, request: int, process: int, address: int = 0, value: object = 0) -> int:
        return int(self.library.ptrace(request, process, address, value))

    def follow(self, drain: Callable[[], None]) -> None:
        _, status = os.waitpid(self.child, _WALL)
        if not os.WIFSTOPPED(status) or self.ask(_SETOPTIONS, self.child, 0, _OPTIONS) != 0:
            self.kill()
            raise OSError(ctypes.get_errno() or errno.EPERM, "ptrace is refused")
        self.ask(_CONT, self.child)
        while self.alive:
            try:
                process, status = os.waitpid(-1, _WALL)
            except ChildProcessError:
                break
            drain()
            if os.WIFEXITED(status) or os.WIFSIGNALED(status):
                self.alive.discard(process)
                if process == self.child:
                    self.run.status = os.waitstatus_to_exitcode(status)
                continue
            self.alive.add(process)
            self.stopped(process, status)

    def stopped(self, process: int, status: int) -> None:
        delivered = os.WSTOPSIG(status)
        event = status >> 16
        if event == _EVENT_SECCOMP:
            self.call(process)
            if process in self.remembered:
                self.ask(_TO_ITS_END, process)
                return
        if delivered == _AT_ITS_END and self.recorder is not None and process in self.remembered:
            _, _, result, *_ = self.told(process)
            self.recorder.after(process, self.remembered.pop(process), ctypes.c_int64(result).value)
            delivered = 0
        if event or delivered in {signal.SIGSTOP, signal.SIGTRAP}:
            delivered = 0
        self.ask(_CONT, process, 0, delivered)

    def call(self, process: int) -> None:
        _, _, number, *arguments = self.told(process)
        if self.recorder is not None:
            remembered = self.recorder.before(process, CALLS.get(number, ""), arguments)
            if remembered is not None:
                self.remembered[process] = remembered
        step = self.step(process, CALLS.get(number, ""), arguments)
        if step is None:
            return
        self.run.steps.append(step)
        count = len(self.run.steps)
        if self.kill_at and count == self.kill_at:
            self.run.reached = True
            self.kill()
        elif self.fail_at and (
            count == self.fail_at or (count > self.fail_at and self.lasting and step.call in _GROWING)
        ):
            self.run.reached = True
            self.ask(_POKEUSER, process, _ORIG_RAX, ctypes.c_void_p(-1 & 0xFFFFFFFFFFFFFFFF))
            self.ask(_POKEUSER, process, _RAX, ctypes.c_void_p(-self.failure & 0xFFFFFFFFFFFFFFFF))

    def told(self, process: int) -> tuple[int, ...]:
        """Two words of where it stands, then the call's number and arguments, or what it gave.

        Source: ptrace(2) of the Linux manual, PTRACE_GET_SYSCALL_INFO.
        """
        buffer = ctypes.create_string_buffer(128)
        if self.ask(_CALL_INFO, process, 128, buffer) < 0:
            return (0,) * 9
        return struct.unpack_from("<9Q", buffer.raw, 8)

    def kill(self) -> None:
        for process in self.alive:
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)

    def step(self, process: int, call: str, arguments: Sequence[int]) -> Step | None:
        """The step that a call is, or None where it changes nothing in the watched folder."""
        if call in {"openat", "open"} and not arguments[2 if call == "openat" else 1] & _O_CREAT:
            return None
        try:
            path = self.path(process, call, arguments)
        except OSError:
            return None
        inside = path + "/" == self.watched or path.startswith(self.watched)
        return Step(call, path[len(self.watched) :]) if inside else None

    def path(self, process: int, call: str, arguments: Sequence[int]) -> str:
        if call in _BY_HANDLE or call == "copy_file_range":
            return os.readlink(f"/proc/{process}/fd/{arguments[2 if call == 'copy_file_range' else 0]}")
        if call == "renameat2":
            return self.joined(process, arguments[2], arguments[3])
        if call == "symlinkat":
            return self.joined(process, arguments[1], arguments[2])
        if call in _AT_SECOND:
            return self.joined(process, arguments[0], arguments[1])
        return self.joined(process, -100, arguments[1 if call in {"rename", "link", "symlink"} else 0])

    def joined(self, process: int, folder: int, address: int) -> str:
        with open(f"/proc/{process}/mem", "rb", buffering=0) as memory:
            memory.seek(address)
            text = os.fsdecode(memory.read(4096).split(b"\0", 1)[0])
        folder = ctypes.c_int(folder & 0xFFFFFFFF).value
        base = os.readlink(f"/proc/{process}/cwd" if folder == -100 else f"/proc/{process}/fd/{folder}")
        return os.path.normpath(os.path.join(base, text))


def chosen(steps: Sequence[Step], most: int) -> list[int]:
    """Which steps to drill: the first and the last of every distinct site, then others spread evenly.

    Args:
        steps: Those of an undisturbed run.
        most: How many at most; every distinct site is chosen whatever it says.

    Returns:
        Step numbers, sorted; 1 is the first.
    """
    first: dict[str, int] = {}
    last: dict[str, int] = {}
    for number, step in enumerate(steps, 1):
        first.setdefault(step.site, number)
        last[step.site] = number
    result = set(first.values())
    for number in last.values():
        if len(result) < most:
            result.add(number)
    for number in range(1, len(steps) + 1, max(1, len(steps) // max(1, most))):
        if len(result) < most:
            result.add(number)
    return sorted(result)
