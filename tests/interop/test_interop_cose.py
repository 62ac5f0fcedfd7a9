"""Our messages verify in a general-purpose COSE library, and its messages verify here.

The library (PyPI: pycose, BSD licence) stands in an environment of its own, made by `make interop`, so that neither its
dependencies nor its age touch ours. It knows ES256, EdDSA and HMAC 256/256; ESP256 and Ed25519 are younger numbers for
the same computations.
"""

from __future__ import annotations

import json
import subprocess
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed25519

from rootwright.cose import keys, messages
from rootwright.cose.numbers import Alg
from rootwright.errors import VerificationError

pytestmark = [pytest.mark.interop, pytest.mark.slow]

KID = b"release-1"
P256 = ec.derive_private_key(0x1234567890ABCDEF, ec.SECP256R1())
ED25519 = ed25519.Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
POINT = P256.public_key().public_numbers()
PARTS = {
    "ES256": {
        "x": POINT.x.to_bytes(32, "big").hex(),
        "y": POINT.y.to_bytes(32, "big").hex(),
        "d": P256.private_numbers().private_value.to_bytes(32, "big").hex(),
    },
    "EdDSA": {"x": ED25519.public_key().public_bytes_raw().hex(), "d": ED25519.private_bytes_raw().hex()},
    "HMAC 256/256": {"k": bytes(range(32)).hex()},
}


def signer(algorithm: str, kid: bytes | None) -> Any:
    if algorithm == "ES256":
        return keys.P256PrivateKeySigner(P256, algorithm=Alg.ES256, kid=kid)
    if algorithm == "EdDSA":
        return keys.Ed25519PrivateKeySigner(ED25519, algorithm=Alg.EDDSA, kid=kid)
    return keys.HmacKey(bytes(range(32)), kid=kid)


def anchor(algorithm: str, kid: bytes | None) -> keys.Verifier:
    made = signer(algorithm, kid)
    return made if isinstance(made, keys.HmacKey) else made.public()


@pytest.fixture(scope="module")
def foreign(repository: Path) -> Any:
    python = repository / ".venv-interop" / "bin" / "python"
    if not python.is_file():
        pytest.skip("no interop environment; `make interop` makes it")

    def ask(requests: list[dict[str, object]]) -> list[Any]:
        script = Path(__file__).with_name("foreign_cose.py")
        done = subprocess.run(
            [python, script], input=json.dumps(requests), capture_output=True, text=True, timeout=120, check=False
        )
        assert done.returncode == 0, done.stderr
        answers: list[Any] = json.loads(done.stdout)
        return answers

    return ask


CASES = [
    {
        "algorithm": algorithm,
        "key": PARTS[algorithm],
        "payload": payload.hex(),
        "detached": detached,
        "external_aad": aad.hex(),
        "kid": kid.hex(),
        "kid_in": kid_in,
    }
    for algorithm, payload, detached, aad, (kid, kid_in) in product(
        PARTS,
        (b"a manifest's digest", bytes(300)),
        (False, True),
        (b"", b"context"),
        ((b"", "phdr"), (KID, "phdr"), (KID, "uhdr")),
    )
]


def ours(case: dict[str, Any]) -> bytes:
    return messages.sign(
        bytes.fromhex(case["payload"]),
        signer(case["algorithm"], bytes.fromhex(case["kid"]) or None),
        detached=case["detached"],
        kid_unprotected=case["kid_in"] == "uhdr",
        external_aad=bytes.fromhex(case["external_aad"]),
    )


def test_our_messages_verify_there(foreign: Any) -> None:
    requests = [{**case, "do": "verify", "message": ours(case).hex()} for case in CASES]
    assert foreign(requests) == [True] * len(CASES)
    # The other side does tell a bad one: the last bit of each signature altered.
    for request in requests:
        message = bytearray.fromhex(str(request["message"]))
        message[-1] ^= 1
        request["message"] = message.hex()
    assert foreign(requests) == [False] * len(CASES)


def test_their_messages_verify_here(foreign: Any) -> None:
    answers = foreign([{**case, "do": "make"} for case in CASES])
    for case, answer in zip(CASES, answers, strict=True):
        data = bytes.fromhex(answer)
        message = messages.decode(data)
        assert message.encode() == data
        verifier = anchor(case["algorithm"], bytes.fromhex(case["kid"]) or None)
        payload = bytes.fromhex(case["payload"]) if case["detached"] else None
        aad = bytes.fromhex(case["external_aad"])
        messages.verify(message, verifier, detached_payload=payload, external_aad=aad)
        with pytest.raises(VerificationError):
            messages.verify(message, verifier, detached_payload=payload, external_aad=aad + b"x")
        if case["algorithm"] != "ES256":
            # Their ECDSA is not deterministic; the rest is, and then the bytes are the same.
            assert data == ours(case)
