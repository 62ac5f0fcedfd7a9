"""Find an update procedure by its name, or load the user's own class from the product's folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

from rootwright.describe.product import Procedure
from rootwright.device.ground import Ground
from rootwright.device.port import UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import BankFlip, EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.one_slot import InPlace, RecoveryImage
from rootwright.errors import ProcedureError
from rootwright.own_code import execute_file

Maker: TypeAlias = Callable[[Ground], UpdateProcedure]

PROCEDURES: dict[str, Maker] = {
    Procedure.IN_PLACE: InPlace,
    Procedure.RECOVERY_IMAGE: RecoveryImage,
    Procedure.COPY_OVER: CopyOver,
    Procedure.EXCHANGE_FIXED: Exchange,
    Procedure.EXCHANGE_ROTATING: Exchange,
    Procedure.EITHER_SLOT: EitherSlot,
    Procedure.BANK_FLIP: BankFlip,
}


def is_own_procedure(name: str) -> bool:
    """Say whether `name` has the form "module:Class" of a user's own procedure."""
    return ":" in name


def load_own_procedure(name: str, folder: Path) -> Any:
    """Return the class that a product names as "module:Class", from a Python file in the product's folder.

    The file is executed: name only files that you trust.

    Raises:
        ProcedureError: The file or the class is not there, or the class lacks what a procedure must have.
    """
    module_name, _, class_name = name.partition(":")
    path = folder / f"{module_name}.py"
    if not path.is_file():
        raise ProcedureError(
            f"no file {path.name} for the procedure {name!r}",
            where="update.procedure",
            next_step=f"put {path.name} beside the product file, with a class {class_name}",
        )
    try:
        module = execute_file(path, f"rootwright_product_{module_name}")
    except Exception as error:
        raise ProcedureError(
            f"{type(error).__name__}: {error}", where=path.name, next_step="mend the procedure's file"
        ) from error
    found = getattr(module, class_name, None)
    missing = [m for m in ("claims", "logs", "initial", "start_area", "step", "demand") if not hasattr(found, m)]
    if found is None or missing:
        what = f"class {class_name} lacks {', '.join(missing)}" if found is not None else f"no class {class_name}"
        raise ProcedureError(what, where=path.name, next_step="see 'your own procedure' in docs/procedures.md")
    return found
