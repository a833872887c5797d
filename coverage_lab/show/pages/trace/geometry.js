// Plan geometry in millimetres: x east, y north, angles in degrees counter-clockwise. Knows no page.

const distance = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
const between = (a, b, share) => [a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share];
const toGrid = (point, step) => point.map((part) => Math.round(part / step) * step);

function turned(point, about, degrees) {
  const angle = (degrees * Math.PI) / 180;
  const [x, y] = [point[0] - about[0], point[1] - about[1]];
  return [
    about[0] + x * Math.cos(angle) - y * Math.sin(angle),
    about[1] + x * Math.sin(angle) + y * Math.cos(angle),
  ];
}

// Twice the signed area of a ring is the sum of its cross products; counter-clockwise is positive.
function signedArea(ring) {
  let sum = 0;
  ring.forEach((point, at) => {
    const next = ring[(at + 1) % ring.length];
    sum += point[0] * next[1] - next[0] * point[1];
  });
  return sum / 2;
}

const polygonArea = (rings) =>
  rings.reduce((sum, ring, at) => sum + (at ? -1 : 1) * Math.abs(signedArea(ring)), 0);
const areaOf = (polygons) => polygons.reduce((sum, rings) => sum + polygonArea(rings), 0);

function nearestOnSegment(point, a, b) {
  const length = distance(a, b);
  if (length === 0) return a;
  const along = ((point[0] - a[0]) * (b[0] - a[0]) + (point[1] - a[1]) * (b[1] - a[1])) / length ** 2;
  return between(a, b, Math.min(1, Math.max(0, along)));
}

function inRing(point, ring) {
  let inside = false;
  ring.forEach((a, at) => {
    const b = ring[(at + 1) % ring.length];
    const crosses = a[1] > point[1] !== b[1] > point[1];
    if (crosses && point[0] < ((b[0] - a[0]) * (point[1] - a[1])) / (b[1] - a[1]) + a[0]) inside = !inside;
  });
  return inside;
}

const inPolygon = (point, rings) => inRing(point, rings[0]) && !rings.slice(1).some((hole) => inRing(point, hole));
const inArea = (point, polygons) => polygons.some((rings) => inPolygon(point, rings));

function edgesOf(polygons) {
  return polygons.flatMap((rings) =>
    rings.flatMap((ring) => ring.map((point, at) => [point, ring[(at + 1) % ring.length]])),
  );
}

const distanceToOutline = (point, polygons) =>
  Math.min(...edgesOf(polygons).map(([a, b]) => distance(point, nearestOnSegment(point, a, b))));

function segmentsCross(a, b, c, d) {
  const side = (p, q, r) => Math.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]));
  return side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0;
}

function crossesItself(polygons) {
  const edges = edgesOf(polygons);
  return edges.some((one, at) => edges.slice(at + 1).some((other) => segmentsCross(...one, ...other)));
}

// What stands up is seen farther from the camera's foot than it is: d · H / (H − h) instead of d.
function broughtDown(point, height, camera) {
  const share = (camera.height - height) / camera.height;
  return [camera.foot[0] + (point[0] - camera.foot[0]) * share, camera.foot[1] + (point[1] - camera.foot[1]) * share];
}

function rectangleRing({ centre, width, depth, turn }) {
  const half = [
    [-width / 2, -depth / 2],
    [width / 2, -depth / 2],
    [width / 2, depth / 2],
    [-width / 2, depth / 2],
  ];
  return half.map(([x, y]) => turned([centre[0] + x, centre[1] + y], centre, turn));
}

// From one edge and a point on the opposite one.
function rectangleFrom(a, b, opposite) {
  const width = distance(a, b);
  const turn = (Math.atan2(b[1] - a[1], b[0] - a[0]) * 180) / Math.PI;
  const up = [-(b[1] - a[1]) / width, (b[0] - a[0]) / width];
  const reach = (opposite[0] - a[0]) * up[0] + (opposite[1] - a[1]) * up[1];
  const middle = between(a, b, 0.5);
  return {
    centre: [middle[0] + (up[0] * reach) / 2, middle[1] + (up[1] * reach) / 2],
    width,
    depth: Math.abs(reach),
    turn,
  };
}

const CIRCLE_CORNERS = 64;

// The corners lie a little outside the circle, so that the polygon has the circle's area.
function circleRing({ centre, diameter }) {
  const step = (2 * Math.PI) / CIRCLE_CORNERS;
  const radius = (diameter / 2) * Math.sqrt(step / Math.sin(step));
  return Array.from({ length: CIRCLE_CORNERS }, (_, at) => [
    centre[0] + radius * Math.cos(at * step),
    centre[1] + radius * Math.sin(at * step),
  ]);
}

// Where a point goes that is put near `point`: to a corner, to an edge, square to the last edge, or to the grid.
// `reach` is how near counts, `from` the corner before, `before` the one before that. A right angle counts from
// less near than corners and edges, so that a wall a little out of square can still be drawn.
function snapped(point, { corners, edges, from, before, reach, step }) {
  const near = corners.filter((corner) => distance(point, corner) <= reach);
  if (near.length) {
    near.sort((a, b) => distance(point, a) - distance(point, b));
    return { point: near[0], to: "corner" };
  }
  const ray = from ? squareTo(point, from, before, reach / 3) : null;
  const onEdge = edges
    .map(([a, b]) => nearestOnSegment(point, a, b))
    .filter((foot) => distance(point, foot) <= reach)
    .sort((a, b) => distance(point, a) - distance(point, b))[0];
  if (onEdge) return { point: onEdge, to: "edge" };
  if (ray) {
    const length = Math.round(distance(from, ray) / step) * step;
    return { point: length ? between(from, ray, length / distance(from, ray)) : ray, to: "right angle" };
  }
  return { point: toGrid(point, step), to: `${step} mm` };
}

// The foot of `point` on the line through `from` that is square or parallel to the room or to the edge before.
function squareTo(point, from, before, reach) {
  const first = before && distance(from, before) ? Math.atan2(from[1] - before[1], from[0] - before[0]) : 0;
  for (const base of [first, 0]) {
    for (const turn of [0, Math.PI / 2]) {
      const direction = [Math.cos(base + turn), Math.sin(base + turn)];
      const along = (point[0] - from[0]) * direction[0] + (point[1] - from[1]) * direction[1];
      const foot = [from[0] + along * direction[0], from[1] + along * direction[1]];
      if (distance(point, foot) <= reach && Math.abs(along) > reach) return foot;
    }
  }
  return null;
}
