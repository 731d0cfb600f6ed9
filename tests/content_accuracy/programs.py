"""Real programs of many processors from free packages.

Images as they stand in them, and programs built with free compilers.

Each source names its package, its licence and the half it belongs to: "setting" (limits were set on it) or
"held out" (the table). A package lies in one half only. Compilers are packages too: what one of them built
lies in its half.
"""

from __future__ import annotations

import gzip
import re
import sys
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tests.content_accuracy.packages import CACHE, debian, debian_source, pypi, run

TEXT = 2
"""How a listing's mark says that a byte is text."""
Half = Literal["setting", "held out"]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Image:
    """One program or other content.

    `code`: per byte 1 for code, `TEXT` for text, 0 for other data, -1 where the listing is silent.
    """

    name: str
    package: str
    half: Half
    family: str
    data: Bytes
    code: NDArray[np.int8] | None = None


@dataclass(frozen=True)
class Source:
    package: str
    licence: str
    half: Half
    family: str
    read: Callable[[], Iterator[tuple[str, bytes, NDArray[np.int8] | None]] | None]


Found = Iterator[tuple[str, bytes, NDArray[np.int8] | None]]


def _files(folder: Path | None, *patterns: str, least: int = 256) -> Found | None:
    """Files of a package as they stand; Intel HEX is decoded."""
    if folder is None:
        return None
    return _read(folder, patterns, least)


def _read(folder: Path, patterns: tuple[str, ...], least: int) -> Found:
    for pattern in patterns:
        for path in sorted(folder.glob(pattern)):
            if path.is_file() and not path.is_symlink():
                raw = path.read_bytes()
                raw = gzip.decompress(raw) if path.suffix == ".gz" else raw
                raw = from_hex(raw) if path.suffix in {".hex", ".ihx"} else raw
                if len(raw) >= least:
                    yield path.name, raw, None


def from_hex(text: bytes) -> bytes:
    """The bytes of Intel HEX from its lowest address on, gaps filled with FF.

    Empty where it spans more than 128K.
    """
    placed: dict[int, int] = {}
    base = 0
    for line in text.decode("ascii", "replace").split():
        record = bytes.fromhex(line[1:]) if line.startswith(":") else b"\0\0\0\1"
        at, kind, body = record[1] << 8 | record[2], record[3], record[4 : 4 + record[0]]
        if kind == 0:
            placed.update((base + at + number, byte) for number, byte in enumerate(body))
        elif kind in {2, 4}:
            base = (body[0] << 8 | body[1]) << (4 if kind == 2 else 16)
    span = range(min(placed), max(placed) + 1) if placed else range(0)
    return bytes(placed.get(at, 0xFF) for at in span) if len(span) <= 1 << 17 else b""


def _debian(name: str, *patterns: str, least: int = 256) -> Callable[[], Found | None]:
    return lambda: _files(debian(name), *patterns, least=least)


def _pypi(name: str, *patterns: str) -> Callable[[], Found | None]:
    return lambda: _files(pypi(name), *patterns)


def _from_zip(name: str, archive: str, *members: str) -> Callable[[], Found | None]:
    def read() -> Found | None:
        folder = debian(name)
        return None if folder is None else _members(folder / archive, members)

    return read


def _members(archive: Path, members: tuple[str, ...]) -> Found:
    with zipfile.ZipFile(archive) as opened:
        for member in members:
            yield member, opened.read(member), None


# Groups of the C library's own sources that are built into one program each.
_GROUPS = {
    "stdio": "printf_large puts gets vprintf sprintf putchar getchar",
    "stdlib": "strtol strtoul atoi atol qsort bsearch rand calloc malloc free realloc abs labs",
    "string": "memchr memcmp strcat strchr strcmp strcpy strcspn "
    "strlen strncat strncmp strncpy strpbrk strrchr "
    "strspn strstr strtok strxfrm memmove memset memccpy",
    "time": "time aligned_alloc isalnum isalpha iscntrl isdigit "
    "isgraph islower isprint ispunct isspace isupper "
    "toupper",
    "float": "expf logf powf sqrtf sinf cosf tanf asinf acosf "
    "atanf atan2f sincosf tancotf log10f ldexpf frexpf "
    "modff",
    "convert": "strtof atof strtoll mblen mbtowc wctomb wcslen mbstowcs wcstombs c16rtomb mbrtoc16",
    "long": "_mullong _divslong _divulong _modslong _modulong _muluint _divuint _divsint _moduint _modsint",
    "fsops": "_fsadd _fssub _fsmul _fsdiv _fslt _fseq _fs2slong _slong2fs _uint2fs _ulong2fs _fs2uint "
    "_fs2ulong",
    "longlong": "_mullonglong _divslonglong _divulonglong _modslonglong _modulonglong _rlulonglong "
    "_srslonglong",
}


