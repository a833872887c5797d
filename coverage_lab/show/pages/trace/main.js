// The page: what is drawn so far, what the user does, and what the panel shows.

const STEP = 5; // mm
const REACH_PX = 9; // how near the pointer must be to snap or to close an outline
const byId = (id) => document.getElementById(id);

let nextKey = 1;
const state = { shapes: [], carried: [], selected: null, corner: null };
const draft = { tool: "polygon", role: "obstacle", points: [], cursor: null, snap: "" };
const history = { past: [], future: [], saved: "" };

// ---- changes and their history ------------------------------------------------------------------------------

const kept = () => JSON.stringify({ shapes: state.shapes, carried: state.carried });

function change(words, act) {
  history.past.push(kept());
  history.future = [];
  act();
  announce(words);
  show();
}

function travel(from, to, words) {
  if (!from.length) return;
  to.push(kept());
  Object.assign(state, JSON.parse(from.pop()));
  if (!chosen()) select(null);
  announce(words);
  show();
}

const chosen = () => state.shapes.find((shape) => shape.key === state.selected) ?? null;

function select(key) {
  if (state.selected !== key) state.corner = null;
  state.selected = key;
}

function replace(shape) {
  state.shapes = state.shapes.map((one) => (one.key === shape.key ? shape : one));
}

function announce(words) {
  byId("said").textContent = words;
}

// ---- drawing ------------------------------------------------------------------------------------------------

function pointUnder(event) {
  const box = drawing.getBoundingClientRect();
  const scale = mmPerPixel();
  return toRoom([(event.clientX - box.left) * scale, (event.clientY - box.top) * scale]);
}

function snapPoint(point, free, leaveOut) {
  if (free) return { point, to: "free" };
  const others = state.shapes.filter((shape) => shape.key !== leaveOut);
  const outlines = others.filter((shape) => shape.kind !== "point").map(tracedOutline);
  return snapped(point, {
    corners: [...outlines.flat(3), ...draft.points.slice(0, 1)],
    edges: outlines.flatMap(edgesOf),
    from: draft.points.at(-1),
    before: draft.points.at(-2),
    reach: REACH_PX * mmPerPixel(),
    step: STEP,
  });
}

function aim(point, snap) {
  draft.cursor = point;
  draft.snap = snap;
  drawCursor(draft.tool === "select" ? null : point, snap);
  drawDraft(draft.tool, draft.points, point);
  showStatus();
}

function put(point) {
  const { tool, points } = draft;
  const closes = points.length >= 3 && distance(point, points[0]) <= REACH_PX * mmPerPixel();
  if (tool === "polygon" && closes) return finish();
  if (points.length && distance(point, points.at(-1)) < 1) return;
  points.push(point);
  const enough = { point: 1, circle: 2, rectangle: 3 }[tool];
  if (points.length === enough) finish();
  else announce(`Corner ${points.length} at ${placeWords(point)}`);
  aim(draft.cursor, draft.snap);
}

function finish() {
  const { tool, points, role } = draft;
  if (tool === "polygon" && points.length < 3) return announce("An outline needs three corners.");
  const geometry = {
    polygon: () => ({ polygons: [[points]] }),
    rectangle: () => rectangleFrom(...points),
    circle: () => ({ centre: points[0], diameter: 2 * distance(points[0], points[1]) }),
    point: () => ({ centre: points[0] }),
  }[tool]();
  draft.points = [];
  if (geometry.depth < 1) return announce("The rectangle has no depth: begin again.");
  const shape = {
    key: nextKey++,
    role,
    kind: tool,
    name: ROLES[role].fields.includes("name") ? freeName(role) : "",
    height: null,
    clearance: null,
    tolerance: ROLES[role].fields.includes("tolerance") ? DEFAULT_TOLERANCE : null,
    approach: null,
    raised: byId("raised").checked && ROLES[role].fields.includes("height"),
    other: {},
    ...geometry,
  };
  change(`Drew ${label(shape)}`, () => {
    state.shapes.push(shape);
    select(shape.key);
  });
  aim(null, "");
}

