"""The SUIT manifest (draft-ietf-suit-manifest): numbers, encoding, strict decoding, interpreter."""