def _sdcc(target: str, *flags: str) -> Callable[[], Found | None]:
    """Programs built from the sources of its own C library, with the listing's word on code and data."""

    def read() -> Found | None:
        folder = debian("sdcc", "sdcc-libraries")
        return None if folder is None else _built_by_sdcc(folder, target, flags)

    return read


def _built_by_sdcc(folder: Path, target: str, flags: tuple[str, ...]) -> Found:
    """Programs that the compiler makes of its own library, each group linked into one image."""
    share = folder / "usr/share/sdcc"
    for group, names in _GROUPS.items():
        work = CACHE / "built" / f"sdcc-{target}{''.join(flags)}-{group}"
        work.mkdir(parents=True, exist_ok=True)
        result = work / "out.ihx"
        common = [f"-m{target}", *flags, f"-I{share}/include", f"-I{share}/include/{target}"]
        if not result.exists():
            (work / "main.c").write_text("void main(void) {}\n")
            objects = []
            for name in names.split():
                source = share / "lib/src" / f"{name}.c"
                if source.exists() and run("sdcc", *common, "-c", str(source), where=work, paths=(folder,)):
                    objects.append(f"{name}.rel")
            code = "--code-loc 0x100 --data-loc 0x8000 -Wl-u" if target == "z80" else ""
            libraries = {"z80": "z80", "mcs51": "large" if "--model-large" in flags else "small"}[target]
            where = f"-L{share}/lib/{libraries}"
            run(
                "sdcc",
                *common,
                *code.split(),
                where,
                "main.c",
                *objects,
                "-o",
                "out.ihx",
                where=work,
                paths=(folder,),
            )
        if result.exists():
            data = from_hex(result.read_bytes())
            yield f"{target} {group}", data, _marked(sorted(work.glob("*.rst")), len(data))


_RST = re.compile(
    r"^\s{0,12}([0-9A-F]{6,8}|[0-9A-F]{4})((?: [0-9A-F]{2})+)\s+(?:\[[ \d]+\]\s*)?(\d+)\s*(.*)$"
)


def _marked(listings: list[Path], size: int) -> NDArray[np.int8] | None:
    """Per byte what linked listings say: instructions are code, data and text directives are not.

    None where they say little.
    """
    marks = np.full(size, -1, dtype=np.int8)
    for listing in listings:
        for line in listing.read_text(errors="replace").splitlines():
            found = _RST.match(line)
            if found:
                start, count = int(found[1], 16), len(found[2].split())
                text = found[4].strip().rpartition("::")[2]
                data = text.startswith((".db", ".dw", ".ds", ".byte"))
                written = text.startswith((".ascii", ".strz"))
                marks[start : start + count] = TEXT if written else 0 if data else 1
    return marks if np.count_nonzero(marks >= 0) > 200 else None


def _opense_basic() -> Found | None:
    """Its images, the whole one with what its own source says of each byte."""
    folder = debian("opense-basic")
    return None if folder is None else _with_listing(folder)


def _with_listing(folder: Path) -> Found:
    """The images of OpenSE BASIC; marks where its source, assembled here, gives an image byte for byte."""
    work = CACHE / "built" / "opense-basic"
    listing = work / "out.dbg"
    tools, sources = debian("pasmo"), debian_source("opense-basic")
    if tools is not None and sources is not None and not listing.exists():
        work.mkdir(parents=True, exist_ok=True)
        text = next(sources.glob("**/*.asm")).read_text(encoding="ascii")
        (work / "in.asm").write_text(text.replace("\r", ""), encoding="ascii")
        shell = 'pasmo -d --bin in.asm out.bin > out.part && mv out.part "$0"'
        run("sh", "-c", shell, listing.name, where=work, paths=(tools,))
    for path in sorted((folder / "usr/share/spectrum-roms").glob("*.rom")):
        raw = path.read_bytes()
        same = listing.exists() and raw == (work / "out.bin").read_bytes()
        yield path.name, raw, _marked_by_pasmo(listing, len(raw)) if same else None


