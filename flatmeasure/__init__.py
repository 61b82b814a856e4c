"""Areas and edge lengths of cloth from one photo, each with its uncertainty."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flatmeasure.allowance import apply_allowance, changed_panel
    from flatmeasure.boards import Board, LayRules, board_of
    from flatmeasure.cloth import find_cloth
    from flatmeasure.darts import find_cuts
    from flatmeasure.division import cut_parallel, divide
    from flatmeasure.edge_shapes import describe_edges
    from flatmeasure.errors import (
        ClothNotFound,
        FlatMeasureError,
        Note,
        OptionInvalid,
        PatternInvalid,
        PhotoUnreadable,
        PhotoUnusable,
        PieceUnreadable,
        ReferenceImplausible,
        ReferenceNotFound,
    )
    from flatmeasure.figures import Rectangle, Square
    from flatmeasure.grain import grain_from_edge, grain_sizes, see_grain
    from flatmeasure.hints import Hints
    from flatmeasure.levels import extreme_widths, width_at
    from flatmeasure.matches import edge_matches
    from flatmeasure.measurement import Corner, Edge, Measurement, Piece
    from flatmeasure.mirror import best_fold, compare
    from flatmeasure.overlay import draw_overlay
    from flatmeasure.panel import Grain, OutlineError, Panel
    from flatmeasure.panel_file import panel_from_outline, panels_from_dict, read_panels
    from flatmeasure.pattern import PatternPiece
    from flatmeasure.pattern_file import read_pattern
    from flatmeasure.photo import Photo, load_photo
    from flatmeasure.piece_drawing import draw_pieces
    from flatmeasure.pipeline import measure
    from flatmeasure.quantity import Quantity
    from flatmeasure.rectangles import largest_rectangle
    from flatmeasure.rectification import Rectification, rectify
    from flatmeasure.regions import ClothRegion
    from flatmeasure.shopping import shopping_list
    from flatmeasure.splitting import find_way_out
    from flatmeasure.strips import StripPlan, place_strips
    from flatmeasure.totals import total_cloth
    from flatmeasure.verdict import Answer, Effort, Verdict, is_enough

__version__ = "0.1.0"

# Public names and the module each lives in: loaded when first asked for (PEP 562), so that `flatmeasure --help` does
# not wait for the numerical libraries.
_HOME = {
    "Answer": "verdict",
    "Board": "boards",
    "ClothNotFound": "errors",
    "ClothRegion": "regions",
    "Corner": "measurement",
    "Edge": "measurement",
    "Effort": "verdict",
    "FlatMeasureError": "errors",
    "Grain": "panel",
    "Hints": "hints",
    "LayRules": "boards",
    "Measurement": "measurement",
    "Note": "errors",
    "OptionInvalid": "errors",
    "OutlineError": "panel",
    "Panel": "panel",
    "PatternInvalid": "errors",
    "PatternPiece": "pattern",
    "Photo": "photo",
    "PhotoUnreadable": "errors",
    "PhotoUnusable": "errors",
    "Piece": "measurement",
    "PieceUnreadable": "errors",
    "Quantity": "quantity",
    "Rectangle": "figures",
    "Rectification": "rectification",
    "ReferenceImplausible": "errors",
    "ReferenceNotFound": "errors",
    "Square": "figures",
    "StripPlan": "strips",
    "Verdict": "verdict",
    "apply_allowance": "allowance",
    "best_fold": "mirror",
    "board_of": "boards",
    "changed_panel": "allowance",
    "compare": "mirror",
    "cut_parallel": "division",
    "describe_edges": "edge_shapes",
    "divide": "division",
    "draw_overlay": "overlay",
    "draw_pieces": "piece_drawing",
    "edge_matches": "matches",
    "extreme_widths": "levels",
    "find_cloth": "cloth",
    "find_cuts": "darts",
    "find_way_out": "splitting",
    "grain_from_edge": "grain",
    "grain_sizes": "grain",
    "is_enough": "verdict",
    "largest_rectangle": "rectangles",
    "load_photo": "photo",
    "measure": "pipeline",
    "panel_from_outline": "panel_file",
    "panels_from_dict": "panel_file",
    "place_strips": "strips",
    "read_panels": "panel_file",
    "read_pattern": "pattern_file",
    "rectify": "rectification",
    "see_grain": "grain",
    "shopping_list": "shopping",
    "total_cloth": "totals",
    "width_at": "levels",
}

__all__ = [
    "Answer",
    "Board",
    "ClothNotFound",
    "ClothRegion",
    "Corner",
    "Edge",
    "Effort",
    "FlatMeasureError",
    "Grain",
    "Hints",
    "LayRules",
    "Measurement",
    "Note",
    "OptionInvalid",
    "OutlineError",
    "Panel",
    "PatternInvalid",
    "PatternPiece",
    "Photo",
    "PhotoUnreadable",
    "PhotoUnusable",
    "Piece",
    "PieceUnreadable",
    "Quantity",
    "Rectangle",
    "Rectification",
    "ReferenceImplausible",
    "ReferenceNotFound",
    "Square",
    "StripPlan",
    "Verdict",
    "apply_allowance",
    "best_fold",
    "board_of",
    "changed_panel",
    "compare",
    "cut_parallel",
    "describe_edges",
    "divide",
    "draw_overlay",
    "draw_pieces",
    "edge_matches",
    "extreme_widths",
    "find_cloth",
    "find_cuts",
    "find_way_out",
    "grain_from_edge",
    "grain_sizes",
    "is_enough",
    "largest_rectangle",
    "load_photo",
    "measure",
    "panel_from_outline",
    "panels_from_dict",
    "place_strips",
    "read_panels",
    "read_pattern",
    "rectify",
    "see_grain",
    "shopping_list",
    "total_cloth",
    "width_at",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'flatmeasure' has no attribute {name!r}")
    return getattr(import_module(f"flatmeasure.{_HOME[name]}"), name)
