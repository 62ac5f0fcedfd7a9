"""Firmware files read into images: ELF, Intel HEX, S-record and raw binary."""

from __future__ import annotations

from rootwright.image.intelhex import write_hex
from rootwright.image.model import Image, Section, Segment, Span, Symbol, VectorTable
from rootwright.image.reading import read_image, require_inside
from rootwright.image.srecord import write_srec
from rootwright.image.vectors import find_vector_table

__all__ = [
    "Image",
    "Section",
    "Segment",
    "Span",
    "Symbol",
    "VectorTable",
    "find_vector_table",
    "read_image",
    "require_inside",
    "write_hex",
    "write_srec",
]
