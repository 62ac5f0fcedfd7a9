"""SUIT manifests: numbers, structures, encoding, authentication and a processor (draft-ietf-suit-manifest-34).

Files by role: `numbers` and `words` (registries), `structures` (what a manifest holds), `encode` and `decode` (bytes),
`parameters`, `digest`, `identifiers`, `authentication` (signatures before content), `severed` (members taken out),
`coverage` and `check` (every byte accounted for), `build` (making envelopes), `store` (what a device offers),
`structure_check`, `machine` and `interpreter` (execution), `outcome` (how it ended).
"""
