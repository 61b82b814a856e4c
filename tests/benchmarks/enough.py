"""The verdict for ten pieces on four panels with holes: seconds of it by the clock and of a processor."""

import time
from dataclasses import replace

import numpy as np
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from flatmeasure.enough.boards import Board, LayRules, outlines_of
from flatmeasure.enough.layouts import fault_of
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.verdict import is_enough

U_MM = 0.6
SIZES = ((700, 900, 2), (650, 800, 1), (500, 700, 0), (600, 500, 1))  # mm, mm, holes
SCALES = (0.9, 1.0, 1.1, 1.3)  # of the pieces: from easy to impossible


def panels() -> list[Board]:
    """Four irregular panels."""
    boards = []
    for k, (width, height, holes) in enumerate(SIZES):
        random = np.random.default_rng(k + 1)
        angle = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
        rounded = [np.sign(f(angle)) * np.abs(f(angle)) ** 0.6 for f in (np.cos, np.sin)]
        ring = np.column_stack(rounded) * [width / 2.0, height / 2.0] * (1.0 + 0.06 * random.normal(size=(24, 1)))
        cloth = Polygon(ring).buffer(0.0)
        for _ in range(holes):
            cloth = cloth.difference(Point(random.uniform(-0.25, 0.25, 2) * [width, height]).buffer(25.0))
        boards.append(Board("ABCD"[k], cloth, U_MM))
    return boards


def pieces(scale: float) -> list[PatternPiece]:
    """Ten: three mirrored pairs, and four single ones."""
    gore = Polygon([(0, 0), (300, 0), (320, 20), (200, 480), (110, 470), (-10, 20)])
    front = Polygon([(0, 0), (240, 0), (250, 180), (200, 200), (205, 330), (100, 380), (60, 300), (0, 290)])
    cap = Point(0, 0).buffer(130.0, quad_segs=12).intersection(box(-200, -60, 200, 200))
    sleeve = cap.union(Polygon([(-130, -60), (130, -60), (100, -300), (-100, -300)])).convex_hull
    every = [
        PatternPiece("gore", gore, pair=True),
        PatternPiece("front", front, pair=True),
        PatternPiece("sleeve", sleeve, pair=True),
        PatternPiece("back", box(0, 0, 260, 330), count=2),
        PatternPiece("collar", box(0, 0, 220, 70)),
        PatternPiece("cuff", box(0, 0, 90, 220)),
    ]
    return [replace(piece, drawn=affinity.scale(piece.drawn, scale, scale)) for piece in every]


def print_enough() -> None:
    """Seconds by size of the pieces, with and without a grain tolerance."""
    boards = panels()
    area = sum(board.cloth.area for board in boards)
    print("ten pieces on four panels, grain within 0 or 3 degrees")
    for scale in SCALES:
        for tolerance in (0.0, 3.0):
            wanted = pieces(scale)
            start, cpu = time.perf_counter(), time.process_time()
            answer = is_enough(wanted, boards, LayRules(tolerance, 2.0))
            seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
            use = sum(piece.cut.area * piece.pieces for piece in wanted) / area
            fault = fault_of(answer.layout, outlines_of(answer.boards, answer.coverage))
            placed = len(answer.layout.places.placed)
            print(
                f"use {use:.0%}, {tolerance:.0f} degrees: {answer.verdict}, {placed} placed, margin "
                f"{answer.margin_mm:.1f} mm, {seconds:.1f} s ({cpu:.1f} s of a processor), fault {fault:.1e} mm2",
                flush=True,
            )
