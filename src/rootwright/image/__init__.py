"""Firmware files into images: ELF, Intel HEX, S-record and raw binary."""
