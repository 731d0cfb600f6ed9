"""An image in every notation that is read, written by code that imports no decoder.

The decoders' counterpart.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.formats.neutral import Declared

Written = tuple[bytes, Declared]


def lines_of(image: bytes, size: int) -> list[tuple[int, bytes]]:
    return [(at, image[at : at + size]) for at in range(0, len(image), size)]


def digit_sum(text: str) -> int:
    return sum(int(one, 16) for one in text) & 0xFF


def intel_hex(image: bytes) -> Written:
    lines = []
    for at, part in lines_of(image, 16):
        raw = bytes([len(part)]) + at.to_bytes(2) + b"\x00" + part
        lines.append(f":{raw.hex()}{-sum(raw) & 0xFF:02X}".upper())
    return "\r\n".join([*lines, ":00000001FF", ""]).encode(), Declared(format="intel-hex")


def s_record(image: bytes) -> Written:
    lines = []
    for at, part in lines_of(image, 16):
        raw = bytes([len(part) + 3]) + at.to_bytes(2) + part
        lines.append(f"S1{raw.hex().upper()}{~sum(raw) & 0xFF:02X}")
    return "\n".join([*lines, "S9030000FC", ""]).encode(), Declared(format="s-record")


def tektronix_hex(image: bytes) -> Written:
    lines = []
    for at, part in lines_of(image, 16):
        head = f"{at:04X}{len(part):02X}"
        lines.append(f"/{head}{digit_sum(head):02X}{part.hex().upper()}{digit_sum(part.hex()):02X}")
    return "\r\n".join([*lines, "/00000000", ""]).encode(), Declared(format="tektronix-hex")


def tektronix_extended(image: bytes) -> Written:
    lines = []
    for at, part in lines_of(image, 16):
        body = f"4{at:04X}{part.hex().upper()}"
        head = f"{len(body) + 5:02X}6"
        lines.append(f"%{head}{digit_sum(head + body):02X}{body}")
    return "\n".join([*lines, "%0781010", ""]).encode(), Declared(format="tektronix-extended")


def mos_paper_tape(image: bytes) -> Written:
    lines = []
    for at, part in lines_of(image, 24):
        raw = bytes([len(part)]) + at.to_bytes(2) + part
        lines.append(f";{raw.hex().upper()}{sum(raw):04X}")
    text = "\r\n".join([*lines, f";00{len(lines):04X}{len(lines):04X}", ""]).encode()
    return bytes(20) + text + b"\x13" + bytes(20), Declared(format="mos-paper-tape")


def ti_txt(image: bytes) -> Written:
    lines = [part.hex(" ").upper() for _, part in lines_of(image, 16)]
    return "\n".join(["@0000", *lines, "q", ""]).encode(), Declared(format="ti-txt")


def ascii_hex(image: bytes) -> Written:
    lines = ["".join(f"{byte:02X} " for byte in part) for _, part in lines_of(image, 16)]
    text = "\x02$A0000,\r\n" + "\r\n".join(lines) + f"\r\n\x03$S{sum(image) & 0xFFFF:04X},\r\n"
    return text.encode(), Declared(format="ascii-hex")


def ascii_octal(image: bytes) -> Written:
    lines = ["".join(f"{byte:03o}'" for byte in part) for _, part in lines_of(image, 16)]
    text = "\x02$A000000,\r\n" + "\r\n".join(lines) + f"\r\n\x03$S{sum(image) & 0xFFFF:06o},\r\n"
    return text.encode(), Declared(format="ascii-hex", token="octal")


def bpnf(image: bytes) -> Written:
    words = [f"B{byte:08b}F".replace("1", "P").replace("0", "N") for byte in image]
    lines = [f"{at:4d} " + " ".join(words[at : at + 4]) for at in range(0, len(words), 4)]
    return b"\x7f" * 25 + "\r\n".join([*lines, ""]).encode() + bytes(25), Declared(format="bpnf")


def hex_pairs(image: bytes) -> Written:
    lines = [part.hex(" ").upper() for _, part in lines_of(image, 16)]
    return "\r\n".join(["ROM reader ready", *lines, "done", ""]).encode(), Declared(format="hex-text")


def hex_one_a_line(image: bytes) -> Written:
    return "".join(f"{byte:x}\r\n" for byte in image).encode(), Declared(format="hex-text")


def hex_marked(image: bytes) -> Written:
    lines = [", ".join(f"0x{byte:02x}" for byte in part) for _, part in lines_of(image, 12)]
    text = "const unsigned char rom[] = {\n  " + ",\n  ".join(lines) + "\n};\n"
    return text.encode(), Declared(format="hex-text")


def hex_assembler(image: bytes) -> Written:
    lines = ["        DB   " + ",".join(f"0{byte:02X}h" for byte in part) for _, part in lines_of(image, 8)]
    return "\n".join(["; the program", *lines, ""]).encode(), Declared(format="hex-text")


def hex_utf_16(image: bytes) -> Written:
    return hex_pairs(image)[0].decode().encode("utf-16"), Declared(format="hex-text")


def hex_even_parity(image: bytes) -> Written:
    text = hex_pairs(image)[0]
    return bytes(one | (one.bit_count() & 1) << 7 for one in text), Declared(format="hex-text")


def decimal_values(image: bytes) -> Written:
    return "\n".join([str(byte) for byte in image] + [""]).encode(), Declared(
        format="hex-text", token="decimal"
    )


def binary_values(image: bytes) -> Written:
    return "\n".join([f"{byte:08b}" for byte in image] + [""]).encode(), Declared(
        format="hex-text", token="binary"
    )


def crc_ibm_3740(text: bytes) -> int:
    """Bit by bit, as a reader's program has it: polynomial 1021, start FFFF."""
    crc = 0xFFFF
    for byte in text:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def reader_log(image: bytes) -> Written:
    lines = [f"#WELLREAD 1 PASS 1 ORG {len(image)}x8 LINE 16"]
    lines += [f"=1 {at:04X} {part.hex(' ').upper()}" for at, part in lines_of(image, 16)]
    lines.append(f"#END 1 WORDS {len(image)} CRC {crc_ibm_3740(image):04X}")
    text = "".join(f"{line}*{crc_ibm_3740(line.encode()):04X}\n" for line in lines)
    return text.encode(), Declared(format="reader-log")


