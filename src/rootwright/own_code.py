"""Executes Python files that lie beside a product file: procedures, image formats and bench parts of the user's own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType


def execute_file(path: Path, name: str) -> ModuleType:
    """Return the module that a Python file makes, executed anew and known as `name`.

    The file is executed: name only files that you trust. Where it raises, no module of that name stays behind.

    Raises:
        FileNotFoundError: There is no such file.
        Exception: Whatever the file itself raises; the caller says it in the words of its stage.
    """
    if not path.is_file():
        raise FileNotFoundError(path)
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module
