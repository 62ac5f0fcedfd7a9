"""An image format of the product's own, as the product file describes it. Frozen; see `own_format_file`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OwnFormat:
    """The image format of the product's boot stage: what makes it and what reads it.

    Attributes:
        packer, reader: "module:function" of a file beside the product, or a command with its arguments.
        key: What the packer and reader are told to find their key by: a path, an address, a label. Never key bytes.
        trial_keys: The same for keys that everyone may know, for hostile trials; the second one stands for a stranger.
        time_limit_s: How long a command may run.
    """

    packer: str | tuple[str, ...]
    reader: str | tuple[str, ...]
    key: str = ""
    trial_keys: tuple[str, ...] = ()
    time_limit_s: float = 20.0
