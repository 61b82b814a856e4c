"""Areas and edge lengths of cloth from one photo, each with its uncertainty."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flatmeasure.cloth.hints import Hints
    from flatmeasure.cloth.regions import ClothRegion
    from flatmeasure.cloth.segmentation import find_cloth
    from flatmeasure.correction import AddedCorner, Corrections, MovedCorner, RemovedCorner, correct
    from flatmeasure.display.overlay import draw_overlay
    from flatmeasure.enough.boards import Board, LayRules, board_of
    from flatmeasure.enough.pattern import PatternPiece
    from flatmeasure.enough.pattern_file import read_pattern
    from flatmeasure.enough.placements import placed_outlines_px
    from flatmeasure.enough.shopping import shopping_list
    from flatmeasure.enough.splitting import find_way_out
    from flatmeasure.enough.verdict import Answer, Effort, Verdict, is_enough
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
    from flatmeasure.exports.cut_piece import CutPiece, cut_pieces
    from flatmeasure.exports.outline_dxf import outline_dxf
    from flatmeasure.exports.outline_svg import outline_svg
    from flatmeasure.exports.pattern_pdf import pattern_pdf
    from flatmeasure.exports.report import report_html
    from flatmeasure.exports.tables import edge_rows, edges_csv, piece_rows, pieces_csv
    from flatmeasure.photos.photo import Photo, load_photo
    from flatmeasure.pieces.allowance import apply_allowance, changed_panel
    from flatmeasure.pieces.darts import find_cuts
    from flatmeasure.pieces.division import cut_parallel, divide
    from flatmeasure.pieces.edge_shapes import describe_edges
    from flatmeasure.pieces.grain import grain_from_edge, grain_sizes, see_grain
    from flatmeasure.pieces.levels import extreme_widths, width_at
    from flatmeasure.pieces.matches import edge_matches
    from flatmeasure.pieces.mirror import best_fold, compare
    from flatmeasure.pieces.panel import Grain, OutlineError, Panel
    from flatmeasure.pieces.panel_file import panel_from_outline, panels_from_dict, read_panels
    from flatmeasure.pieces.piece_drawing import draw_pieces
    from flatmeasure.pieces.rectangles import largest_rectangle
    from flatmeasure.pieces.strips import StripPlan, place_strips
    from flatmeasure.pieces.totals import total_cloth
    from flatmeasure.pipeline import PreparedPhoto, measure, prepare
    from flatmeasure.quantity import Quantity
    from flatmeasure.references.figures import Rectangle, Square
    from flatmeasure.results.measurement import Corner, Edge, Measurement, Piece
    from flatmeasure.view.rectification import Rectification, rectify

__version__ = "0.1.0"

# Public names and the module each lives in: loaded when first asked for (PEP 562), so that `flatmeasure --help` does
# not wait for the numerical libraries.
_HOME = {
    "AddedCorner": "correction",
    "Answer": "enough.verdict",
    "Board": "enough.boards",
    "ClothNotFound": "errors",
    "ClothRegion": "cloth.regions",
    "Corner": "results.measurement",
    "Corrections": "correction",
    "CutPiece": "exports.cut_piece",
    "Edge": "results.measurement",
    "Effort": "enough.verdict",
    "FlatMeasureError": "errors",
    "Grain": "pieces.panel",
    "Hints": "cloth.hints",
    "LayRules": "enough.boards",
    "Measurement": "results.measurement",
    "MovedCorner": "correction",
    "Note": "errors",
    "OptionInvalid": "errors",
    "OutlineError": "pieces.panel",
    "Panel": "pieces.panel",
    "PatternInvalid": "errors",
    "PatternPiece": "enough.pattern",
    "Photo": "photos.photo",
    "PhotoUnreadable": "errors",
    "PhotoUnusable": "errors",
    "Piece": "results.measurement",
    "PieceUnreadable": "errors",
    "PreparedPhoto": "pipeline",
    "Quantity": "quantity",
    "Rectangle": "references.figures",
    "Rectification": "view.rectification",
    "ReferenceImplausible": "errors",
    "ReferenceNotFound": "errors",
    "RemovedCorner": "correction",
    "Square": "references.figures",
    "StripPlan": "pieces.strips",
    "Verdict": "enough.verdict",
    "apply_allowance": "pieces.allowance",
    "best_fold": "pieces.mirror",
    "board_of": "enough.boards",
    "changed_panel": "pieces.allowance",
    "compare": "pieces.mirror",
    "correct": "correction",
    "cut_parallel": "pieces.division",
    "cut_pieces": "exports.cut_piece",
    "describe_edges": "pieces.edge_shapes",
    "divide": "pieces.division",
    "draw_overlay": "display.overlay",
    "draw_pieces": "pieces.piece_drawing",
    "edge_matches": "pieces.matches",
    "edge_rows": "exports.tables",
    "edges_csv": "exports.tables",
    "extreme_widths": "pieces.levels",
    "find_cloth": "cloth.segmentation",
    "find_cuts": "pieces.darts",
    "find_way_out": "enough.splitting",
    "grain_from_edge": "pieces.grain",
    "grain_sizes": "pieces.grain",
    "is_enough": "enough.verdict",
    "largest_rectangle": "pieces.rectangles",
    "load_photo": "photos.photo",
    "measure": "pipeline",
    "outline_dxf": "exports.outline_dxf",
    "outline_svg": "exports.outline_svg",
    "panel_from_outline": "pieces.panel_file",
    "panels_from_dict": "pieces.panel_file",
    "pattern_pdf": "exports.pattern_pdf",
    "piece_rows": "exports.tables",
    "pieces_csv": "exports.tables",
    "place_strips": "pieces.strips",
    "placed_outlines_px": "enough.placements",
    "prepare": "pipeline",
    "read_panels": "pieces.panel_file",
    "read_pattern": "enough.pattern_file",
    "rectify": "view.rectification",
    "report_html": "exports.report",
    "see_grain": "pieces.grain",
    "shopping_list": "enough.shopping",
    "total_cloth": "pieces.totals",
    "width_at": "pieces.levels",
}

__all__ = [
    "AddedCorner",
    "Answer",
    "Board",
    "ClothNotFound",
    "ClothRegion",
    "Corner",
    "Corrections",
    "CutPiece",
    "Edge",
    "Effort",
    "FlatMeasureError",
    "Grain",
    "Hints",
    "LayRules",
    "Measurement",
    "MovedCorner",
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
    "PreparedPhoto",
    "Quantity",
    "Rectangle",
    "Rectification",
    "ReferenceImplausible",
    "ReferenceNotFound",
    "RemovedCorner",
    "Square",
    "StripPlan",
    "Verdict",
    "apply_allowance",
    "best_fold",
    "board_of",
    "changed_panel",
    "compare",
    "correct",
    "cut_parallel",
    "cut_pieces",
    "describe_edges",
    "divide",
    "draw_overlay",
    "draw_pieces",
    "edge_matches",
    "edge_rows",
    "edges_csv",
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
    "outline_dxf",
    "outline_svg",
    "panel_from_outline",
    "panels_from_dict",
    "pattern_pdf",
    "piece_rows",
    "pieces_csv",
    "place_strips",
    "placed_outlines_px",
    "prepare",
    "read_panels",
    "read_pattern",
    "rectify",
    "report_html",
    "see_grain",
    "shopping_list",
    "total_cloth",
    "width_at",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'flatmeasure' has no attribute {name!r}")
    return getattr(import_module(f"flatmeasure.{_HOME[name]}"), name)
