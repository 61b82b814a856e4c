"""Areas and edge lengths of cloth from one photo, each with its uncertainty."""

import ast
from importlib import import_module
from pathlib import Path
from typing import Any

__version__ = "0.1.0"


def _homes() -> dict[str, str]:
    """Public names and the module each lives in, as the stub lists them that type checkers read."""
    stub = ast.parse(Path(__file__).with_suffix(".pyi").read_text(encoding="utf-8"))
    imports = [node for node in stub.body if isinstance(node, ast.ImportFrom)]
    return {alias.name: str(node.module) for node in imports for alias in node.names}


_HOME = _homes()
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load a name when it is first asked for (PEP 562), so that help does not wait for the numerical libraries."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return __all__
