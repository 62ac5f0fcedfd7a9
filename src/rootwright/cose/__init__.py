"""COSE messages and strict CBOR (RFC 9052, RFC 8949); knows nothing of the product.

`cbor` reads and writes the strict encoding, `numbers` holds the registries, `keys` the Signer and Verifier protocols
with keys held in memory, `messages` the COSE_Sign1 and COSE_Mac0 structures.
"""
