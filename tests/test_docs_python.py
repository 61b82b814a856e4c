"""The examples for Python users run as they stand, in order, and say what they should."""

import re
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]


def test_every_block_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("pandas")
    text = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    assert len(blocks) == 6
    (tmp_path / "test_images").symlink_to(ROOT / "test_images")
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    for block in blocks:
        exec(compile(block, "docs/python.md", "exec"), names)
    said = capsys.readouterr().out
    assert re.search(r"A: 17\d\d ± \d+ cm²", said)  # truth: 1786.5 (test_images/README.md)
    assert re.search(r"Skirt gore 0\.\d\d mm² off|Skirt gore [1-9]\.\d\d mm² off", said)
    assert names["longest"] in ("side seam", "centre seam")
    assert {path.name for path in tmp_path.iterdir()} >= {"gore.svg", "gore.dxf", "gore.pdf", "edges.csv"}
