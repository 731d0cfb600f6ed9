"""A scheduler reached within a limit, or what stood in the way: nobody there, silence, or a handshake of TLS.

Source: `distributed`, "TLS/SSL", https://distributed.dask.org/en/stable/tls.html; how each refusal looks was
tried with schedulers that take only TLS and ones that take none, and certificates of two authorities.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline.errors import ClusterError

if TYPE_CHECKING:
    from distributed import Client

_AT = "DASK_DISTRIBUTED__COMM__TLS__"
_NAMES = f"{_AT}CA_FILE, …CLIENT__CERT and …CLIENT__KEY"
_GRACE_SECONDS = 1.0
"""The library's own words come first, where it has some. Chosen by the project."""
_NOBODY = "Start one with `dask scheduler`, and give the address that it prints"


def reached(address: str, answer_seconds: float) -> Client:
    """A client of the scheduler at an address.

    Args:
        address: As the scheduler prints it.
        answer_seconds: How long it may take to answer; without a limit of ours, whoever accepts and stays
            silent would be waited for without end.

    Raises:
        ClusterError: It cannot be reached; with what to look at.
    """
    import distributed
    from distributed.utils import wait_for

    class Client(distributed.Client):  # type: ignore[misc] # its library is partly typed
        async def _start(self, **how: object) -> object:
            return await wait_for(super()._start(**how), answer_seconds + _GRACE_SECONDS)

        def __del__(self) -> None:
            """One that nobody answered has nothing to close, and would wait 20 seconds for it."""

    try:
        return Client(address, timeout=answer_seconds, set_as_default=False)
    except (OSError, ValueError, TypeError, RuntimeError, ImportError) as error:
        why = _why(list(_causes(error)), address, _files(), answer_seconds)
        raise ClusterError(where=address, problem=why.problem, remedy=why.remedy) from error


class _InTheWay(NamedTuple):
    problem: str
    remedy: str


class _TlsFiles(NamedTuple):
    """The files of TLS that this end was told of; "" where it was told of none."""

    authority: str
    certificate: str
    key: str


def _files() -> _TlsFiles:
    import dask

    # One by one: from the environment they come with other hyphens, which only this way of asking evens out.
    names = ("ca-file", "client.cert", "client.key")
    return _TlsFiles(*(str(dask.config.get(f"distributed.comm.tls.{one}", None) or "") for one in names))


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    """An error and all that led to it, by either of the two ways in which Python joins them."""
    if error is not None:
        yield error
        yield from _causes(error.__cause__)
        if error.__context__ is not error.__cause__:
            yield from _causes(error.__context__)


def _why(chain: list[BaseException], address: str, files: _TlsFiles, answer_seconds: float) -> _InTheWay:
    """What stood in the way, told of the whole chain of causes."""
    said = " ".join(" ".join(str(one).split()) for one in chain)
    if address.startswith("tls:") and (why := _by_tls(said, files)):
        return why
    if "encryption required" in said:
        return _InTheWay(
            "the settings here require encryption, and this address has none",
            "Give the address with tls://, of a scheduler that was started with --protocol tls",
        )
    if any(isinstance(one, ConnectionResetError) for one in chain):
        return _InTheWay(
            "somebody there ended the connection at once, as a scheduler does that takes only TLS",
            f"If it was started with --protocol tls, give tls:// and set {_NAMES}",
        )
    if type(chain[0]) is TimeoutError:
        return _InTheWay(
            f"somebody accepts connections there, and has said nothing for {answer_seconds:g} seconds",
            "See whether that is a scheduler of Dask, what its log says, and whether it wants tls://",
        )
    return _InTheWay(f"no scheduler answers there ({said[:200]})", _NOBODY)


def _by_tls(said: str, files: _TlsFiles) -> _InTheWay | None:
    """What TLS refused, with the files to look at; None where it was something else."""
    named = [one for one in files if one]
    if absent := [one for one in named if not Path(one).is_file()]:
        return _InTheWay(
            f"the file {absent[0]} is not there, which the settings of TLS name",
            f"Give the paths of the files by {_NAMES}",
        )
    if len(named) < len(files) or "ssl_context" in said:
        return _InTheWay("its address asks for TLS, and not all files for it are named here", f"Set {_NAMES}")
    if "MISMATCH" in said:
        return _InTheWay(
            f"the key in {files.key} is not that of the certificate in {files.certificate}",
            f"Give the two that belong together, by {_AT}CLIENT__CERT and …CLIENT__KEY",
        )
    if "CERTIFICATE_VERIFY_FAILED" in said:
        return _InTheWay(
            f"the handshake of TLS was refused here: {files.authority} does not vouch for its certificate",
            f"Give the file of the authority that made the scheduler's certificate, by {_AT}CA_FILE",
        )
    if "ALERT" in said or "EOF occurred" in said:  # it may end the connection before it says why
        return _InTheWay(
            f"the handshake of TLS was refused by the scheduler, which does not take {files.certificate}",
            f"Give a certificate and its key that its authority made, by {_AT}CLIENT__CERT and …CLIENT__KEY",
        )
    if "WRONG_VERSION_NUMBER" in said or "cannot convert to SSL" in said:  # it spoke first, in plain words
        return _InTheWay(
            "somebody answers there without TLS",
            "Give the address with tcp://, or start the scheduler with --protocol tls",
        )
    if "SSL" in said:
        return _InTheWay(f"TLS refuses: {said[:120]}", f"Look at the files that {_NAMES} name")
    return None
