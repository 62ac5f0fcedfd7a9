"""COSE (RFC 9052) and strict deterministic CBOR (RFC 8949); knows nothing of the product."""
