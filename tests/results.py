"""An invented measurement, put together without measuring anything: what shows results is tested with it."""

from dataclasses import replace

import numpy as np

from flatmeasure.errors import Note
from flatmeasure.photos.photo import load_photo
from flatmeasure.quantity import Quantity
from flatmeasure.references.figures import Reference
from flatmeasure.results.measurement import Corner, Edge, Measurement, Piece
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Scene, View, corners_px, scene_camera
from flatmeasure.view.rectification import PlacedReference, Rectification

SIZE_PX = (800, 600)
PANEL_MM = np.array([[-250.0, -180.0], [230.0, -190.0], [210.0, 170.0], [-180.0, 200.0]])
HOLE_MM = np.array([[-20.0, -20.0], [-30.0, 40.0], [50.0, 40.0], [40.0, -20.0]])  # clockwise
SMALL_MM = np.array([[300.0, -60.0], [380.0, -60.0], [340.0, 20.0]])
NOTE = Note("one-reference", "Only one reference was found.", "Lay squares on opposite sides of the cloth.")


def measurement(colour: tuple[int, int, int] = (38, 48, 92)) -> Measurement:
    """A panel A with a hole and curved edge A3, half of A2 weak; a small triangle B; one square of 100 mm."""
    camera, pose = scene_camera(SIZE_PX, View(height_mm=1100.0, tilt_deg=15.0))
    laid = LaidReference("dark", (100.0, 100.0), (-340.0, -150.0), turn_deg=10.0)
    cloths = (LaidCloth(PANEL_MM, (HOLE_MM,), colour), LaidCloth(SMALL_MM, (), colour))
    scene = Scene(camera, pose, SIZE_PX, (laid,), cloths)
    found = Reference("plain-dark", None, laid.size_mm, corners_px(laid, scene), (), None, 0.7)
    placed = PlacedReference(found, laid.corners_mm, 0.03)
    view = Rectification(camera, pose, np.zeros((11, 11)), {}, (placed,), None, ())
    pieces = (piece("A", PANEL_MM, (HOLE_MM,), view), piece("B", SMALL_MM, (), view))
    photo = replace(load_photo(render_photo(scene)), name="panel.jpg")
    return Measurement(photo, view, 0.0, pieces, (NOTE,))


def piece(name: str, outline_mm: np.ndarray, holes_mm: tuple[np.ndarray, ...], view: Rectification) -> Piece:
    """Straight edges between the outline's points; some made-up figures."""
    turned = np.roll(outline_mm, -1, axis=0)
    sides = [np.linspace(start, end, 20) for start, end in zip(outline_mm, turned, strict=True)]
    edges = tuple(
        Edge(
            id=f"{name}{i + 1}",
            start=i,
            end=(i + 1) % len(sides),
            kind="curve" if i == 2 else "straight",
            length=Quantity(float(np.linalg.norm(side[-1] - side[0])), 0.31, "mm"),
            chord=Quantity(float(np.linalg.norm(side[-1] - side[0])), 0.21, "mm"),
            depth=Quantity(0.0, 0.1, "mm"),
            points_mm=side,
            points_px=view.to_picture(side),
            weak=0.5 if i == 1 else 0.0,
            unsure=np.arange(len(side)) < (10 if i == 1 else 0),
        )
        for i, side in enumerate(sides)
    )
    return Piece(
        id=name,
        complete=name != "B",
        confidence=0.9,
        area=Quantity(171_234.5, 81.0, "mm2"),
        area_budget=(("camera", 80.0),),
        perimeter=Quantity(1672.3, 0.7, "mm"),
        along=Quantity(480.1, 0.3, "mm"),
        across=Quantity(387.2, 0.3, "mm"),
        along_edge=f"{name}1",
        outline_mm=outline_mm,
        outline_px=view.to_picture(outline_mm),
        holes_mm=holes_mm,
        holes_px=tuple(view.to_picture(hole) for hole in holes_mm),
        corners=tuple(Corner(at, view.to_picture(at)[0], Quantity(90.12, 0.07, "deg")) for at in outline_mm),
        edges=edges,
    )
