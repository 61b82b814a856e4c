/**
 * Shapes of what the service sends and takes. Lengths in mm, areas in mm2, angles in deg, pixels of the upright photo.
 *
 * @typedef {[number, number]} Point
 * @typedef {{value: number, u: number, unit: "mm" | "mm2" | "deg"}} Quantity
 * @typedef {"mm" | "cm" | "in"} Unit
 *
 * @typedef {{at_mm: Point, at_px: Point, angle: Quantity}} Corner
 * @typedef {{id: string, from: number, to: number, kind: "straight" | "curve", length: Quantity, chord: Quantity,
 *   depth: Quantity, weak: number, points_mm: Point[]}} Edge
 * @typedef {{angle_deg?: number, edge?: string}} Grain
 * @typedef {{name?: string, labels?: Record<string, string>, allowances_mm?: Record<string, number>, grain?: Grain | null,
 *   layers?: number}} Notes
 * @typedef {{id: string, complete: boolean, confidence: number, area: Quantity, perimeter: Quantity, along: Quantity,
 *   across: Quantity, along_edge: string, outline_mm: Point[], holes_mm: Point[][], outline_px: Point[],
 *   holes_px: Point[][], corners: Corner[], edges: Edge[]} & Notes} Piece
 * @typedef {{kind: string, size_mm: Point, corners_px: Point[]}} Reference
 * @typedef {{code: string, message: string, advice: string}} Warning
 * @typedef {{photo: {name: string, width_px: number, height_px: number}, rectification: {references: Reference[]},
 *   pieces: Piece[], warnings: Warning[]}} Measurement
 * @typedef {{id: string, name: string, created: string, revision: number,
 *   revisions: {revision: number, created: string, what: string}[], options: Record<string, any>,
 *   measurement: Measurement, links: Record<string, string>}} Resource
 *
 * @typedef {{id: string, measurement: string, piece: string, name: string, area: Quantity, perimeter: Quantity,
 *   along: Quantity, across: Quantity, complete: boolean, outline_mm: Point[], thumbnail: string}} StashPiece
 * @typedef {{id: string, created: string, cloth: string[], verdict: string, text: string, warnings: string[],
 *   margin_mm: number | null, layout: Record<string, any>, links: Record<string, string>}} Answer
 * @typedef {{piece: string, copy: number, mirrored: boolean, outline_px: Point[], grain_px: Point[] | null}} Placed
 * @typedef {{id: string, state: string, progress: number, step: string, measurement: string | null,
 *   answer: string | null, problem: any}} Job
 */
export {};
