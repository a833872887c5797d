// What is drawn: plain values in millimetres, their outlines, what is wrong with them, and room.geojson.
//
// A shape: { key, role, kind: "polygon" | "rectangle" | "circle" | "point", name, height, clearance, tolerance,
//   approach, raised (traced along its top), other (properties that are not ours), and its geometry:
//   polygons | centre, width, depth, turn | centre, diameter | centre }

const ROLES = {
  floor: { say: "floor", kinds: ["polygon", "rectangle"], fields: ["tolerance"] },
  obstacle: { say: "obstacle", kinds: ["polygon", "rectangle", "circle"], fields: ["name", "height", "tolerance"] },
  overhang: { say: "overhang", kinds: ["polygon", "rectangle", "circle"], fields: ["name", "clearance", "height"] },
  zone: { say: "zone", kinds: ["polygon", "rectangle", "circle"], fields: ["name"] },
  decoy: { say: "decoy", kinds: ["polygon", "rectangle", "circle"], fields: ["name", "height", "approach"] },
  dock: { say: "dock", kinds: ["point"], fields: [] },
};
const IN_FILE = {
  name: ["name", 1],
  height: ["height_m", 1000],
  clearance: ["clearance_m", 1000],
  tolerance: ["tolerance_mm", 1],
  approach: ["approach_deg", 1],
};
const DEFAULT_TOLERANCE = 3;
const BEYOND_FLOOR = 5; // an outline may be drawn this far beyond the wall

function tracedOutline(shape) {
  if (shape.kind === "polygon") return shape.polygons;
  if (shape.kind === "rectangle") return [[rectangleRing(shape)]];
  if (shape.kind === "circle") return [[circleRing(shape)]];
  return [];
}

// Where the shape is on the floor.
function footprint(shape, camera) {
  const outline = tracedOutline(shape);
  if (!shape.raised || !(shape.height > 0)) return outline;
  return outline.map((rings) => rings.map((ring) => ring.map((point) => broughtDown(point, shape.height, camera))));
}

const label = (shape) => (shape.name ? `${shape.role} “${shape.name}”` : shape.role);

function cornersOf(shape) {
  return shape.kind === "point" ? [shape.centre] : tracedOutline(shape).flat(2);
}

function moved(shape, by) {
  const shift = (point) => [point[0] + by[0], point[1] + by[1]];
  if (shape.kind === "polygon") {
    return { ...shape, polygons: shape.polygons.map((rings) => rings.map((ring) => ring.map(shift))) };
  }
  return { ...shape, centre: shift(shape.centre) };
}

// Everything that a room of these shapes still lacks or has wrong, in sentences.
function mistakes(shapes, camera) {
  const found = [];
  const floors = shapes.filter((shape) => shape.role === "floor");
  if (floors.length === 0) found.push("There is no floor: draw its outline along the walls.");
  if (floors.length > 1) found.push("There are several floors: keep one.");
  if (shapes.filter((shape) => shape.role === "dock").length > 1) found.push("There are several docks: keep one.");
  const floor = floors.length === 1 ? footprint(floors[0], camera) : null;
  for (const shape of shapes) found.push(...mistakesOf(shape, shapes, floor, camera));
  return found;
}

function mistakesOf(shape, shapes, floor, camera) {
  const found = [];
  const say = (text) => found.push(`${label(shape)[0].toUpperCase()}${label(shape).slice(1)} ${text}`);
  const has = ROLES[shape.role].fields;
  if (has.includes("name") && !shape.name) say("has no name.");
  const twin = shapes.find((other) => other.role === shape.role && other.name === shape.name);
  if (has.includes("name") && shape.name && twin !== shape) say("has the name of another one.");
  if (has.includes("height") && !(shape.height > 0)) say("has no height.");
  if (has.includes("clearance") && !(shape.clearance > 0)) say("has no clearance (floor to its under side).");
  if (shape.clearance > shape.height) say("has its under side above its top.");
  if (shape.height > 5000) say("is over 5 m high: heights are millimetres.");
  if (shape.raised && shape.height >= camera.height) say("is as high as the camera.");
  const place = footprint(shape, camera);
  if (crossesItself(place)) say("crosses itself: put its corners in order.");
  const corners = shape.kind === "point" ? [shape.centre] : place.flat(2);
  const off = (corner) => !inArea(corner, floor) && distanceToOutline(corner, floor) > BEYOND_FLOOR;
  if (floor && shape.role !== "floor" && corners.some(off)) say("reaches beyond the floor.");
  return found;
}

// ---- room.geojson -------------------------------------------------------------------------------------------

const roundedM = (mm) => Math.round(mm * 1000) / 1e6 + 0;

function closedRing(ring, counterClockwise) {
  const ordered = signedArea(ring) > 0 === counterClockwise ? ring : [...ring].reverse();
  return [...ordered, ordered[0]].map((point) => point.map(roundedM));
}

