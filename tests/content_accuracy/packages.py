"""Packages of the registries, fetched by their ordinary clients into a folder that is no part of the project.

Nothing of them is shipped. What cannot be had is said with a word and left out.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

CACHE = Path(tempfile.gettempdir()) / "wellread-content-accuracy"


def run(*command: str, where: Path | None = None, paths: tuple[Path, ...] = ()) -> bool:
    """Whether a command went through; `paths` are searched for programs and libraries first."""
    environment = dict(os.environ)
    if paths:
        folders = [*(str(path / "usr/bin") for path in paths), environment.get("PATH", "")]
        environment["PATH"] = os.pathsep.join(folders)
        libraries = [str(found) for path in paths for found in path.glob("usr/lib/*-linux-gnu")]
        environment["LD_LIBRARY_PATH"] = os.pathsep.join(libraries)
        environment["CC65_HOME"] = str(paths[0] / "usr/share/cc65")
        environment["SDCC_HOME"] = str(paths[0] / "usr/share/sdcc")
    try:
        done = subprocess.run(
            command, cwd=where, env=environment, capture_output=True, check=False, timeout=300
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def debian(*names: str) -> Path | None:
    """The unpacked files of some Debian packages in one folder, or None where they cannot be had."""
    folder = CACHE / "debian" / names[0]
    mark = folder / ".complete"
    if mark.exists():
        return folder
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name in names:
        if not run("apt-get", "download", name, where=folder):
            return None
        archive = next(iter(sorted(folder.glob(f"{name}_*.deb"))), None)
        if archive is None or not run("dpkg-deb", "-x", str(archive), str(folder)):
            return None
    mark.touch()
    return folder


def debian_source(name: str) -> Path | None:
    """The unpacked upstream sources of a Debian package, or None where they cannot be had.

    The registry's own client is asked, with this computer's list of registries turned to their sources and
    kept apart. Whatever else belongs to the source package may be missing.
    """
    folder = CACHE / "debian-source" / name
    if (folder / ".complete").exists():
        return folder
    lists, parts = CACHE / "debian-source" / ".lists", CACHE / "debian-source" / ".parts"
    for one in (lists / "partial", parts, folder):
        one.mkdir(parents=True, exist_ok=True)
    known = Path("/etc/apt/sources.list.d/debian.sources")
    if not known.exists():
        return None
    text = known.read_text(encoding="utf-8").replace("Types: deb\n", "Types: deb-src\n")
    (parts / "sources.sources").write_text(text, encoding="utf-8")
    own = (f"Dir::Etc::SourceParts={parts}", "Dir::Etc::SourceList=/dev/null", f"Dir::State::Lists={lists}")
    apt = ("apt-get", *(word for one in own for word in ("-o", one)))
    run(*apt, "update")
    run(*apt, "source", "--download-only", name, where=folder)
    found = sorted(folder.glob("*.orig.tar.*"))
    if not found:
        return None
    shutil.unpack_archive(found[0], folder, filter="data")
    (folder / ".complete").touch()
    return folder


def pypi(requirement: str, *, source: bool = False, platform: str | None = None) -> Path | None:
    """The unpacked files of a package of the Python index; None where it cannot be had.

    Args:
        requirement: Its name, with a version where that matters.
        source: Its source archive instead of what was built.
        platform: What was built for another machine, by the index's name for it.
    """
    import sys

    folder = (
        CACHE
        / "pypi"
        / (requirement.partition("==")[0] + ("-source" if source else f"-{platform}" if platform else ""))
    )
    mark = folder / ".complete"
    if mark.exists():
        return folder
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    kind: tuple[str, ...] = ("--no-binary", ":all:", "--no-build-isolation") if source else ()
    if platform:
        kind = ("--platform", platform, "--python-version", "311", "--only-binary", ":all:")
    pip = (sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", str(folder))
    if not run(*pip, *kind, requirement):
        return None
    for archive in sorted(folder.glob("*.whl")):
        shutil.unpack_archive(archive, folder, "zip")
    for archive in sorted(folder.glob("*.tar.gz")):
        shutil.unpack_archive(archive, folder, filter="data")
    mark.touch()
    return folder
