"""Packers and readers of the product's own: a Python function from its folder, or a command with a time limit."""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from rootwright.describe.own_format import OwnFormat
from rootwright.errors import PackingError, ReleaseRefused
from rootwright.own_code import execute_file
from rootwright.release.packing import About, Unpacked, UnreadableImage

LARGEST_RESULT = 64 << 20
REFUSED = 1
"""Exit code by which a reading command refuses an image; any other but 0 is a failure of the command."""


@dataclass(frozen=True, slots=True)
class LoadedFormat:
    """The image format of a product, ready to pack and to read. Implements `rootwright.release.packing.ImageFormat`.

    Attributes:
        key: What packer and reader find their key by.
        stranger_key: The same for a key that no device trusts, in trials; empty where there is none.
        functions: The functions of the product's file, by what they are for.
        read_before: What a command read already, by SHA-256, so that it reads equal bytes once.
    """

    own: OwnFormat
    folder: Path
    key: str
    stranger_key: str = ""
    functions: Mapping[str, Callable[..., Any]] = field(default_factory=dict, repr=False)
    read_before: dict[tuple[bytes, About], Unpacked | str] = field(default_factory=dict, repr=False)

    def pack(self, code: bytes, about: About) -> bytes:
        """Return header, code and trailer, as the product's packer makes them.

        Raises:
            PackingError: The packer is not there, fails, takes too long, or returns no bytes.
        """
        program = self.own.packer
        if isinstance(program, str):
            packed = self._call(program, "packer", code, about)
            if not isinstance(packed, bytes) or not packed:
                raise PackingError(
                    f"{program} returned {type(packed).__name__ if packed != b'' else 'no bytes'}, bytes expected",
                    where="boot.format.packer",
                    next_step="return header, code and trailer as bytes",
                )
            return packed
        status, made, said = self._run(program, "packer", code, about)
        if status:
            raise PackingError(
                f"the packer ended with exit code {status}{said and f': {said}'}",
                where="boot.format.packer",
                next_step="run the command by hand; it must write the packed image to {output}",
            )
        if not made:
            raise PackingError(
                "the packer wrote nothing to {output}",
                where="boot.format.packer",
                next_step="let it write the packed image to the file that it is given as {output}",
            )
        return made

    def read(self, packed: bytes, about: About) -> Unpacked:
        """Return the version and code that the product's reader finds.

        Raises:
            UnreadableImage: It refuses the bytes, as the boot stage would.
            PackingError: The reader itself fails.
        """
        key = (hashlib.sha256(packed).digest(), about)
        known = self.read_before.get(key)
        if known is None:
            try:
                known = self._read(packed, about)
            except UnreadableImage as refused:
                known = str(refused) or "refused"
            self.read_before[key] = known
        if isinstance(known, str):
            raise UnreadableImage(known)
        return known

    def _read(self, packed: bytes, about: About) -> Unpacked:
        program = self.own.reader
        if isinstance(program, str):
            found = self._call(program, "reader", packed, about)
            if not (isinstance(found, tuple) and [type(part) for part in found] == [str, bytes]):
                raise PackingError(
                    f"{program} returned no pair of version and code",
                    where="boot.format.reader",
                    next_step="return (version, code), and raise ValueError to refuse",
                )
            return Unpacked(found[0], found[1])
        status, code, said = self._run(program, "reader", packed, about)
        if status == REFUSED:
            raise UnreadableImage(said)
        if status:
            raise PackingError(
                f"the reader ended with exit code {status}{said and f': {said}'}",
                where="boot.format.reader",
                next_step="exit code 0 reads an image, 1 refuses it; run the command by hand for anything else",
            )
        return Unpacked(said, code)

    def _call(self, program: str, what: str, given: bytes, about: About) -> object:
        """Call a product's function; a ValueError of the reader is its refusal, anything else a failure."""
        try:
            return self.functions[what](given, about)
        except ValueError as error:
            if what == "reader":
                raise UnreadableImage(str(error)) from None
            raised: Exception = error
        except Exception as error:
            raised = error
        line = _own_line(raised, self.folder)
        raise PackingError(
            f"{program} ended with {type(raised).__name__}: {raised}",
            where=line or f"boot.format.{what}",
            next_step="mend the function; a reader refuses an image by raising ValueError",
        ) from raised

    def _run(self, words: tuple[str, ...], what: str, given: bytes, about: About) -> tuple[int, bytes, str]:
        """Run a command; return its exit code, what it wrote to {output}, and one line that it printed."""
        where = f"boot.format.{what}"
        with tempfile.TemporaryDirectory(prefix="rootwright-") as place:
            source, target = Path(place) / "input", Path(place) / "output"
            source.write_bytes(given)
            told = {
                "input": str(source),
                "output": str(target),
                "name": about.name,
                "version": about.version,
                "address": f"0x{about.address:08x}",
                "header": str(about.header_bytes),
                "trailer": str(about.trailer_bytes),
                "key": about.key,
            }
            status, out, err = run_limited(
                [_filled(word, told) for word in words], self.folder, where, self.own.time_limit_s
            )
            made = target.read_bytes() if target.is_file() and target.stat().st_size <= LARGEST_RESULT else b""
        return status, made, _line(err if status else out)

    def for_trials(self) -> LoadedFormat:
        """Return the same format under its trial keys.

        Raises:
            ReleaseRefused: The product names a key and no trial key: hostile images are never signed with a real one.
        """
        if not self.own.key and not self.own.trial_keys:
            return self
        if not self.own.trial_keys:
            raise ReleaseRefused(
                "hostile trials pack altered images, and must not do so with the product's own key",
                where="boot.format",
                next_step="name trial_keys: references to one or two keys that everyone may know",
            )
        first, *rest = self.own.trial_keys
        return replace(self, key=first, stranger_key=rest[0] if rest else "", read_before={})

    def as_stranger(self) -> LoadedFormat | None:
        """Return the format with a key that no device trusts, or None where the product names none."""
        return replace(self, key=self.stranger_key, stranger_key="") if self.stranger_key else None


