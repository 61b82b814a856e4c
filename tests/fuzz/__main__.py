"""``python -m tests.fuzz [SECONDS [TARGET ...]]``: fuzz each target so long (30 s) with atheris (pip install atheris).

Every target runs in a process of its own with limits on time (60 s an input) and memory (2 GB). An input that ends in
anything but a result or a plain sentence stops the target and stays in the folder ``fuzz-findings``.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.targets import SEEDS, TARGETS

SECONDS = 30
FINDINGS = Path("fuzz-findings")


def main(arguments: list[str]) -> int:
    """Fuzz the targets named, or all; 0 when nothing was found."""
    seconds = int(arguments[0]) if arguments else SECONDS
    FINDINGS.mkdir(exist_ok=True)
    failed = [name for name in arguments[1:] or TARGETS if not _fuzz(name, seconds)]
    if not any(FINDINGS.iterdir()):
        FINDINGS.rmdir()
    print("Nothing found." if not failed else f"Found something in {', '.join(failed)}.")
    return 1 if failed else 0


def _fuzz(name: str, seconds: int) -> bool:
    with tempfile.TemporaryDirectory() as corpus:
        for index, seed in enumerate(SEEDS[name]()):
            (Path(corpus) / f"seed{index}").write_bytes(seed)
        limits = [f"-max_total_time={seconds}", "-timeout=60", "-rss_limit_mb=2048", "-max_len=200000"]
        command = [sys.executable, "-m", "tests.fuzz.run", name, corpus, *limits]
        command.append(f"-artifact_prefix={FINDINGS}/{name}-")
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    runs = re.findall(r"Done (\d+) runs", done.stderr)
    print(f"{name:10} {runs[-1] if runs else '?':>8} inputs in {seconds} s, exit status {done.returncode}", flush=True)
    if done.returncode:
        print(done.stdout[-2500:], done.stderr[-800:])
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
