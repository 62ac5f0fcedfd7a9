"""Private keys in PEM files: loaded only while nobody else can read them; demo keys made on first use."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from rootwright.cose.keys import Ed25519PrivateKeySigner, P256PrivateKeySigner, signer_from_private_key
from rootwright.cose.numbers import Alg
from rootwright.errors import KeyFileError

DEMO_MARK = b"Demo key: it protects nothing. Never put its public half into a product."
"""First line of a demo key file, in front of the PEM block, where PEM allows text (RFC 7468 section 2)."""

LARGEST_FILE = 1 << 16
"""No private key of a supported kind needs 64 KiB."""

ALGORITHMS: dict[str, int] = {"ESP256": Alg.ESP256, "Ed25519": Alg.ED25519}
"""COSE algorithm numbers by the name that a product file uses."""

_BEGIN = b"-----BEGIN "


def load_signer(
    path: Path, algorithm: str, *, allow_demo: bool = False
) -> P256PrivateKeySigner | Ed25519PrivateKeySigner:
    """Return the signer in an unencrypted PEM file (PKCS #8 or SEC 1).

    Args:
        path: The file; group and others must have no permission on it.
        algorithm: "ESP256" or "Ed25519".
        allow_demo: Whether a key that is marked as a demo key may sign.

    Raises:
        KeyFileError: Missing, unreadable, unprotected, marked as a demo key, or of another kind.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    where = str(path)
    number = _number(algorithm, where)
    data = _read_protected(path)
    if data.startswith(DEMO_MARK) and not allow_demo:
        raise KeyFileError(
            "this is a demo key", where=where, next_step="make a key of your own, or say demo = true for trials"
        )
    start = data.find(_BEGIN)
    if start < 0:
        raise KeyFileError("the file holds no PEM block", where=where, next_step="export the private key as PEM")
    try:
        key = load_pem_private_key(data[start:], password=None)
    except TypeError:
        raise KeyFileError(
            "the private key is encrypted", where=where, next_step="name a file without a passphrase"
        ) from None
    except (ValueError, UnsupportedAlgorithm):
        raise KeyFileError(
            "the file is not a PEM private key", where=where, next_step="use an unencrypted P-256 or Ed25519 key"
        ) from None
    return signer_from_private_key(key, algorithm=number, where=where)


def make_demo_key(path: Path, algorithm: str) -> bool:
    """Make a random private key marked as a demo key, mode 0600, unless the file is there; return whether it was made.

    The file appears whole or not at all, and an existing one is never replaced.

    Raises:
        KeyFileError: Unknown algorithm, or the file cannot be written.
    """
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    number = _number(algorithm, str(path))
    if path.exists():
        return False
    key = ec.generate_private_key(ec.SECP256R1()) if number == Alg.ESP256 else ed25519.Ed25519PrivateKey.generate()
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    temporary = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        temporary.unlink(missing_ok=True)
        try:
            descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "wb") as file:
                file.write(DEMO_MARK + b"\n" + pem)
                file.flush()
                os.fsync(file.fileno())
            os.link(temporary, path)  # unlike a rename this never replaces a file
        finally:
            temporary.unlink(missing_ok=True)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except FileExistsError:
        return False
    except OSError as error:
        raise KeyFileError(
            f"the demo key cannot be written ({error.strerror or error})",
            where=str(path),
            next_step="make the folder writable, or name another file",
        ) from None
    return True


def _number(algorithm: str, where: str) -> int:
    if algorithm not in ALGORITHMS:
        raise KeyFileError(
            f"algorithm {algorithm!r} has no private key file", where=where, next_step=f"use {' or '.join(ALGORITHMS)}"
        )
    return ALGORITHMS[algorithm]


def _read_protected(path: Path) -> bytes:
    where = str(path)
    try:
        # Not blocking: a pipe in the key's place must not hold the run up.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise KeyFileError("the key is no regular file", where=where, next_step="name a PEM file")
            mode = stat.S_IMODE(status.st_mode)
            if mode & 0o077:
                raise KeyFileError(
                    f"mode {mode:04o} lets group or others at the private key; expected 0600",
                    where=where,
                    next_step="chmod 600 the file, and think of the key as known to whoever could read it",
                )
            data = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise KeyFileError("no such key file", where=where, next_step="put the private key there") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not a usable path"
        raise KeyFileError(
            f"the key cannot be read ({reason})", where=where, next_step="name a readable PEM file"
        ) from None
    if len(data) > LARGEST_FILE:
        raise KeyFileError("more than 64 KiB is no private key", where=where, next_step="name a PEM file")
    return data
