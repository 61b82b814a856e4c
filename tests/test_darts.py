"""Darts, notches and slits: against how they were drawn."""

import numpy as np
import pytest

from flatmeasure.pieces.darts import find_cuts
from flatmeasure.pieces.panel import OutlineError
from flatmeasure.pieces.panel_file import panel_from_outline
from tests.panels import ERROR, darted, densified, gore, monte_carlo, rectangle

CORNERS = [[400.0, 0.0], [380.0, 300.0], [0.0, 310.0]]


def with_hem(*points: tuple[float, float], error: OutlineError = ERROR):  # type: ignore[no-untyped-def]
    """A 400 x 300 piece with further points in its hem, left to right."""
    return panel_from_outline("A", [[0.0, 0.0], *map(list, points), *CORNERS], error=error)


@pytest.mark.parametrize(("intake", "depth"), [(20.0, 90.0), (30.0, 130.0), (60.0, 150.0)])
def test_dart_as_drawn(intake: float, depth: float) -> None:
    (dart,) = find_cuts(darted(intake, depth))
    assert (dart.kind, dart.edges, dart.beside) == ("dart", ("A2", "A3"), ("A1", "A4"))
    assert dart.intake.value == pytest.approx(intake)
    tip = np.array([120.0, depth - 4.0])
    assert dart.depth.value == pytest.approx(np.hypot(*(tip - [105.0 + intake / 2, -4.0])))
    legs = np.hypot(15.0, depth), np.hypot(15.0 - intake, depth)
    assert [leg.value for leg in dart.legs] == pytest.approx(legs)
    cosine = (legs[0] ** 2 + legs[1] ** 2 - intake**2) / (2 * legs[0] * legs[1])  # law of cosines
    assert dart.opening.value == pytest.approx(np.degrees(np.arccos(cosine)))


def test_dart_uncertainty_against_monte_carlo() -> None:
    (dart,) = find_cuts(darted())
    drawn = monte_carlo(darted(), lambda moved: find_cuts(moved)[0].intake.value, draws=200)
    assert dart.intake.u == pytest.approx(drawn, rel=0.5)  # its ends move across both edges: up to sqrt(2) of one
    assert dart.intake.u >= 0.9 * drawn / np.sqrt(2.0)


@pytest.mark.parametrize(
    ("points", "kind", "intake", "depth"),
    [
        ([(150, 0), (153, 6), (156, 0)], "notch", 6.0, 6.0),
        ([(150, 0), (150, 6), (155, 6), (155, 0)], "notch", 5.0, 6.0),
        ([(150, 0), (150.5, 10), (151, 0)], "slit", 1.0, 10.0),
        ([(150, 0), (150, 40), (152, 40), (152, 0)], "slit", 2.0, 40.0),
        ([(150, 0), (154, -8), (158, 0)], "tab", 8.0, 8.0),
    ],
)
def test_marks(points: list[tuple[float, float]], kind: str, intake: float, depth: float) -> None:
    (cut,) = find_cuts(with_hem(*points))
    assert (cut.kind, cut.intake.value, cut.depth.value) == (kind, pytest.approx(intake), pytest.approx(depth))
    assert len(cut.edges) == len(points) - 1


def test_several_in_order() -> None:
    panel = with_hem((80, 0), (84, 7), (88, 0), (200, 0), (215, 120), (230, 0), (300, 0), (304, -7), (308, 0))
    assert [cut.kind for cut in find_cuts(panel)] == ["notch", "dart", "tab"]


def test_points_along_the_edges_change_nothing() -> None:
    one, many = find_cuts(darted()), find_cuts(densified(darted()))
    assert [cut.intake.value for cut in one] == pytest.approx([cut.intake.value for cut in many])


@pytest.mark.parametrize(
    "panel",
    [
        rectangle(600.0, 400.0),
        gore(),
        with_hem((100, 0), (130, 200), (390, 20)),  # a wide corner taken out
        panel_from_outline("A", [[0, 0], [20, 0], [20, 300], [0, 300]]),  # a narrow strip is no tab of itself
        panel_from_outline("A", [[0, 0], [150, 0], [170, 700], [190, 0], [340, 0], [320, 1000], [20, 1000]]),  # legs
    ],
    ids=["rectangle", "gore", "corner", "strip", "trousers"],
)
def test_no_cut_failure(panel) -> None:  # type: ignore[no-untyped-def]
    assert find_cuts(panel) == ()
