"""The part's signature unit for the bench: P-256 key, digest and signature in, one word out (firmware/part.h)."""

from __future__ import annotations

KEY, DIGEST, SIGNATURE, START, BUSY, RESULT = 0x00, 0x40, 0x60, 0xA0, 0xA4, 0xA8
GOOD, BAD = 0x600D_516E, 0x0BAD_516E
BUSY_READS = 3


class SignatureUnit:
    """Takes 40 words, verifies for real when started, and is busy for three reads."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Be as after a reset."""
        self.data = bytes(START)
        self.busy = 0
        self.result = 0

    def read(self, offset: int, width: int) -> int:
        """Return the busy flag or the result; key, digest and signature cannot be read back."""
        if offset == BUSY:
            self.busy = max(0, self.busy - 1)
            return int(self.busy > 0)
        return self.result if offset == RESULT and not self.busy else 0

    def write(self, offset: int, width: int, value: int) -> None:
        """Take a word of input, or start."""
        if offset < START:
            self.data = self.data[:offset] + value.to_bytes(width, "little") + self.data[offset + width :]
        elif offset == START:
            self.busy = BUSY_READS
            self.result = GOOD if self._is_good() else BAD

    def _is_good(self) -> bool:
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives import hashes
        from cryptography.hazmat.primitives.asymmetric import ec
        from cryptography.hazmat.primitives.asymmetric.utils import Prehashed, encode_dss_signature

        r, s = (int.from_bytes(self.data[at : at + 32], "big") for at in (SIGNATURE, SIGNATURE + 32))
        try:
            point = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + self.data[KEY:DIGEST])
            signature = encode_dss_signature(r, s)
            point.verify(signature, self.data[DIGEST:SIGNATURE], ec.ECDSA(Prehashed(hashes.SHA256())))
        except (InvalidSignature, ValueError):
            return False
        return True

    def save(self) -> object:
        """Return the whole state."""
        return self.data, self.busy, self.result

    def restore(self, state: tuple[bytes, int, int]) -> None:
        """Put a saved state back."""
        self.data, self.busy, self.result = state
