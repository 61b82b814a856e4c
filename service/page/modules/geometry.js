/** Plane geometry of outlines in photo pixels. Only for drawing and for finding what was tapped: nothing is measured here. */

/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./types.js").Piece} Piece */

/** @param {Point} a @param {Point} b */
export function distance(a, b) {
  return Math.hypot(a[0] - b[0], a[1] - b[1]);
}

/**
 * The points of each edge in the photo. The outline is its edges one after the other, so each edge is a run of it.
 * @param {Piece} piece
 * @returns {Point[][]}
 */
export function edgesPx(piece) {
  const outline = piece.outline_px;
  let start = 0;
  return piece.edges.map((edge) => {
    const count = edge.points_mm.length;
    const from = start;
    start += count - 1;
    return Array.from({ length: count }, (_, i) => outline[(from + i) % outline.length]);
  });
}

/** The point half-way along, and the unit normal there (to the left of the way). @param {Point[]} points @returns {{at: Point, normal: Point}} */
export function halfWay(points) {
  const total = length(points);
  let gone = 0;
  for (let i = 1; i < points.length; i += 1) {
    const step = distance(points[i - 1], points[i]);
    if (gone + step >= total / 2 && step > 0) {
      const share = (total / 2 - gone) / step;
      const [dx, dy] = [points[i][0] - points[i - 1][0], points[i][1] - points[i - 1][1]];
      return { at: [points[i - 1][0] + share * dx, points[i - 1][1] + share * dy], normal: [dy / step, -dx / step] };
    }
    gone += step;
  }
  return { at: points[0], normal: [0, -1] };
}

/** @param {Point[]} points */
export function length(points) {
  let total = 0;
  for (let i = 1; i < points.length; i += 1) total += distance(points[i - 1], points[i]);
  return total;
}

/** How far a point is from a line of points, and where the nearest place is. @param {Point} point @param {Point[]} points @returns {{away: number, at: Point}} */
export function nearest(point, points) {
  let best = { away: Infinity, at: points[0] };
  for (let i = 1; i < points.length; i += 1) {
    const [a, b] = [points[i - 1], points[i]];
    const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    const squared = dx * dx + dy * dy;
    const share = squared ? Math.min(1, Math.max(0, ((point[0] - a[0]) * dx + (point[1] - a[1]) * dy) / squared)) : 0;
    /** @type {Point} */
    const at = [a[0] + share * dx, a[1] + share * dy];
    const away = distance(point, at);
    if (away < best.away) best = { away, at };
  }
  return best;
}

/** @param {Point} point @param {Point[]} ring */
export function isInside(point, ring) {
  let inside = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i, i += 1) {
    const [a, b] = [ring[i], ring[j]];
    if (a[1] > point[1] !== b[1] > point[1] && point[0] < ((b[0] - a[0]) * (point[1] - a[1])) / (b[1] - a[1]) + a[0]) inside = !inside;
  }
  return inside;
}

/** The middle of a ring's area. @param {Point[]} ring @returns {Point} */
export function centroid(ring) {
  let [area, x, y] = [0, 0, 0];
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i, i += 1) {
    const cross = ring[j][0] * ring[i][1] - ring[i][0] * ring[j][1];
    area += cross;
    x += (ring[j][0] + ring[i][0]) * cross;
    y += (ring[j][1] + ring[i][1]) * cross;
  }
  return area ? [x / (3 * area), y / (3 * area)] : ring[0];
}

/** @param {Point[]} points @returns {{x: number, y: number, width: number, height: number}} */
export function bounds(points) {
  const [xs, ys] = [points.map((p) => p[0]), points.map((p) => p[1])];
  const [x, y] = [Math.min(...xs), Math.min(...ys)];
  return { x, y, width: Math.max(...xs) - x, height: Math.max(...ys) - y };
}

/** An SVG path. @param {Point[]} points @param {boolean} [closed] */
export function path(points, closed = false) {
  return `M${points.map(([x, y]) => `${x.toFixed(2)} ${y.toFixed(2)}`).join("L")}${closed ? "Z" : ""}`;
}

/**
 * A small line of a direction on the mat, as it looks in the photo, through the middle of a piece: the map from mat to
 * photo is taken as even over the piece, which is enough for an arrow.
 * @param {Piece} piece
 * @param {number} angleDeg from the mat's x axis, counter-clockwise
 * @returns {[Point, Point]}
 */
export function directionPx(piece, angleDeg) {
  const [mm, px] = [piece.outline_mm, piece.outline_px];
  const [cm, cp] = [mean(mm), mean(px)];
  let [xx, xy, yy] = [0, 0, 0];
  const b = [0, 0, 0, 0];
  for (let i = 0; i < mm.length; i += 1) {
    const [u, v] = [mm[i][0] - cm[0], mm[i][1] - cm[1]];
    const [p, q] = [px[i][0] - cp[0], px[i][1] - cp[1]];
    xx += u * u; xy += u * v; yy += v * v;
    b[0] += u * p; b[1] += v * p; b[2] += u * q; b[3] += v * q;
  }
  const det = xx * yy - xy * xy;
  const [c, s] = [Math.cos((angleDeg * Math.PI) / 180), Math.sin((angleDeg * Math.PI) / 180)];
  const dx = ((yy * b[0] - xy * b[1]) * c + (xx * b[1] - xy * b[0]) * s) / det;
  const dy = ((yy * b[2] - xy * b[3]) * c + (xx * b[3] - xy * b[2]) * s) / det;
  const box = bounds(px);
  const half = (0.22 * Math.min(box.width, box.height)) / Math.hypot(dx, dy);
  const [x, y] = centroid(px);
  return [[x - half * dx, y - half * dy], [x + half * dx, y + half * dy]];
}

/** Direction of an edge's chord on the mat, 0 to 180. @param {Piece} piece @param {string} edgeId */
export function edgeAngle(piece, edgeId) {
  const points = piece.edges.find((edge) => edge.id === edgeId)?.points_mm;
  if (!points) return 90;
  const [a, b] = [points[0], points[points.length - 1]];
  return ((Math.atan2(b[1] - a[1], b[0] - a[0]) * 180) / Math.PI + 360) % 180;
}

/** @param {Point[]} points @returns {Point} */
function mean(points) {
  return [points.reduce((sum, p) => sum + p[0], 0) / points.length, points.reduce((sum, p) => sum + p[1], 0) / points.length];
}