def load_format(own: OwnFormat | None, folder: Path) -> LoadedFormat | None:
    """Return a product's image format, its functions found; None where it has none.

    The product's Python files are executed: name only files that you trust.

    Raises:
        PackingError: A file or function is not there, or the file cannot be executed.
    """
    if own is None:
        return None
    programs = (("packer", own.packer), ("reader", own.reader))
    functions = {what: _function(name, what, folder) for what, name in programs if isinstance(name, str)}
    return LoadedFormat(own, folder, own.key, functions=functions)


def run_limited(words: list[str], folder: Path, where: str, limit_s: float) -> tuple[int, bytes, bytes]:
    """Run a command in a folder, without a shell and without input; return exit code and both outputs.

    Raises:
        PackingError: It cannot be started, or does not end in time; then all that it started is ended.
    """
    try:
        # Words of the product file, given to the system as they are: no shell reads them.
        process = subprocess.Popen(  # noqa: S603
            words,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        reason = (error.strerror or "") if isinstance(error, OSError) else "not a usable word"
        raise PackingError(
            f"the command {words[0]!r} cannot be started: {reason}",
            where=where,
            next_step="check its name; it is looked for from the product's folder and on the search path",
        ) from None
    try:
        out, err = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        _end(process)
        raise PackingError(
            f"the command {words[0]!r} did not end within {limit_s:g} s",
            where=where,
            next_step="let it end by itself, or raise time_limit; it must not wait for anyone",
        ) from None
    except BaseException:
        _end(process)
        raise
    return process.returncode, out, err


def _end(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    for pipe in (process.stdout, process.stderr):
        if pipe is not None:
            pipe.close()  # whatever left the group may hold the other end; it is not waited for
    process.wait()


def _filled(word: str, told: dict[str, str]) -> str:
    for name, value in told.items():
        word = word.replace("{" + name + "}", value)
    return word


def _line(printed: bytes) -> str:
    """Return the last line that is not blank, printable and cut short."""
    lines = [line.strip() for line in printed.decode("utf-8", "replace").splitlines() if line.strip()]
    return "".join(c if c.isprintable() else "?" for c in lines[-1])[:200] if lines else ""


def _function(program: str, what: str, folder: Path) -> Callable[..., Any]:
    """Return the function that "module:function" names, its file executed anew."""
    module_name, _, name = program.partition(":")
    where = f"boot.format.{what}"
    path = folder / f"{module_name}.py"
    if not path.is_file():
        raise PackingError(
            f"no file {path.name} for {program!r}", where=where, next_step=f"put {path.name} beside the product file"
        )
    try:
        module = execute_file(path, f"rootwright_format_{module_name}")
    except Exception as error:
        raise PackingError(
            f"{path.name} cannot be executed: {type(error).__name__}: {error}", where=where, next_step="mend the file"
        ) from error
    function = getattr(module, name, None)
    if not callable(function):
        raise PackingError(f"no function {name} in {path.name}", where=where, next_step="check the name")
    found: Callable[..., Any] = function
    return found


def _own_line(error: Exception, folder: Path) -> str:
    """Return file and line in the product's folder that an error came from."""
    import traceback

    frames = traceback.extract_tb(error.__traceback__)
    own = [f for f in frames if Path(f.filename).resolve().is_relative_to(folder.resolve())]
    return f"{Path(own[-1].filename).name}, line {own[-1].lineno}" if own else ""