_PASMO = re.compile(r"^([0-9A-F]{4}):((?:[0-9A-F]{2})+)(?:\t(.*))?$")


def _marked_by_pasmo(listing: Path, size: int) -> NDArray[np.int8]:
    """Per byte what the assembler made of the source: an instruction is code, `DEFB` and the like are not."""
    marks = np.full(size, -1, dtype=np.int8)
    data = False
    for line in listing.read_text(encoding="latin-1").splitlines():
        found = _PASMO.match(line)
        if found:
            # Lines without a word go on with the bytes of the directive before them.
            data = found[3].startswith("DEF") if found[3] else data
            start, count = int(found[1], 16), len(found[2]) // 2
            marks[start : start + count] = 0 if data else 1
    return marks


def _cc65(*targets: str) -> Callable[[], Found | None]:
    """Its sample programs, built for several machines."""

    def read() -> Found | None:
        folder = debian("cc65")
        return None if folder is None else _built_by_cc65(folder, targets)

    return read


def _built_by_cc65(folder: Path, targets: tuple[str, ...]) -> Found:
    """Its samples for each machine that they can be built for."""
    work = CACHE / "built" / "cc65"
    work.mkdir(parents=True, exist_ok=True)
    for source in sorted((folder / "usr/share/cc65/samples").rglob("*.c")):
        for target in targets:
            result = work / f"{source.stem}.{target}"
            # Not every sample is for every machine: what could not be built once is not tried each time.
            none = work / f"{source.stem}.{target}.none"
            if not result.exists() and not none.exists():
                here = work / f"{source.stem}.{target}.o"
                run(
                    "cl65",
                    "-t",
                    target,
                    "-Or",
                    "-o",
                    str(result),
                    "-O",
                    str(source),
                    where=work,
                    paths=(folder,),
                )
                here.unlink(missing_ok=True)
                if not result.exists():
                    none.touch()
            if result.exists() and result.stat().st_size >= 512:
                yield result.name, _placed(result.read_bytes()), None


def _placed(raw: bytes) -> bytes:
    """A loadable program as it would lie in a ROM: without its load address, on a page of 256 bytes."""
    return bytes(raw[0]) + raw[2:]


def _m68k(requirement: str, pattern: str, *flags: str) -> Callable[[], Found | None]:
    """C sources of a package of the Python index, each file built for the 68000."""

    def read() -> Found | None:
        tools = debian(
            "gcc-12-m68k-linux-gnu",
            "cpp-12-m68k-linux-gnu",
            "binutils-m68k-linux-gnu",
            "libmpc3",
            "libmpfr6",
            "libisl23",
            "libgmp10",
            "libgcc-12-dev-m68k-cross",
            "libc6-dev-m68k-cross",
            "linux-libc-dev-m68k-cross",
        )
        sources = pypi(requirement, source=True)
        return None if tools is None or sources is None else _built_by_gcc(tools, sources, pattern, flags)

    return read


def _built_by_gcc(tools: Path, sources: Path, pattern: str, flags: tuple[str, ...]) -> Found:
    """One program a folder of sources: all its objects linked, unresolved calls left at 0."""
    include = f"-I{tools}/usr/m68k-linux-gnu/include"
    gcc = str(tools / "usr/lib/gcc-cross/m68k-linux-gnu/12/include")
    found = sorted(path for path in sources.glob(pattern) if path.stem != "ltests")
    for folder in sorted({path.parent for path in found}):
        work = CACHE / "built" / f"m68k-{sources.name}-{folder.name}"
        work.mkdir(parents=True, exist_ok=True)
        result = work / "out.bin"
        if not result.exists():
            places = [f"-I{place}" for place in (folder, *sources.glob("**/include"))]
            for source in (path for path in found if path.parent == folder):
                run(
                    "m68k-linux-gnu-gcc-12",
                    "-m68000",
                    "-w",
                    "-fno-pic",
                    "-nostdinc",
                    include,
                    "-idirafter",
                    gcc,
                    *places,
                    *flags,
                    "-c",
                    str(source),
                    where=work,
                    paths=(tools,),
                )
            objects = [path.name for path in sorted(work.glob("*.o"))]
            link = ("--unresolved-symbols=ignore-all", "-Ttext=0x1000", "-e", "0x1000", "-o", "out.elf")
            run("m68k-linux-gnu-ld", *link, *objects, where=work, paths=(tools,))
            copy = ("-O", "binary", "-j", ".text", "out.elf", "out.bin")
            run("m68k-linux-gnu-objcopy", *copy, where=work, paths=(tools,))
        if result.exists() and result.stat().st_size >= 512:
            yield f"{sources.name} {folder.name}", result.read_bytes(), None


