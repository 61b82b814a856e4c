"""One target under atheris: ``python -m tests.fuzz.run TARGET CORPUS [libFuzzer options]``."""

import sys

import atheris

with atheris.instrument_imports(include=["flatmeasure", "svgelements"]):
    import flatmeasure.calibration.lens
    import flatmeasure.enough.pattern_file
    import flatmeasure.pieces.panel_file
    import flatmeasure.pipeline
    import flatmeasure.units  # noqa: F401 - loaded here so that atheris sees their branches

from tests.fuzz.targets import TARGETS

atheris.Setup([sys.argv[0], *sys.argv[2:]], TARGETS[sys.argv[1]])
atheris.Fuzz()
