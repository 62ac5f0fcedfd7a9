"""Lines of a text firmware file, numbered as an editor numbers them."""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.errors import ImageError


def record_lines(data: bytes, *, name: str) -> Iterator[tuple[int, str]]:
    """Yield line number and text of each line that is not blank; line ends may be LF, CR LF or CR.

    Raises:
        ImageError: a byte that is not printable ASCII, with its offset.
    """
    try:
        text = data.decode("ascii")
    except UnicodeDecodeError as error:
        raise ImageError(
            f"byte 0x{data[error.start]:02x} is not text",
            where=f"{name}, byte offset {error.start}",
            next_step="the file is damaged, or it is a raw binary that happens to start like a text file",
        ) from None
    for number, line in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), 1):
        shown = line.strip(" \t")
        if not shown:
            continue
        if not shown.isprintable():
            raise ImageError(
                "a control character stands in the line",
                where=f"{name}, line {number}",
                next_step="the file is damaged; copy or build it again",
            )
        yield number, shown