def _uc80() -> Found | None:
    """The C library of a compiler for the Z80, assembled and linked whole; it runs at 0x100."""
    folders = [pypi(name) for name in ("uc80", "um80")]
    if None in folders:
        return None
    return _built_by_um80(*[folder for folder in folders if folder is not None])


def _built_by_um80(library: Path, tools: Path) -> Found:
    work = CACHE / "built" / "uc80"
    work.mkdir(parents=True, exist_ok=True)
    result = work / "libc.com"
    if not result.exists():
        start = f"import sys; sys.path.insert(0, {str(tools)!r}); from um80.{{0}} import main; main()"
        names = ("libc", "runtime", "float48")
        for name in names:
            source = library / "uc80/lib" / f"{name}.mac"
            run(sys.executable, "-c", start.format("um80"), "-o", f"{name}.rel", str(source), where=work)
        modules = [f"{name}.rel" for name in names]
        run(sys.executable, "-c", start.format("ul80"), "-o", result.name, *modules, where=work)
    if result.exists():
        yield result.name, result.read_bytes(), None


SOURCES = (
    Source("cbios", "BSD-2-Clause", "setting", "z80", _debian("cbios", "usr/share/cbios/*.rom")),
    Source("opense-basic", "GPL-2+", "setting", "z80", _opense_basic),
    Source("uc80", "GPL-3+", "setting", "z80", _uc80),
    Source("open-roms", "LGPL-3", "setting", "6502", _debian("open-roms", "usr/share/open-roms/C64/[bk]*")),
    Source("kimdos", "MIT", "setting", "6502", _pypi("kimdos", "kimdos/images/kimdos-0400.bin")),
    Source(
        "fs-uae",
        "AROS Public License",
        "setting",
        "68000",
        _from_zip("fs-uae", "usr/share/fs-uae/fs-uae.dat", "share/fs-uae/aros-amiga-m68k-rom.bin"),
    ),
    Source(
        "sigrok-firmware-fx2lafw",
        "GPL-2+",
        "setting",
        "8051",
        _debian("sigrok-firmware-fx2lafw", "usr/share/sigrok-firmware/*.fw"),
    ),
    Source(
        "firmware-linux-free",
        "GPL-2+",
        "setting",
        "8051",
        _debian("firmware-linux-free", "lib/firmware/usbdux*.bin"),
    ),
    Source(
        "vgabios",
        "LGPL-2+",
        "setting",
        "8086",
        _debian("vgabios", "usr/share/vgabios/vgabios.*.bin", "usr/share/vgabios/vgabios.bin"),
    ),
    Source(
        "syslinux-common",
        "GPL-2+",
        "setting",
        "8086",
        _debian("syslinux-common", "usr/lib/syslinux/mbr/*mbr.bin"),
    ),
    Source(
        "open-roms chargen",
        "LGPL-3",
        "setting",
        "nothing",
        _debian("open-roms", "usr/share/open-roms/C64/chargen"),
    ),
    Source(
        "openmsx-data",
        "GPL-2+",
        "setting",
        "nothing",
        _debian(
            "openmsx-data",
            "usr/share/openmsx/shaders/*.dat",
            "usr/share/doc/openmsx-data/*.txt",
            "usr/share/doc/openmsx-data/changelog*.gz",
        ),
    ),
    Source(
        "arduino-core-avr",
        "GPL-2+",
        "setting",
        "other",
        _debian("arduino-core-avr", "usr/share/arduino/hardware/arduino/avr/**/*.hex"),
    ),
    Source(
        "firmware-ath9k-htc",
        "BSD-3-Clause-Clear",
        "setting",
        "other",
        _debian("firmware-ath9k-htc", "lib/firmware/ath9k_htc/*.fw"),
    ),
    Source(
        "opensbi",
        "BSD-2-Clause",
        "setting",
        "other",
        _debian("opensbi", "usr/lib/riscv64-linux-gnu/**/*.bin"),
    ),
    Source(
        "grub-pc-bin",
        "GPL-3+",
        "setting",
        "x86-32",
        _debian("grub-pc-bin", "usr/lib/grub/i386-pc/*.mod", least=4096),
    ),
    Source(
        "cpm80",
        "MIT, with CP/M by its maker's grant",
        "held out",
        "8080",
        _pypi("cpm80==1.3.0", "cpm80/*.bin", "cpm80/*.com"),
    ),
    Source("sdcc", "GPL-2+ with exception", "held out", "z80", _sdcc("z80")),
    Source("sdcc", "GPL-2+ with exception", "held out", "8051", _sdcc("mcs51")),
    Source("sdcc", "GPL-2+ with exception", "held out", "8051", _sdcc("mcs51", "--model-large")),
    Source(
        "ixo-usb-jtag",
        "GPL-2+",
        "held out",
        "8051",
        _debian("ixo-usb-jtag", "lib/firmware/ixo-usb-jtag/*.hex"),
    ),
    Source(
        "hdmi2usb-fx2-firmware",
        "GPL-2+",
        "held out",
        "8051",
        _debian("hdmi2usb-fx2-firmware", "lib/firmware/opsis-fx2/usb-uart.ihx"),
    ),
    Source(
        "cc65",
        "Zlib",
        "held out",
        "6502",
        _cc65("c64", "pet", "vic20", "plus4", "c128", "cbm510", "cbm610", "c16"),
    ),
    Source(
        "DragonPyEmulator", "GPL-3+", "held out", "6809", _pypi("DragonPyEmulator", "dragonpy/sbc09/v09.rom")
    ),
    Source("brotli", "MIT", "held out", "68000", _m68k("brotli", "**/c/*/*.c", "-Os")),
    Source("lz4", "BSD-3-Clause", "held out", "68000", _m68k("lz4", "**/lz4libs/lz4*.c", "-O2")),
    Source("lupa", "MIT", "held out", "68000", _m68k("lupa", "third-party/lua5[14]/l*.c", "-Os")),
    Source(
        "bochsbios", "LGPL-2+", "held out", "8086", _debian("bochsbios", "usr/share/bochs/BIOS-bochs-legacy")
    ),
    Source(
        "qemu-system-data",
        "GPL-2+",
        "held out",
        "8086",
        _debian("qemu-system-data", "usr/share/qemu/sgabios.bin"),
    ),
    Source(
        "qemu-system-data",
        "GPL-2+",
        "held out",
        "other",
        _debian(
            "qemu-system-data",
            "usr/share/qemu/openbios-*",
            "usr/share/qemu/hppa*",
            "usr/share/qemu/palcode*",
            "usr/share/qemu/s390*",
            "usr/share/qemu/npcm*",
            "usr/share/qemu/QEMU,[ct]*",
        ),
    ),
    Source(
        "hackrf-firmware", "GPL-2+", "held out", "other", _debian("hackrf-firmware", "usr/share/hackrf/*.bin")
    ),
    Source(
        "ubertooth-firmware",
        "GPL-2+",
        "held out",
        "other",
        _debian("ubertooth-firmware", "usr/share/ubertooth/**/*.bin"),
    ),
    Source(
        "crust-firmware",
        "BSD-1-Clause or GPL-2",
        "held out",
        "other",
        _debian("crust-firmware", "usr/lib/crust-firmware/*.bin"),
    ),
    Source("kbd", "GPL-2+", "held out", "nothing", _debian("kbd", "usr/share/doc/kbd/*")),
    Source(
        "console-setup-linux",
        "GPL-2+",
        "held out",
        "nothing",
        _debian("console-setup-linux", "usr/share/consolefonts/*.gz"),
    ),
)
"""Everything that is read. Licences as the packages' own copyright files give them."""


def images() -> tuple[list[Image], list[str]]:
    """All images, each content once, and what could not be had."""
    out: list[Image] = []
    missing: list[str] = []
    seen: set[bytes] = set()
    for source in SOURCES:
        found = source.read()
        if found is None:
            missing.append(f"{source.package}: not to be had here")
            continue
        before = len(out)
        for name, raw, code in found:
            if raw not in seen:
                seen.add(raw)
                data = np.frombuffer(raw, dtype=np.uint8)
                out.append(Image(name, source.package, source.half, source.family, data, code))
        if len(out) == before:
            missing.append(f"{source.package}: nothing readable")
    return out, missing