def shown(part: bytes) -> str:
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in part)


def listing_with_text(image: bytes) -> Written:
    lines = [f"{at:08x}  {part.hex(' '):<47}  |{shown(part)}|" for at, part in lines_of(image, 16)]
    return "\n".join([*lines, f"{len(image):08x}", ""]).encode(), Declared(format="listing", address="hex")


def listing_with_bare_text(image: bytes) -> Written:
    lines = [f"{at:04X}: {part.hex(' ').upper():<23}   {shown(part)}" for at, part in lines_of(image, 8)]
    text = "\n".join([*lines, ""]) + f"{len(image):04X}\n"
    return text.encode(), Declared(format="listing", address="hex")


def listing_of_pairs_of_bytes(image: bytes) -> Written:
    lines = []
    for at, part in lines_of(image, 16):
        groups = " ".join(part[k : k + 2].hex() for k in range(0, len(part), 2))
        lines.append(f"{at:08x}: {groups:<39}  {shown(part) if len(image) > 1 else chr(32)}".rstrip())
    return "\n".join([*lines, ""]).encode(), Declared(format="listing", word_order="big", address="hex")


def listing_segmented(image: bytes) -> Written:
    lines = [f"0000:{at:04X}  {part.hex(' ').upper()}" for at, part in lines_of(image, 16)]
    return "\r\n".join([*lines, ""]).encode(), Declared(format="listing", address="hex")


def listing_hyphenated(image: bytes) -> Written:
    lines = [f"{at:04X}-{part.hex(' ').upper()}" for at, part in lines_of(image, 8)]
    return "\r\n".join([*lines, ""]).encode(), Declared(format="listing", address="hex")


def listing_with_comments(image: bytes) -> Written:
    lines = [f"{at:04X}: {part.hex(' ').upper()} # row" for at, part in lines_of(image, 16)]
    return "\n".join(["\x0c" + lines[0], *lines[1:], ""]).encode(), Declared(format="listing", address="hex")


def listing_octal(image: bytes) -> Written:
    lines = [f"{at:07o} " + " ".join(f"{byte:03o}" for byte in part) for at, part in lines_of(image, 16)]
    return "\n".join([*lines, f"{len(image):07o}", ""]).encode(), Declared(
        format="listing", token="octal", address="octal"
    )


def binary(image: bytes) -> Written:
    return image, Declared(format="binary")


WRITERS: dict[str, Callable[[bytes], Written]] = {
    one.__name__: one
    for one in (
        intel_hex,
        s_record,
        tektronix_hex,
        tektronix_extended,
        mos_paper_tape,
        ti_txt,
        ascii_hex,
        ascii_octal,
        bpnf,
        hex_pairs,
        hex_one_a_line,
        hex_marked,
        hex_assembler,
        hex_utf_16,
        hex_even_parity,
        decimal_values,
        binary_values,
        listing_with_text,
        listing_with_bare_text,
        listing_octal,
        listing_of_pairs_of_bytes,
        listing_segmented,
        listing_hyphenated,
        listing_with_comments,
        reader_log,
        binary,
    )
}
"""Name of a notation → an image below 64 KiB in it, and what has to be declared."""


def fuse_map(fuses: bytes) -> bytes:
    """Fuses 0 and 1 with both sums, as JESD3 has them."""
    digits = "".join(map(str, fuses))
    total = (
        int(np.packbits(np.frombuffer(fuses, dtype=np.uint8), bitorder="little").sum(dtype=np.int64)) & 0xFFFF
    )
    text = f"\x02Worked example*QF{len(fuses)}*L0 {digits}*C{total:04X}*\x03"
    return f"{text}{sum(text.encode()) & 0xFFFF:04X}".encode()
