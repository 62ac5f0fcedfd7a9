"""One line on a terminal that says what runs, once the work takes longer than a second."""

from __future__ import annotations

import sys
import time
from typing import Self

import click


class Ticker:
    """Shows texts in one line of the error stream, and wipes it at the end; shows nothing where that is no terminal."""

    def __init__(self) -> None:
        self.started = time.monotonic()
        self.shown = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.shown:
            click.echo("\r\033[K", nl=False, err=True)

    def say(self, text: str) -> None:
        """Show a text in place of the one before."""
        if sys.stderr.isatty() and time.monotonic() - self.started > 1:
            self.shown = True
            click.echo(f"\r\033[K{text}", nl=False, err=True)
