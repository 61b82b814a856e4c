"""Every example of the README and the docs runs, in the order it stands there, in a folder with the test pictures."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "test_images" / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
BLOCK = re.compile(r"^```(sh|python)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
# What a page's examples say and write, beside ending well.
SAID = {
    "README.md": (r"area +17\d\d ± \d+ cm²",),
    "python.md": (r"A: 17\d\d ± \d+ cm²", r"Skirt gore [0-9.]+ mm² off"),
}  # truth: 1786.5 cm² (test_images/README.md)
WRITTEN = {
    "README.md": (
        "overlay.jpg",
        "gore.json",
        "layout.pdf",
        "gore.svg",
        "gore.dxf",
        "gore.pdf",
        "gore.html",
        "gore.csv",
    ),
    "python.md": ("gore.svg", "gore.dxf", "gore.pdf", "edges.csv"),
}
LINK = re.compile(r"\]\((?!https?:)([^)#]+)")


def examples(page: Path) -> list[tuple[str, str]]:
    """Language and text of the fenced blocks to be run; those in Python are one program."""
    blocks = BLOCK.findall(page.read_text(encoding="utf-8"))
    program = "\n".join(text for language, text in blocks if language == "python")
    return [block for block in blocks if block[0] == "sh"] + ([("python", program)] if program else [])


@pytest.mark.parametrize("page", [page for page in PAGES if examples(page)], ids=lambda page: page.name)
def test_examples_run(page: Path, tmp_path: Path) -> None:
    pytest.importorskip("pandas")  # which docs/python.md uses
    shutil.copytree(ROOT / "test_images", tmp_path / "test_images")
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environment = os.environ | {"PATH": path}
    said = ""
    for language, text in examples(page):
        command = ["sh", "-ec", text] if language == "sh" else [sys.executable, "-c", text]
        done = subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False, timeout=240
        )
        assert done.returncode == 0, f"{text}\n{done.stdout}\n{done.stderr}"
        said += done.stdout
    assert [pattern for pattern in SAID.get(page.name, ()) if not re.search(pattern, said)] == []
    assert [name for name in WRITTEN.get(page.name, ()) if not (tmp_path / name).stat().st_size] == []


@pytest.mark.parametrize("page", [*PAGES, ROOT / "DEVELOPERS.md"], ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    missing = [link for link in LINK.findall(page.read_text(encoding="utf-8")) if not (page.parent / link).exists()]
    assert missing == []


def test_blocks_are_found() -> None:
    text = "a\n```sh\nls\n```\n```text\nno\n```\n```python\n1\n```\n"
    assert BLOCK.findall(text) == [("sh", "ls\n"), ("python", "1\n")]
