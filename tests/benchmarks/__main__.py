"""``python -m tests.benchmarks [PART ...]`` from the repository root: the parts named, or all but the report."""

import os

for variable in (
    "OPENBLAS_NUM_THREADS",
    "OMP_NUM_THREADS",
):  # read when numpy is loaded: threads make times meaningless
    os.environ.setdefault(variable, "1")

import platform  # noqa: E402
import sys  # noqa: E402

import cv2  # noqa: E402
import numpy  # noqa: E402
import scipy  # noqa: E402
import shapely  # noqa: E402

from tests.benchmarks.absurd import print_absurd  # noqa: E402
from tests.benchmarks.accuracy import print_accuracy  # noqa: E402
from tests.benchmarks.batch import print_batch, print_batch_memory  # noqa: E402
from tests.benchmarks.boards import print_boards  # noqa: E402
from tests.benchmarks.contrast import print_contrast  # noqa: E402
from tests.benchmarks.coverage import print_coverage, print_design_table  # noqa: E402
from tests.benchmarks.edges import print_edges  # noqa: E402
from tests.benchmarks.enough import print_enough  # noqa: E402
from tests.benchmarks.faults import print_faults  # noqa: E402
from tests.benchmarks.flaws import print_flaws  # noqa: E402
from tests.benchmarks.hides import print_hides  # noqa: E402
from tests.benchmarks.jigsaw import print_jigsaw  # noqa: E402
from tests.benchmarks.load import print_load  # noqa: E402
from tests.benchmarks.nesting import print_nesting  # noqa: E402
from tests.benchmarks.outside import print_outside  # noqa: E402
from tests.benchmarks.repeatability import print_repeatability  # noqa: E402
from tests.benchmarks.report import print_report  # noqa: E402
from tests.benchmarks.speed import print_memory, print_speed  # noqa: E402
from tests.benchmarks.stability import print_stability  # noqa: E402
from tests.benchmarks.tone import print_tone  # noqa: E402

PARTS = {
    "accuracy": [print_accuracy],
    "contrast": [print_contrast],
    "stability": [print_stability],
    "flaws": [print_flaws],
    "coverage": [print_coverage, print_design_table],
    "speed": [print_speed],
    "memory": [print_memory],
    "batch": [print_batch, print_batch_memory],
    "edges": [print_edges],
    "enough": [print_enough],
    "jigsaw": [print_jigsaw],
    "nesting": [print_nesting],
    "hides": [print_hides],
    "outside": [print_outside],
    "absurd": [print_absurd],
    "load": [print_load],
    "faults": [print_faults],
    "boards": [print_boards],
    "repeatability": [print_repeatability],
    "tone": [print_tone],
    "report": [print_report],
}


def main(chosen: list[str]) -> None:
    """Run the parts named, or all."""
    unknown = set(chosen) - set(PARTS)
    if unknown:
        sys.exit(f"There is no benchmark named {', '.join(sorted(unknown))}: choose from {', '.join(PARTS)}.")
    cv2.setNumThreads(1)
    print(f"Python {platform.python_version()}, numpy {numpy.__version__}, scipy {scipy.__version__}, ", end="")
    print(f"OpenCV {cv2.__version__}, shapely {shapely.__version__}, {platform.machine()}, one thread\n")
    for part in chosen or [part for part in PARTS if part != "report"]:  # which runs others again
        for run in PARTS[part]:
            run()
            print()


if __name__ == "__main__":
    main(sys.argv[1:])