function geometryOf(shape, camera) {
  if (shape.kind === "point") return { type: "Point", coordinates: shape.centre.map(roundedM) };
  const rings = footprint(shape, camera).map((polygon) => polygon.map((ring, at) => closedRing(ring, at === 0)));
  return rings.length === 1
    ? { type: "Polygon", coordinates: rings[0] }
    : { type: "MultiPolygon", coordinates: rings };
}

function featureOf(shape, camera) {
  const properties = { role: shape.role };
  for (const field of ROLES[shape.role].fields) {
    const [key, scale] = IN_FILE[field];
    const value = shape[field];
    if (value !== null && value !== "") properties[key] = typeof value === "number" ? value / scale : value;
  }
  return { type: "Feature", properties: { ...properties, ...shape.other }, geometry: geometryOf(shape, camera) };
}

// `carried` are features that are not drawn here, such as markers: they are written as they were read.
function roomFile(shapes, carried, camera) {
  const order = Object.keys(ROLES);
  const sorted = [...shapes].sort((a, b) => order.indexOf(a.role) - order.indexOf(b.role));
  const features = [...sorted.map((shape) => featureOf(shape, camera)), ...carried];
  return `${JSON.stringify({ type: "FeatureCollection", units: "m", features }, null, 1)}\n`;
}

// Reads room.geojson: { shapes, carried } or throws an Error that says what is wrong and how to mend it.
function readRoom(data) {
  if (data?.type !== "FeatureCollection" || !Array.isArray(data.features)) {
    throw new Error("It is not a GeoJSON FeatureCollection. Open a room.geojson.");
  }
  const extent = wrongUnit(data.features);
  if (extent) throw new Error(extent);
  const shapes = [];
  const carried = [];
  for (const feature of data.features) {
    const role = feature?.properties?.role;
    if (role in ROLES) shapes.push(shapeOf(feature, shapes.length));
    else carried.push(feature);
  }
  return { shapes, carried };
}

function shapeOf(feature, at) {
  const { role, ...given } = feature.properties;
  const shape = { role, name: "", height: null, clearance: null, tolerance: null, approach: null, raised: false };
  for (const field of ROLES[role].fields) {
    const [key, scale] = IN_FILE[field];
    const value = given[key];
    delete given[key];
    if (value !== undefined && value !== null) shape[field] = typeof value === "number" ? value * scale : value;
  }
  shape.other = given;
  const { type, coordinates } = feature.geometry ?? {};
  const wanted = role === "dock" ? ["Point"] : ["Polygon", "MultiPolygon"];
  if (!wanted.includes(type)) {
    throw new Error(`Feature ${at + 1} (${label(shape)}) is a ${type ?? "nothing"}. Draw it as ${wanted.join(" or ")}.`);
  }
  if (type === "Point") return { ...shape, kind: "point", centre: inMm(coordinates, shape) };
  const polygons = type === "Polygon" ? [coordinates] : coordinates;
  return { ...shape, kind: "polygon", polygons: polygons.map((rings) => rings.map((ring) => opened(ring, shape))) };
}

function inMm(position, shape) {
  const sound = Array.isArray(position) && position.length >= 2 && position.slice(0, 2).every(Number.isFinite);
  if (!sound) throw new Error(`${label(shape)}: ${JSON.stringify(position)} is not a position. Write [east, north].`);
  return [position[0] * 1000, position[1] * 1000];
}

function opened(ring, shape) {
  const points = (Array.isArray(ring) ? ring : []).map((position) => inMm(position, shape));
  if (points.length > 1 && distance(points[0], points.at(-1)) < 1e-6) points.pop();
  if (points.length < 3) throw new Error(`${label(shape)} has fewer than three corners. Draw it again.`);
  return points;
}

// A sentence if the coordinates are not metres: rooms are between half a metre and 50 m long.
function wrongUnit(features) {
  const numbers = (value) => (Array.isArray(value) ? value.flatMap(numbers) : []).concat(pair(value));
  const points = features.flatMap((feature) => numbers(feature?.geometry?.coordinates));
  if (points.length < 2) return null;
  const size = Math.max(...[0, 1].map((axis) => spread(points.map((point) => point[axis]))));
  if (size > 50) {
    const unit = size > 500 ? "millimetres" : "centimetres";
    return `Its coordinates span ${size.toFixed(0)}, which looks like ${unit}. Give metres from the south-west corner.`;
  }
  if (size < 0.02) return "Its coordinates look like degrees. Give metres from the room's south-west corner.";
  return null;
}

const pair = (value) => (Array.isArray(value) && Number.isFinite(value[0]) && Number.isFinite(value[1]) ? [value] : []);
const spread = (values) => Math.max(...values) - Math.min(...values);