function freeName(role) {
  const names = new Set(state.shapes.filter((shape) => shape.role === role).map((shape) => shape.name));
  let number = 1;
  while (names.has(`${role} ${number}`)) number += 1;
  return `${role} ${number}`;
}

function cancel() {
  draft.points = [];
  aim(draft.cursor, draft.snap);
  select(null);
  show();
}

// ---- pointer ------------------------------------------------------------------------------------------------

let drag = null;

drawing.addEventListener("pointerdown", (event) => {
  if (event.button !== 0) return;
  drawing.focus({ preventScroll: true });
  if (event.target.classList.contains("handle")) return startDrag(event, handleDrag(event.target));
  const key = Number(event.target.closest(".shape")?.dataset.key ?? 0);
  if (draft.tool !== "select") return;
  select(key || null);
  show();
  if (key) startDrag(event, moveDrag(chosen(), pointUnder(event)));
});

drawing.addEventListener("click", (event) => {
  if (drag?.used || draft.tool === "select" || event.target.classList.contains("handle")) return;
  const { point, to } = snapPoint(pointUnder(event), event.altKey);
  aim(point, to);
  put(point);
});

drawing.addEventListener("dblclick", () => {
  if (draft.tool === "polygon" && draft.points.length >= 3) finish();
});

drawing.addEventListener("pointermove", (event) => {
  if (drag) return goOnDragging(event);
  const { point, to } = snapPoint(pointUnder(event), event.altKey);
  aim(point, to);
});
drawing.addEventListener("pointerleave", () => drag || document.activeElement === drawing || aim(null, ""));

function startDrag(event, act) {
  drag = { act, before: kept(), used: false, from: [event.clientX, event.clientY] };
  drawing.setPointerCapture(event.pointerId);
  event.preventDefault();
}

function goOnDragging(event) {
  if (!drag.used && distance(drag.from, [event.clientX, event.clientY]) < 3) return;
  drag.used = true;
  const shape = drag.act(pointUnder(event), event.altKey);
  if (shape) replace(shape);
  draw();
  showPanel();
}

function endDrag() {
  if (!drag) return;
  if (drag.used) {
    history.past.push(drag.before);
    history.future = [];
    announce("Moved");
  }
  const ended = drag;
  show();
  // The click that follows a drag must not place a corner.
  setTimeout(() => drag === ended && (drag = null));
}
drawing.addEventListener("pointerup", endDrag);
drawing.addEventListener("pointercancel", endDrag);

function moveDrag(shape, start) {
  const anchor = cornersOf(shape)[0];
  return (point, free) => {
    const wanted = [anchor[0] + point[0] - start[0], anchor[1] + point[1] - start[1]];
    const target = snapPoint(wanted, free, shape.key).point;
    return moved(shape, [target[0] - anchor[0], target[1] - anchor[1]]);
  };
}

function handleDrag(target) {
  let shape = chosen();
  const { corner, insert, reach, turn } = target.dataset;
  if (insert) {
    const [part, hole, at] = insert.split(",").map(Number);
    const ring = shape.polygons[part][hole];
    shape = withCorner(shape, [part, hole, at + 1], between(ring[at], ring[(at + 1) % ring.length], 0.5), true);
    state.corner = [part, hole, at + 1];
    return (point, free) => withCorner(shape, [part, hole, at + 1], snapPoint(point, free, shape.key).point);
  }
  if (corner) {
    state.corner = corner.split(",").map(Number);
    draw();
    const at = state.corner;
    return (point, free) => withCorner(shape, at, snapPoint(point, free, shape.key).point);
  }
  if (reach) return (point, free) => reachedTo(shape, Number(reach), snapPoint(point, free, shape.key).point);
  if (turn) return (point, free) => turnedTo(shape, point, free);
  return (point) => ({ ...shape, diameter: Math.max(STEP, toGrid([2 * distance(shape.centre, point)], STEP)[0]) });
}

