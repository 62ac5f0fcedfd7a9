"""Runs in the interop environment: makes and verifies messages with a general-purpose COSE library (PyPI: pycose).

Standard input: a JSON list of requests; standard output: a JSON list of answers. Imports nothing of ours.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import cbor2
from pycose.algorithms import HMAC256, EdDSA, Es256
from pycose.headers import KID, Algorithm
from pycose.keys import EC2Key, OKPKey, SymmetricKey
from pycose.keys.curves import P256, Ed25519
from pycose.messages import CoseMessage, Mac0Message, Sign1Message

ALGORITHMS = {"ES256": Es256, "EdDSA": EdDSA, "HMAC 256/256": HMAC256}


def key_of(request: dict[str, Any]) -> Any:
    parts = {name: bytes.fromhex(value) for name, value in request["key"].items()}
    if request["algorithm"] == "ES256":
        return EC2Key(crv=P256, x=parts["x"], y=parts["y"], d=parts["d"])
    if request["algorithm"] == "EdDSA":
        return OKPKey(crv=Ed25519, x=parts["x"], d=parts["d"])
    return SymmetricKey(k=parts["k"])


def make(request: dict[str, Any]) -> str:
    kind = Mac0Message if request["algorithm"].startswith("HMAC") else Sign1Message
    headers = {"phdr": {Algorithm: ALGORITHMS[request["algorithm"]]}, "uhdr": {}}
    if request["kid"]:
        headers[request["kid_in"]][KID] = bytes.fromhex(request["kid"])
    payload = bytes.fromhex(request["payload"])
    aad = bytes.fromhex(request["external_aad"])
    detached = request["detached"]
    message = kind(**headers, payload=None if detached else payload, external_aad=aad)
    message.key = key_of(request)
    if kind is Mac0Message and detached:
        # The library makes no COSE_Mac0 with a detached payload; the tag is its own, only the payload is left out.
        message.payload = payload
        parts = [message.phdr_encoded, message.uhdr_encoded, None, message.compute_tag()]
        return cbor2.dumps(cbor2.CBORTag(17, parts), default=message._custom_cbor_encoder).hex()
    if kind is Mac0Message:
        return message.encode().hex()
    return message.encode(detached_payload=payload if detached else None).hex()


def verify(request: dict[str, Any]) -> bool:
    message = CoseMessage.decode(bytes.fromhex(request["message"]))
    message.key = key_of(request)
    message.external_aad = bytes.fromhex(request["external_aad"])
    detached = bytes.fromhex(request["payload"]) if request["detached"] else None
    if isinstance(message, Mac0Message):
        if detached is not None:
            message.payload = detached
        return bool(message.verify_tag())
    return bool(message.verify_signature(detached_payload=detached))


answers = [make(request) if request["do"] == "make" else verify(request) for request in json.load(sys.stdin)]
json.dump(answers, sys.stdout)
