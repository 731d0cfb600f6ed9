"""A process that answers what its parent sends, until the parent is gone; run as a program of its own.

`python worker.py FILE ARGUMENT...` loads one Python file, whose `answerer(arguments)` gives the function
that makes an answer of a message. It needs nothing but these modules and starts in a hundredth of a second
under `-I -S` (`typing` alone would make it two): a pool of processes from the standard library costs more
than hashing a thousand small files, and its workers wait for ever, and hold the terminal's pipes open, where
their parent is killed. The end of its input is the end of this one.

Messages and answers are plain data, marshalled, each behind its length, on standard input and output. Bytes
go as they are: copying them twice more was a seventh of handing chips over. An answer that is a number is
news of work that is not finished. It trusts its parent and nobody else.
"""
# ruff: noqa: S302 - marshal only ever crosses the pipe between the parent and its own child

from __future__ import annotations

import marshal
import os
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any, BinaryIO

    News = Callable[[int], None]
    """Sends a number before the answer."""
    Answer = Callable[[Any, News], Any]


def send(stream: BinaryIO, value: Any) -> None:
    """One value over a pipe, behind twice its length, and one more where it is bytes."""
    plain = isinstance(value, bytes)
    packed = value if plain else marshal.dumps(value)
    stream.write((2 * len(packed) + plain).to_bytes(8, "little"))
    stream.write(packed)
    stream.flush()


def receive(stream: BinaryIO) -> Any:
    """The next value, or None at the end."""
    head = stream.read(8)
    if len(head) < 8:
        return None
    size_bytes, plain = divmod(int.from_bytes(head, "little"), 2)
    packed = stream.read(size_bytes)
    if len(packed) < size_bytes:
        return None
    return packed if plain else marshal.loads(packed)


def serve(source: BinaryIO, sink: BinaryIO, answer: Answer) -> None:
    """Answer messages, in their order, until there are no more.

    Args:
        source: Of messages.
        sink: Of answers.
        answer: Makes one of the other.
    """

    def news(count: int) -> None:
        send(sink, count)

    while (message := receive(source)) is not None:
        send(sink, answer(message, news))


def main() -> None:
    """Run as a program; the parent's end is the end, without a word, and Ctrl-C is the parent's business."""
    from importlib.machinery import SourceFileLoader

    # Elsewhere the parent has blocked it, and this module takes as long to load as all others together.
    if sys.platform == "win32":
        import signal

        signal.signal(signal.SIGINT, signal.SIG_IGN)
    sink = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints something does not print it into an answer
    loader = SourceFileLoader("answering", sys.argv[1])
    module = type(sys)(loader.name)
    sys.modules[loader.name] = module
    loader.exec_module(module)
    try:
        serve(sys.stdin.buffer, sink, module.answerer(sys.argv[2:]))
    except (BrokenPipeError, MemoryError):  # nobody listens, or the parent tells that a worker has ended
        os._exit(1)
    os._exit(0)


if __name__ == "__main__":
    main()