function withCorner(shape, [part, hole, at], point, insert = false) {
  const polygons = structuredClone(shape.polygons);
  polygons[part][hole].splice(at, insert ? 0 : 1, point);
  return { ...shape, polygons };
}

function withoutCorner(shape, [part, hole, at]) {
  const polygons = structuredClone(shape.polygons);
  polygons[part][hole].splice(at, 1);
  return { ...shape, polygons };
}

// A rectangle whose corner goes to `point`; the corner opposite stays.
function reachedTo(shape, at, point) {
  const opposite = rectangleRing(shape)[(at + 2) % 4];
  const centre = between(opposite, point, 0.5);
  const [x, y] = turned(point, centre, -shape.turn).map((part, axis) => part - centre[axis]);
  const [width, depth] = [2 * Math.abs(x), 2 * Math.abs(y)];
  return width < 1 || depth < 1 ? null : { ...shape, centre, width, depth };
}

function turnedTo(shape, point, free) {
  const angle = (Math.atan2(point[1] - shape.centre[1], point[0] - shape.centre[0]) * 180) / Math.PI - 90;
  return { ...shape, turn: free ? angle : Math.round(angle) };
}

// ---- keyboard -----------------------------------------------------------------------------------------------

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

drawing.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey) return;
  if (event.key in ARROWS) step(ARROWS[event.key], event);
  else if (event.key === "Enter" && draft.tool === "polygon" && draft.points.length >= 3 && sitsOnLast()) finish();
  else if ((event.key === "Enter" || event.key === " ") && draft.tool !== "select") put(draft.cursor ?? middleOfView());
  else if (event.key === "Backspace" && draft.points.length) undoPoint();
  else if (event.key === "Delete" || event.key === "Backspace") remove();
  else if (event.key === "[" || event.key === "]") nextCorner(event.key === "]" ? 1 : -1);
  else return;
  event.preventDefault();
});

const sitsOnLast = () => draft.cursor && distance(draft.cursor, draft.points.at(-1)) < 1;

function undoPoint() {
  draft.points.pop();
  announce("Took the last corner back");
  aim(draft.cursor, draft.snap);
}

document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input, select, textarea");
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
    if (typing) return;
    event.preventDefault();
    if (event.shiftKey) redo();
    else undo();
  } else if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s") {
    event.preventDefault();
    save();
  } else if (event.key === "Escape" && !typing) cancel();
});

function step(direction, event) {
  const far = event.shiftKey ? 50 : event.altKey ? 1 : STEP;
  const by = direction.map((part) => part * far);
  const shape = chosen();
  if (draft.tool === "select" && shape && state.corner) {
    const [part, hole, at] = state.corner;
    const point = shape.polygons[part][hole][at].map((value, axis) => value + by[axis]);
    change(`Corner at ${placeWords(point)}`, () => replace(withCorner(shape, state.corner, point)));
  } else if (draft.tool === "select" && shape) {
    change(`Moved ${label(shape)}`, () => replace(moved(shape, by)));
  } else if (draft.tool !== "select") {
    const from = draft.cursor ?? middleOfView();
    const point = from.map((part, axis) => part + by[axis]);
    aim(event.altKey ? point : toGrid(point, STEP), "keyboard");
    announce(placeWords(draft.cursor));
    keepInSight(draft.cursor);
  }
}

function middleOfView() {
  const view = byId("view").getBoundingClientRect();
  const point = pointUnder({ clientX: view.left + view.width / 2, clientY: view.top + view.height / 2 });
  return toGrid(point, STEP);
}

function keepInSight(point) {
  const view = byId("view");
  const [x, y] = toDrawing(point).map((part) => part / mmPerPixel());
  const margin = 40;
  if (x < view.scrollLeft + margin) view.scrollLeft = x - margin;
  if (x > view.scrollLeft + view.clientWidth - margin) view.scrollLeft = x - view.clientWidth + margin;
  if (y < view.scrollTop + margin) view.scrollTop = y - margin;
  if (y > view.scrollTop + view.clientHeight - margin) view.scrollTop = y - view.clientHeight + margin;
}

