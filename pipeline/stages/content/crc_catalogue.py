"""The published algorithms of whole bytes, 8 to 32 bits: every one is looked for, and counted.

Source: "Catalogue of parametrised CRC algorithms" (reveng.sourceforge.io), all entries of 8, 16, 24 and 32
bits; `check` is the value over the nine characters `123456789` that the catalogue prints. Widths that are no
whole bytes are stored in bits of a stream, not in a ROM.
"""

from __future__ import annotations

from typing import NamedTuple


class Crc(NamedTuple):
    """One algorithm of the catalogue.

    Attributes:
        name: Its name there.
        width: Bits of the register: 8, 16, 24 or 32.
        poly: The polynomial, its top bit left out, most significant bit first.
        init: What the register starts with.
        reflected: Whether bytes go in and the value comes out least significant bit first.
        xorout: What the register is combined with at the end.
        check: The value over `123456789`.
    """

    name: str
    width: int
    poly: int
    init: int
    reflected: bool
    xorout: int
    check: int

    @property
    def core(self) -> tuple[int, int, bool]:
        """What decides the linear part."""
        return self.width, self.poly, self.reflected


MSB, LSB = False, True
"""Which bit of a byte goes in first."""
CATALOGUE = (
    Crc("CRC-8/I-432-1", 8, 0x07, 0x00, MSB, 0x55, 0xA1),
    Crc("CRC-8/SMBUS", 8, 0x07, 0x00, MSB, 0x00, 0xF4),
    Crc("CRC-8/ROHC", 8, 0x07, 0xFF, LSB, 0x00, 0xD0),
    Crc("CRC-8/GSM-A", 8, 0x1D, 0x00, MSB, 0x00, 0x37),
    Crc("CRC-8/HITAG", 8, 0x1D, 0xFF, MSB, 0x00, 0xB4),
    Crc("CRC-8/I-CODE", 8, 0x1D, 0xFD, MSB, 0x00, 0x7E),
    Crc("CRC-8/MIFARE-MAD", 8, 0x1D, 0xC7, MSB, 0x00, 0x99),
    Crc("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, MSB, 0xFF, 0x4B),
    Crc("CRC-8/TECH-3250", 8, 0x1D, 0xFF, LSB, 0x00, 0x97),
    Crc("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, MSB, 0xFF, 0xDF),
    Crc("CRC-8/OPENSAFETY", 8, 0x2F, 0x00, MSB, 0x00, 0x3E),
    Crc("CRC-8/NRSC-5", 8, 0x31, 0xFF, MSB, 0x00, 0xF7),
    Crc("CRC-8/MAXIM-DOW", 8, 0x31, 0x00, LSB, 0x00, 0xA1),
    Crc("CRC-8/DARC", 8, 0x39, 0x00, LSB, 0x00, 0x15),
    Crc("CRC-8/GSM-B", 8, 0x49, 0x00, MSB, 0xFF, 0x94),
    Crc("CRC-8/CDMA2000", 8, 0x9B, 0xFF, MSB, 0x00, 0xDA),
    Crc("CRC-8/LTE", 8, 0x9B, 0x00, MSB, 0x00, 0xEA),
    Crc("CRC-8/WCDMA", 8, 0x9B, 0x00, LSB, 0x00, 0x25),
    Crc("CRC-8/BLUETOOTH", 8, 0xA7, 0x00, LSB, 0x00, 0x26),
    Crc("CRC-8/DVB-S2", 8, 0xD5, 0x00, MSB, 0x00, 0xBC),
    Crc("CRC-16/DECT-R", 16, 0x0589, 0x0000, MSB, 0x0001, 0x007E),
    Crc("CRC-16/DECT-X", 16, 0x0589, 0x0000, MSB, 0x0000, 0x007F),
    Crc("CRC-16/NRSC-5", 16, 0x080B, 0xFFFF, LSB, 0x0000, 0xA066),
    Crc("CRC-16/GENIBUS", 16, 0x1021, 0xFFFF, MSB, 0xFFFF, 0xD64E),
    Crc("CRC-16/GSM", 16, 0x1021, 0x0000, MSB, 0xFFFF, 0xCE3C),
    Crc("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, MSB, 0x0000, 0x29B1),
    Crc("CRC-16/SPI-FUJITSU", 16, 0x1021, 0x1D0F, MSB, 0x0000, 0xE5CC),
    Crc("CRC-16/XMODEM", 16, 0x1021, 0x0000, MSB, 0x0000, 0x31C3),
    Crc("CRC-16/IBM-SDLC", 16, 0x1021, 0xFFFF, LSB, 0xFFFF, 0x906E),
    Crc("CRC-16/ISO-IEC-14443-3-A", 16, 0x1021, 0xC6C6, LSB, 0x0000, 0xBF05),
    Crc("CRC-16/KERMIT", 16, 0x1021, 0x0000, LSB, 0x0000, 0x2189),
    Crc("CRC-16/MCRF4XX", 16, 0x1021, 0xFFFF, LSB, 0x0000, 0x6F91),
    Crc("CRC-16/RIELLO", 16, 0x1021, 0xB2AA, LSB, 0x0000, 0x63D0),
    Crc("CRC-16/TMS37157", 16, 0x1021, 0x89EC, LSB, 0x0000, 0x26B1),
    Crc("CRC-16/PROFIBUS", 16, 0x1DCF, 0xFFFF, MSB, 0xFFFF, 0xA819),
    Crc("CRC-16/EN-13757", 16, 0x3D65, 0x0000, MSB, 0xFFFF, 0xC2B7),
    Crc("CRC-16/DNP", 16, 0x3D65, 0x0000, LSB, 0xFFFF, 0xEA82),
    Crc("CRC-16/M17", 16, 0x5935, 0xFFFF, MSB, 0x0000, 0x772B),
    Crc("CRC-16/OPENSAFETY-A", 16, 0x5935, 0x0000, MSB, 0x0000, 0x5D38),
    Crc("CRC-16/LJ1200", 16, 0x6F63, 0x0000, MSB, 0x0000, 0xBDF4),
    Crc("CRC-16/OPENSAFETY-B", 16, 0x755B, 0x0000, MSB, 0x0000, 0x20FE),
    Crc("CRC-16/CMS", 16, 0x8005, 0xFFFF, MSB, 0x0000, 0xAEE7),
    Crc("CRC-16/DDS-110", 16, 0x8005, 0x800D, MSB, 0x0000, 0x9ECF),
    Crc("CRC-16/UMTS", 16, 0x8005, 0x0000, MSB, 0x0000, 0xFEE8),
    Crc("CRC-16/ARC", 16, 0x8005, 0x0000, LSB, 0x0000, 0xBB3D),
    Crc("CRC-16/MAXIM-DOW", 16, 0x8005, 0x0000, LSB, 0xFFFF, 0x44C2),
    Crc("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, LSB, 0x0000, 0x4B37),
    Crc("CRC-16/USB", 16, 0x8005, 0xFFFF, LSB, 0xFFFF, 0xB4C8),
    Crc("CRC-16/T10-DIF", 16, 0x8BB7, 0x0000, MSB, 0x0000, 0xD0DB),
    Crc("CRC-16/TELEDISK", 16, 0xA097, 0x0000, MSB, 0x0000, 0x0FB3),
    Crc("CRC-16/CDMA2000", 16, 0xC867, 0xFFFF, MSB, 0x0000, 0x4C06),
    Crc("CRC-24/BLE", 24, 0x00065B, 0x555555, LSB, 0x000000, 0xC25A56),
    Crc("CRC-24/INTERLAKEN", 24, 0x328B63, 0xFFFFFF, MSB, 0xFFFFFF, 0xB4F3E6),
    Crc("CRC-24/FLEXRAY-A", 24, 0x5D6DCB, 0xFEDCBA, MSB, 0x000000, 0x7979BD),
    Crc("CRC-24/FLEXRAY-B", 24, 0x5D6DCB, 0xABCDEF, MSB, 0x000000, 0x1F23B8),
    Crc("CRC-24/LTE-B", 24, 0x800063, 0x000000, MSB, 0x000000, 0x23EF52),
    Crc("CRC-24/OS-9", 24, 0x800063, 0xFFFFFF, MSB, 0xFFFFFF, 0x200FA5),
    Crc("CRC-24/LTE-A", 24, 0x864CFB, 0x000000, MSB, 0x000000, 0xCDE703),
    Crc("CRC-24/OPENPGP", 24, 0x864CFB, 0xB704CE, MSB, 0x000000, 0x21CF02),
    Crc("CRC-32/XFER", 32, 0x000000AF, 0x00000000, MSB, 0x00000000, 0xBD0BE338),
    Crc("CRC-32/BZIP2", 32, 0x04C11DB7, 0xFFFFFFFF, MSB, 0xFFFFFFFF, 0xFC891918),
    Crc("CRC-32/CKSUM", 32, 0x04C11DB7, 0x00000000, MSB, 0xFFFFFFFF, 0x765E7680),
    Crc("CRC-32/MPEG-2", 32, 0x04C11DB7, 0xFFFFFFFF, MSB, 0x00000000, 0x0376E6E7),
    Crc("CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, LSB, 0xFFFFFFFF, 0xCBF43926),
    Crc("CRC-32/JAMCRC", 32, 0x04C11DB7, 0xFFFFFFFF, LSB, 0x00000000, 0x340BC6D9),
    Crc("CRC-32/ISCSI", 32, 0x1EDC6F41, 0xFFFFFFFF, LSB, 0xFFFFFFFF, 0xE3069283),
    Crc("CRC-32/MEF", 32, 0x741B8CD7, 0xFFFFFFFF, LSB, 0x00000000, 0xD2C22F51),
    Crc("CRC-32/CD-ROM-EDC", 32, 0x8001801B, 0x00000000, LSB, 0x00000000, 0x6EC2EDC4),
    Crc("CRC-32/AIXM", 32, 0x814141AB, 0x00000000, MSB, 0x00000000, 0x3010BF7F),
    Crc("CRC-32/BASE91-D", 32, 0xA833982B, 0xFFFFFFFF, LSB, 0xFFFFFFFF, 0x87315576),
    Crc("CRC-32/AUTOSAR", 32, 0xF4ACFB13, 0xFFFFFFFF, LSB, 0xFFFFFFFF, 0x1697D06A),
)
"""Every CRC that is looked for."""
