"""What becomes of 200 damaged or absurd photos: refused in one sentence, or measured within 3u of the truth."""

import traceback
from dataclasses import dataclass

from flatmeasure.errors import FlatMeasureError
from flatmeasure.pipeline import measure
from tests.absurd import THICKNESS_MM, AbsurdPhoto, absurd_photos

FAULT = "FAULT"


@dataclass(frozen=True)
class Outcome:
    """What was said of a photo: the refusal's sentence, or area (mm2), its u and the codes of the warnings."""

    photo: AbsurdPhoto
    refusal: str = ""
    area_mm2: float = 0.0
    u_mm2: float = 0.0
    warnings: tuple[str, ...] = ()

    @property
    def error_over_u(self) -> float | None:
        """How far the area is from the truth, in u; None where there is no truth or no measure."""
        if self.refusal or self.photo.area_mm2 is None:
            return None
        return (self.area_mm2 - self.photo.area_mm2) / self.u_mm2


def outcome_of(photo: AbsurdPhoto) -> Outcome:
    """Measure a photo as a user would."""
    try:
        found = measure(photo.data, square_mm=80.0, thickness_mm=THICKNESS_MM)
    except FlatMeasureError as error:
        return Outcome(photo, str(error))
    except Exception as error:  # a fault of ours: listed, so that one run shows all of them
        return Outcome(photo, f"{FAULT} {error!r} {traceback.format_tb(error.__traceback__)[-1]}")
    if not found.pieces:
        return Outcome(photo, f"{FAULT} no piece and no sentence")
    area = found.pieces[0].area
    return Outcome(photo, "", area.value, area.u, tuple(note.code for note in found.warnings))


def print_absurd() -> None:
    """Every outcome, those measured after those refused."""
    outcomes = [outcome_of(photo) for photo in absurd_photos()]
    for one in sorted(outcomes, key=lambda one: not one.refusal):
        if one.refusal:
            print(f"refused   {one.photo.name:44} {one.refusal}")
        else:
            share = "" if one.error_over_u is None else f"error / u {one.error_over_u:+.1f}"
            measured = f"{one.area_mm2 / 100:.0f} ± {2 * one.u_mm2 / 100:.0f} cm²"
            print(f"measured  {one.photo.name:44} {measured} {share} {', '.join(one.warnings)}")
    refused = sum(bool(one.refusal) for one in outcomes)
    far = [one for one in outcomes if abs(one.error_over_u or 0.0) > 3.0]
    faults = sum(one.refusal.startswith(FAULT) for one in outcomes)
    print(f"{len(outcomes)} photos, {refused - faults} refused in a sentence, {faults} faults, ", end="")
    print(f"{len(far)} measured over 3u from the truth")