function nextCorner(by) {
  const shape = chosen();
  if (shape?.kind !== "polygon") return;
  const places = placesOf(shape).map((place) => place.at.join());
  const now = state.corner ? places.indexOf(state.corner.join()) : by > 0 ? -1 : 0;
  state.corner = places[(now + by + places.length) % places.length].split(",").map(Number);
  const [part, hole, at] = state.corner;
  announce(`Corner ${at + 1} at ${placeWords(shape.polygons[part][hole][at])}`);
  show();
}

function remove() {
  const shape = chosen();
  if (!shape) return;
  if (state.corner) {
    const [part, hole] = state.corner;
    if (shape.polygons[part][hole].length <= 3) return announce("An outline keeps three corners.");
    const at = state.corner;
    state.corner = null;
    change("Took a corner out", () => replace(withoutCorner(shape, at)));
  } else {
    change(`Removed ${label(shape)}`, () => {
      state.shapes = state.shapes.filter((one) => one.key !== shape.key);
      select(null);
    });
  }
}

// ---- the panel ----------------------------------------------------------------------------------------------

const placeWords = ([x, y]) => `${x.toFixed(0)} east, ${y.toFixed(0)} north`;
const areaWords = (mm2) => (mm2 < 1e5 ? `${(mm2 / 100).toFixed(1)} cm²` : `${(mm2 / 1e6).toFixed(3)} m²`);

function show() {
  draw();
  showTools();
  showList();
  showPanel();
  showMistakes();
  showStatus();
  byId("undo").disabled = !history.past.length;
  byId("redo").disabled = !history.future.length;
}

function draw() {
  drawShapes(state.shapes, state.selected, page.camera);
  drawHandles(draft.points.length ? null : chosen(), state.corner);
  drawDraft(draft.tool, draft.points, draft.cursor);
}

function showTools() {
  const kinds = ROLES[draft.role].kinds;
  for (const input of document.querySelectorAll("input[name=tool]")) {
    input.disabled = input.value !== "select" && !kinds.includes(input.value);
    input.checked = input.value === draft.tool;
  }
  byId("raised").disabled = !ROLES[draft.role].fields.includes("height");
  drawing.classList.toggle("selecting", draft.tool === "select");
}

function showStatus() {
  const { cursor, points, snap } = draft;
  if (!cursor) return (byId("place").textContent = " ");
  const length = points.length ? ` · length ${distance(points.at(-1), cursor).toFixed(0)} mm` : "";
  const way = snap && snap !== "keyboard" ? ` · ${snap === "free" ? "no snapping" : `snapped to ${snap}`}` : "";
  byId("place").textContent = `${cursor[0].toFixed(0)} mm east, ${cursor[1].toFixed(0)} mm north${length}${way}`;
}

function showList() {
  const list = byId("shapes");
  const focused = document.activeElement?.dataset?.pick;
  list.replaceChildren();
  for (const shape of state.shapes) {
    const row = document.createElement("li");
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.pick = shape.key;
    button.setAttribute("aria-pressed", shape.key === state.selected);
    button.className = shape.role;
    button.textContent = shape.name ? `${shape.name}` : shape.role;
    const kind = document.createElement("span");
    const area = shape.kind === "point" ? "" : ` · ${areaWords(areaOf(footprint(shape, page.camera)))}`;
    kind.textContent = `${shape.role}${area}`;
    button.append(kind);
    button.addEventListener("click", () => {
      setTool("select");
      select(shape.key);
      show();
    });
    row.append(button);
    list.append(row);
    if (focused === String(shape.key)) button.focus();
  }
  byId("none").hidden = state.shapes.length > 0;
}

