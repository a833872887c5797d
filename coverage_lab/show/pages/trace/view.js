// Draws the shapes over the floor picture. The drawing's units are millimetres from the picture's north-west corner.

const SVG = "http://www.w3.org/2000/svg";
const drawing = document.getElementById("drawing");
const layers = Object.fromEntries(
  ["shapes", "handles", "draft", "cursor"].map((name) => [name, document.getElementById(`layer-${name}`)]),
);

const toDrawing = ([x, y]) => [x - page.picture.west, page.picture.north - y];
const toRoom = ([x, y]) => [x + page.picture.west, page.picture.north - y];
const mmPerPixel = () => page.picture.width / drawing.getBoundingClientRect().width;

function node(name, attributes, parent) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  parent.append(made);
  return made;
}

const pathOf = (polygons, close = true) =>
  polygons
    .flat()
    .map((ring) => `M${ring.map((point) => toDrawing(point).map((part) => part.toFixed(2)).join(" ")).join("L")}`)
    .map((path) => (close ? `${path}Z` : path))
    .join("");

function text(words, point, parent, className) {
  const [x, y] = toDrawing(point);
  const size = 13 * mmPerPixel();
  const made = node("text", { x, y, "font-size": size, class: className, "stroke-width": size / 4 }, parent);
  made.textContent = words;
}

function drawShapes(shapes, selected, camera) {
  layers.shapes.replaceChildren();
  for (const shape of shapes) {
    const group = node("g", { class: `shape ${shape.role}`, "data-key": shape.key }, layers.shapes);
    if (shape.key === selected) group.classList.add("selected");
    if (shape.kind === "point") drawDock(shape, group);
    else {
      node("path", { d: pathOf(footprint(shape, camera)), class: "area", "fill-rule": "evenodd" }, group);
      if (shape.raised) node("path", { d: pathOf(tracedOutline(shape)), class: "top" }, group);
    }
    if (shape.role !== "floor" && shape.kind !== "point") text(shape.name || shape.role, namePlace(shape), group, "name");
  }
}

// In the middle of a large shape, below a small one.
function namePlace(shape) {
  const [x, y] = middleOf(shape);
  const corners = cornersOf(shape);
  const [wide, high] = [0, 1].map((axis) => spread(corners.map((corner) => corner[axis])) / mmPerPixel());
  return Math.min(wide, high) > 40 ? [x, y] : [x, y - (high / 2 + 12) * mmPerPixel()];
}

function drawDock(shape, group) {
  const [x, y] = toDrawing(shape.centre);
  const size = 9 * mmPerPixel();
  node("path", { d: `M${x - size} ${y + size}H${x + size}V${y - size / 3}L${x} ${y - size * 1.4}L${x - size} ${y - size / 3}Z`, class: "area" }, group);
}

function middleOf(shape) {
  const corners = cornersOf(shape);
  const spanOf = (axis) => corners.map((corner) => corner[axis]);
  return [0, 1].map((axis) => (Math.min(...spanOf(axis)) + Math.max(...spanOf(axis))) / 2);
}

const lengthWords = (mm) => `${mm.toFixed(0)}`;

// The handles and lengths of the selected shape.
function drawHandles(shape, corner) {
  layers.handles.replaceChildren();
  if (!shape) return;
  if (shape.kind === "polygon") {
    for (const [a, b] of edgesOf(shape.polygons)) drawLength(a, b, layers.handles);
    for (const place of placesOf(shape)) {
      const { at, point, next } = place;
      const room = distance(point, next) > 40 * mmPerPixel();
      if (room) handle(between(point, next, 0.5), { "data-insert": at.join() }, "insert");
      handle(point, { "data-corner": at.join() }, corner && corner.join() === at.join() ? "corner chosen" : "corner");
    }
  } else if (shape.kind === "rectangle") {
    const ring = rectangleRing(shape);
    drawLength(ring[0], ring[1], layers.handles);
    drawLength(ring[1], ring[2], layers.handles);
    ring.forEach((point, at) => handle(point, { "data-reach": at }, "corner"));
    handle(turnHandle(shape), { "data-turn": 1 }, "turn");
  } else if (shape.kind === "circle") {
    const east = [shape.centre[0] + shape.diameter / 2, shape.centre[1]];
    drawLength([shape.centre[0] - shape.diameter / 2, shape.centre[1]], east, layers.handles);
    handle(east, { "data-diameter": 1 }, "corner");
  }
}

const turnHandle = (shape) =>
  turned([shape.centre[0], shape.centre[1] + shape.depth / 2 + 26 * mmPerPixel()], shape.centre, shape.turn);

function placesOf(shape) {
  return shape.polygons.flatMap((rings, part) =>
    rings.flatMap((ring, hole) =>
      ring.map((point, at) => ({ at: [part, hole, at], point, next: ring[(at + 1) % ring.length] })),
    ),
  );
}

function handle(point, data, className) {
  const [cx, cy] = toDrawing(point);
  const radius = (className === "insert" ? 4.5 : 7) * mmPerPixel();
  node("circle", { cx, cy, r: radius, class: `handle ${className}`, ...data }, layers.handles);
}

function drawLength(a, b, parent) {
  const length = distance(a, b);
  if (length < 34 * mmPerPixel()) return; // no room for its number
  const beside = (14 * mmPerPixel()) / length; // to the right of its direction, which is outside a drawn outline
  const [x, y] = between(a, b, 0.5);
  text(lengthWords(length), [x + (b[1] - a[1]) * beside, y - (b[0] - a[0]) * beside], parent, "length");
}

// What is being drawn: the points so far and the one under the cursor.
function drawDraft(tool, points, cursor) {
  layers.draft.replaceChildren();
  if (!points.length || !cursor) return;
  const all = [...points, cursor];
  if (tool === "circle") {
    node("path", { d: pathOf([[circleRing({ centre: points[0], diameter: 2 * distance(points[0], cursor) })]]) }, layers.draft);
    text(`⌀ ${lengthWords(2 * distance(points[0], cursor))}`, cursor, layers.draft, "length");
  } else if (tool === "rectangle" && points.length === 2) {
    const ring = rectangleRing(rectangleFrom(points[0], points[1], cursor));
    node("path", { d: pathOf([[ring]]) }, layers.draft);
    drawLength(ring[0], ring[1], layers.draft);
    drawLength(ring[1], ring[2], layers.draft);
  } else {
    node("path", { d: pathOf([[all]], false) }, layers.draft);
    all.slice(1).forEach((point, at) => drawLength(all[at], point, layers.draft));
  }
  for (const point of points) {
    const [cx, cy] = toDrawing(point);
    node("circle", { cx, cy, r: 4 * mmPerPixel(), class: "placed" }, layers.draft);
  }
}

function drawCursor(point, snap) {
  layers.cursor.replaceChildren();
  if (!point) return;
  const [x, y] = toDrawing(point);
  const arm = 11 * mmPerPixel();
  node("path", { d: `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`, class: "cross under" }, layers.cursor);
  node("path", { d: `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`, class: "cross" }, layers.cursor);
  if (snap === "corner" || snap === "edge") {
    node("circle", { cx: x, cy: y, r: arm * 0.7, class: "cross" }, layers.cursor);
  }
}
