"""Published figures beside this project's, as the page docs/outside-checks.md."""

from pathlib import Path

from tests.outside import CHECKS, Check

PAGE = Path(__file__).parents[2] / "docs" / "outside-checks.md"
HEAD = """# Figures from outside, and the same figures here

Written by `python -m tests.benchmarks outside`; the same list is tested (`tests/outside.py`). *read*: printed in the
source; *computed*: follows from the source's inputs by its rule; *memory*: not seen again, remembered.

| quantity | source | known | published | here | within |
| --- | --- | --- | --- | --- | --- |
"""


def print_outside() -> None:
    """Work every figure out, print the list and write the page."""
    rows = "\n".join(_row(check) for check in CHECKS)
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(HEAD + rows + "\n", encoding="utf-8")
    print(HEAD + rows)


def _row(check: Check) -> str:
    absent = check.data is not None and not check.data.is_dir()
    here = "data not here" if absent else f"{check.ours():.7g} {check.unit}"
    cells = [check.quantity, check.source, check.known, f"{check.published:.7g} {check.unit}", here]
    return "| " + " | ".join([*(cell.strip() for cell in cells), f"{check.within:g}"]) + " |"
