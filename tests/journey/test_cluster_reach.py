"""A scheduler that is not reached: what stood in the way is told, with the files to look at, within a limit.

The schedulers are Dask's, the certificates openssl's.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import dask
import distributed  # noqa: F401 - its settings are there before one of them is changed
import pytest

from pipeline.edges.cluster import Cluster
from pipeline.errors import ClusterError
from tests.kit.clusters import ROOT, yard

pytestmark = [
    pytest.mark.drill,
    pytest.mark.xdist_group("cluster"),
    pytest.mark.skipif(shutil.which("openssl") is None, reason="certificates are made by openssl"),
]
_CURVE = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Certificates of two authorities: `ours` and `other`, each with one of a bench."""
    folder = tmp_path_factory.mktemp("house")
    for name in ("ours", "other"):
        for command in (
            f"req -x509 {_CURVE} -days 2 -subj /CN={name} -keyout {name}-ca.key -out {name}-ca.pem",
            f"req {_CURVE} -subj /CN=bench -keyout {name}.key -out {name}.csr",
            f"x509 -req -in {name}.csr -CA {name}-ca.pem -CAkey {name}-ca.key -set_serial 2 -out {name}.pem",
        ):
            subprocess.run(
                ["openssl", *command.split()], cwd=folder, check=True, capture_output=True, timeout=60
            )
    return folder


@pytest.fixture(scope="module")
def guarded(house: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a scheduler that lets in only who has a certificate of ours."""
    files = ["--tls-ca-file", "ours-ca.pem", "--tls-cert", "ours.pem", "--tls-key", "ours.key"]
    paths = [one if one.startswith("--") else str(house / one) for one in files]
    with yard(tmp_path_factory.mktemp("yard"), 0, "--protocol", "tls", *paths) as made:
        yield made.address


def settings(files: dict[str, Path]) -> dict[str, str]:
    """What the environment's settings of TLS would say."""
    names = {"authority": "ca-file", "certificate": "client.cert", "key": "client.key"}
    return {f"distributed.comm.tls.{names[which]}": str(path) for which, path in files.items()}


def told(address: str, files: dict[str, Path], wants: str = "", **more: object) -> str:
    """What is said where no connection comes about; waited for longer where a busy machine says nothing."""
    found = ""
    for seconds in (3, 30):
        with dask.config.set({**settings(files), **more}):
            cluster = Cluster(address, [], lambda _: None, answer_seconds=seconds)
            with pytest.raises(ClusterError) as refused, cluster:
                pass
        found = str(refused.value)
        if wants in found or "has said nothing for" not in found:
            break
    assert found.startswith(address)
    return found


def files(house: Path, authority: str, certificate: str, key: str) -> dict[str, Path]:
    return {
        "authority": house / f"{authority}-ca.pem",
        "certificate": house / f"{certificate}.pem",
        "key": house / f"{key}.key",
    }


def test_who_has_a_certificate_of_the_house_is_let_in(guarded: str, house: Path) -> None:
    assert guarded.startswith("tls://")
    with (
        dask.config.set(settings(files(house, "ours", "ours", "ours"))),
        Cluster(guarded, [], lambda _: None) as cluster,
    ):
        assert cluster.client.status == "running"


@pytest.mark.parametrize(
    ("authority", "certificate", "key", "said"),
    [
        ("other", "ours", "ours", "refused here: {house}/other-ca.pem does not vouch for its certificate"),
        ("ours", "ours", "other", "the key in {house}/other.key is not that of the certificate in {house}/"),
        ("ours", "absent", "ours", "the file {house}/absent.pem is not there"),
    ],
)
def test_a_handshake_that_fails_names_the_file_to_look_at(
    guarded: str, house: Path, authority: str, certificate: str, key: str, said: str
) -> None:
    wanted = said.format(house=house)
    found = told(guarded, files(house, authority, certificate, key), wanted)
    assert wanted in found
    assert "no scheduler answers" not in found


def test_a_certificate_that_the_scheduler_does_not_take_is_told_within_the_limit(
    guarded: str, house: Path
) -> None:
    begins = time.monotonic()
    found = told(guarded, files(house, "ours", "other", "other"))
    assert time.monotonic() - begins < 60
    refused = f"refused by the scheduler, which does not take {house}/other.pem"
    # It may end the connection without a word of TLS, or never say anything.
    assert refused in found or "has said nothing for 3 seconds" in found


def test_an_address_with_tls_and_no_files_is_told_which_settings_are_missing(guarded: str) -> None:
    wanted = "not all files for it are named here. Set DASK_DISTRIBUTED__COMM__TLS__CA_FILE"
    assert wanted in told(guarded, {}, wanted)


def test_files_named_by_the_environment_as_the_readme_says_are_looked_at(house: Path, tmp_path: Path) -> None:
    named = {
        "DASK_DISTRIBUTED__COMM__TLS__CA_FILE": house / "ours-ca.pem",
        "DASK_DISTRIBUTED__COMM__TLS__CLIENT__CERT": house / "ours.pem",
        "DASK_DISTRIBUTED__COMM__TLS__CLIENT__KEY": house / "absent.key",
    }
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "recheck", tmp_path, "--scheduler", "tls://127.0.0.1:9"],
        env={**os.environ, **{name: str(path) for name, path in named.items()}},
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == ClusterError.exit_code
    said = " ".join(done.stderr.split())
    assert f"the file {house}/absent.key is not there, which the settings of TLS name" in said


def test_a_scheduler_that_takes_only_tls_is_told_from_one_that_is_not_there(guarded: str) -> None:
    wanted = "give tls:// and set"
    assert wanted in told(guarded.replace("tls://", "tcp://"), {}, wanted)


def test_settings_that_require_encryption_are_told_as_that(guarded: str) -> None:
    required = {"distributed.comm.require-encryption": True}
    wanted = "the settings here require encryption"
    assert wanted in told(guarded.replace("tls:", "tcp:"), {}, wanted, **required)


def test_a_scheduler_without_tls_is_told_as_that(house: Path, tmp_path: Path) -> None:
    with yard(tmp_path, 0) as made:
        wanted = "somebody answers there without TLS"
        found = told(made.address.replace("tcp://", "tls://"), files(house, "ours", "ours", "ours"), wanted)
    assert wanted in found


def test_somebody_who_accepts_and_stays_silent_is_waited_for_no_longer_than_the_limit() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        begins = time.monotonic()
        found = told(f"tcp://127.0.0.1:{silent.getsockname()[1]}", {})
    assert "somebody accepts connections there, and has said nothing for 3 seconds" in found
    assert time.monotonic() - begins < 60


@pytest.mark.parametrize(
    "address",
    ["", "127.0.0.1:x", "tcp://[::1", "tcp://", "ucx://127.0.0.1:1", "inproc://x", "tcp://127.0.0.1:9"],
)
def test_an_address_that_is_none_ends_in_words(address: str) -> None:
    assert "no scheduler answers there" in told(address, {})