function showPanel() {
  const shape = chosen();
  byId("chosen").hidden = !shape;
  if (!shape) return;
  byId("chosen-title").textContent = label(shape);
  for (const field of Object.keys(IN_FILE)) {
    const has = ROLES[shape.role].fields.includes(field);
    byId(`row-${field}`).hidden = !has;
    if (has) fill(byId(`field-${field}`), shape[field]);
  }
  byId("row-raised").hidden = !ROLES[shape.role].fields.includes("height");
  byId("field-raised").checked = shape.raised;
  const polygons = footprint(shape, page.camera);
  byId("size").textContent = shape.kind === "point" ? "" : sizeWords(polygons);
  showNumbers(shape);
}

function sizeWords(polygons) {
  const round = edgesOf(polygons).reduce((sum, [a, b]) => sum + distance(a, b), 0);
  return `On the floor: area ${areaWords(areaOf(polygons))}, outline ${(round / 1000).toFixed(3)} m`;
}

function fill(input, value) {
  if (document.activeElement !== input) input.value = value ?? "";
}

// The geometry as numbers: everything that can be dragged can be typed.
function showNumbers(shape) {
  const rows = [];
  const add = (words, value, set) => rows.push({ words, value, set });
  if (shape.kind === "polygon") {
    for (const { at, point } of placesOf(shape)) {
      const set = (axis) => (value) => withCorner(shape, at, point.map((old, one) => (one === axis ? value : old)));
      rows.push({ words: `Corner ${at[2] + 1}${at[0] || at[1] ? ` of part ${at[0] + 1}` : ""}`, pair: point, set, at });
    }
  } else {
    const set = (axis) => (value) => ({ ...shape, centre: shape.centre.map((old, one) => (one === axis ? value : old)) });
    rows.push({ words: shape.kind === "point" ? "Place" : "Centre", pair: shape.centre, set });
  }
  if (shape.kind === "rectangle") {
    add("Width", shape.width, (width) => ({ ...shape, width: Math.max(1, width) }));
    add("Depth", shape.depth, (depth) => ({ ...shape, depth: Math.max(1, depth) }));
    add("Turn, °", shape.turn, (turn) => ({ ...shape, turn }));
  }
  if (shape.kind === "circle") {
    add("Diameter", shape.diameter, (diameter) => ({ ...shape, diameter: Math.max(1, diameter) }));
  }
  writeNumbers(rows);
}

function writeNumbers(rows) {
  const body = byId("numbers");
  const focused = document.activeElement?.dataset?.number;
  body.replaceChildren();
  rows.forEach((row, line) => {
    const tr = body.insertRow();
    const head = document.createElement("th");
    head.scope = "row";
    head.textContent = row.words;
    tr.append(head);
    const axes = row.pair ? ["east", "north"] : [""];
    axes.forEach((axis, at) => {
      const cell = tr.insertCell();
      if (!row.pair) cell.colSpan = 2;
      const value = row.pair ? row.pair[at] : row.value;
      const act = row.pair ? row.set(at) : row.set;
      cell.append(numberInput(`${line}-${at}`, `${row.words} ${axis}`.trim(), value, act));
    });
    if (row.at && state.corner?.join() === row.at.join()) tr.classList.add("chosen");
  });
  if (focused) body.querySelector(`[data-number="${focused}"]`)?.focus();
}

function numberInput(id, words, value, act) {
  const input = document.createElement("input");
  input.type = "number";
  input.step = "any";
  input.dataset.number = id;
  input.setAttribute("aria-label", words);
  input.value = Number(value.toFixed(1));
  input.addEventListener("change", () => {
    const typed = Number(input.value);
    if (input.value === "" || !Number.isFinite(typed)) return showPanel();
    change(`${words} ${typed}`, () => replace(act(typed)));
  });
  return input;
}

function showMistakes() {
  const found = mistakes(state.shapes, page.camera);
  const list = byId("mistakes");
  list.replaceChildren(
    ...found.map((words) => Object.assign(document.createElement("li"), { textContent: words })),
  );
  byId("sound").hidden = found.length > 0;
  byId("mistakes-title").textContent = found.length ? `Before measuring (${found.length})` : "Before measuring";
}

