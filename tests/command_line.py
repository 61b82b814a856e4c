"""The command run in this process, as a shell runs it."""

import sys
from pathlib import Path

import pytest

from flatmeasure import cli


def status_of(monkeypatch: pytest.MonkeyPatch, *arguments: str | Path) -> int:
    """Its exit status."""
    monkeypatch.setattr(sys, "argv", ["flatmeasure", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    return ended.value.code if isinstance(ended.value.code, int) else 0