for (const field of Object.keys(IN_FILE)) {
  byId(`field-${field}`).addEventListener("change", ({ target }) => {
    const value = field === "name" ? target.value.trim() : target.value === "" ? null : Number(target.value);
    change(`Set ${field}`, () => replace({ ...chosen(), [field]: value }));
  });
}
byId("field-raised").addEventListener("change", ({ target }) =>
  change(target.checked ? "Traced along its top" : "Traced on the floor", () =>
    replace({ ...chosen(), raised: target.checked }),
  ),
);

// ---- tools, files, zoom -------------------------------------------------------------------------------------

function setTool(tool) {
  draft.tool = tool;
  draft.points = [];
  aim(draft.cursor, draft.snap);
}

for (const input of document.querySelectorAll("input[name=tool]")) {
  input.addEventListener("change", () => {
    setTool(input.value);
    if (input.value !== "select") select(null);
    show();
  });
}
for (const input of document.querySelectorAll("input[name=role]")) {
  input.addEventListener("change", () => {
    draft.role = input.value;
    const kinds = ROLES[draft.role].kinds;
    setTool(kinds.includes(draft.tool) ? draft.tool : kinds[0]);
    select(null);
    show();
  });
}

const undo = () => (draft.points.length ? undoPoint() : travel(history.past, history.future, "Undone"));
const redo = () => travel(history.future, history.past, "Done again");
byId("undo").addEventListener("click", undo);
byId("redo").addEventListener("click", redo);
byId("remove").addEventListener("click", remove);
byId("finish").addEventListener("click", finish);
byId("cancel").addEventListener("click", cancel);

function save() {
  const link = document.createElement("a");
  const content = new Blob([roomFile(state.shapes, state.carried, page.camera)], { type: "application/geo+json" });
  link.href = URL.createObjectURL(content);
  link.download = "room.geojson";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  history.saved = kept();
  announce("Saved room.geojson: move it into the night's folder");
}
byId("save").addEventListener("click", save);

byId("open").addEventListener("change", async ({ target }) => {
  const [file] = target.files;
  if (!file) return;
  target.value = "";
  try {
    const { shapes, carried } = readRoom(JSON.parse(await file.text()));
    change(`Opened ${file.name}`, () => Object.assign(state, { shapes: shapes.map(keyed), carried, selected: null }));
    history.saved = kept();
    complain("");
  } catch (error) {
    complain(`${file.name}: ${error instanceof SyntaxError ? "it is not JSON. Open a room.geojson." : error.message}`);
  }
});

const keyed = (shape) => ({ ...shape, key: nextKey++ });

function complain(words) {
  byId("trouble").textContent = words;
  byId("trouble").hidden = !words;
}

window.addEventListener("beforeunload", (event) => {
  if (kept() !== history.saved) event.preventDefault();
});

let zoom = 1;
function setZoom(to) {
  const view = byId("view");
  const middle = [view.scrollLeft + view.clientWidth / 2, view.scrollTop + view.clientHeight / 2].map((part) => part / zoom);
  zoom = Math.min(8, Math.max(1, to));
  fit();
  view.scrollLeft = middle[0] * zoom - view.clientWidth / 2;
  view.scrollTop = middle[1] * zoom - view.clientHeight / 2;
  show();
}

function fit() {
  const view = byId("view");
  const { width, height } = page.picture;
  const scale = Math.min(view.clientWidth / width, view.clientHeight / height) * zoom;
  drawing.style.width = `${Math.floor(width * scale)}px`;
  drawing.style.height = `${Math.floor(height * scale)}px`;
}
byId("nearer").addEventListener("click", () => setZoom(zoom * 1.5));
byId("farther").addEventListener("click", () => setZoom(zoom / 1.5));
byId("whole").addEventListener("click", () => setZoom(1));
window.addEventListener("resize", () => setZoom(zoom));

if (page.room) {
  try {
    const { shapes, carried } = readRoom(page.room);
    Object.assign(state, { shapes: shapes.map(keyed), carried });
  } catch (error) {
    complain(`room.geojson: ${error.message}`);
  }
}
history.saved = kept();
fit();
show();
